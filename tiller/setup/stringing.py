"""Another string at the rack: how far the bow may be drawn until it was measured, and the bow's file with it afterwards."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import Bow, BowString, parse_bow
from tiller.bow.tomlwrite import with_values
from tiller.errors import FileFault, TillerError
from tiller.files import write_whole
from tiller.measure.followup.advice import advise_from_file
from tiller.mechanics.forward.stop import Stop
from tiller.notes import Note, caution, info
from tiller.quantity import mm
from tiller.setup.bow_files import text_of
from tiller.setup.new_bow import STRING_OVER_BOW

SAME_MM = 5.0
"""A string that differs by less is the same one (common practice, no source)."""
NEW_STRING = info(
    "live.new-string",
    "another string is on: pull a little and let down; its length is measured, until then the stop is that of the braced bow.",
)
REASON = "another string is on: what was safe on the old one is not known to be on this"


def braced(bow: Bow) -> Bow:
    """The bow on a string that braces it: the shortest that it will have."""
    length = STRING_OVER_BOW["braced"] * (bow.left.length_mm + bow.right.length_mm)
    return replace(bow, string=BowString("braced", length))


def stop_on_new_string(bow: Bow, last: Stop | None) -> Stop | None:
    """How far the bow may be drawn on a string that was not measured yet: as if it were braced, and never further than before.

    Args:
        last: the stop on the string before; what it says of the braced bow is taken, the file's own figures where it says nothing.

    Returns:
        None where even that is not known.
    """
    if last is not None and np.isfinite(last.braced_mm):
        return Stop(min(last.braced_mm, last.draw_mm), REASON, {}, last.braced_mm)
    of_file = advise_from_file(braced(bow)).stop
    if of_file is None:
        return None
    most = of_file.draw_mm if last is None else min(of_file.draw_mm, last.draw_mm)
    return Stop(most, REASON, {}, of_file.draw_mm)


def is_shorter(now: BowString, before: BowString) -> bool:
    """Whether the string that is on the bow now bends it more at the same draw than the one before."""
    return (now.kind != before.kind and now.kind == "braced") or now.length_mm < before.length_mm - SAME_MM


def with_string(text: str, string: BowString) -> str:
    """A bow's file with another string.

    Raises:
        KeyFault: it does not fit the bow.
    """
    out = with_values(
        text,
        {("string", "kind"): string.kind, ("string", "length_mm"): round(string.length_mm, 1)},
    )
    parse_bow(tomllib.loads(out), "bow.toml")
    return out


def keep_string(path: Path | None, string: BowString) -> Note:
    """Writes the string into the bow's own file, the text before kept beside it; what is to be said of it."""
    kind = "braces it" if string.kind == "braced" else "is long"
    what = f"the string that is on the bow now {kind} and is {mm(string.length_mm)} between the loops"
    if path is None:
        return info("live.string", f"{what}.")
    try:
        text = text_of(path)
        new = with_string(text, string)
        write_whole(path.with_name(path.name + ".before"), text.encode())
        write_whole(path, new.encode())
    except (TillerError, FileFault) as err:
        return caution("live.string-not-kept", f"{what}; its file could not be changed: {err.marked}")
    return info("live.string", f"{what}; it stands in the bow's file.")
