"""An entry in the desktop's menu, by the Desktop Entry and Icon Theme specifications of freedesktop.org, so that no terminal is needed to begin."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from tiller.errors import FileFault
from tiller.files import write_whole

NAME = "tiller-shop"
RESERVED = " \t\n\"'\\><~|&;$*?#()`"
"""What makes an argument of Exec need quotes: Desktop Entry Specification 1.5, 'The Exec key'."""
MUST_ESCAPE = '"`$\\'


@dataclass(frozen=True)
class MenuFiles:
    """Where the entry and its icon are, or would be."""

    entry: Path
    icon: Path


def menu_files() -> MenuFiles:
    """In the user's own data folder: ``XDG_DATA_HOME``, else ``~/.local/share`` (XDG Base Directory Specification)."""
    given = os.environ.get("XDG_DATA_HOME", "")
    data = Path(given) if given.startswith("/") else Path.home() / ".local" / "share"
    return MenuFiles(
        data / "applications" / f"{NAME}.desktop", data / "icons" / "hicolor" / "scalable" / "apps" / f"{NAME}.svg"
    )


def put_in_menu(home: str | None) -> MenuFiles:
    """Writes entry and icon; what is there of ours is written over.

    Args:
        home: the shop's folder where it is not the usual one; the entry then says so.

    Raises:
        FileFault: there is no such menu on this system, or it cannot be written.
    """
    if not sys.platform.startswith("linux"):
        msg = "A menu entry can be written on Linux only: elsewhere make a shortcut to 'tiller-window', which lies next to 'tiller' and opens no terminal."
        raise FileFault(msg)
    out = menu_files()
    text = entry_text(starting_with(), home)
    for path in (out.icon, out.entry):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as err:
            msg = f"{path.parent} cannot be made ({err.strerror}): nothing was written; free that path, or set XDG_DATA_HOME to a folder that may be written."
            raise FileFault(msg) from err
    write_whole(out.icon, files("tiller.setup").joinpath("icon.svg").read_bytes())
    try:
        write_whole(out.entry, text.encode())
    except FileFault:
        out.icon.unlink(missing_ok=True)
        raise
    return out


def take_from_menu() -> bool:
    """Takes entry and icon away; whether there were any.

    Raises:
        FileFault: one cannot be taken away.
    """
    there = False
    for path in (menu_files().entry, menu_files().icon):
        try:
            path.unlink()
            there = True
        except FileNotFoundError:
            continue
        except OSError as err:
            msg = f"{path} cannot be taken away ({err.strerror}): remove it by hand."
            raise FileFault(msg) from err
    return there


def starting_with() -> tuple[str, ...]:
    """What starts this installation, whatever is on the PATH or lies in the folder that a menu starts in."""
    return (sys.executable, "-P", "-m", "tiller.start")


def entry_text(command: tuple[str, ...], home: str | None) -> str:
    """The entry's file.

    Raises:
        FileFault: a path has a character that no entry can hold.
    """
    if "=" in command[0] or any(c in part for part in (*command, home or "") for c in "\n\r"):
        msg = f"The program lies at a path that no menu entry can name ({command[0]!r}): install it at one without line breaks and equals signs."
        raise FileFault(msg)
    words = (*(("env", f"TILLER_HOME={home}") if home else ()), *command)
    lines = (
        "[Desktop Entry]",
        "Version=1.5",
        "Type=Application",
        "Name=Tiller",
        "GenericName=Tillering assistant",
        "Comment=Staves and bows in work, each with its next step; measure a bow on the rack",
        f"Exec={' '.join(quoted(word) for word in words)}",
        f"Icon={NAME}",
        "Terminal=false",
        "Categories=Education;Science;Engineering;",
        "Keywords=bow;stave;tillering;",
    )
    return "\n".join(lines) + "\n"


def quoted(word: str) -> str:
    r"""One argument of Exec: in quotes where it must be, ``%`` doubled, and backslashes doubled once more as in every string of an entry.

    >>> print(quoted("/opt/the shop/python"))
    "/opt/the shop/python"
    >>> print(quoted("100%"))
    100%%
    >>> print(quoted("a$b"))
    "a\\$b"
    """
    word = word.replace("%", "%%")
    if word and not any(c in RESERVED for c in word):
        return word
    inner = "".join(f"\\{c}" if c in MUST_ESCAPE else c for c in word)
    return f'"{inner}"'.replace("\\", "\\\\")
