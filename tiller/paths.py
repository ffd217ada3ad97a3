"""Where the shop's things are kept."""

from __future__ import annotations

import os
from pathlib import Path


def data_folder() -> Path:
    """Where the shop's things are kept: TILLER_HOME, else the system's place for a user's data."""
    given = os.environ.get("TILLER_HOME")
    if given:
        return Path(given).resolve()
    from platformdirs import user_data_path

    return Path(user_data_path("tiller", appauthor=False))


def book_path() -> Path:
    """The shop's book."""
    return data_folder() / "book.sqlite3"


def shop_files() -> dict[str, Path]:
    """The shop's own files, by their place in its folder: of bows and staves, and of the rig."""
    home = data_folder()
    files = (
        {p.relative_to(home).as_posix(): p for p in sorted((home / "bows").rglob("*.toml"))} if home.is_dir() else {}
    )
    return files | {name: home / name for name in ("rig.toml", "rig.toml.before") if (home / name).is_file()}
