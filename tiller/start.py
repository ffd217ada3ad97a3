"""Where the command ``tiller`` begins: as little as can be before Ctrl-C is answered."""

from __future__ import annotations

import sys


def main() -> int:
    """Runs the command line; 130 where it was stopped before it had begun."""
    try:
        from tiller.cli.entry import main as run

        return run()
    except KeyboardInterrupt:
        print("tiller: stopped before it had begun.", file=sys.stderr)
        return 130
