"""From a picture to centrelines in rack millimetres."""
