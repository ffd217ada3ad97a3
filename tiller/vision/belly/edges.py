"""A limb's two edges as they are seen from the belly: first about where the bow lies, then edge by edge along it.

The bow is sought as two lines, as far apart as calipers say, at which the picture gets lighter and darker again (or the other way round). What is
found is its outline. Where the camera stands beside a limb it sees some of its side, and the outline is the back's edge there, not the belly's.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from tiller.errors import VisionFault
from tiller.quantity import mm
from tiller.vision.belly.lying import Axis, Image, Lying, flattened, lightness_and_hue
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]
Slopes = NDArray[np.float32]

COARSE_MM = 4.0
SLOPES_DEG = np.arange(-7.0, 7.01, 0.25)
MOST_AWAY_MM = (160.0, 420.0)
"""How far along and across the bow may lie from where the picture's middle shows the wall."""
LEAST_OVER = 6.0
"""The bow's two lines stand out from the picture's other pairs by so many of their spreads (pictures without a bow: up to 4.6)."""
STEP_MM, FINE_MM = 4.0, 0.5
ASIDE_MM = 30.0
"""A limb lies no farther from the axis than this, beside its half width."""
STIFF = 0.35
"""What a sideways step of the middle from column to column costs, over what an edge gives, per fine step squared."""
HANDLE_MM = (16.0, 60.0)
"""Widths that a handle may have, where none was measured."""
CALIPER_MM = 2.5
"""So far the outline's width may be off the calipers'."""
SMOOTH_MM = 8.0
HIDDEN_MM, TOUCHED_MM, ONE_EDGE_MM = 2.4, 4.5, 0.3
"""A string hides so much to either side of its middle; an edge nearer than this is not to be told from its rim; and what a middle errs by that one edge and the width make (common practice, no source)."""
TOUCHED_SHARE = 0.25
"""At narrow tips that would hide both edges: there a quarter of the width counts."""
LENGTH_OFF = 0.03
"""A bow that is longer or shorter by a larger share than its file says is another one, or the scale is wrong (tips beyond the nocks are 1 to 2 %)."""
LEAST_HUE = 8.0
"""Wood whose hue (60 times the log of red over blue) differs from the wall's by more is told by it (rendered wood: 15 to 35, noise under 2)."""
LEAST_SIDE_MM, OUTER_SHARE = 0.4, 0.25
"""A side narrower than this is one edge with the belly's; and how strong its outer edge is at least, over the stronger one."""
THIN_MM = 3.5
"""A line across the picture that is thinner is a string, not a limb (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class SeenEdges:
    """What was found along the bow, over its axis on the wall.

    Attributes:
        axis: of the coordinates. x_mm: (n,) along it.
        middle_mm: (n,) the limb's middle across it, at the belly's height; width_mm: (n,); NaN where no edges were found.
        sd_mm: (n,) of the middle, of one column, neighbours within ``SMOOTH_MM`` alike.
    """

    axis: Axis
    x_mm: Array
    middle_mm: Array
    width_mm: Array
    sd_mm: Array


def _slopes(flat: NDArray[np.float32], sigma: float) -> Slopes:
    """Change across (rows), of lightness and of red over blue, (2, rows, columns)."""
    soft = cv2.GaussianBlur(flat, (0, 0), sigma) if sigma > 0 else flat
    grey, hue = lightness_and_hue(soft)
    return np.asarray(np.gradient(np.stack([grey, hue]), axis=1), dtype=np.float32)


def _widths(lying: Lying) -> Array:
    """Widths to look for: where none were taken, as at the nearest place that has one."""
    known = np.isfinite(lying.width_mm)
    return np.interp(lying.x_mm, lying.x_mm[known], lying.width_mm[known])


def find_axis(image: Image, view: View, lying: Lying) -> Axis:
    """About where the bow lies.

    Raises:
        VisionFault: no bow is found.
    """
    wide, high = view.lens.image_size
    middle = view.on_plane(np.array([[0.5 * wide, 0.5 * high]]), float(np.mean(lying.belly_mm)))[0]
    if not np.all(np.isfinite(middle)):
        raise VisionFault(NO_BOW)
    start = Axis(float(middle[0]), float(middle[1]), _along_the_picture(view))
    reach = lying.x_mm[-1] + MOST_AWAY_MM[0]
    along = np.arange(lying.x_mm[0] - MOST_AWAY_MM[0], reach, COARSE_MM)
    across = np.arange(-MOST_AWAY_MM[1], MOST_AWAY_MM[1], COARSE_MM)
    flat = _unstrung(flattened(image, view, start, along, across, lying.height_at(along)), COARSE_MM)
    change = _slopes(flat, 0.7)
    change = np.clip(change, -12.0, 12.0)
    # both lines as a picture to be laid over the other: +1 where it gets lighter, -1 where it gets darker
    columns = np.arange(lying.x_mm[0], lying.x_mm[-1], COARSE_MM)
    half = 0.5 * np.interp(columns, lying.x_mm, _widths(lying)) / COARSE_MM
    rows = int(np.ceil(half.max())) + 2
    kernel = np.zeros((2 * rows + 1, len(columns)), dtype=np.float32)
    for column_, h in enumerate(half):
        for sign, at in ((1.0, rows - h), (-1.0, rows + h)):
            low = int(np.floor(at))
            kernel[low, column_] += sign * (1 - (at - low))
            kernel[low + 1, column_] += sign * (at - low)
    anchor = (int(round(-lying.x_mm[0] / COARSE_MM)), rows)
    best, found = -np.inf, (0.0, 0, 0)
    scores = []
    for degrees in SLOPES_DEG:
        slope = float(np.tan(np.deg2rad(degrees)))
        shear = np.array([[1.0, 0.0, 0.0], [-slope, 1.0, slope * (-along[0] / COARSE_MM)]])
        score = np.zeros(change.shape[1:], dtype=np.float32)
        for channel in change:
            moved = cv2.warpAffine(channel, shear, (channel.shape[1], channel.shape[0]), flags=cv2.INTER_LINEAR)
            score += cv2.filter2D(moved, cv2.CV_32F, kernel, anchor=anchor, borderType=cv2.BORDER_CONSTANT) ** 2
        size = np.sqrt(score)
        room = int(MOST_AWAY_MM[0] / COARSE_MM)
        zero = int(round(-along[0] / COARSE_MM))
        window = size[rows:-rows, zero - room + 2 : zero + room - 2]
        scores.append(window.max(axis=1))
        k, j = divmod(int(np.argmax(window)), window.shape[1])
        if window[k, j] > best:
            best, found = float(window[k, j]), (slope, k + rows, j + zero - room + 2)
    every = np.array(scores).ravel()
    spread = float(np.median(every)) + 1e-6
    if best < LEAST_OVER * spread:
        raise VisionFault(NO_BOW)
    slope, row, column = found
    x, y = start.to_wall(np.array([along[column]]), np.array([across[row] + slope * along[column]]))
    return _centred(image, view, lying, Axis(float(x[0]), float(y[0]), start.slope_rad + float(np.arctan(slope))))


def _unstrung(flat: NDArray[np.float32], step_mm: float) -> NDArray[np.float32]:
    """Without lines that are thinner than ``THIN_MM`` across: the median of each column's rows."""
    return np.asarray(median_filter(flat, size=(round(2 * THIN_MM / step_mm) | 1, 1, 1)), dtype=np.float32)


def _centred(image: Image, view: View, lying: Lying, axis: Axis) -> Axis:
    """The axis moved along so that both ends of the bow lie as far from where they were expected: there the wood ends, and only the wall is left."""
    far = MOST_AWAY_MM[0]
    x = np.arange(lying.x_mm[0] - far, lying.x_mm[-1] + far, STEP_MM)
    across = np.arange(-60.0, 60.0, 2.0)
    flat = _unstrung(flattened(image, view, axis, x, across, lying.height_at(x)), 2.0)
    flat = np.asarray(cv2.GaussianBlur(flat, (0, 0), sigmaX=1.0, sigmaY=1.5), dtype=np.float32)
    beside = np.abs(across) > ASIDE_MM + 8
    _, hue = lightness_and_hue(flat)
    # a shadow is as dark as wood, but has the wall's own hue
    coloured = np.abs(hue[~beside] - np.median(hue[beside], axis=0)).max(axis=0)
    light = np.linalg.norm(flat[~beside] - np.median(flat[beside], axis=0), axis=2).max(axis=0)
    inner = np.abs(x) < 0.6 * lying.x_mm[-1]
    contrast = coloured if float(np.median(coloured[inner])) > LEAST_HUE else light
    moved = []
    for end, sign in ((lying.x_mm[0], -1.0), (lying.x_mm[-1], 1.0)):
        inside = sign * (end - x) > 0.25 * abs(end)
        level = 0.5 * float(np.median(contrast[inside & (sign * x > 0)]))
        outward = np.flatnonzero(sign * x > 0.5 * abs(end))
        outward = outward if sign > 0 else outward[::-1]
        gone = np.flatnonzero(contrast[outward] < level)
        moved.append(float(x[outward[gone[0]]]) - end if len(gone) else np.nan)
    longer = float(moved[1] - moved[0])
    if abs(longer) > LENGTH_OFF * (lying.x_mm[-1] - lying.x_mm[0]):
        whole = float(lying.x_mm[-1] - lying.x_mm[0])
        msg = (
            f"the bow in the picture is {mm(whole + longer)} from end to end, by its file it would be {mm(whole)}: it is another bow's file, or the sheets' check bars do"
            " not measure what was said (--bar)."
        )
        raise VisionFault(msg)
    shift = float(np.mean(moved)) if np.all(np.isfinite(moved)) else 0.0
    ox, oy = axis.to_wall(np.array([shift]), np.array([0.0]))
    return Axis(float(ox[0]), float(oy[0]), axis.slope_rad)


def _along_the_picture(view: View) -> float:
    """Which way the picture's longer side runs on the wall: to the right, in an upright picture downwards."""
    wide, high = view.lens.image_size
    ends = [[0.3 * wide, 0.5 * high], [0.7 * wide, 0.5 * high]]
    if high > wide:
        ends = [[0.5 * wide, 0.3 * high], [0.5 * wide, 0.7 * high]]
    a, b = view.on_plane(np.array(ends), 0.0)
    return float(np.arctan2(b[1] - a[1], b[0] - a[0]))


NO_BOW = (
    "no strung bow is found before the sheets: lay it flat along the picture, its back to the wall, the whole of it in view, light it evenly, and take the"
    " picture from before its belly."
)


def find_edges(
    image: Image, view: View, lying: Lying, axis: Axis, string: tuple[float, float] | None = None
) -> SeenEdges:
    """Both edges along the bow, about the axis.

    Args:
        string: where the string is, across the axis at its middle and its slope; it is painted out, and an edge that it touches is not used.
    """
    x = np.arange(lying.x_mm[0], lying.x_mm[-1], STEP_MM)
    want = np.interp(x, lying.x_mm, _widths(lying))
    measured = np.interp(x, lying.x_mm, np.isfinite(lying.width_mm).astype(float)) > 0.99
    reach = 0.5 * float(want.max()) + ASIDE_MM
    across = np.arange(-reach, reach, FINE_MM)
    place = view.centre_mm
    _, aside = axis.from_wall(np.array([place[0]]), np.array([place[1]]))
    belly = lying.height_at(x)
    back = np.interp(x, lying.x_mm, lying.back_mm)
    flat = flattened(image, view, axis, x, across, belly)
    over = np.full(len(x), np.inf)
    if string is not None:  # where it hides the belly
        over = aside[0] + (string[0] + string[1] * x - aside[0]) * (place[2] - belly) / (place[2] - lying.string_at(x))
        flat = _painted_out(flat, across, over)
    flat = _unstrung(flat, FINE_MM)
    change = np.abs(np.clip(_slopes(flat, 1.0), -20.0, 20.0)).sum(axis=0)
    strength = cv2.GaussianBlur(change, (0, 0), sigmaX=SMOOTH_MM / STEP_MM, sigmaY=0.8)
    strength = np.asarray(strength / (np.percentile(strength, 98, axis=0, keepdims=True) + 1e-3), dtype=np.float32)
    n, m = strength.shape[1], len(across)
    centre = np.arange(m)
    value, chosen = np.full((n, m), -np.inf, dtype=np.float32), np.zeros((n, m))
    for k in range(n):
        if measured[k]:
            widths = np.arange(max(want[k] - CALIPER_MM, 3.0), want[k] + CALIPER_MM + 0.01, FINE_MM)
        else:
            widths = np.arange(*HANDLE_MM, 2 * FINE_MM)
        column = strength[:, k]
        for w in widths:
            off = 0.5 * w / FINE_MM
            up = np.interp(centre + off, centre, column, left=0.0, right=0.0)
            down = np.interp(centre - off, centre, column, left=0.0, right=0.0)
            both = np.minimum(up, down) + 0.25 * (up + down)
            if measured[k]:
                both = both - 0.05 * ((w - want[k]) / CALIPER_MM) ** 2
            better = both > value[k]
            value[k][better], chosen[k][better] = both[better], w
    path = _smoothest(value)
    middle0, width0 = across[path], chosen[np.arange(n), path]
    # how wide the limb's side is seen beyond the belly's edge, where the camera stands beside it
    factor = (place[2] - belly) / (place[2] - back)
    sides = [
        np.maximum(way * (aside[0] - edge) * (1.0 - factor), 0.0)
        for way, edge in ((1.0, middle0 + 0.5 * width0), (-1.0, middle0 - 0.5 * width0))
    ]
    up, up_sd = _sharp(flat, across, middle0 + 0.5 * width0, 1.0, sides[0])
    low, low_sd = _sharp(flat, across, middle0 - 0.5 * width0, -1.0, sides[1])
    # an edge on the camera's side of which the camera stands shows the back's corner
    up, low = (
        np.where(np.abs(edge - over) < np.minimum(TOUCHED_MM, TOUCHED_SHARE * want), np.nan, edge) for edge in (up, low)
    )
    upper = np.where(up < aside[0], aside[0] + (up - aside[0]) / factor, up)
    lower = np.where(low > aside[0], aside[0] + (low - aside[0]) / factor, low)
    # where one edge alone is seen, it and the width make the middle
    width = upper - lower
    seen = np.isfinite(width)
    known = seen & measured
    off = float(np.clip(np.median((width - want)[known]), -1.0, 1.0)) if np.count_nonzero(known) >= 20 else 0.0
    usual = np.where(measured, want + off, np.nan)
    middle = 0.5 * (upper + lower)
    one = np.where(np.isfinite(upper), upper - 0.5 * usual, lower + 0.5 * usual)
    middle = np.where(np.isfinite(middle), middle, one)
    if np.count_nonzero(np.isfinite(middle)) < 0.5 * len(x):
        raise VisionFault(NO_BOW)
    sd = 0.5 * np.hypot(up_sd, low_sd)
    sd = np.where(seen, sd, np.hypot(np.where(np.isfinite(up), up_sd, low_sd), ONE_EDGE_MM))
    return SeenEdges(
        axis=axis, x_mm=x, middle_mm=middle, width_mm=width, sd_mm=np.where(np.isfinite(middle), sd, np.nan)
    )


def _painted_out(flat: NDArray[np.float32], across: Array, over: Array) -> NDArray[np.float32]:
    """Without the string: in each column a straight line between what lies to either side of it."""
    out = flat.copy()
    columns = np.arange(flat.shape[1], dtype=np.float32)
    ends = []
    for sign in (-1.0, 1.0):
        rows = ((over + sign * HIDDEN_MM - across[0]) / FINE_MM).astype(np.float32)
        near = cv2.remap(flat, columns[None, :], rows[None, :], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        ends.append(near[0])
    share = (across[:, None] - over[None, :]) / (2 * HIDDEN_MM) + 0.5
    inside = (share > 0) & (share < 1)
    between = ends[0][None] + share[..., None] * (ends[1] - ends[0])[None]
    out[inside] = between[inside]
    return np.asarray(out, dtype=np.float32)


def _smoothest(value: Slopes) -> NDArray[np.int_]:
    """The row in each column of (columns, rows) that gives most in all, steps between them paid for."""
    n, m = value.shape
    reach = 4
    total, back = value[0].astype(float), np.zeros((n, m), dtype=int)
    for k in range(1, n):
        best, source = np.full(m, -np.inf), np.zeros(m, dtype=int)
        for d in range(-reach, reach + 1):
            moved = np.full(m, -np.inf)
            if d >= 0:
                moved[d:] = total[: m - d]
            else:
                moved[:d] = total[-d:]
            moved = moved - STIFF * 0.1 * d * d
            better = moved > best
            best[better] = moved[better]
            source[better] = np.arange(m)[better] - d
        total = best + value[k]
        back[k] = source
    path = np.zeros(n, dtype=int)
    path[-1] = int(np.argmax(total))
    for k in range(n - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path


def _sharp(flat: NDArray[np.float32], across: Array, at: Array, outward: float, side: Array) -> tuple[Array, Array]:
    """The outline next to ``at`` in each column, by the middle of its slope, and its sd; NaN where there is none.

    Neighbouring columns are taken together along the line itself, over ``SMOOTH_MM``. Where the limb's side is seen too (``side``, mm), there are two
    edges, and the outer one is the outline.
    """
    n = len(at)
    reach = np.arange(-4.0, 4.01, 0.25)
    rows = (at[:, None] + outward * reach - across[0]) / FINE_MM
    maps = np.broadcast_to(np.arange(n, dtype=np.float32)[:, None], rows.shape)
    near = cv2.remap(flat, np.ascontiguousarray(maps), rows.astype(np.float32), cv2.INTER_LINEAR)
    near = cv2.GaussianBlur(near, (0, 0), sigmaX=0.01 + 2.0, sigmaY=SMOOTH_MM / STEP_MM)
    grey, hue = lightness_and_hue(near)
    slope = np.abs(np.gradient(grey, axis=1)) + np.abs(np.gradient(hue, axis=1))
    peak = np.argmax(slope[:, 3:-3] * np.exp(-0.5 * (reach[3:-3] / 1.5) ** 2), axis=1) + 3
    top = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:])
    for k in np.flatnonzero(side > LEAST_SIDE_MM):
        most = reach[peak[k]] + 1.3 * side[k] + 0.5
        there = np.flatnonzero(top[k]) + 1
        there = there[(there > peak[k]) & (reach[there] <= most) & (there < len(reach) - 1)]
        there = there[slope[k, there] > OUTER_SHARE * slope[k, peak[k]]]
        if len(there):
            peak[k] = there[-1]
    rows_ = np.arange(n)
    a, b, c = slope[rows_, peak - 1], slope[rows_, peak], slope[rows_, peak + 1]
    shift = 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-6)
    place = at + outward * (reach[peak] + 0.25 * np.clip(shift, -1.0, 1.0))
    strong = b > 1.2 * np.median(slope)
    sd = np.clip(0.6 / np.maximum(b, 0.1), 0.08, 1.0)
    return np.where(strong, place, np.nan), np.where(strong, sd, np.nan)
