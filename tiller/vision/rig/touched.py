"""A rack that was never measured, from what was touched in a picture of the bow at rest: where its handle rests and where both nocks are.

The touched places and the limbs' own lengths give the bow's plane its scale, its middle and its direction; the fiducials' plane, found without a
calibration, gives everything else (``boardfit``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from tiller.bow.rigfile import Fiducial, HookFiducial, Rig
from tiller.errors import VisionFault
from tiller.quantity import mm
from tiller.vision.rig.board import Key
from tiller.vision.rig.boardfit import BoardFound
from tiller.vision.rig.camera import View, as_points

Array = NDArray[np.float64]

WRONG_SCALE = 0.04
"""Sides and limb lengths that disagree by more are not those of this picture: print, calipers or touches are wrong (common practice, no source)."""
WIDEST_RATIO = 1.08
"""So much may one limb, as touched, be longer against the other than it is (common practice, no source)."""


@dataclass(frozen=True)
class Touched:
    """Places in the picture of the bow at rest, px (2,): where the handle rests, the left nock, the right one."""

    pivot: Array
    left: Array
    right: Array


@dataclass(frozen=True, kw_only=True)
class Near:
    """What is known of the place: how far the bow's middle is before the fiducials' plane, mm; the hook's fiducial, its printed side, and its offset to the
    string's seat, mm, x right and y up; half the width that the support hides."""

    depth_mm: float
    hook: Key
    hook_side_mm: float
    hook_offset_mm: tuple[float, float]
    support_half_mm: float


@dataclass(frozen=True)
class RigFound:
    """The rig, and by how much the fiducials seem larger than printed when the bow's own length is the measure (0 where all agrees)."""

    rig: Rig
    larger: float


def rig_from_touches(
    board: BoardFound, marks: Mapping[Key, Array], touched: Touched, lengths_mm: tuple[float, float], near: Near
) -> RigFound:
    """The rig of pictures without a calibration.

    Args:
        board: lens and fiducials; marks: fiducials seen in the picture that was touched.
        lengths_mm: left and right limb, from the pivot to the nock.

    Raises:
        VisionFault: the touches do not fit the limbs, or the fiducials' size is not that of the picture.
    """
    if not touched.left[0] < touched.pivot[0] < touched.right[0]:
        msg = "The handle's rest must lie between the left nock and the right one, as the camera sees them: touch them again, or turn the pictures upright."
        raise VisionFault(msg)
    for place in (touched.pivot, touched.left, touched.right):
        if not (np.all(np.isfinite(place)) and np.all(place >= 0) and np.all(place < board.lens.image_size)):
            msg = "A touched place lies outside the picture: touch it where the bow is."
            raise VisionFault(msg)
    view = _view_of(board, marks)
    pixels = np.array([touched.pivot, touched.left, touched.right])
    scale = 1.0
    turn = np.eye(3)
    for _ in range(12):
        # all is larger or smaller together: the board is scaled, the plane's depth is not
        depth = near.depth_mm / scale
        here = view.on_plane(pixels[:1], depth)[0]
        turn = _turned(view, pixels, lengths_mm, np.array([*here, depth]))
        points = _on_turned(view, pixels, np.array([*here, depth]), turn)
        spans = np.linalg.norm(points[1:] - points[0], axis=1)
        scale, before = sum(lengths_mm) / float(np.sum(spans)), scale
        if not np.isfinite(scale) or abs(scale - before) < 1e-9:
            break
    if not np.isfinite(scale) or abs(scale - 1.0) > WRONG_SCALE:
        msg = (
            f"By the printed fiducials the bow is {mm(sum(lengths_mm) / max(scale, 1e-9))} from nock to nock, its file says {mm(sum(lengths_mm))}: measure"
            " the sheets' check bars, and see that the nocks were touched and that the limbs' lengths are right."
        )
        raise VisionFault(msg)
    ratio = float(spans[0] / spans[1]) / (lengths_mm[0] / lengths_mm[1])
    if not 1.0 / WIDEST_RATIO < ratio < WIDEST_RATIO:
        msg = (
            f"By the touched places the limbs are {mm(scale * spans[0])} and {mm(scale * spans[1])} long, the bow's file says {mm(lengths_mm[0])} and"
            f" {mm(lengths_mm[1])}: touch where the handle rests and both nocks again; is the fiducials' plane parallel to the bow, and is it this bow?"
        )
        raise VisionFault(msg)
    along = points[2] - points[1]
    way = along / np.linalg.norm(along)
    by_lengths = points[1] + along * lengths_mm[0] / sum(lengths_mm)
    pivot = points[0] + float((by_lengths - points[0]) @ way) * way
    lean = float(np.arctan2(along[1], along[0]))
    c, s = np.cos(lean), np.sin(lean)
    into = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    base = np.array([*here, depth])
    fiducials = []
    for p in board.placed:
        # the bow's own plane: where it is turned against the board, a fiducial lies before or behind the others
        place = turn @ (np.array([p.x_mm, p.y_mm, 0.0]) - base)
        x, y, z = (float(v) for v in scale * (into @ (place - np.array([*(pivot - points[0]), 0.0]))))
        degrees = float(np.rad2deg(p.turn_rad - lean) + 180.0) % 360.0 - 180.0
        fiducials.append(Fiducial(p.key[0], p.key[1], scale * p.side_mm, (x, y, z + near.depth_mm), degrees))
    hook = HookFiducial(near.hook[0], near.hook[1], scale * near.hook_side_mm, near.hook_offset_mm, near.depth_mm)
    rig = Rig(
        bow_plane_z_mm=near.depth_mm,
        lens=board.lens,
        fiducials=tuple(fiducials),
        hook=hook,
        load_cell=None,
        cradle_half_mm=near.support_half_mm,
    )
    return RigFound(rig, scale - 1.0)


def _on_turned(view: View, pixels: Array, base: Array, turn: Array) -> Array:
    """Where the pixels' rays meet a plane through ``base`` (rack, 3) that is turned; (n, 2) in that plane, from ``base``."""
    rotation = view.rotation @ turn.T
    return View(view.lens, rotation, view.rotation @ base + view.translation).on_plane(pixels, 0.0)


def _turned(view: View, pixels: Array, lengths_mm: tuple[float, float], base: Array) -> Array:
    """How the bow's plane is turned about the upright through the handle, (3, 3): the limb that comes nearer looks longer than its file says.

    A slip of the touch at the handle does the same. Of what is seen ``TURN_SHARE`` is taken as a turn, the rest as a slip.
    """
    wanted = float(np.log(lengths_mm[0] / lengths_mm[1]))
    flat = _on_turned(view, pixels, base, np.eye(3))
    along = flat[2] - flat[1]
    # the board's own coordinates lie as its first fiducial was glued: the upright is what is square to the bow in its plane
    upright = np.array([-along[1], along[0], 0.0]) / np.linalg.norm(along)

    def about(angle: float) -> Array:
        return np.asarray(cv2.Rodrigues(angle * upright)[0], dtype=float)

    def off(angle: float) -> float:
        points = _on_turned(view, pixels, base, about(angle))
        spans = np.linalg.norm(points[1:] - points[0], axis=1)
        return float(np.log(spans[0] / spans[1])) - wanted

    low, high = off(-MOST_TURN_RAD), off(MOST_TURN_RAD)
    if not (np.isfinite(low) and np.isfinite(high)) or low * high >= 0:
        return np.eye(3)
    return about(TURN_SHARE * float(brentq(off, -MOST_TURN_RAD, MOST_TURN_RAD, xtol=1e-6)))


MOST_TURN_RAD, TURN_SHARE = 0.26, 0.8
"""Planes that are meant to be parallel differ by some 3 degrees (sd), a touch at the handle by 4 px: over a limb seen some 900 px long that is four parts of
the variance to one (common practice, no source)."""


def _view_of(board: BoardFound, marks: Mapping[Key, Array]) -> View:
    """Where the camera stood in another picture, over the board's own coordinates."""
    placed = [p for p in board.placed if p.key in marks]
    if len(placed) < 2:
        msg = "Fewer than two fiducials are seen in the picture of the bow at rest: nothing may hide them."
        raise VisionFault(msg)
    points, pixels = [], []
    for p in placed:
        h = 0.5 * p.side_mm
        c, s = np.cos(p.turn_rad), np.sin(p.turn_rad)
        own = np.array([[-h, h], [h, h], [h, -h], [-h, -h]]) @ np.array([[c, s], [-s, c]]) + (p.x_mm, p.y_mm)
        points.append(np.column_stack([own, np.zeros(4)]))
        pixels.append(marks[p.key])
    lens = board.lens
    good, turn, way = cv2.solvePnP(
        np.vstack(points).reshape(-1, 1, 3),
        as_points(np.vstack(pixels)).reshape(-1, 1, 2),
        lens.matrix,
        lens.distortion,
        cv2.Rodrigues(board.view.rotation)[0],
        board.view.translation.reshape(3, 1).copy(),
        True,
        cv2.SOLVEPNP_ITERATIVE,
    )
    if not good:
        msg = "Where the camera stood for the picture of the bow at rest cannot be found: take the pictures from one place."
        raise VisionFault(msg)
    return View(lens, np.asarray(cv2.Rodrigues(turn)[0], dtype=float), np.ravel(way).astype(float))
