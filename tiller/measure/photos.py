"""The photographs of a bow's sheet: at rest, near brace, at the largest draw, each with the measured limbs on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import of_sides
from tiller.errors import RecordingFault, TillerError
from tiller.measure.pipeline import Measured, measure
from tiller.measure.recording import Recording, read_picture, read_recording
from tiller.measure.store import overlay_of
from tiller.measure.tracing import Sight, look_at
from tiller.records.book import ELSEWHERE
from tiller.records.stored_pull import StoredPull
from tiller.report.plots.overlay import outline
from tiller.report.sheets.bow import Photo
from tiller.report.style import Units

Image = NDArray[np.uint8]
WIDE = 960


def photos_of(pulls: Sequence[StoredPull], units: Units) -> tuple[list[Photo], list[str]]:
    """Photographs from the recordings of a bow's pulls (oldest first, as the book gives them), and what is missing, in words.

    Each says which recording it is of. At rest and fully drawn come from the newest pull whose recording is still there, the brace from the newest on a braced string.
    """
    notes: list[str] = []
    measured: Measured | None = None
    recording: Recording | None = None
    for pull in reversed(pulls):
        try:
            recording = _recording(pull)
            measured = measure(recording)
            break
        except TillerError as err:
            notes.append(f"pull {pull.pull_id} gives no photograph: {err}")
    if measured is None or recording is None:
        return [], notes
    photos = [_outlined(measured.sight, recording, 0, f"at rest, recording {recording.name}")]
    braced = recording if recording.bow.string.kind == "braced" else _newest_braced(pulls)
    if braced is None:
        notes.append("no pull on a braced string yet: there is no photograph at brace.")
    else:
        try:
            sight = measured.sight if braced is recording else look_at(_least_drawn(braced), lambda _: None)
            drawn = [k for k, s in enumerate(sight.seen) if s.picture.role == "pull" and s.shape.hook is not None]
            if drawn:
                least = min(drawn, key=lambda k: _draw(sight, k))
                photos.append(
                    _outlined(
                        sight,
                        braced,
                        least,
                        f"near brace, {units.length(_draw(sight, least))}, recording {braced.name}",
                    )
                )
        except TillerError as err:
            notes.append(f"no photograph at brace: {err}")
    full = cv2.imdecode(np.frombuffer(overlay_of(measured, recording, units), dtype=np.uint8), cv2.IMREAD_COLOR)
    top = measured.result.pictures[measured.result.largest]
    photos.append(
        _photo(np.asarray(full, dtype=np.uint8), f"at {units.length(top.draw_mm)}, recording {recording.name}")
    )
    return photos, notes


def _recording(pull: StoredPull) -> Recording:
    """A pull's recording.

    Raises:
        TillerError: it is not there any more, or never was here.
    """
    if pull.folder == ELSEWHERE:
        msg = "it came with another book, and its pictures are not known here."
        raise RecordingFault(msg)
    return read_recording(Path(pull.folder))


def _draw(sight: Sight, k: int) -> float:
    hook = sight.seen[k].shape.hook
    return -hook.seat_mm[1] if hook is not None else float("inf")


def _newest_braced(pulls: Sequence[StoredPull]) -> Recording | None:
    for pull in reversed(pulls):
        try:
            recording = _recording(pull)
        except TillerError:  # said for the newest one already
            continue
        if recording.bow.string.kind == "braced":
            return recording
    return None


def _least_drawn(recording: Recording) -> Recording:
    """The recording with no more of its pull than the first picture, which is drawn least."""
    kept = [p for p in recording.pictures if p.role != "pull"] + list(recording.of_role("pull")[:1])
    return replace(recording, pictures=tuple(sorted(kept, key=lambda p: p.t_s)))


def _outlined(sight: Sight, recording: Recording, k: int, caption: str) -> Photo:
    seen = sight.seen[k]
    lines = of_sides(lambda side: seen.shape.limbs[side].points_mm)
    view, z = seen.shape.view, recording.rig.bow_plane_z_mm
    return _photo(outline(read_picture(recording, seen.picture), lines, view, z), caption)


def _photo(image: Image, caption: str) -> Photo:
    small = cv2.resize(image, (WIDE, round(WIDE * image.shape[0] / image.shape[1])), interpolation=cv2.INTER_AREA)
    return Photo(np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2RGB), dtype=np.uint8), caption)
