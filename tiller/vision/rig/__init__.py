"""Camera, board and lens."""
