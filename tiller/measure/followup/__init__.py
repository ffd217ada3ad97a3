"""What follows from a measured pull: advice, and what it shows beside earlier ones."""
