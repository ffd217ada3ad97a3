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


def window() -> int:
    """Opens the shop without a terminal, as a menu's entry does: what goes wrong is in ``tiller.log`` in the shop's folder."""
    import os

    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # so it is where a program was begun without a terminal on Windows
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
    from tiller.cli.entry import main as run
    from tiller.paths import data_folder

    home = data_folder()
    home.mkdir(parents=True, exist_ok=True)
    return run(["--log", str(home / "tiller.log"), *sys.argv[1:]])


if __name__ == "__main__":
    sys.exit(window())
