"""What changes of a bow at the rack: another string, how far the bow may be drawn until it was measured, a knot that was found; and the bow's file with it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from tomlkit.exceptions import TOMLKitError

from tiller.bow.bowfile import CUT_RING_SHARE, FEATURES, Bow, BowString, Feature, parse_bow
from tiller.bow.sides import SIDES, Side
from tiller.bow.tomlwrite import with_rows, with_values
from tiller.errors import TillerError
from tiller.files import write_whole
from tiller.measure.followup.advice import advise_from_file, strain_limit
from tiller.measure.restrung import MARK
from tiller.mechanics.forward.stop import Stop
from tiller.notes import Note, caution, info
from tiller.quantity import mm, mm_span, newton
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


@dataclass(frozen=True)
class WantedWeight:
    """Another draw weight that is wanted of the bow, at the draw length of its file."""

    weight_n: float


def found(side: Side, kind: str, from_mm: float, to_mm: float) -> Found:
    """One that is treated as such places usually are."""
    return Found(side, Feature(kind, from_mm, to_mm, FEATURES[kind], CUT_RING_SHARE if kind == "cut ring" else 1.0))


def braced(bow: Bow) -> Bow:
    """The bow on a string that braces it: the shortest that it will have."""
    length = STRING_OVER_BOW["braced"] * (bow.left.length_mm + bow.right.length_mm)
    return replace(bow, string=BowString("braced", length))


def stop_on_new_string(bow: Bow, last: Stop | None) -> Stop:
    """How far the bow may be drawn on a string that was not measured yet: as if it were braced, and never further than before.

    Args:
        last: the stop on the string before; what it says of the braced bow is taken, the file's own figures where it says nothing.

    Returns:
        A stop of 0 where being braced alone may be too much, or nothing is known: do not draw it.
    """
    before = last.draw_mm if last is not None else float("inf")
    if last is not None and np.isfinite(last.braced_mm):
        most = last.braced_mm
    else:
        of_file = advise_from_file(braced(bow)).stop
        most = of_file.draw_mm if of_file is not None else 0.0
    draw = min(most, before)
    return Stop(draw, REASON if draw > 0 else FORBIDDEN, {}, most)


NO_STOP = Stop(0.0, "the last pull gave no stop: see its notes before it is drawn again", {})
"""After a pull from which none could be found: the bow is not to be drawn."""
FORBIDDEN = "a string that braces it may strain it beyond what its wood bears: take it off, or put a longer one on"


def stop_with(last: Stop | None, before: Bow, now: Bow) -> Stop | None:
    """A stop that was found with the bow's file as it was before, where the file trusts the wood with less now: a lower limit, a ring cut through.

    The stop comes nearer by the share; the next pull says it better.
    """
    share = trusted_share(before, now)
    if last is None or share >= 1.0:
        return last
    return Stop(
        share * last.draw_mm,
        f"the bow's file trusts it with less since: {100 * share:.0f} % of the stop before",
        {},
        share * last.braced_mm,
    )


def trusted_share(before: Bow, now: Bow) -> float:
    """By how much less of the strain the wood is trusted with since; 1 where nothing of that changed."""
    share = min(1.0, strain_limit(now)[0] / strain_limit(before)[0])
    for side in SIDES:
        fresh = set(now.limb(side).features) - set(before.limb(side).features)
        share = min([share, *(f.strain_share for f in fresh)])
    return share


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


def with_weight(text: str, weight_n: float) -> str:
    """A bow's file with another draw weight wanted.

    Raises:
        KeyFault: no bow has it.
    """
    out = with_values(text, {("target", "draw_weight_n"): round(weight_n, 1)})
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


def keep_weight(path: Path | None, wanted: WantedWeight) -> Note:
    """Writes another wanted weight into the bow's own file, likewise."""
    what = f"{newton(wanted.weight_n)} is wanted of the bow now"
    return _kept(path, what, lambda text: with_weight(text, wanted.weight_n))


def _kept(path: Path | None, what: str, change: Callable[[str], str]) -> Note:
    if path is None:
        return info("live.bow-changed", f"{what}.")
    try:
        text = text_of(path)
        new = change(text)
        write_whole(path.with_name(path.name + ".before"), text.encode())
        write_whole(path, new.encode())
    except (
        TillerError,
        TOMLKitError,
        ValueError,
        KeyError,
    ) as err:  # whoever edits it by hand may have it half-written just now
        why = err.marked if isinstance(err, TillerError) else f"it cannot be read ({err})."
        return caution("live.bow-not-changed", f"{what}; its file could not be changed: {why}")
    return info("live.bow-changed", f"{what}; it stands in the bow's file.")


class BowNow:
    """The bow of a session and the texts of its files, as they are by now; ``file``: its own file, None = none."""

    def __init__(self, bow: Bow, texts: tuple[str, str], file: Path | None) -> None:
        self.bow, self.texts, self.file = bow, texts, file

    def _say(self, text: str) -> None:
        self.bow, self.texts = parse_bow(tomllib.loads(text), "bow.toml"), (text, self.texts[1])

    @property
    def mark(self) -> Path | None:
        """The empty file beside the bow's own that says that another string is on, not measured yet."""
        return self.file.with_name(MARK) if self.file is not None else None

    def note_new_string(self) -> Note:
        """Another string is on: noted beside the bow's file too, so that the next session knows it; what is to be said of that."""
        if self.mark is not None:
            try:
                self.mark.touch()
            except OSError as err:
                return caution(
                    "live.new-string-unnoted",
                    f"{NEW_STRING.text} It could not be noted beside the bow's file ({err.strerror}): do not end the session before.",
                )
        return NEW_STRING

    def restring(self, string: BowString) -> Note:
        """From now on it has this string; what is to be said of that."""
        self._say(with_string(self.texts[0], string))
        said = keep_string(self.file, string)
        if self.mark is not None and said.code == "live.bow-changed":  # else the file still names the old one
            self.mark.unlink(missing_ok=True)
        return said

    def add(self, change: Found | WantedWeight) -> Note:
        """From now on this place is in its wood, or this weight is wanted of it; likewise, or why it is not."""
        try:
            if isinstance(change, Found):
                self._say(with_feature(self.texts[0], change))
                return keep_feature(self.file, change)
            self._say(with_weight(self.texts[0], change.weight_n))
        except TillerError as err:
            return caution("live.change-refused", f"nothing was noted: {err.marked}")
        return keep_weight(self.file, change)


class StopNow:
    """How far the bow of a session may be drawn, and from which pulls that may be taken: one that was made before another string or a lower limit says
    nothing of the bow as it is.
    """

    def __init__(self, stop: Stop | None, new_string: bool) -> None:
        self.stop, self.new_string = stop, new_string
        self._number = 0
        self._made_at: dict[Path, int] = {}

    def another_string(self, bow: Bow) -> None:
        """Another string is on, not measured yet."""
        self.new_string = True
        self._number += 1
        self.stop = stop_on_new_string(bow, self.stop)

    def other_file(self, before: Bow, now: Bow) -> None:
        """The bow's file says something else. A pull from before it still says how far the bow may be drawn, unless the wood is trusted with less."""
        if trusted_share(before, now) < 1.0:
            self._number += 1
        self.stop = stop_with(self.stop, before, now)

    def pull_begins(self, folder: Path) -> None:
        """A pull begins, with the bow as it is now."""
        self._made_at[folder] = self._number

    def is_of_now(self, folder: Path) -> bool:
        """Whether a measured pull is of the bow as it is now; one that this session did not record counts as such."""
        return self._made_at.pop(folder, self._number) == self._number

    def measured(self, stop: Stop | None, strung: bool) -> None:
        """What a pull of the bow as it is now left. ``strung``: it found the string."""
        if not self.new_string or strung:
            self.stop = stop if stop is not None else NO_STOP
