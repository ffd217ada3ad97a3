"""The shop's window: its list, a bow's page and file, a new bow, the rack's set-up."""
