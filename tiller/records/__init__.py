"""The shop's book."""
