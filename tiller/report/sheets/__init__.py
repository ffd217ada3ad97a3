"""Results on paper."""
