"""Pictures along a stave's face joined to one strip, and what is touched in it: edges, grain, knots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tiller.errors import TillerError, VisionFault
from tiller.measure.second_view.whole import BAR_MM, read_pictures
from tiller.mechanics.wood.place import FaceOf, Knot
from tiller.quantity import mm
from tiller.setup.wood.log import lens_of, sheets_mm
from tiller.vision.stave.faceedges import found_edge
from tiller.vision.stave.joined import Joined, Strip, join, strip_of

Array = NDArray[np.float64]

FEWEST, MOST = 2, 40
LEAST_TOUCHES = 3


@dataclass(frozen=True)
class StaveFace:
    """The strip, and the plane it was joined in."""

    strip: Strip
    joined: Joined
    pictures: int


def join_face(paths: Sequence[Path], rig: Path | None, bar_mm: float = BAR_MM) -> StaveFace:
    """Joins pictures along a stave.

    Raises:
        FileFault: a picture or the rig's file cannot be read. VisionFault: they do not join. TillerError: too few or too many.
    """
    shots = read_pictures(paths)
    if not FEWEST <= len(shots) <= MOST:
        msg = f"{len(shots)} picture{'s' if len(shots) != 1 else ''}: {FEWEST} to {MOST} are joined, each with two printed sheets or more, one of them shared with the next."
        raise TillerError(msg)
    sizes = {s.image.shape for s in shots}
    if len(sizes) > 1:
        msg = "the pictures have several sizes: take all with one camera, held alike."
        raise VisionFault(msg)
    images = [s.image for s in shots]
    joined = join(images, [s.name for s in shots], sheets_mm(bar_mm), lens_of(rig, images[0]))
    return StaveFace(strip_of(images, joined), joined, len(shots))


def face_by_touch(strip: Strip, low_px: Array, high_px: Array, grain_px: Array, knots_px: Array) -> FaceOf:
    """A face from touches in a strip, its edges found near them; its x begins at the farthest left touch that both edges reach.

    Args:
        low_px, high_px: (n, 2) both edges, in any order; grain_px: (k, 2) the grain's line, empty: midway; knots_px: (m, 2, 2) both sides of each knot.

    Raises:
        TillerError: too few touches, or they make no stave.
    """
    edges = []
    for points in (low_px, high_px):
        if len(points) < LEAST_TOUCHES:
            msg = f"touch each edge {LEAST_TOUCHES} times or more, from end to end."
            raise TillerError(msg)
        p = strip.millimetres(points)
        edges.append(p[np.argsort(p[:, 0])])
    first, last = max(float(e[0, 0]) for e in edges), min(float(e[-1, 0]) for e in edges)
    if last - first < 400.0:
        msg = f"both edges were touched over {mm(max(float(last - first), 0.0))} only: touch them from end to end."
        raise TillerError(msg)
    x = np.append(np.arange(first, last, 10.0), last)
    low, high = (np.interp(x, e[:, 0], e[:, 1]) for e in edges)
    low, high = (found_edge(strip, x, edge)[0] for edge in (low, high))
    if float(np.mean(low)) > float(np.mean(high)):
        low, high = high, low
    if float(np.min(high - low)) < 10.0:
        msg = (
            "the edges that were touched cross or touch each other: touch the one nearer to you first, then the other."
        )
        raise TillerError(msg)
    grain = 0.5 * (low + high)
    if len(grain_px) >= 2:
        g = strip.millimetres(grain_px)
        g = g[np.argsort(g[:, 0])]
        grain = np.interp(x, g[:, 0], g[:, 1])
    knots = []
    for pair in knots_px:
        a, b = strip.millimetres(pair)
        knots.append(
            Knot(float(0.5 * (a[0] + b[0]) - first), float(0.5 * (a[1] + b[1])), max(float(np.linalg.norm(a - b)), 1.0))
        )
    return FaceOf(x_mm=x - first, low_mm=low, high_mm=high, grain_mm=grain, knots=tuple(knots))
