"""What a camera and a scale are, and those that there are."""
