"""``python -m tiller``."""

import sys

from tiller.start import main

sys.exit(main())
