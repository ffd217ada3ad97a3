"""From stiffness to force, bend and limits."""
