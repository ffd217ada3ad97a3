"""The rack from pictures: where each fiducial of the board is, where the bow's plane, the pivot and the string's seat are.

Bundle adjustment: from a few pictures taken from different places with nothing moved between them, all cameras' poses and
all fiducials' places are found together by least squares over every corner seen, with taped distances and the printed side as
further observations. What gives the rack its coordinates is a lath that lies in the cradle as a bow would, with a fiducial at
each end: its middle is the pivot's x, its lower edge the pivot's y, its length the rack's x axis, its mid-plane the bow's plane.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from tiller.bow.rigfile import Fiducial, HookFiducial, Lens
from tiller.errors import VisionFault
from tiller.notes import Note, caution, info
from tiller.quantity import mm
from tiller.vision.rig.board import Key, crossing
from tiller.vision.rig.camera import View, as_points

Array = NDArray[np.float64]

FEWEST_PICTURES = 3
CORNER_SD_PX = 0.11
"""A sharpened corner's scatter, each way, before the fit says more (set on rendered pictures of tests/calibrate/test_board.py; the fit's
own residuals replace it where they are larger)."""
WORST_RMS_PX = 1.0
SIDE_SD = 0.002
"""Relative sd of a printed side, and of what blur takes off its image (common practice, no source)."""
LATH_TILT_MM, SEAT_SD_MM = 4.0, 0.5
"""A lath that lies askew by more is reported; how surely it lies in the cradle as a bow would (common practice, no source)."""
FLAT_SD_MM = 0.7
"""A board is flat, and a fiducial on it, to this (common practice, no source)."""
TAPE_SD_MM = 0.7
"""A taped distance between two middles (common practice, no source)."""
TURN_SD = 0.004
"""How far a fiducial on the board is tilted against it, rad (common practice, no source)."""
TILTED_DEG = 12.0
"""The pictures' directions must differ by this much, or depth is not known."""


@dataclass(frozen=True, kw_only=True)
class Lath:
    """The lath in the cradle.

    Attributes:
        left, right: its fiducials; side_mm: printed.
        apart_mm: distance of their middles, apart_sd_mm; up_mm: height of the middles over the lower edge.
        thick_mm: its thickness (the bow's plane is its middle).
        middle_mm: how far right of the left fiducial the pivot is; NaN = half way.
    """

    left: Key
    right: Key
    side_mm: float
    apart_mm: float
    up_mm: float
    thick_mm: float
    apart_sd_mm: float = 0.5
    middle_mm: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class RackFound:
    """The rack as found.

    Attributes:
        fiducials: of the board, rack coordinates; centre_sd_mm: (k, 3) sd of their centres.
        bow_plane_z_mm, bow_plane_sd_mm.
        hook: with offset and plane, None where hook or seat were not seen; hook_sd_mm: sd of the offset.
        rms_px: of all corners; pictures: used. tape_off_mm: taped minus found, in the order given.
        notes: what to know.
    """

    fiducials: tuple[Fiducial, ...]
    centre_sd_mm: Array
    bow_plane_z_mm: float
    bow_plane_sd_mm: float
    hook: HookFiducial | None
    hook_sd_mm: float
    rms_px: float
    pictures: int
    tape_off_mm: Array
    notes: tuple[Note, ...]


def _square(side: float) -> Array:
    h = 0.5 * side
    return np.array([[-h, h, 0], [h, h, 0], [h, -h, 0], [-h, -h, 0]])


def _turn(rotvec: Array) -> Array:
    return np.asarray(cv2.Rodrigues(np.asarray(rotvec, dtype=float))[0], dtype=float)


def _pose_of(side: float, corners: Array, lens: Lens) -> tuple[Array, Array]:
    """Rotation vector and place of one fiducial before the camera."""
    good, turns, ways, errors = cv2.solvePnPGeneric(
        _square(side).reshape(-1, 1, 3),
        corners.reshape(-1, 1, 2),
        lens.matrix,
        lens.distortion,
        flags=cv2.SOLVEPNP_IPPE_SQUARE,
    )
    if not good:
        msg = "a fiducial's place before the camera cannot be found: take that picture again."
        raise VisionFault(msg)
    best = int(np.argmin(np.ravel(errors)))
    return np.ravel(turns[best]).astype(float), np.ravel(ways[best]).astype(float)


@dataclass(frozen=True)
class _Layout:
    """Which numbers are what: six for each picture after the first of its pose, six for each fiducial, one for the print's scale."""

    keys: tuple[Key, ...]
    sides: Array
    pictures: int

    def poses(self, x: Array) -> Array:
        return x[: 6 * self.pictures].reshape(-1, 6)

    def marks(self, x: Array) -> Array:
        return x[6 * self.pictures : 6 * (self.pictures + len(self.keys))].reshape(-1, 6)


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known of a rack before its pictures are looked at.

    Attributes:
        board: printed side of each fiducial of the board, mm; lath: what lies in the cradle.
        hook, seat: fiducial and side of the hook's, and of the one that hangs where the string will lie.
        tapes: two fiducials of the board and the distance of their middles, mm; tape_sd_mm: sd of each.
    """

    board: Mapping[Key, float]
    lath: Lath
    hook: tuple[Key, float] | None
    seat: tuple[Key, float] | None
    tapes: Sequence[tuple[Key, Key, float]]
    tape_sd_mm: float = TAPE_SD_MM

    def sides(self) -> dict[Key, float]:
        """The printed side of every fiducial."""
        sides = {**self.board, self.lath.left: self.lath.side_mm, self.lath.right: self.lath.side_mm}
        return sides | {one[0]: one[1] for one in (self.hook, self.seat) if one is not None}


def find_rack(pictures: Sequence[Mapping[Key, Array]], lens: Lens, known: Known) -> RackFound:
    """All places from the corners seen in each picture.

    ``pictures``: for each, corners (4, 2) by fiducial.

    Raises:
        VisionFault: too few pictures, a fiducial seen in too few of them, pictures from one place only, a tape that contradicts.
    """
    sides, board, lath, tapes = known.sides(), known.board, known.lath, known.tapes
    _refuse_nonsense(lath)
    _checked(pictures, sides, lath, tapes)
    keys = tuple(k for k in sides if sum(k in p for p in pictures) >= 2)
    used = [p for p in pictures if sum(k in p for k in keys) >= 3]
    if len(used) < FEWEST_PICTURES:
        msg = f"Only {len(used)} of {len(pictures)} pictures show three fiducials or more: at least {FEWEST_PICTURES} are needed; step back or uncover them."
        raise VisionFault(msg)
    layout = _Layout(keys, np.array([sides[k] for k in keys]), len(used))
    on_board = np.array([k in board for k in keys])
    start = _start(used, layout, lens)
    seen = [(p, j, used[p][k]) for p in range(len(used)) for j, k in enumerate(keys) if k in used[p]]
    where = {k: j for j, k in enumerate(keys)}
    straps = [(where[a], where[b], d, known.tape_sd_mm) for a, b, d in tapes if a in where and b in where]
    straps.append((where[lath.left], where[lath.right], lath.apart_mm, lath.apart_sd_mm))
    fit = least_squares(
        _residuals,
        start,
        x_scale="jac",
        method="lm",
        args=(layout, lens, seen, straps, on_board),
        max_nfev=40 * len(start),
    )
    corners = fit.fun[: 8 * len(seen)] * CORNER_SD_PX
    rms = float(np.sqrt(np.mean(np.sum(corners.reshape(-1, 2) ** 2, axis=1))))
    if not fit.success or rms > WORST_RMS_PX:
        msg = f"The pictures contradict each other ({rms:.1f} px rms): was something moved between them, or is the lens another one?"
        raise VisionFault(msg)
    _refuse_one_place(layout, fit.x)
    cov = _covariance(fit.jac, max(0.8, rms / (CORNER_SD_PX * np.sqrt(2.0))))
    return _in_rack(fit.x, cov, layout, where, known, straps, rms)


def _refuse_nonsense(lath: Lath) -> None:
    limits = (
        ("length", lath.apart_mm, 300, 4000),
        ("height", lath.up_mm, -200, 300),
        ("thickness", lath.thick_mm, 2, 120),
    )
    for name, value, low, high in limits:
        if not low <= value <= high:
            msg = f"the lath's {name} is given as {mm(value, None)}: {low} to {high} mm makes sense."
            raise VisionFault(msg)


def _checked(
    pictures: Sequence[Mapping[Key, Array]],
    sides: Mapping[Key, float],
    lath: Lath,
    tapes: Sequence[tuple[Key, Key, float]],
) -> None:
    if len(pictures) < FEWEST_PICTURES:
        msg = f"{len(pictures)} picture(s): at least {FEWEST_PICTURES} are needed, from places that differ, with nothing moved between them."
        raise VisionFault(msg)
    for name, key in (("left", lath.left), ("right", lath.right)):
        if sum(key in p for p in pictures) < 2:
            msg = f"The lath's {name} fiducial (id {key[1]}) is seen in fewer than two pictures: without it the bow's plane is not known."
            raise VisionFault(msg)
    for a, b, _ in tapes:
        for key in (a, b):
            if key not in sides:
                msg = f"A taped distance names fiducial {key[1]}, which is not on the board."
                raise VisionFault(msg)


def _start(used: list[Mapping[Key, Array]], layout: _Layout, lens: Lens) -> Array:
    """Rough places: fiducials and pictures joined one after the other through what they have in common."""
    relative = [
        {j: _pose_of(float(layout.sides[j]), p[k], lens) for j, k in enumerate(layout.keys) if k in p} for p in used
    ]
    first = max(range(len(used)), key=lambda p: len(relative[p]))
    pose: dict[int, tuple[Array, Array]] = {first: (np.eye(3), np.zeros(3))}
    marks: dict[int, tuple[Array, Array]] = {}
    for _ in range(2 * len(used)):
        for p, (turn, way) in list(pose.items()):
            for j, (r, t) in relative[p].items():
                if j not in marks:
                    marks[j] = (turn.T @ _turn(r), turn.T @ (t - way))
        best = max(
            (p for p in range(len(used)) if p not in pose),
            key=lambda p: sum(j in marks for j in relative[p]),
            default=None,
        )
        if best is None:
            break
        shared = [j for j in relative[best] if j in marks]
        if not shared:
            break
        points = np.vstack([_square(float(layout.sides[j])) @ marks[j][0].T + marks[j][1] for j in shared])
        pixels = np.vstack([used[best][layout.keys[j]] for j in shared])
        _, r_vec, t_vec = cv2.solvePnP(
            points.reshape(-1, 1, 3), pixels.reshape(-1, 1, 2), lens.matrix, lens.distortion, flags=cv2.SOLVEPNP_SQPNP
        )
        pose[best] = (_turn(np.ravel(r_vec)), np.ravel(t_vec).astype(float))
    if len(pose) < len(used) or len(marks) < len(layout.keys):
        msg = "Some pictures or fiducials have nothing in common with the others: take pictures that show most of the fiducials."
        raise VisionFault(msg)
    rows = [np.concatenate([np.ravel(cv2.Rodrigues(pose[p][0])[0]), pose[p][1]]) for p in range(len(used))]
    rows += [np.concatenate([np.ravel(cv2.Rodrigues(marks[j][0])[0]), marks[j][1]]) for j in range(len(layout.keys))]
    return np.concatenate([*rows, [0.0]])


def _residuals(
    x: Array,
    layout: _Layout,
    lens: Lens,
    seen: list[tuple[int, int, Array]],
    straps: list[tuple[int, int, float, float]],
    on_board: NDArray[np.bool_],
) -> Array:
    poses, marks, scale = layout.poses(x), layout.marks(x), 1.0 + x[-1]
    turned = [_turn(m[:3]) for m in marks]
    out = []
    for p, j, corners in seen:
        points = scale * _square(float(layout.sides[j])) @ turned[j].T + marks[j, 3:]
        found, _ = cv2.projectPoints(points.reshape(-1, 1, 3), poses[p, :3], poses[p, 3:], lens.matrix, lens.distortion)
        out.append((as_points(found) - corners).ravel() / CORNER_SD_PX)
    for a, b, d, sd in straps:
        out.append(np.array([(float(np.linalg.norm(marks[a, 3:] - marks[b, 3:])) - d) / sd]))
    # the board is flat: its fiducials lie in one plane and face the same way
    rows = np.flatnonzero(on_board)
    centres = marks[rows, 3:]
    middle = centres.mean(axis=0)
    normal = np.sum([turned[j][:, 2] for j in rows], axis=0)
    if len(rows) >= 3:
        normal = np.linalg.svd(centres - middle)[2][2] * np.sign(np.linalg.svd(centres - middle)[2][2] @ normal)
    else:
        normal = normal / np.linalg.norm(normal)
    out.append((centres - middle) @ normal / FLAT_SD_MM)
    for j in rows.tolist():
        out.append(np.cross(turned[j][:, 2], normal) / TURN_SD)
    out.append(np.array([x[-1] / SIDE_SD]))
    # gauge: where all of it stands as a whole is free; held softly at the first picture
    out.append(1e-3 * poses[0])
    return np.concatenate(out)


def _refuse_one_place(layout: _Layout, x: Array) -> None:
    turns = [_turn(p[:3]) for p in layout.poses(x)]
    widest = max(float(np.rad2deg(np.arccos(np.clip(a[2] @ b[2], -1, 1)))) for a in turns for b in turns)
    if widest < TILTED_DEG:
        msg = f"All pictures look from nearly the same place ({widest:.0f} degrees apart): take some from the left, the right, above and below."
        raise VisionFault(msg)


def _covariance(jac: Array, factor: float) -> Array:
    return np.asarray(np.linalg.pinv(jac.T @ jac, hermitian=True) * factor**2, dtype=float)


def _frame(x: Array, layout: _Layout, where: Mapping[Key, int], known: Known) -> tuple[Array, Array]:
    """Axes (3, 3), rows x y z, and origin (3,) of the rack in the fit's own coordinates."""
    marks, board, lath = layout.marks(x), known.board, known.lath
    rows = [where[k] for k in board if k in where]
    centres = marks[rows, 3:]
    facing = np.sum([_turn(marks[j, :3])[:, 2] for j in rows], axis=0)
    if len(rows) >= 3:
        z = np.linalg.svd(centres - centres.mean(axis=0))[2][2]
        z = z * np.sign(z @ facing)
    else:
        z = facing / np.linalg.norm(facing)
    left, right = marks[where[lath.left], 3:], marks[where[lath.right], 3:]
    along = right - left
    axis_x = along - (along @ z) * z
    axis_x = axis_x / np.linalg.norm(axis_x)
    axis_y = np.cross(z, axis_x)
    middle = 0.5 * float(np.linalg.norm(along)) if np.isnan(lath.middle_mm) else lath.middle_mm
    pivot = left + axis_x * middle - axis_y * lath.up_mm
    origin = pivot - ((pivot - centres.mean(axis=0)) @ z) * z
    return np.vstack([axis_x, axis_y, z]), origin


def _places(x: Array, layout: _Layout, where: Mapping[Key, int], known: Known) -> Array:
    """What goes into rig.toml as numbers: centres (k, 3), turns (k), bow plane, hook offset x y, hook plane."""
    board, lath, hook, seat = known.board, known.lath, known.hook, known.seat
    axes, origin = _frame(x, layout, where, known)
    marks = layout.marks(x)
    out: list[float] = []
    turns: list[float] = []
    for key in board:
        if key not in where:
            continue
        own = marks[where[key]]
        out += (axes @ (own[3:] - origin)).tolist()
        face = axes @ _turn(own[:3])
        turns.append(float(np.arctan2(face[1, 0], face[0, 0])))
    both = [axes @ (marks[where[k], 3:] - origin) for k in (lath.left, lath.right)]
    out += turns
    out.append(float(0.5 * (both[0][2] + both[1][2]) - 0.5 * lath.thick_mm))
    if hook is not None and seat is not None and hook[0] in where and seat[0] in where:
        at = axes @ (marks[where[hook[0]], 3:] - origin)
        face = axes @ _turn(marks[where[hook[0]], :3])
        turn = np.arctan2(face[1, 0], face[0, 0])
        way = (axes @ (marks[where[seat[0]], 3:] - origin) - at)[:2]
        c, s = np.cos(turn), np.sin(turn)
        out += [float(c * way[0] + s * way[1]), float(-s * way[0] + c * way[1]), float(at[2])]
    return np.array(out)


def _in_rack(
    x: Array,
    cov: Array,
    layout: _Layout,
    where: Mapping[Key, int],
    known: Known,
    straps: list[tuple[int, int, float, float]],
    rms: float,
) -> RackFound:
    board, hook = known.board, known.hook
    places = _places(x, layout, where, known)
    slopes = np.empty((len(places), len(x)))
    for k in range(len(x)):
        step = 1e-5 if k % 6 < 3 or k == len(x) - 1 else 1e-3
        moved = x.copy()
        moved[k] += step
        slopes[:, k] = (_places(moved, layout, where, known) - places) / step
    sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", slopes, cov, slopes), 0.0))
    keys = [k for k in board if k in where]
    n = len(keys)
    centres, turns = places[: 3 * n].reshape(n, 3), np.rad2deg(places[3 * n : 4 * n])
    scale = 1.0 + x[-1]
    fiducials = tuple(
        Fiducial(k[0], k[1], scale * board[k], (float(c[0]), float(c[1]), float(c[2])), float(t))
        for k, c, t in zip(keys, centres, turns, strict=True)
    )
    marks = layout.marks(x)
    off = np.array([d - float(np.linalg.norm(marks[a, 3:] - marks[b, 3:])) for a, b, d, _ in straps])
    notes = _notes(x, layout, where, known, straps, off)
    found_hook = None
    hook_sd = float("nan")
    if len(places) > 4 * n + 1 and hook is not None:
        ox, oy, z = places[4 * n + 1 :]
        found_hook = HookFiducial(hook[0][0], hook[0][1], scale * hook[1], (float(ox), float(oy)), float(z))
        hook_sd = float(np.max(sd[4 * n + 1 : 4 * n + 3]))
    else:
        notes.append(
            caution(
                "rack.no-hook",
                "hook and string seat were not seen together: the hook's offset is not known from these pictures.",
            )
        )
    return RackFound(
        fiducials=fiducials,
        centre_sd_mm=sd[: 3 * n].reshape(n, 3),
        bow_plane_z_mm=float(places[4 * n]),
        bow_plane_sd_mm=float(np.hypot(sd[4 * n], SEAT_SD_MM)),
        hook=found_hook,
        hook_sd_mm=hook_sd,
        rms_px=rms,
        pictures=layout.pictures,
        tape_off_mm=off,
        notes=tuple(notes),
    )


def _notes(
    x: Array,
    layout: _Layout,
    where: Mapping[Key, int],
    known: Known,
    straps: list[tuple[int, int, float, float]],
    off: Array,
) -> list[Note]:
    """What to know of tapes, lath, missing fiducials and the print's scale."""
    marks, board, lath = layout.marks(x), known.board, known.lath
    axes, origin = _frame(x, layout, where, known)
    notes = []
    for (a, b, d, s), o in zip(straps, off, strict=True):
        if abs(o) > 4 * s:
            notes.append(
                caution(
                    "rack.tape-off",
                    f"the distance taped between fiducials {layout.keys[a][1]} and {layout.keys[b][1]}, {mm(d)}, is {mm(o, 1, sign=True)} off what pictures and the other tapes say: measure it again.",
                )
            )
    ends = [float((axes @ (marks[where[k], 3:] - origin))[2]) for k in (lath.left, lath.right)]
    if abs(ends[1] - ends[0]) > LATH_TILT_MM:
        notes.append(
            caution(
                "rack.lath-askew",
                f"the lath's right end lies {mm(ends[1] - ends[0], 1, sign=True)} nearer to the camera than its left one: lay it as a bow would lie, along the board, and take the pictures again.",
            )
        )
    missing = [str(k[1]) for k in board if k not in where]
    if missing:
        notes.append(
            info(
                "rack.left-out",
                f"fiducials {', '.join(missing)} were seen in fewer than two pictures and are left out.",
            )
        )
    if abs(x[-1]) > 2.0 * SIDE_SD:
        notes.append(
            caution(
                "rack.print-scale",
                f"the printed fiducials are {100 * x[-1]:+.1f} % off their nominal side by the tapes: the sheets were printed at another scale; the sides found are used.",
            )
        )
    return notes


def stick_length(corners: tuple[Array, Array], view: View, z_mm: float) -> float:
    """Distance (mm) of two fiducials' middles that are held in the plane z."""
    points = view.on_plane(np.array([crossing(c) for c in corners]), z_mm)
    return float(np.linalg.norm(points[1] - points[0]))
