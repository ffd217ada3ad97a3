"""From a picture to centrelines."""
