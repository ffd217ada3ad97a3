"""``python -m tiller``."""

import sys

from tiller.cli import main

sys.exit(main())
