"""``rig.toml``: camera, fiducials, hook and load cell of a rack."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.bow.tomlcheck import Keys, Table, load_toml

DICTIONARIES = {
    "DICT_APRILTAG_16h5": 30,
    "DICT_APRILTAG_25h9": 35,
    "DICT_APRILTAG_36h10": 2320,
    "DICT_APRILTAG_36h11": 587,
    "DICT_ARUCO_ORIGINAL": 1024,
    "DICT_4X4_50": 50,
    "DICT_4X4_100": 100,
    "DICT_4X4_250": 250,
    "DICT_5X5_50": 50,
    "DICT_5X5_100": 100,
    "DICT_5X5_250": 250,
    "DICT_6X6_50": 50,
    "DICT_6X6_100": 100,
    "DICT_6X6_250": 250,
    "DICT_7X7_50": 50,
    "DICT_7X7_100": 100,
}
"""Marker dictionaries and how many markers each has (tested against cv2)."""


FARTHEST_MM, SIDE_PX, MOST_DISTORTION = 10_000.0, (16, 20_000), 100.0
"""No rack is larger than 10 m; no camera's picture has a side of more than 20,000 px; coefficients beyond 100 are no lens."""
FOCAL, MIDDLE = (0.1, 100.0), (-1.0, 2.0)
"""Focal length over the picture's longer side: 0.1 sees 157 degrees, 100 half a degree. Where the axis meets the picture, in its sides."""
LEAST_COUNTS = 1e-3
"""Counts per newton: cells and boards in use give some hundreds to thousands."""


@dataclass(frozen=True)
class Lens:
    """Camera matrix and Brown-Conrady distortion (k1 k2 p1 p2 k3) for one image size."""

    image_size: tuple[int, int]
    matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]


@dataclass(frozen=True)
class Fiducial:
    """A square fiducial on the board; rotation counter-clockwise as the camera sees it, 0 = upright."""

    dictionary: str
    id: int
    side_mm: float
    centre_mm: tuple[float, float, float]
    rotation_deg: float


@dataclass(frozen=True)
class HookFiducial:
    """The fiducial on the hook; offset from its centre to the string's seat, x right, y up in its own frame."""

    dictionary: str
    id: int
    side_mm: float
    offset_mm: tuple[float, float]
    hook_z_mm: float


@dataclass(frozen=True, kw_only=True)
class LoadCell:
    """Counts per newton (its sign included), the counts at no load, and the relative sd of the sensitivity (0: not given).

    ``counts_per_n2``: counts = zero + counts_per_newton F + counts_per_n2 F2; ``largest_n``: the largest load it was calibrated
    with, inf where not given; the rest says when, with what, and the gravity (m/s2, 0 = not given) that the masses were hung in.
    """

    counts_per_newton: float
    zero_counts: float
    sensitivity_sd: float = 0.0
    counts_per_n2: float = 0.0
    largest_n: float = float("inf")
    calibrated: str = ""
    cell: str = ""
    firmware: str = ""
    gravity: float = 0.0

    def newtons(self, rise: NDArray[np.float64]) -> NDArray[np.float64]:
        """Force of readings above the zero, counts in, N out, positive for a pull if the sign is right."""
        x = np.asarray(rise, dtype=float) / self.counts_per_newton
        if self.counts_per_n2 == 0.0:
            return x
        curve = 4 * self.counts_per_n2 / self.counts_per_newton
        return np.asarray(2 * x / (1 + np.sqrt(np.maximum(1 + curve * x, 1e-3))), dtype=float)


CRADLE_HALF_MM = 50.0
"""Half a cradle with its strap, where the rig's file does not say (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Rig:
    """A rack as measured; ``load_cell`` is None where it has no scale, ``cradle_half_mm`` how far the cradle hides the bow to either side of the pivot,
    ``geometry_sd`` the relative sd of every bend from a lens and a board that were not calibrated (0 where they were)."""

    bow_plane_z_mm: float
    lens: Lens
    fiducials: tuple[Fiducial, ...]
    hook: HookFiducial
    load_cell: LoadCell | None
    cradle_half_mm: float = CRADLE_HALF_MM
    geometry_sd: float = 0.0


RIG_KEYS: Keys = {
    "bow_plane_z_mm": None,
    "cradle_half_mm": None,
    "geometry_sd": None,
    "camera": {"image_size": None, "matrix": None, "distortion": None, "calibrated": None, "rim_sd_px": None},
    "measured": {"day": None, "plane_sd_mm": None, "hook_found": None, "focal_px": None},
    "check": {"day": None, "good": None, "lath_mm": None, "lath_off_mm": None, "mass_kg": None, "weight_off": None},
    "fiducials": {"dictionary": None, "id": None, "side_mm": None, "centre_mm": None, "rotation_deg": None},
    "hook": {"dictionary": None, "id": None, "side_mm": None, "offset_mm": None, "hook_z_mm": None},
    "load_cell": {
        "counts_per_newton": None,
        "zero_counts": None,
        "sensitivity_sd": None,
        "counts_per_n2": None,
        "largest_n": None,
        "calibrated": None,
        "cell": None,
        "firmware": None,
        "gravity": None,
    },
}
"""Every key that ``rig.toml`` may hold."""


def _fiducial(table: Table) -> Fiducial:
    x, y, z = table.numbers("centre_mm", 3, -FARTHEST_MM, FARTHEST_MM, "mm")
    dictionary = table.text("dictionary", allowed=tuple(DICTIONARIES))
    return Fiducial(
        dictionary,
        table.whole("id", 0, DICTIONARIES[dictionary] - 1),
        table.number("side_mm", 5, 1000, "mm"),
        (x, y, z),
        table.number("rotation_deg", -360, 360, "degrees"),
    )


def _lens(table: Table) -> Lens:
    size = table.numbers("image_size", 2, *SIDE_PX, "pixels")
    if any(v != int(v) for v in size):
        raise table.fault("image_size", "width and height in whole pixels")
    rows = table.data.get("matrix")
    if not isinstance(rows, list) or len(rows) != 3:
        raise table.fault("matrix", "three rows of three numbers")
    matrix = np.array([Table(table.file, table.path, {"matrix": row}).numbers("matrix", 3, -1e7, 1e7) for row in rows])
    if matrix[0, 0] <= 0 or matrix[1, 1] <= 0 or not np.allclose(matrix[2], (0, 0, 1)):
        raise table.fault("matrix", "[[fx, 0, cx], [0, fy, cy], [0, 0, 1]] with fx and fy above 0")
    focal = np.array([matrix[0, 0], matrix[1, 1]]) / max(size)
    middle = np.array([matrix[0, 2], matrix[1, 2]]) / np.array(size)
    if np.any((focal < FOCAL[0]) | (focal > FOCAL[1])) or np.any((middle < MIDDLE[0]) | (middle > MIDDLE[1])):
        raise table.fault(
            "matrix",
            f"a lens of these pictures: fx and fy from {FOCAL[0]:g} to {FOCAL[1]:g} times the longer side, cx and cy within or near the picture",
        )
    distortion = np.array(table.numbers("distortion", (4, 5), -MOST_DISTORTION, MOST_DISTORTION))
    if len(distortion) == 4:
        distortion = np.append(distortion, 0.0)
    return Lens((int(size[0]), int(size[1])), matrix, distortion)


def _cell(cell: Table) -> LoadCell:
    counts = cell.number("counts_per_newton", -1e8, 1e8)
    if abs(counts) < LEAST_COUNTS:
        raise cell.fault("counts_per_newton", f"a number other than 0, at least {LEAST_COUNTS:g} in size")
    return LoadCell(
        counts_per_newton=counts,
        zero_counts=cell.number("zero_counts", -(2**24), 2**24),
        sensitivity_sd=cell.number("sensitivity_sd", 0.0, 0.2, "(a share: 0.005 is 0.5 %)", default=0.0),
        counts_per_n2=cell.number("counts_per_n2", -1e5, 1e5, default=0.0),
        largest_n=cell.number("largest_n", 1.0, 1e5, "N", default=float("inf")),
        calibrated=cell.label("calibrated"),
        cell=cell.label("cell"),
        firmware=cell.label("firmware"),
        gravity=cell.number("gravity", 9.7, 9.9, "m/s2", default=9.80665),
    )


def read_cell(path: Path) -> LoadCell:
    """Only the load cell of a rig file, while the rest of the rack is not measured yet.

    Raises:
        FileFault: the file is missing or no TOML.
        KeyFault: a key is missing or wrong.
    """
    return _cell(Table(str(path), "", load_toml(path)).table("load_cell"))


def parse_rig(data: dict[str, object], file: str = "rig.toml") -> Rig:
    """A checked rig from parsed TOML.

    Raises:
        KeyFault: a key is missing or wrong.
    """
    top = Table(file, "", data)
    rows = top.tables("fiducials", 1)
    fiducials = tuple(_fiducial(row) for row in rows)
    seen: set[tuple[str, int]] = set()
    for fid, row in zip(fiducials, rows, strict=True):
        if (fid.dictionary, fid.id) in seen:
            raise row.fault("id", "an id that no other fiducial of this dictionary has")
        seen.add((fid.dictionary, fid.id))
    hook = top.table("hook")
    off_x, off_y = hook.numbers("offset_mm", 2, -500, 500, "mm")
    cell = _cell(top.table("load_cell")) if "load_cell" in data else None
    hook_dictionary = hook.text("dictionary", allowed=tuple(DICTIONARIES))
    hook_fid = HookFiducial(
        hook_dictionary,
        hook.whole("id", 0, DICTIONARIES[hook_dictionary] - 1),
        hook.number("side_mm", 5, 500, "mm"),
        (off_x, off_y),
        hook.number("hook_z_mm", -500, 1000, "mm"),
    )
    if (hook_fid.dictionary, hook_fid.id) in seen:
        raise hook.fault("id", "an id that no fiducial on the board has")
    return Rig(
        bow_plane_z_mm=top.number("bow_plane_z_mm", 0, 1000, "mm"),
        lens=_lens(top.table("camera")),
        fiducials=fiducials,
        hook=hook_fid,
        load_cell=cell,
        cradle_half_mm=top.number("cradle_half_mm", 10, 300, "mm", default=CRADLE_HALF_MM),
        geometry_sd=top.number("geometry_sd", 0.0, 0.5, "(a share: 0.02 is 2 %)", default=0.0),
    )


def read_lens(path: Path) -> Lens:
    """Only the lens of a rig file, while the rest of the rack is not measured yet.

    Raises:
        FileFault: the file is missing or no TOML.
        KeyFault: a key is missing or wrong.
    """
    return _lens(Table(str(path), "", load_toml(path)).table("camera"))


def read_rig(path: Path) -> Rig:
    """The rig written down in that file.

    Raises:
        FileFault: the file is missing or no TOML.
        KeyFault: a key is missing or wrong.
    """
    return parse_rig(load_toml(path), str(path))


def read_rig_for_weight(path: Path) -> Rig:
    """The rig of a rack that works by weight alone: the whole file where camera, fiducials and hook are in it, else its load cell.

    Where one of them is not, ``fiducials`` is empty, and lens, hook and plane stand for nothing.

    Raises:
        FileFault: the file is missing or no TOML.
        KeyFault: a key is missing or wrong.
    """
    data = load_toml(path)
    if all(key in data for key in ("fiducials", "camera", "hook")):
        return parse_rig(data, str(path))
    cell = _cell(Table(str(path), "", data).table("load_cell"))
    none = Lens((1280, 720), np.array([[1000.0, 0.0, 640.0], [0.0, 1000.0, 360.0], [0.0, 0.0, 1.0]]), np.zeros(5))
    return Rig(
        bow_plane_z_mm=0.0,
        lens=none,
        fiducials=(),
        hook=HookFiducial("DICT_4X4_50", 0, 50.0, (0.0, 0.0), 0.0),
        load_cell=cell,
    )
