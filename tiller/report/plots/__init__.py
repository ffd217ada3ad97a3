"""Results as pictures."""
