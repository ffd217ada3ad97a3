"""From what was seen and weighed to stiffness, strain and marks."""
