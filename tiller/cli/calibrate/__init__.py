"""``tiller calibrate scale|check|lens|board`` and ``tiller targets``."""
