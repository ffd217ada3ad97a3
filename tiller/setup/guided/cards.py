"""What of a rack is done: a card each for camera, lens, rack, scale and check, from the rack's file and the settings. Nothing is opened."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Literal

from tiller.bow.rigfile import read_cell, read_lens, read_rig
from tiller.bow.tomlcheck import Table, load_toml
from tiller.errors import FileFault, TillerError
from tiller.quantity import mm, newton

State = Literal["not done", "works", "good", "due", "wrong"]
NAMES = ("camera", "lens", "rack", "scale", "check")

AGAIN_DAYS = {"lens": 365, "rack": 180, "scale": 180, "check": 1}
"""When each is due again: a check at the start of a day's work, the rest where nothing was knocked (common practice, no source)."""
GOOD_RIM_PX, GOOD_PLANE_MM, GOOD_SENSITIVITY = 0.5, 1.0, 0.002
"""Better than this is good, worse works with wider ± (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Card:
    """One card.

    Attributes:
        name: one of ``NAMES``; state: what is to be thought of it; figure: the one figure; day: ISO, '' where none; again: when it is due again.
        what: what is done on it, in a sentence; fault: why it cannot be read.
    """

    name: str
    state: State
    figure: str = ""
    day: str = ""
    again: str = ""
    what: str = ""
    fault: str = ""


WHAT = {
    "camera": "Choose the camera, place it, light and focus: what it sees is shown with hints.",
    "lens": "Print the lens board and hold it before the camera: pictures are taken by themselves.",
    "rack": "Glue the fiducials, lay the lath into the cradle and carry the camera round; two tapes are asked for.",
    "scale": "Hang five masses or more on the hook, one after the other.",
    "check": "Lath and one weight, in two minutes, before a day's work.",
}


SAME_FOCAL = 1e-4
"""A lens that was calibrated again has another focal length than before, by more than it is written down to."""


def cards_of(rig: Path, camera: str, today: date, camera_there: bool = True) -> tuple[Card, ...]:
    """The five cards.

    Args:
        rig: the rack's file, which need not be there; camera: what is used as one, in words, '' for none; camera_there: it is found now.
    """
    data: dict[str, object] = {}
    fault = ""
    try:
        data = load_toml(rig) if rig.is_file() else {}
    except FileFault as err:
        fault = err.marked
    top = Table(str(rig), "", data)
    first = Card(
        name="camera",
        state="not done" if not camera else "works" if camera_there else "wrong",
        figure=camera or "none is found",
        what=WHAT["camera"],
    )
    makers = {"lens": _lens, "rack": _rack, "scale": _scale, "check": _check}
    cards = [first]
    for name, make in makers.items():
        try:
            card = make(top, rig) if not fault else _wrong(name, fault)
        except TillerError as err:
            card = _wrong(name, err.marked)
        cards.append(_dated(card, today))
    return tuple(cards)


def _dated(card: Card, today: date) -> Card:
    """With the day it is due again."""
    if card.state in ("not done", "wrong") or not card.day:
        return card
    try:
        due = date.fromisoformat(card.day) + timedelta(days=AGAIN_DAYS[card.name])
    except ValueError:
        return card
    late = (due <= today and card.name != "check") or (card.name == "check" and card.day != today.isoformat())
    return replace(card, state="due" if late else card.state, again=due.isoformat())


def _wrong(name: str, fault: str) -> Card:
    return Card(name=name, state="wrong", what=WHAT[name], fault=fault)


def _none(name: str) -> Card:
    return Card(name=name, state="not done", what=WHAT[name])


def _lens(top: Table, rig: Path) -> Card:
    if not top.has("camera"):
        return _none("lens")
    lens = read_lens(rig)
    table = top.table("camera")
    rim = table.number("rim_sd_px", 0.0, 1000.0, "px", default=float("nan"))
    wide, high = lens.image_size
    size = f"{wide}x{high}"
    figure = f"a corner of the picture to {rim:.1f} px, at {size}" if rim == rim else f"at {size}"
    return Card(
        name="lens",
        state="good" if rim < GOOD_RIM_PX else "works",
        figure=figure,
        day=table.label("calibrated"),
        what=WHAT["lens"],
    )


def _rack(top: Table, rig: Path) -> Card:
    if not top.has("fiducials"):
        return _none("rack")
    if not top.has("hook"):
        fault = "the hook was not found: hang it with its fiducial and the seat's, and take the pictures anew."
        return _wrong("rack", fault)
    found = read_rig(rig)
    measured = top.table("measured") if top.has("measured") else Table(str(rig), "measured", {})
    sd = measured.number("plane_sd_mm", 0.0, 1000.0, "mm", default=float("nan"))
    if measured.data.get("hook_found") is False:
        fault = "the hook was not found in the rack's pictures: hang it with its fiducial and the seat's, and take them anew."
        return _wrong("rack", fault)
    focal = measured.number("focal_px", 0.0, 1e6, "px", default=float("nan"))
    if focal == focal and abs(focal - found.lens.matrix[0, 0]) > SAME_FOCAL * focal:
        return _wrong(
            "rack", "it was measured with another lens, size or focus than the file has now: measure it again."
        )
    figure = f"bow's plane {mm(found.bow_plane_z_mm)}" + (f" ± {mm(sd, 1)}" if sd == sd else "") + " before the board"
    return Card(
        name="rack",
        state="good" if sd < GOOD_PLANE_MM else "works",
        figure=figure,
        day=measured.label("day"),
        what=WHAT["rack"],
    )


def _scale(top: Table, rig: Path) -> Card:
    if not top.has("load_cell"):
        return _none("scale")
    cell = read_cell(rig)
    sd = cell.sensitivity_sd
    up_to = f", up to {newton(cell.largest_n)}" if cell.largest_n < 1e5 else ""
    return Card(
        name="scale",
        state="good" if 0 < sd <= GOOD_SENSITIVITY else "works",
        figure=f"forces to {100 * sd:.2f} %{up_to}" if sd else f"how sure is not noted{up_to}",
        day=cell.calibrated,
        what=WHAT["scale"],
    )


def _check(top: Table, rig: Path) -> Card:
    del rig
    if not top.has("check"):
        return _none("check")
    table = top.table("check")
    off = table.number("lath_off_mm", -1000.0, 1000.0, "mm", default=float("nan"))
    weight = table.number("weight_off", -1000.0, 1000.0, default=float("nan"))
    parts = [f"lath {mm(off, 1, sign=True)}"] if off == off else []
    parts += [f"weight {100 * weight:+.1f} %"] if weight == weight else []
    bad = table.data.get("good") is False
    half = len(parts) < 2
    return Card(
        name="check",
        state="wrong" if bad else "works" if half else "good",
        figure=", ".join(parts) + (" (the other half was not checked)" if half else ""),
        day=table.label("day"),
        what=WHAT["check"],
        fault="it does not measure as it did: calibrate what is off." if bad else "",
    )


def usual_lath_mm(rig: Path) -> float:
    """The lath's length of the last check, NaN where there was none."""
    try:
        top = Table(str(rig), "", load_toml(rig))
        table = top.table("check")
        return table.number("lath_mm", 300.0, 4000.0, "mm", default=float("nan"))
    except TillerError:
        return float("nan")
