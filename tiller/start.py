"""Where the command ``tiller`` begins: as little as can be before Ctrl-C is answered."""

from __future__ import annotations

import sys
from pathlib import Path


def main() -> int:
    """Runs the command line; 130 where it was stopped before it had begun."""
    try:
        from tiller.cli.entry import main as run

        return run()
    except KeyboardInterrupt:
        print("tiller: stopped before it had begun.", file=sys.stderr)
        return 130


def window() -> int:
    """Opens the shop without a terminal, as a menu's entry does: what goes wrong is in ``tiller.log`` in the shop's folder.

    Where that cannot be written it is in the system's folder for passing files.
    """
    import os
    import tempfile

    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # so it is where a program was begun without a terminal on Windows
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
    try:
        from tiller.cli.entry import main as run
        from tiller.paths import data_folder

        log = data_folder() / "tiller.log"
        try:
            log.parent.mkdir(parents=True, exist_ok=True)
            with log.open("ab"):
                pass
        except OSError:
            log = Path(tempfile.gettempdir()) / "tiller.log"
        return run(["--log", str(log), *sys.argv[1:]])
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(window())
