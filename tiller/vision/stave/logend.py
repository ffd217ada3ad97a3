"""The sawn end of a log in a picture: its rim found from touches, and its rings along rays from the pith."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from tiller.errors import VisionFault
from tiller.mechanics.wood.logshape import MOST_ORDER, Rim, rim_of
from tiller.mechanics.wood.rings import STEP_MM, Rings, rings_of
from tiller.vision.stave.plane import Face

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

BAND_RAD = float(np.deg2rad(7.0))
"""Half of the band of rays that one ray is read from."""
ROWS = 41
CORE_MM = 4.0
"""So near to the pith rings are not told apart."""
REACH_MM = 7.0
"""The rim is looked for so far about the touched one."""
TOUCH_SD_MM = 1.2
"""A touch at the edge under the bark errs by so much (common practice, no source)."""
RAYS = 180


@dataclass(frozen=True)
class Ray:
    """Rings along a ray: its angle (counter-clockwise from the sheet's x), and their ends, from the pith outward."""

    angle_rad: float
    rings: Rings


@dataclass(frozen=True, kw_only=True)
class LogEnd:
    """What the picture of a log's end shows.

    Attributes:
        face: the plane; rim: the edge under the bark; found: whether the program found it, or it is as touched.
        rays: rings along each ray that was asked for. checks_rad: angles at which a check runs from near the pith outward.
    """

    face: Face
    rim: Rim
    found: bool
    rays: tuple[Ray, ...]
    checks_rad: tuple[float, ...]


def log_end(image: Image, face: Face, pith_px: Array, edge_px: Array, rays_rad: tuple[float, ...]) -> LogEnd:
    """Rim and rings from touches.

    Args:
        pith_px: (2,); edge_px: (n, 2) touches of the edge under the bark, all around; rays_rad: where rings are read.

    Raises:
        VisionFault: the touches make no log's end.
    """
    pith = face.millimetres(pith_px[None])[0]
    try:
        touched = rim_of(pith, face.millimetres(edge_px), sd_mm=TOUCH_SD_MM)
    except ValueError as err:
        raise VisionFault(f"{err}.") from err
    if float(np.min(touched.radius_mm(np.linspace(0, 2 * np.pi, 90)))) < 8.0:
        msg = (
            "the edge that was touched lies at the pith: touch the pith first, then the edge under the bark all around."
        )
        raise VisionFault(msg)
    rim = _seen_rim(image, face, touched)
    use = rim or touched
    rays = tuple(Ray(a, ray_rings(image, face, use, a)) for a in rays_rad)
    return LogEnd(face=face, rim=use, found=rim is not None, rays=rays, checks_rad=_checks(image, face, use))


def polar(image: Image, face: Face, rim: Rim, angles: Array, radii: Array) -> Array:
    """Brightness at angles (m,) and radii (m, n), CIE lightness 0 to 100; NaN outside of the picture."""
    way = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    points = rim.pith_mm + radii[..., None] * way[:, None, :]
    px = face.pixels(points.reshape(-1, 2)).reshape(*radii.shape, 2).astype(np.float32)
    light = cv2.cvtColor(image.astype(np.float32) / 255, cv2.COLOR_BGR2LAB)[..., 0]
    # the picture has more pixels than are looked at: as much blur as a step is long
    sigma = 0.35 * STEP_MM * face.px_per_mm
    if sigma > 0.5:
        light = cv2.GaussianBlur(light, (0, 0), sigma)
    out = cv2.remap(
        light, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    return np.asarray(out, dtype=float)


def ray_rings(image: Image, face: Face, rim: Rim, angle_rad: float) -> Rings:
    """Rings along one ray, by a band about it in which radii are taken as shares of the rim's."""
    angles = angle_rad + np.linspace(-BAND_RAD, BAND_RAD, ROWS)
    reach = float(rim.radius_mm(angle_rad)[0])
    r = np.arange(CORE_MM, reach - 0.5, STEP_MM)
    radii = r[None, :] * (rim.radius_mm(angles) / reach)[:, None]
    return rings_of(polar(image, face, rim, angles, radii), CORE_MM)


def _seen_rim(image: Image, face: Face, touched: Rim) -> Rim | None:
    """The rim where wood and bark part, near the touched one; None where it is not seen well."""
    angles = 2 * np.pi * np.arange(RAYS) / RAYS
    base = touched.radius_mm(angles)
    off = np.arange(-REACH_MM - 2.0, REACH_MM + 2.0 + STEP_MM, STEP_MM)
    seen = polar(image, face, touched, angles, base[:, None] + off[None, :])
    smooth = gaussian_filter1d(np.nan_to_num(seen, nan=50.0), 1.5, axis=0, mode="wrap")
    # wood is lighter than bark on a freshly sawn end, whichever way: the mean over a few mm to either side
    wide = round(2.0 / STEP_MM)
    sums = np.cumsum(np.pad(smooth, ((0, 0), (1, 0))), axis=1)
    means = (sums[:, wide:] - sums[:, :-wide]) / wide
    step = means[:, :-wide] - means[:, wide:]  # inside less outside
    places = off[wide - 1 : wide - 1 + step.shape[1]] + 0.5 * STEP_MM
    turn = 1.0 if float(np.median(step[:, np.argmin(np.abs(places))])) >= 0 else -1.0
    weight = np.exp(-0.5 * (places / (2.0 * TOUCH_SD_MM)) ** 2)
    score = np.maximum(turn * step, 0.0) * weight
    best = np.argmax(score, axis=1)
    strength = score[np.arange(RAYS), best]
    clear = strength > max(0.35 * float(np.median(strength)), 4.0)
    if np.count_nonzero(clear) < 0.5 * RAYS:
        return None
    radius = base + places[best]
    keep = clear.copy()
    rim: Rim | None = None
    for _ in range(6):
        points = touched.pith_mm + radius[keep, None] * np.column_stack([np.cos(angles[keep]), np.sin(angles[keep])])
        try:
            rim = rim_of(touched.pith_mm, points, MOST_ORDER)
        except ValueError:
            return None
        left = np.abs(radius - rim.radius_mm(angles))
        now = clear & (left < max(3.0 * 1.4826 * float(np.median(left[keep])), 0.5))
        if np.array_equal(now, keep):
            break
        keep = now
    if rim is None or np.count_nonzero(keep) < 0.4 * RAYS:
        return None
    sd = max(1.4826 * float(np.median(np.abs(radius[keep] - rim.radius_mm(angles[keep])))), 0.15)
    return Rim(rim.pith_mm, rim.cosines, rim.sines, sd)


CHECK_DARK = 9.0
"""A check is so much darker (CIE lightness) than the wood to either side of it, over most of its way (common practice, no source)."""


def _checks(image: Image, face: Face, rim: Rim) -> tuple[float, ...]:
    """Angles of dark lines that run radially through the inner half of the wood."""
    angles = 2 * np.pi * np.arange(1440) / 1440
    base = rim.radius_mm(angles)
    share = np.linspace(0.25, 0.7, 60)
    light = polar(image, face, rim, angles, base[:, None] * share[None, :])
    light = np.nan_to_num(light, nan=60.0)
    beside = np.median(np.stack([np.roll(light, k, axis=0) for k in (-28, -20, -12, 12, 20, 28)]), axis=0)
    dark = np.median(beside - light, axis=1)
    out = []
    over = dark > CHECK_DARK
    k = 0
    first = int(np.argmin(over)) if np.any(~over) else 0  # begin where there is none, so that no check is cut in two
    while k < len(angles):
        j = (first + k) % len(angles)
        if over[j]:
            run = [j]
            while over[(run[-1] + 1) % len(angles)] and len(run) < len(angles):
                run.append((run[-1] + 1) % len(angles))
            best = run[int(np.argmax(dark[run]))]
            out.append(float(angles[best]))
            k += len(run)
        k += 1
    return tuple(sorted(out))
