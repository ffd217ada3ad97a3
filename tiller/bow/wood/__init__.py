"""Woods: strength, moisture, shrinkage."""
