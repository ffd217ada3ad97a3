"""A log's end as a whole: picture and touches in; diameter, rings, crown, and how to split it out; staves' files and the book. The command and the window call this."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens, read_lens
from tiller.errors import FileFault, TillerError
from tiller.files import write_whole
from tiller.measure.second_view.whole import BAR_MM, SIDES_MM, one_picture
from tiller.mechanics.wood.logshape import LogShape, shape_of
from tiller.mechanics.wood.split import Flaw, Splitting, ways
from tiller.records.book import Book
from tiller.records.wood.findings import Figure, Finding, keep_finding
from tiller.setup.guided.staves import write_stave
from tiller.setup.new_bow import name_fault
from tiller.vision.rig.board import Key
from tiller.vision.stave.logend import LogEnd, log_end
from tiller.vision.stave.plane import find_face

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

RIM_SEEN, RIM_TOUCHED = 30, 8
"""So many points of a rim err on their own, where the program found it and where it was touched."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What is asked of a log's end.

    Attributes:
        pith_px, edge_px: touches, (2,) and (n, 2). rays_rad: where rings are read; empty: four, a quarter apart.
        width_mm, depth_mm: of a stave, with what is hewn off. flaws: knots and checks noted along the log; bar_mm: what the sheet's check bar measures.
    """

    pith_px: Array
    edge_px: Array
    rays_rad: tuple[float, ...] = ()
    width_mm: float = 60.0
    depth_mm: float = 35.0
    flaws: tuple[Flaw, ...] = ()
    bar_mm: float = BAR_MM


@dataclass(frozen=True, kw_only=True)
class LogRead:
    """What came out: the end, its shape, ways to split it, the best first; the picture."""

    image: Image
    end: LogEnd
    shape: LogShape
    ways: tuple[Splitting, ...]
    asked: Asked

    @property
    def flaws(self) -> tuple[Flaw, ...]:
        """Knots and checks that were noted, and the checks that are seen."""
        return (*self.asked.flaws, *(Flaw("check", a) for a in self.end.checks_rad))


USUAL_RAYS = (0.8, 2.4, 3.9, 5.5)


def picture_of(path: Path) -> Image:
    """A picture (h, w, 3) BGR from a file.

    Raises:
        FileFault: it is missing, a folder, or no picture.
    """
    return one_picture(path).image


def sheets_mm(bar_mm: float) -> dict[Key, float]:
    """Sides of the rack fiducials where their check bar measures so much."""
    return {key: side * bar_mm / BAR_MM for key, side in SIDES_MM.items()}


def lens_of(rig: Path | None, image: Image) -> Lens | None:
    """The shop's camera where the picture has its size; None: some other one.

    Raises:
        FileFault: the rig's file cannot be read.
    """
    if rig is None:
        return None
    lens = read_lens(rig)
    return lens if lens.image_size == (image.shape[1], image.shape[0]) else None


def read_log(image: Image, asked: Asked, lens: Lens | None) -> LogRead:
    """Reads a log's end.

    Raises:
        VisionFault: no sheet is seen, or the touches make no log's end.
    """
    face = find_face(image, sheets_mm(asked.bar_mm), lens)
    end = log_end(image, face, asked.pith_px, asked.edge_px, asked.rays_rad or USUAL_RAYS)
    shape = shape_of(end.rim, face.scale_sd, RIM_SEEN if end.found else RIM_TOUCHED)
    flaws = (*asked.flaws, *(Flaw("check", a) for a in end.checks_rad))
    return LogRead(
        image=image, end=end, shape=shape, ways=ways(end.rim, asked.width_mm, asked.depth_mm, flaws), asked=asked
    )


@dataclass(frozen=True, kw_only=True)
class Tree:
    """What is known of the tree: its name (its staves are numbered by it), wood, where it grew, the day of its felling (None: not known)."""

    name: str
    wood: str
    place: str = ""
    felled: date | None = None


def staves_of(home: Path, tree: Tree, read: LogRead, way: Splitting) -> tuple[str, ...]:
    """Begins a file for each clear part of a splitting; their names.

    Raises:
        TillerError: the tree's name makes no file's name, there is such a stave already, or the splitting gives none.
        FileFault: a file cannot be written.
    """
    names = _names(home, tree, way)
    parts = [part for part in way.parts if part.clear]
    for name, part in zip(names, parts, strict=True):
        table: dict[str, Any] = {
            "wood": tree.wood,
            "tree": tree.name,
            "log_diameter_mm": round(read.shape.diameter_mm, 1),
            "crown_radius_mm": round(min(part.crown_mm, 2000.0), 1),
        }
        if tree.place:
            table["place"] = tree.place
        if tree.felled is not None:
            table["felled"] = tree.felled
        write_stave(home / "bows" / name / "stave.toml", name, table)
    return names


def _names(home: Path, tree: Tree, way: Splitting) -> tuple[str, ...]:
    """What a splitting's staves are called.

    Raises:
        TillerError: the tree's name makes no file's name, there is such a stave already, or the splitting gives none.
    """
    fault = name_fault(tree.name)
    if fault:
        raise TillerError(fault)
    if way.staves == 0:
        msg = f"split into {way.count}, the log gives no clear stave of that size: choose another way, or a smaller stave."
        raise TillerError(msg)
    names = tuple(f"{tree.name} {k + 1}" for k in range(way.staves))
    there = [name for name in names if (home / "bows" / name).exists()]
    if there:
        msg = f"there is a stave or a bow called '{there[0]}' already: name the tree otherwise."
        raise TillerError(msg)
    return names


def begin_staves(book: Path, home: Path, tree: Tree, read: LogRead, way: Splitting, at: datetime) -> tuple[str, ...]:
    """Picture and figures kept, then a file for each clear part of a splitting; their names. What may say no comes first, so that nothing is half done.

    Raises:
        TillerError: as ``staves_of``. FileFault, BookFault: something cannot be written.
    """
    names = _names(home, tree, way)
    keep_log(book, home, tree.name, read, way, at)
    staves_of(home, tree, read, way)
    return names


def keep_log(book: Path, home: Path, tree: str, read: LogRead, way: Splitting, at: datetime) -> Path:
    """The picture into the shop's folder, what was found into the book where there is one; where the picture lies.

    Raises:
        FileFault, BookFault: they cannot be written.
    """
    folder = home / "logs"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        msg = f"{folder} cannot be made ({err.strerror}): nothing was written; take away what is in its place."
        raise FileFault(msg) from err
    kept = folder / f"{tree} {at:%Y-%m-%d %H%M%S}.jpg"
    done, packed = cv2.imencode(".jpg", read.image, [cv2.IMWRITE_JPEG_QUALITY, 92])
    if not done:
        msg = "the picture cannot be packed as JPEG: nothing was written."
        raise FileFault(msg)
    write_whole(kept, packed.tobytes())
    if book.is_file():
        shape = read.shape
        figures = (
            Figure("diameter_mm", shape.diameter_mm, shape.diameter_sd_mm),
            Figure("pith_off_mm", shape.off_mm, shape.off_sd_mm),
            Figure("rings", float(np.median([len(r.rings.ends_mm) for r in read.end.rays])), count_sd(read)),
            Figure("parts", float(way.count)),
            Figure("staves", float(way.staves)),
        )
        with Book(book) as shop:
            keep_finding(
                shop, Finding(stave=tree, kind="log end", at=at, figures=figures, picture=str(kept.relative_to(home)))
            )
    return kept


def count_sd(read: LogRead) -> float:
    """Of the number of rings: what each ray says of itself, and how far rays differ."""
    counts = [len(r.rings.ends_mm) for r in read.end.rays]
    own = float(np.median([r.rings.count_sd for r in read.end.rays]))
    return float(np.hypot(own, np.std(counts))) if len(counts) > 1 else own


def knots_of(texts: Sequence[str]) -> tuple[Flaw, ...]:
    """Flaws from 'knot:ANGLE[:WIDE]' or 'check:ANGLE': degrees counter-clockwise from 3 o'clock, the sheet's upper edge up, mm across at the surface.

    Raises:
        TillerError: one is of no such form.
    """
    out = []
    for text in texts:
        parts = text.split(":")
        try:
            kind, angle = parts[0].strip(), float(parts[1])
            wide = float(parts[2]) if len(parts) > 2 else 20.0
        except (IndexError, ValueError):
            kind, angle, wide = "", 0.0, 0.0
        if kind not in ("knot", "check") or len(parts) > 3 or not (-360 <= angle <= 360 and 0 <= wide <= 300):
            msg = f"'{text}' is no flaw: say knot:ANGLE or knot:ANGLE:WIDE or check:ANGLE, such as knot:120:25 (degrees counter-clockwise from 3 o'clock, the sheet's upper edge up, mm)."
            raise TillerError(msg)
        out.append(Flaw(kind, float(np.deg2rad(angle)), 0.5 * wide if kind == "knot" else 0.0))
    return tuple(out)
