"""The live view as a page on the local network, to look at only."""
