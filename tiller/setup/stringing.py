"""What changes of a bow at the rack: another string, how far the bow may be drawn until it was measured, a knot that was found; and the bow's file with it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import CUT_RING_SHARE, FEATURES, Bow, BowString, Feature, parse_bow
from tiller.bow.sides import Side
from tiller.bow.tomlwrite import with_rows, with_values
from tiller.errors import TillerError
from tiller.files import write_whole
from tiller.measure.followup.advice import advise_from_file
from tiller.mechanics.forward.stop import Stop
from tiller.notes import Note, caution, info
from tiller.quantity import mm, mm_span
from tiller.setup.bow_files import text_of
from tiller.setup.new_bow import STRING_OVER_BOW

SAME_MM = 5.0
"""A string that differs by less is the same one (common practice, no source)."""
NEW_STRING = info(
    "live.new-string",
    "another string is on: pull a little and let down; its length is measured, until then the stop is that of the braced bow.",
)
REASON = "another string is on: what was safe on the old one is not known to be on this"


@dataclass(frozen=True)
class Found:
    """A feature that was found at the rack, and on which limb."""

    side: Side
    feature: Feature


def found(side: Side, kind: str, from_mm: float, to_mm: float) -> Found:
    """One that is treated as such places usually are."""
    return Found(side, Feature(kind, from_mm, to_mm, FEATURES[kind], CUT_RING_SHARE if kind == "cut ring" else 1.0))


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


def with_feature(text: str, found: Found) -> str:
    """A bow's file with a further feature.

    Raises:
        KeyFault: it does not fit the bow.
    """
    feature = found.feature
    row = {"kind": feature.kind, "from_mm": feature.from_mm, "to_mm": feature.to_mm}
    out = with_rows(text, ("limbs", str(found.side), "features"), [row])
    parse_bow(tomllib.loads(out), "bow.toml")
    return out


def keep_string(path: Path | None, string: BowString) -> Note:
    """Writes the string into the bow's own file, the text before kept beside it; what is to be said of it."""
    kind = "braces it" if string.kind == "braced" else "is long"
    what = f"the string that is on the bow now {kind} and is {mm(string.length_mm)} between the loops"
    return _kept(path, what, lambda text: with_string(text, string))


def keep_feature(path: Path | None, found: Found) -> Note:
    """Writes a feature into the bow's own file, likewise."""
    span = mm_span(found.feature.from_mm, found.feature.to_mm)
    what = f"{found.feature.kind} on the {found.side} limb, {span} from the pivot"
    return _kept(path, what, lambda text: with_feature(text, found))


def _kept(path: Path | None, what: str, change: Callable[[str], str]) -> Note:
    if path is None:
        return info("live.bow-changed", f"{what}.")
    try:
        text = text_of(path)
        new = change(text)
        write_whole(path.with_name(path.name + ".before"), text.encode())
        write_whole(path, new.encode())
    except TillerError as err:
        return caution("live.bow-not-changed", f"{what}; its file could not be changed: {err.marked}")
    return info("live.bow-changed", f"{what}; it stands in the bow's file.")


class BowNow:
    """The bow of a session and the texts of its files, as they are by now; ``file``: its own file, None = none."""

    def __init__(self, bow: Bow, texts: tuple[str, str], file: Path | None) -> None:
        self.bow, self.texts, self.file = bow, texts, file

    def _say(self, text: str) -> None:
        self.bow, self.texts = parse_bow(tomllib.loads(text), "bow.toml"), (text, self.texts[1])

    def restring(self, string: BowString) -> Note:
        """From now on it has this string; what is to be said of that."""
        self._say(with_string(self.texts[0], string))
        return keep_string(self.file, string)

    def add(self, feature: Found) -> Note:
        """From now on this place is in its wood; likewise, or why it is not."""
        try:
            self._say(with_feature(self.texts[0], feature))
        except TillerError as err:
            return caution("live.feature-refused", f"nothing was noted: {err.marked}")
        return keep_feature(self.file, feature)
