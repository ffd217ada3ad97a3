"""Commands about wood before the rack."""
