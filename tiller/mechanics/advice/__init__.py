"""From what is known to what is to be done."""
