"""Keeps a measured pull: pictures, JSON, and an entry in the shop's book."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np

from tiller.bow.bowfile import Bow
from tiller.bow.sides import of_sides
from tiller.children import Asked, SecondProcess
from tiller.errors import BookFault, FileFault
from tiller.files import write_whole
from tiller.measure.followup.sets import Past
from tiller.measure.pipeline import Measured, working_zone
from tiller.measure.recording import Recording, hash_files, read_picture
from tiller.mechanics.advice.advice import Advice
from tiller.mechanics.advice.history import Comparison
from tiller.mechanics.fit.pullfit import nock_of
from tiller.paths import data_folder
from tiller.records.alignments import alignments_of, scrapings_of
from tiller.records.book import FATES, Book, PullSource, mark_of
from tiller.records.events import events_of
from tiller.records.stored_advice import written
from tiller.records.stored_pull import description
from tiller.report.data import result_json, stored_advice, write_json
from tiller.report.plots.overlay import overlay
from tiller.report.plots.worker import Wanted, draw
from tiller.report.style import METRIC, Units
from tiller.report.text.comparison import stored_comparison

Drawn = dict[str, bytes]
"""Pictures by file name."""


@dataclass(frozen=True)
class Kept:
    """What was kept where."""

    pull_id: int | None
    result_id: int | None
    new_pull: bool
    pictures: tuple[Path, ...]


def pictures_of(home: Path, recording: str, hashes: Mapping[str, str]) -> Path:
    """Where the pictures of a pull are kept, beside the book."""
    return home / "pictures" / f"{recording}-{mark_of(hashes)}"


def taken_at(recording: Recording) -> datetime:
    """When the pull was taken: the time of its frames.csv, since the clock in it is not a calendar's.

    Raises:
        BookFault: the recording vanished.
    """
    try:
        return datetime.fromtimestamp((recording.folder / "frames.csv").stat().st_mtime)
    except OSError as err:
        msg = f"{recording.folder} vanished while it was measured ({err.strerror}); nothing was written to the book."
        raise BookFault(msg) from err


def past_of(book: Path | None, recording: Recording) -> Past:
    """What the book held of the bow before this pull; nothing where there is no book yet."""
    if book is None or not book.is_file():
        return Past()
    taken = taken_at(recording)
    with Book(book) as shop:
        pulls = shop.earlier(recording.bow.name, hash_files(recording), taken)
        name = pulls[-1].bow if pulls else recording.bow.name
        return Past(
            pulls,
            tuple(e for e in events_of(shop, name) if e.at <= taken),
            tuple(row for row in alignments_of(shop, name) if row.at <= taken),
            tuple(at for at in scrapings_of(shop, name) if at <= taken),
        )


def fate_fault(book: Path, bow: str) -> str:
    """Why a bow is not to be drawn any more by what the book says became of it; empty where nothing did."""
    if not book.is_file():
        return ""
    with Book(book) as shop:
        fate = shop.fate(bow)
    if fate in ("", FATES[0]):
        return ""
    return (
        f"'{bow}' is noted as {fate}: do not draw it, and take no wood off. Let somebody competent look at it first; 'tiller book fate \"{bow}\" forget'"
        " takes a mistaken note back."
    )


def ask_for_plots(measured: Measured, bow: Bow, units: Units, second: SecondProcess) -> Asked[Drawn]:
    """Asks for the pull's plots: strain along the limbs and, where there was a scale, force and draw."""
    target = bow.target
    wanted: Wanted = {"limbs.png": ("limb_plot", (measured.result, units))}
    if measured.result.weighed:
        wanted["force_draw.png"] = (
            "force_draw_plot",
            (measured.result, units, target.draw_length_mm, target.draw_weight_n),
        )
    return second.ask(draw, wanted)


def ask_for_plan(advice: Advice, bow: Bow, units: Units, second: SecondProcess) -> Asked[Drawn]:
    """Asks for the pictures of plan and forecast, as far as there are any."""
    wanted: Wanted = {}
    if advice.plan is not None:
        working = of_sides(lambda side: working_zone(bow, side))
        wanted["plan.png"] = ("plan_plot", (advice.plan, bow.name, working, units))
    if advice.forecast is not None:
        f = advice.forecast
        wanted["forecast.png"] = (
            "forecast_plot",
            (f.draw_mm, f.force_n, f.force_sd_n, bow.name, bow.target.draw_weight_n, units),
        )
    return second.ask(draw, wanted)


def overlay_of(measured: Measured, recording: Recording, units: Units) -> bytes:
    """The photograph of the largest draw with what was measured, as JPEG."""
    result = measured.result
    top = result.pictures[result.largest]
    seen = next(s for s in measured.sight.seen if s.picture.file == top.file)
    photo = read_picture(recording, seen.picture)
    models, limbs = measured.sight.models, seen.shape.limbs
    nocks = of_sides(lambda side: nock_of(limbs[side].points_mm, models[side].s_mm, recording.bow.limb(side).length_mm))
    hook = seen.shape.hook
    hook_mm = hook.seat_mm if hook is not None else (0.0, -top.draw_mm)
    drawn = overlay(photo, result, seen.shape.view, recording.rig.bow_plane_z_mm, hook_mm, nocks, units)
    good, data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, 92])
    if not good:
        msg = "the overlay could not be encoded as a picture"
        raise FileFault(msg)
    return np.asarray(data).tobytes()


@dataclass(frozen=True, kw_only=True)
class Keeping:
    """Where a pull is kept, and what is drawn of it.

    Attributes:
        book: the book's file; None = no entry.
        pictures: folder for the pictures; None = beside the book (in the data folder where there is no book).
        json_file: where the result goes as JSON; None = nowhere.
        units: of the pictures.
        plots: whether pictures are drawn; photograph: without them the photograph with the measured bow alone.
    """

    book: Path | None
    pictures: Path | None = None
    json_file: Path | None = None
    units: Units = METRIC
    plots: bool = True
    photograph: bool = False


def keep(
    measured: Measured,
    recording: Recording,
    keeping: Keeping,
    advice: Advice | None = None,
    comparison: Comparison | None = None,
    plots: Sequence[Asked[Drawn]] = (),
) -> Kept:
    """Writes files (each whole or not at all), then the book's entry (all of it or nothing).

    Args:
        advice: what follows from the pull, for JSON and book; comparison: the pull beside earlier ones, likewise.
        plots: plots that were asked for.

    Raises:
        FileFault, BookFault: something could not be written; the book holds nothing half-written.
    """
    hashes, book = hash_files(recording), keeping.book
    stored = stored_advice(advice, recording.bow) if advice is not None else None
    compared = stored_comparison(comparison) if comparison is not None else None
    files: list[Path] = []
    if keeping.json_file is not None:
        write_json(keeping.json_file, result_json(measured.result) | written(stored, compared))
    if plots or keeping.photograph:
        folder = keeping.pictures or pictures_of(book.parent if book else data_folder(), recording.name, hashes)
        drawn = {"overlay.jpg": overlay_of(measured, recording, keeping.units)}
        for asked in plots:
            drawn |= asked.take()
        for name, data in drawn.items():
            write_whole(folder / name, data)
            files.append(folder / name)
    if book is None:
        return Kept(None, None, False, tuple(files))
    source = PullSource(
        recording.bow.wood, description(recording.bow), recording.folder.resolve(), hashes, taken_at(recording)
    )
    with Book(book) as shop:
        pull, result, new = shop.add(measured.result, source, stored, compared)
    return Kept(pull, result, new, tuple(files))
