"""A pull at the rack as it happens."""
