"""One picture of a bow from its belly, as a whole: where its string crosses the handle, how each limb bends sideways, with sd.

Across: towards the picture's upper side with the bow along it. What turns the whole bow about its length (a bed that is not level, an error of the wall's
pose, the handle's depth) moves the string against the handle as much as a crooked bow does; it is kept apart (``roll``), for it changes its sign when the
bow is turned end for end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens
from tiller.errors import VisionFault
from tiller.vision.belly.edges import SeenEdges, find_axis, find_edges
from tiller.vision.belly.lying import Axis, Image, Lying
from tiller.vision.belly.sheet import Wall, wall_by_board, wall_by_fiducials
from tiller.vision.belly.string import NO_STRING, SeenString, find_string
from tiller.vision.rig.board import Key, find_markers
from tiller.vision.rig.camera import View
from tiller.vision.rig.lens import see_lens_board

Array = NDArray[np.float64]

BED_SD_RAD = np.deg2rad(0.35)
"""A bow that lies on its back, its handle flat on a bed, is turned about its length by so much (common practice, no source)."""
DEPTH_SD_MM = 14.0
"""How deep the handle is, where it was not measured, and which of its corners makes its outline (set on rendered pictures: no others are at hand)."""
EDGE_SD_MM, ENDS_SD_MM = 0.2, 0.09
"""What both edges of a stretch err by alike, and what one end of the handle errs by against the other (set on rendered pictures: no others are at hand)."""
SIDE_SHARE = 0.08
"""Of the handle's side that is seen from where the camera stands: so much the outline may be off (rendered pictures)."""
HANDLE_TO_MM = 105.0
"""The handle's line is fitted to what lies within this of its middle: it does not bend."""
AT_EDGE_MM, AT_EDGE_SHARE = 1.5, 0.4
"""A line as near to a side of the bow, over such a share of its length, is that side."""
IN_GROOVES_MM = 2.8
"""A line that is farther from the limb's middle at both nocks lies in no grooves (common practice, no source)."""
TIP_SD_MM = 0.4
"""A tip's outline is not its belly's where it is twisted by a few degrees (9 mm thick, 3 degrees)."""
ALIKE_MM = 40.0
"""Edges err alike over this length."""
BEYOND_MM, BEYOND_SD = 80.0, 0.03
"""So far, and with so much per mm, a limb's middle is carried on to its nock (common practice, no source)."""
STATIONS_MM = 10.0
FEWEST = 8
"""So many columns of the handle must be seen."""


@dataclass(frozen=True, kw_only=True)
class SeenBelly:
    """What one picture shows.

    Attributes:
        x_mm: (n,) places along the bow from the middle of the handle, the left in the picture negative.
        sideways_mm, sd_mm: (n,) the limb's middle off the handle's own line, and its sd without roll; NaN where not seen.
        width_mm: (n,) as seen. roll_mm: (n,) sd of what a turn of the whole bow would do there.
        string_mm, string_sd_mm, string_roll_mm: (3,) the string off the handle's line over its middle and at the places ``at_mm``; NaN in a picture of
            the unstrung bow.
        nocks_mm: (2,) the string off the limb's middle at both nocks; nocks_sd_mm.
        line_px: both edges and the string, (2, k, 2) and (2, 2), to be drawn; NaN where not seen.
    """

    x_mm: Array
    sideways_mm: Array
    sd_mm: Array
    width_mm: Array
    roll_mm: Array
    at_mm: Array
    string_mm: Array
    string_sd_mm: Array
    string_roll_mm: Array
    nocks_mm: Array
    nocks_sd_mm: Array
    edges_px: Array
    string_px: Array


def find_wall(image: Image, lens: Lens, sides_mm: Mapping[Key, float], board: cv2.aruco.CharucoBoard) -> Wall:
    """The wall by whatever sheets are seen: fiducials first, else the lens board.

    Raises:
        VisionFault: neither is there, or they lie in no plane.
    """
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    marks = find_markers(grey, sides_mm)
    if len(marks) < 2:
        seen = see_lens_board(image, board)
        if seen is not None:
            return wall_by_board(seen, lens)
        if len(find_markers(np.asarray(grey[:, ::-1]).copy(), sides_mm)) >= 2:
            msg = "the picture is mirrored: its fiducials can be read in a looking glass only. Switch mirroring off in the phone's camera, and take it anew."
            raise VisionFault(msg)
    return wall_by_fiducials(marks, sides_mm, lens)


def look(image: Image, wall: Wall, lying: Lying, strung: bool, fades_mm: tuple[float, float]) -> SeenBelly:
    """What the picture shows.

    Args:
        lying: how the bow lies, as far as it is known; strung: whether it has its string on; fades_mm: where both fades end, from the middle of the handle,
            left in the picture first.

    Raises:
        VisionFault: the bow or its string is not seen.
    """
    view = wall.view
    axis = find_axis(image, view, lying)
    edges = find_edges(image, view, lying, axis)
    string: SeenString | None = None
    ends = _ends(edges)
    if strung:
        string = find_string(image, view, lying, axis, ends)
        if _is_an_edge(string, edges, lying, view):
            raise VisionFault(NO_STRING)
        edges = find_edges(image, view, lying, axis, (string.at_zero_mm, string.slope))
    good = np.isfinite(edges.middle_mm)
    aside = _camera_aside(view.centre_mm, axis)
    tall = (lying.belly_mm - lying.back_mm)[int(np.argmin(np.abs(lying.x_mm)))]
    side = abs(aside) * abs(float(tall)) / float(view.centre_mm[2])
    line, cov = _handle(edges, good, SIDE_SHARE * side)
    x = np.arange(np.ceil(lying.x_mm[0] / STATIONS_MM) * STATIONS_MM, lying.x_mm[-1] + 0.01, STATIONS_MM)
    x[0], x[-1] = lying.x_mm[0], lying.x_mm[-1]
    middle, sd = _smooth(edges, good, x)
    own = (
        np.array([middle[0], middle[-1]]),
        np.array([sd[0], sd[-1]]),
    )  # not carried on: what the string is held against
    middle, sd = _to_the_ends(x, middle, sd)
    sideways = middle - (line[0] + line[1] * x)
    of_line = cov[0, 0] + 2 * x * cov[0, 1] + x * x * cov[1, 1]
    rise = np.interp(x, lying.x_mm, lying.belly_mm) - float(np.interp(0.0, lying.x_mm, lying.belly_mm))
    turn = float(np.hypot(np.sqrt(max(_about_axis(wall, axis), 0.0)), BED_SD_RAD))
    deep = DEPTH_SD_MM * abs(aside) / float(view.centre_mm[2])
    roll = np.hypot(turn * rise, np.where(np.abs(x) > HANDLE_TO_MM, deep, 0.0))
    at = np.array([0.0, -fades_mm[0], fades_mm[1]])
    nan3, nan2 = np.full(3, np.nan), np.full(2, np.nan)
    values: tuple[Array, Array, Array, Array, Array] = (nan3, nan3, nan3, nan2, nan2)
    string_px = np.full((2, 2), np.nan)
    if string is not None:
        values = _of_string(string, lying, (at, line, cov), (turn, deep), (*own, x))
        if np.all(np.isfinite(values[3])) and float(np.min(np.abs(values[3]))) > IN_GROOVES_MM:
            raise VisionFault(NO_STRING)
        tips = np.array([lying.x_mm[0], lying.x_mm[-1]])
        string_px = _pixels(wall, axis, tips, string.at(tips), lying.string_mm)
    half = 0.5 * edges.width_mm
    edges_px = np.stack(
        [
            _pixels(wall, axis, edges.x_mm, edges.middle_mm + way * half, lying.height_at(edges.x_mm))
            for way in (1.0, -1.0)
        ]
    )
    return SeenBelly(
        x_mm=x,
        sideways_mm=sideways,
        sd_mm=np.sqrt(sd**2 + of_line),
        width_mm=_near(x, edges.x_mm, edges.width_mm),
        roll_mm=roll,
        at_mm=at,
        string_mm=values[0],
        string_sd_mm=values[1],
        string_roll_mm=values[2],
        nocks_mm=values[3],
        nocks_sd_mm=values[4],
        edges_px=edges_px,
        string_px=string_px,
    )


def _is_an_edge(string: SeenString, edges: SeenEdges, lying: Lying, view: View) -> bool:
    """Whether what was taken for the string is a side of the bow that happens to be straight."""
    x = edges.x_mm
    aside, far = _camera_aside(view.centre_mm, edges.axis), float(view.centre_mm[2])
    over = aside + (string.at(x) - aside) * (far - lying.height_at(x)) / (far - lying.string_at(x))
    near = [np.abs(edges.middle_mm + way * 0.5 * edges.width_mm - over) < AT_EDGE_MM for way in (-1.0, 1.0)]
    return bool(max(float(np.mean(side)) for side in near) > AT_EDGE_SHARE)


def _of_string(
    string: SeenString,
    lying: Lying,
    handle: tuple[Array, Array, Array],
    turned: tuple[float, float],
    limbs: tuple[Array, Array, Array],
) -> tuple[Array, Array, Array, Array, Array]:
    at, line, cov = handle
    middle, sd, x = limbs
    turn, deep = turned
    over = string.at(at) - (line[0] + line[1] * at)
    var = string.sd_at(at) ** 2 + cov[0, 0] + 2 * at * cov[0, 1] + at * at * cov[1, 1]
    rise = lying.string_at(at) - float(np.interp(0.0, lying.x_mm, lying.belly_mm))
    tips = np.array([x[0], x[-1]])
    nocks = string.at(tips) - middle
    nocks_sd = np.hypot(np.hypot(string.sd_at(tips), sd), TIP_SD_MM)
    return over, np.sqrt(var), np.hypot(turn * rise, deep), nocks, nocks_sd


def _about_axis(wall: Wall, axis: Axis) -> float:
    """Variance of the wall's turn about the bow's length, rad2."""
    way = np.array([np.cos(axis.slope_rad), np.sin(axis.slope_rad)])
    return float(way @ wall.tilt_cov_rad2 @ way)


def _camera_aside(place: Array, axis: Axis) -> float:
    return float(axis.from_wall(np.array([place[0]]), np.array([place[1]]))[1][0])


def _ends(edges: SeenEdges) -> tuple[float, float]:
    """Where the limbs' middles are near both nocks."""
    seen = edges.middle_mm[np.isfinite(edges.middle_mm)]
    return float(np.median(seen[:12])), float(np.median(seen[-12:]))


def _handle(edges: SeenEdges, good: NDArray[np.bool_], side_sd_mm: float) -> tuple[Array, Array]:
    """The handle's line, level and slope, and their covariance. ``side_sd_mm``: what not knowing which edge of its side was seen adds."""
    inside = good & (np.abs(edges.x_mm) < HANDLE_TO_MM)
    if np.count_nonzero(inside) < FEWEST:
        msg = "the handle's sides are not seen: the string or a wrap hides them. Give the handle's width at its middle (--grip), or light it from one side."
        raise VisionFault(msg)
    x, y = edges.x_mm[inside], edges.middle_mm[inside]
    design = np.column_stack([np.ones_like(x), x])
    weight = np.ones_like(x)
    fit: Array = np.zeros(2)
    for _ in range(8):
        root = np.sqrt(weight)
        fit = np.asarray(np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0], dtype=float)
        off = np.abs(y - design @ fit)
        spread = max(1.4826 * float(np.median(off)), 0.05)
        weight = 1.0 / np.maximum(1.0, off / (1.5 * spread)) ** 2
    off = y - design @ fit
    step = float(np.median(np.diff(edges.x_mm)))
    worth = min(1.0, step / ALIKE_MM)
    var = max(float(np.average(off**2, weights=weight)), 0.05**2)
    cov = np.linalg.inv((design * weight[:, None]).T @ design * worth) * var
    cov = cov + np.diag([EDGE_SD_MM**2, (ENDS_SD_MM**2 + side_sd_mm**2) / HANDLE_TO_MM**2])
    return np.asarray(fit, dtype=float), np.asarray(cov, dtype=float)


def _smooth(edges: SeenEdges, good: NDArray[np.bool_], x: Array) -> tuple[Array, Array]:
    """The limbs' middles at x: straight lines fitted about each place, ``ALIKE_MM`` wide, and their sd."""
    at: Array = edges.x_mm[good]
    y: Array = edges.middle_mm[good]
    out, sd = np.full(len(x), np.nan), np.full(len(x), np.nan)
    for k, place in enumerate(x):
        weight = np.exp(-0.5 * ((at - place) / (0.5 * ALIKE_MM)) ** 2)
        near = weight > 0.05
        if np.count_nonzero(near) < 4:
            continue
        design = np.column_stack([np.ones(np.count_nonzero(near)), at[near] - place])
        w = weight[near].copy()
        fit: Array = np.zeros(2)
        for _ in range(4):
            root = np.sqrt(w)
            fit = np.linalg.lstsq(design * root[:, None], y[near] * root, rcond=None)[0]
            off = np.abs(y[near] - design @ fit)
            spread = max(1.4826 * float(np.median(off)), 0.05)
            w = weight[near] / np.maximum(1.0, off / (2.0 * spread)) ** 2
        off = y[near] - design @ fit
        spread = float(np.sqrt(np.average(off**2, weights=w)))
        out[k], sd[k] = fit[0], float(np.hypot(max(spread, 0.08) / np.sqrt(3.0), EDGE_SD_MM))
    return out, sd


def _near(x: Array, at: Array, values: Array) -> Array:
    """Values at x between places that are seen, NaN farther than ``ALIKE_MM`` from all of them."""
    seen = np.isfinite(values)
    if not np.any(seen):
        return np.full(len(x), np.nan)
    away = np.min(np.abs(x[:, None] - at[seen][None, :]), axis=1)
    return np.where(away <= ALIKE_MM, np.interp(x, at[seen], values[seen]), np.nan)


def _to_the_ends(x: Array, middle: Array, sd: Array) -> tuple[Array, Array]:
    """Straight on to the nocks where their own edges were not seen, as far as ``BEYOND_MM``; farther it is not told."""
    seen = np.flatnonzero(np.isfinite(middle))
    out, out_sd = middle.copy(), sd.copy()
    for end, last, inner in ((0, seen[0], seen[:6]), (len(x) - 1, seen[-1], seen[-6:])):
        away = abs(float(x[end] - x[last]))
        if end != last and away <= BEYOND_MM and len(inner) > 2:
            level, slope = np.polynomial.polynomial.polyfit(x[inner] - x[last], middle[inner], 1)
            step = 1 if end > last else -1
            for k in range(int(last) + step, end + step, step):
                out[k] = level + slope * (x[k] - x[last])
                out_sd[k] = float(np.hypot(sd[last], BEYOND_SD * abs(x[k] - x[last])))
    return out, out_sd


def _pixels(wall: Wall, axis: Axis, along: Array, across: Array, height: Array) -> Array:
    x, y = axis.to_wall(along, np.nan_to_num(across))
    pixels = wall.view.to_pixels(np.column_stack([x, y, height]))
    return np.where(np.isfinite(across)[:, None], pixels, np.nan)
