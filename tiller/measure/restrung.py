"""A pull on a string that nobody measured: its kind and length from the pictures, and the recording with them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import BowString, parse_bow
from tiller.bow.sides import SIDES
from tiller.bow.tomlwrite import with_values
from tiller.errors import MeasureFault
from tiller.files import write_whole
from tiller.measure.pipeline import Measured, measure
from tiller.measure.recording import Recording, read_recording

MARK = "new-string"
"""An empty file of this name in a recording says that its bow.toml has the string before."""
STRAIGHT_MM = 3.0
"""A string no longer than the way from nock to nock at rest, to this, is taut there: the bow is braced. Nocks are placed to 1 or 2 mm in pictures; a string
5 mm longer hangs 50 mm through."""
TAUT_SHARE = 0.4
"""The string's length is that of the pictures over this share of the largest draw, where it is taut for sure."""


def string_of(measured: Measured) -> BowString | None:
    """The string of a pull as the pictures show it: from nock to hook to nock where it is taut; None where that was not seen."""
    result = measured.result
    most = result.pictures[result.largest].draw_mm
    lengths, between = [], []
    for row, seen in enumerate(measured.sight.seen):
        left, right = (measured.fit.limb(side).nock_mm[row] * [side.sign, 1.0] for side in SIDES)
        if seen.picture.role == "rest":
            between.append(float(np.linalg.norm(right - left)))
        elif seen.shape.hook is not None and -seen.shape.hook.seat_mm[1] > TAUT_SHARE * most:
            seat = np.array(seen.shape.hook.seat_mm)
            lengths.append(float(np.linalg.norm(left - seat) + np.linalg.norm(right - seat)))
    # with a scale its stretch is known, and taken out
    known = [measured.string_mm] if np.isfinite(measured.string_mm) else [x for x in lengths if np.isfinite(x)]
    if not known or not np.any(np.isfinite(between)):
        return None
    length = float(np.median(known))
    return BowString("braced" if length < np.nanmedian(between) + STRAIGHT_MM else "long", length)


def restrung(recording: Recording) -> tuple[Recording, BowString | None]:
    """The recording with the string that its pictures show, and that string; as it is, and None, where it is not marked.

    Raises:
        MeasureFault: the string was not seen taut; the mark stays. TillerError: it cannot be measured or written.
    """
    mark = recording.folder / MARK
    if not mark.is_file():
        return recording, None
    found = string_of(measure(recording))
    if found is None:
        msg = "another string is on, and this pull does not show it taut from nock to nock over the hook: pull again, the hook's fiducial in sight."
        raise MeasureFault(msg)
    path = recording.folder / "bow.toml"
    text = with_values(
        path.read_text(encoding="utf-8-sig"),
        {("string", "kind"): found.kind, ("string", "length_mm"): round(found.length_mm, 1)},
    )
    parse_bow(tomllib.loads(text), "bow.toml")
    write_whole(path, text.encode())
    mark.unlink()
    return read_recording(Path(recording.folder)), found
