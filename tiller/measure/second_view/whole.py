"""A bow's second view as a whole: pictures in, what they say and what may be done about it out. The command and the window call this."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.rigfile import Lens, read_lens
from tiller.bow.sides import SIDES, Pair, both
from tiller.errors import FileFault, TillerError, VisionFault
from tiller.measure.second_view.alignment import Pictured, aligned, unlike
from tiller.measure.second_view.correction import correction_of
from tiller.measure.second_view.lying import HANDLE_DEEP_MM, fades_of, lying_of, places_of
from tiller.mechanics.forward.solved import NoEquilibriumError
from tiller.mechanics.space.tracking import NO_TWIST, Alignment, Correction, NockTwist, twist_by_both
from tiller.notes import Note, caution
from tiller.quantity import mm
from tiller.report.sheets.targets import (
    RACK,
    RACK_DICTIONARY,
    WINDING,
    WINDING_APART_MM,
    WINDING_MARKER_MM,
    lens_board_points,
)
from tiller.vision.belly.look import SeenBelly, find_wall, look
from tiller.vision.belly.lying import Lying
from tiller.vision.belly.winding import Stick, apart_words, look_along
from tiller.vision.rig.board import Key, find_markers
from tiller.vision.rig.boardfit import find_board

Image = NDArray[np.uint8]

PICTURES = (".jpg", ".jpeg", ".png", ".bmp", ".tif", ".tiff", ".webp")
SIDES_MM: dict[Key, float] = {(RACK_DICTIONARY, sheet.marker): sheet.side_mm for sheet in RACK}
BAR_MM = 100.0
STRING_OFF_MM = 15.0
"""Nock to nock, the string of the bow's file may differ by so much from what the brace height makes of it (10 mm of brace height are 7 mm of string)."""


@dataclass(frozen=True)
class Shot:
    """A picture with its name."""

    name: str
    image: Image


NOT_TAKEN: Pair[Shot | None] = Pair(None, None)


@dataclass(frozen=True, kw_only=True)
class Shots:
    """Pictures of a bow from its belly: strung, with the left limb to the left; turned end for end; unstrung, the first way round.

    ``along``: from beyond each nock along the limb, with winding sticks across its belly; None where not taken.
    """

    strung: tuple[Shot, ...]
    turned: tuple[Shot, ...] = ()
    unstrung: tuple[Shot, ...] = ()
    along: Pair[Shot | None] = NOT_TAKEN

    @property
    def every(self) -> tuple[Shot, ...]:
        """All from the belly."""
        return (*self.strung, *self.turned, *self.unstrung)


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known beside the bow's file.

    Attributes:
        brace_mm: brace height, NaN: as the file wants it. grip_mm: width of the handle at its middle, NaN: not measured. deep_mm: how deep it is.
        bar_mm: what the sheets' check bars measure. reserve: share of the weight that may still come off.
        kept: how much of a bend by heat stays in this wood. twist: what the last pull's outlines say of the limbs' twist, to the right as ``Alignment`` has it.
    """

    brace_mm: float = float("nan")
    grip_mm: float = float("nan")
    deep_mm: float = HANDLE_DEEP_MM
    bar_mm: float = BAR_MM
    reserve: float = 0.0
    kept: float = 1.0
    twist: Pair[NockTwist] = NO_TWIST


@dataclass(frozen=True)
class SecondView:
    """What came out: the alignment, what is proposed, and the first picture with what was seen in it, and whether the bow is turned in that."""

    alignment: Alignment
    correction: Correction
    first: Shot
    seen: SeenBelly
    turned: bool


def read_pictures(paths: Sequence[Path]) -> tuple[Shot, ...]:
    """Pictures from files and folders.

    Raises:
        FileFault: one is missing or no picture, or a folder has none.
    """
    files: list[Path] = []
    for path in paths:
        if path.is_dir():
            found = sorted(p for p in path.iterdir() if p.suffix.lower() in PICTURES)
            if not found:
                msg = f"{path} holds no picture: give the folder with the pictures of the bow from its belly, or the pictures themselves."
                raise FileFault(msg)
            files += found
        else:
            files.append(path)
    out = []
    for path in files:
        if not path.is_file():
            msg = f"{path} is missing: check the name."
            raise FileFault(msg)
        image = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if image is None:
            msg = f"{path} is no picture that can be read: give a JPEG or PNG."
            raise FileFault(msg)
        out.append(Shot(path.name, np.asarray(image, dtype=np.uint8)))
    return tuple(out)


def one_picture(path: Path) -> Shot:
    """One picture.

    Raises:
        FileFault: it is a folder, missing or no picture.
    """
    if path.is_dir():
        msg = f"{path} is a folder: give one picture."
        raise FileFault(msg)
    return read_pictures([path])[0]


def lens_for(shots: Shots, rig: Path | None, sides_mm: dict[Key, float]) -> Lens:
    """The calibrated lens where the pictures are that camera's, else one found from the fiducials of all pictures.

    Raises:
        VisionFault: pictures of several sizes, or too few fiducials for a lens that is not known.
    """
    sizes = {(s.image.shape[1], s.image.shape[0]) for s in shots.every}
    if len(sizes) > 1:
        msg = "the pictures have several sizes: take all with one camera, held alike."
        raise VisionFault(msg)
    size = sizes.pop()
    if rig is not None:
        lens = read_lens(rig)
        if lens.image_size == size:
            return lens
    marks = [
        find_markers(np.asarray(cv2.cvtColor(s.image, cv2.COLOR_BGR2GRAY), dtype=np.uint8), sides_mm)
        for s in shots.every
    ]
    try:
        return find_board(sorted(marks, key=len, reverse=True), sides_mm, size).lens
    except VisionFault as err:
        msg = (
            f"the lens of these pictures ({size[0]}x{size[1]}) is not calibrated, and cannot be found from them: {err}"
        )
        raise VisionFault(msg) from err


def second_view(bow: Bow, shots: Shots, known: Known, rig: Path | None = None) -> SecondView:
    """Looks at the pictures.

    Raises:
        VisionFault: no sheets, no bow or no string is seen; the message begins with the picture's name.
        TillerError: the bow's file gives no braced shape.
    """
    if not shots.strung and not shots.turned:
        msg = "give at least one picture of the strung bow from its belly."
        raise TillerError(msg)
    _must_differ(shots)
    scale = known.bar_mm / BAR_MM
    sides = {key: side * scale for key, side in SIDES_MM.items()}
    lens = lens_for(shots, rig, sides)
    brace_mm = known.brace_mm if np.isfinite(known.brace_mm) else bow.target.brace_height_mm
    try:
        lying = lying_of(bow, True, brace_mm, known.grip_mm, known.deep_mm)
    except NoEquilibriumError as err:
        msg = f"{err}: give the brace height as it is (--brace), or mend the bow's file."
        raise TillerError(msg) from err
    slack = lying_of(bow, False, brace_mm, known.grip_mm, known.deep_mm)
    fades = fades_of(bow)
    board = lens_board_points()[0]

    def taken(shot: Shot, turned: bool, strung: bool) -> Pictured:
        how = lying if strung else slack
        try:
            wall = find_wall(shot.image, lens, sides, board)
            seen = look(shot.image, wall, how.turned() if turned else how, strung, fades[::-1] if turned else fades)
        except VisionFault as err:
            msg = f"{shot.name}: {err.marked}"
            raise VisionFault(msg) from err
        return Pictured(shot.name, seen, turned)

    strung = [taken(s, False, True) for s in shots.strung] + [taken(s, True, True) for s in shots.turned]
    at_rest = [taken(s, False, False) for s in shots.unstrung]
    places = places_of(bow, lying)
    alignment = aligned(strung, at_rest, bow.upper_limb, places)
    widths = both(
        {
            side: np.where(
                places[side].s_mm >= min(st.s_mm for st in bow.limb(side).stations),
                bow.limb(side).width_at(places[side].s_mm),
                np.nan,
            )
            for side in SIDES
        }
    )
    extra = [
        note
        for note in (unlike(alignment, widths), _disagree(alignment), _string_off(bow, lying, brace_mm))
        if note is not None
    ]
    twist, said = _twist_of(bow, shots, known, lens)
    alignment = replace(alignment, notes=(*alignment.notes, *extra, *said), twist=twist)
    correction = correction_of(bow, alignment, brace_mm, known.reserve, known.kept)
    return SecondView(alignment, correction, (*shots.strung, *shots.turned)[0], strung[0].seen, strung[0].turned)


def _stick(left: int, right: int, at: str) -> Stick:
    return Stick((RACK_DICTIONARY, left), (RACK_DICTIONARY, right), at, WINDING_MARKER_MM, WINDING_APART_MM)


WINDING_STICKS = (_stick(*WINDING[0]), _stick(*WINDING[1]))
AGREE_SD = 3.0
"""Sticks and outline that are farther apart than so many sd are not averaged."""


def _twist_of(bow: Bow, shots: Shots, known: Known, lens: Lens) -> tuple[Pair[NockTwist], list[Note]]:
    """Each limb's twist, by the picture along it and by the last pull's outlines; what is said about it.

    Raises:
        VisionFault: a picture along a limb does not show both sticks, or is of another camera.
    """
    twist, said = known.twist, []
    for side in SIDES:
        shot = shots.along[side]
        if shot is None:
            continue
        size = (shot.image.shape[1], shot.image.shape[0])
        gray = np.asarray(cv2.cvtColor(shot.image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        if size == lens.image_size[::-1] and size != lens.image_size:
            # a camera held upright: a turn of the whole picture turns both sticks alike
            gray = np.ascontiguousarray(np.rot90(gray))
        elif size != lens.image_size:
            msg = f"{shot.name}: it is {size[0]}x{size[1]}, the pictures of the belly {lens.image_size[0]}x{lens.image_size[1]}: take all with one camera."
            raise VisionFault(msg)
        try:
            found = look_along(gray, WINDING_STICKS, lens)
        except VisionFault as err:
            msg = f"{shot.name}: {err.marked}"
            raise VisionFault(msg) from err
        # beyond the upper nock who looks down the limb has the bowyer's right to the left
        turn = NockTwist((-1.0 if side == bow.upper_limb else 1.0) * found.clockwise_rad, found.sd_rad)
        apart = apart_words(found, bow.limb(side).length_mm)
        if apart:
            said.append(caution("align.sticks", f"{shot.name}: {apart}"))
        other = twist[side]
        if abs(turn.turn_rad - other.turn_rad) > AGREE_SD * np.hypot(turn.sd_rad, other.sd_rad):
            said.append(
                caution(
                    "align.twist",
                    f"of the {side} limb's twist the sticks say {np.rad2deg(turn.turn_rad):+.1f} degrees, the last pull's outline"
                    f" {np.rad2deg(other.turn_rad):+.1f}: the sticks are believed. Was the picture taken of that limb?",
                )
            )
            twist = twist.put(side, turn)
        else:
            twist = twist.put(side, twist_by_both(turn, other))
    return twist, said


def _must_differ(shots: Shots) -> None:
    """Refuses a picture that is given twice.

    Raises:
        VisionFault: one is.
    """
    every = (*shots.every, *(shot for shot in shots.along if shot is not None))
    for k, one in enumerate(every):
        for other in every[:k]:
            if one.image.shape == other.image.shape and np.array_equal(one.image, other.image):
                msg = f"{other.name} and {one.name} are the same picture: take one of each way round and along each limb, and give each once."
                raise VisionFault(msg)


def _string_off(bow: Bow, lying: Lying, brace_mm: float) -> Note | None:
    """Brace height and string do not go together."""
    if bow.string.kind != "braced":
        return None
    taut = float(lying.x_mm[-1] - lying.x_mm[0])
    if abs(taut - bow.string.length_mm) <= STRING_OFF_MM:
        return None
    return caution(
        "align.brace",
        f"with a brace height of {mm(brace_mm)} the string would be {mm(taut)} from nock to nock, the bow's file says {mm(bow.string.length_mm)}: measure the"
        " brace height and say it (--brace), or mend the file; the figures lean on it.",
    )


def _disagree(alignment: Alignment) -> Note | None:
    """Both fades say otherwise than the middle: the handle is not straight, or something else was taken for the string."""
    middle = 0.5 * (alignment.at_fades_mm.left + alignment.at_fades_mm.right)
    if abs(middle - alignment.offset_mm) > 3.0:
        return caution(
            "align.handle",
            "the string's line and the handle's do not agree over the handle's length: look at the picture that is written, whether its lines lie on the string"
            " and on the handle's sides.",
        )
    return None
