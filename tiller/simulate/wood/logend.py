"""A log's sawn end with a printed sheet against it, for the rack in software: rings of known width, checks, saw marks, bark; a camera that looks obliquely."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from tiller.simulate.camera import TrueCamera
from tiller.simulate.render import marker_picture

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

SIDE_MM = 100.0
PX_PER_MM = 8.0


@dataclass(frozen=True, kw_only=True)
class LogTruth:
    """A log's end in its plane; mm, the sheet's middle the origin, x along its upper edge, y up.

    Attributes:
        pith_mm: (2,); rim: (720,) radius under the bark at even angles counter-clockwise from x; shares: (n,) ring ends as shares of the rim, rising to 1.
        porous: rings as ring-porous wood has them. checks_rad: where checks run. camera: whoever took the picture.
    """

    pith_mm: Array
    rim: Array
    shares: Array
    porous: bool
    checks_rad: tuple[float, ...]
    camera: TrueCamera
    seed: int

    def radius(self, angle: Array) -> Array:
        """Rim at angles."""
        at = np.mod(angle, 2 * np.pi) / (2 * np.pi) * 720
        return np.asarray(np.interp(at, np.arange(721), np.append(self.rim, self.rim[0])), dtype=float)

    def ends_mm(self, angle: float) -> Array:
        """Where rings end along a ray, mm from the pith."""
        share = self.shares.copy()
        for _ in range(4):
            share = self.shares / waved(share, angle)
        return np.asarray(share * self.radius(np.array([angle]))[0], dtype=float)

    @property
    def points_mm(self) -> Array:
        """(720, 2) of the rim."""
        a = 2 * np.pi * np.arange(720) / 720
        return np.asarray(self.pith_mm + self.rim[:, None] * np.column_stack([np.cos(a), np.sin(a)]), dtype=float)


def waved(share: Array, angle: Array | float) -> Array:
    """Rings are not quite concentric: they wave a little."""
    return np.asarray(1 + 0.004 * np.sin(5 * angle + 7 * share) + 0.003 * np.sin(11 * angle - 9 * share), dtype=float)


def random_log(seed: int, porous: bool | None = None, oblique_deg: float = 25.0) -> LogTruth:
    """One at random: 90 to 300 mm across, the pith up to a fifth off, rings of 1.2 to 6 mm."""
    rng = np.random.default_rng(seed)
    radius = rng.uniform(45, 150)
    angles = 2 * np.pi * np.arange(720) / 720
    rim = radius * np.ones(720)
    rim += radius * rng.uniform(0, 0.18) * np.cos(angles - rng.uniform(0, 2 * np.pi))
    for k in (2, 3, 4, 5):
        rim += radius * rng.normal(0, 0.02 / k) * np.cos(k * angles - rng.uniform(0, 2 * np.pi))
    mean = rng.uniform(1.6, 4.5)
    count = max(int(radius / mean), 6)
    widths = np.exp(rng.normal(0, 0.22, count)) * np.exp(gaussian_filter1d(rng.normal(0, 1.2, count), 3))
    shares = np.cumsum(widths) / np.sum(widths)
    tilt, roll = np.deg2rad(rng.uniform(0.4, 1.0) * oblique_deg), rng.uniform(0, 2 * np.pi)
    pith = np.array([0.0, -(radius * 1.25 + 0.5 * SIDE_MM + 8)]) + rng.normal(0, 4, 2)
    # the sheet lies above the log, the camera looks at the middle of both
    aim = np.array([0.0, 0.55 * pith[1], 0.0])
    size = (4000, 3000)
    focal = 3000.0 * rng.uniform(0.9, 1.1)
    reach = (2.6 * radius + SIDE_MM + 40) * focal / size[1] * 1.12
    way = np.array([np.sin(tilt) * np.cos(roll), np.sin(tilt) * np.sin(roll), np.cos(tilt)])
    place = aim + reach * way
    forward = -way
    right = np.cross(forward, np.array([0.0, 1.0, 0.0]))
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    rotation = np.stack([right, down, forward])
    camera = TrueCamera(
        size=size, focal=(focal, focal), centre=(0.5 * size[0] + rng.normal(0, 10), 0.5 * size[1] + rng.normal(0, 10)),
        distortion=(rng.normal(0, 0.02), rng.normal(0, 0.02), 0.0, 0.0, 0.0), rotation=rotation, translation=-rotation @ place,
    )  # fmt: skip
    checks = tuple(float(v) for v in rng.uniform(0, 2 * np.pi, rng.integers(0, 4)))
    return LogTruth(
        pith_mm=pith, rim=rim, shares=shares, porous=bool(rng.random() < 0.5) if porous is None else porous, checks_rad=checks, camera=camera, seed=seed
    )  # fmt: skip


def paint_log(log: LogTruth, quality: int = 88) -> Image:
    """The picture."""
    rng = np.random.default_rng(log.seed + 1)
    reach = float(np.max(log.rim)) * 1.12 + 12
    low = np.array([log.pith_mm[0] - reach, log.pith_mm[1] - reach])
    high = np.array([log.pith_mm[0] + reach, 0.5 * SIDE_MM + 25])
    low[0], high[0] = min(low[0], -0.5 * SIDE_MM - 25), max(high[0], 0.5 * SIDE_MM + 25)
    n = np.ceil((high - low) * PX_PER_MM).astype(int)
    x = low[0] + (np.arange(n[0]) + 0.5) / PX_PER_MM
    y = high[1] - (np.arange(n[1]) + 0.5) / PX_PER_MM
    xx, yy = np.meshgrid(x, y)
    flat = np.clip(150 + 18 * rng.normal(0, 1, (n[1] // 8 + 1, n[0] // 8 + 1)), 0, 255).astype(np.float32)
    ground = cv2.resize(flat, (int(n[0]), int(n[1])), interpolation=cv2.INTER_CUBIC)
    canvas = np.stack([0.62 * ground, 0.72 * ground, 0.74 * ground], axis=-1)
    dx, dy = xx - log.pith_mm[0], yy - log.pith_mm[1]
    angle, r = np.arctan2(dy, dx), np.hypot(dx, dy)
    rim = log.radius(angle)
    wood = _wood(log, angle, r, rim, rng)
    bark_to = rim + 4.0 + 2.5 * np.abs(np.sin(9 * angle) + 0.5 * np.sin(23 * angle + 1))
    inside, bark = r <= rim, (r > rim) & (r <= bark_to)
    rough = cv2.GaussianBlur(rng.normal(0, 1, xx.shape).astype(np.float32), (0, 0), 5) * 60
    canvas[bark] = np.clip(np.stack([46 + 0.5 * rough, 60 + 0.6 * rough, 76 + 0.7 * rough], axis=-1), 5, 255)[bark]
    canvas[inside] = wood[inside]
    # straight saw marks over the whole face
    turn, pitch = rng.uniform(0, np.pi), rng.uniform(2.0, 5.0)
    marks = np.sin(2 * np.pi * (xx * np.cos(turn) + yy * np.sin(turn) + 0.002 * xx * yy / 10) / pitch)
    canvas[inside] += (rng.uniform(1, 4) * marks)[inside][:, None]
    sheet, larger = marker_picture("DICT_APRILTAG_36h11", 0, 40)
    half = round(0.5 * SIDE_MM * larger * PX_PER_MM)
    middle = np.round((np.array([-low[0], high[1]])) * PX_PER_MM - 0.5).astype(int)
    face = cv2.resize(sheet, (2 * half, 2 * half), interpolation=cv2.INTER_AREA).astype(np.float32)
    shown = canvas[middle[1] - half : middle[1] + half, middle[0] - half : middle[0] + half]
    shown[:] = face[: shown.shape[0], : shown.shape[1], None]
    # where the sheet's square really lies, to the texture's pixel
    true = (middle + 0.5) / PX_PER_MM * np.array([1, -1]) + [low[0], high[1]]
    return taken(
        log.camera, canvas.astype(np.float32), low, high, true - (0.5 / PX_PER_MM) * np.array([1, -1]), rng, quality
    )


def _wood(log: LogTruth, angle: Array, r: Array, rim: Array, rng: np.random.Generator) -> Array:
    share = r / rim
    share = share * waved(share, angle)
    ends = np.concatenate([[0.0], log.shares])
    k = np.clip(np.searchsorted(ends, share, side="right") - 1, 0, len(ends) - 2)
    inner = np.clip((share - ends[k]) / (ends[k + 1] - ends[k]), 0, 1)
    tone = rng.normal(0, 2.0, len(ends))[k]
    if log.porous:
        level = 196 - 62 * np.clip((inner - 0.25) / 0.5, 0, 1) ** 1.2 + tone
        pores = cv2.GaussianBlur((rng.random(r.shape) > 0.988).astype(np.float32), (0, 0), 0.16 * PX_PER_MM) * 14
        level = level - 90 * np.clip(pores, 0, 1) * (inner < 0.3)
    else:
        late = np.clip((inner - 0.82) / 0.18, 0, 1)
        level = 188 - 8 * inner - 26 * late**2 + tone
    level = level + cv2.GaussianBlur(rng.normal(0, 1, r.shape).astype(np.float32), (0, 0), 0.25 * PX_PER_MM) * 9
    rays = 1 + 0.02 * np.sin(220 * angle + 3 * np.sin(9 * angle))
    level = level * rays
    heart = 1.0 - 0.16 * (share < 0.6)
    colour = np.stack([0.62 * level * heart, 0.80 * level * heart**0.7, 0.96 * level], axis=-1)
    for check in log.checks_rad:
        off = (angle - check + np.pi) % (2 * np.pi) - np.pi
        width = 0.9 * np.clip(share - 0.08, 0, 1) + 0.25
        near = np.abs(off + 0.01 * np.sin(12 * share)) * r < width
        colour[near & (share < 0.9)] *= 0.32
    colour[r < 2.0] *= 0.55
    return np.asarray(colour, dtype=float)


def taken(
    camera: TrueCamera,
    texture: NDArray[np.float32],
    low: Array,
    high: Array,
    sheet_mm: Array,
    rng: np.random.Generator,
    quality: int,
) -> Image:
    """The plane's texture, ``PX_PER_MM``, as the camera sees it."""
    width, height = camera.size
    u, v = np.meshgrid(np.arange(0, width, 16, dtype=float), np.arange(0, height, 16, dtype=float))
    xd, yd = (u - camera.centre[0]) / camera.focal[0], (v - camera.centre[1]) / camera.focal[1]
    a, b = xd.copy(), yd.copy()
    for _ in range(10):
        ba, bb = camera.bend(a, b)
        a, b = a + xd - ba, b + yd - bb
    rays = np.stack([a, b, np.ones_like(a)], axis=-1) @ camera.rotation
    place = camera.place_mm
    t = -place[2] / rays[..., 2]
    x = place[0] + t * rays[..., 0] + sheet_mm[0]
    y = place[1] + t * rays[..., 1] + sheet_mm[1]
    px = ((x - low[0]) * PX_PER_MM - 0.5).astype(np.float32)
    py = ((high[1] - y) * PX_PER_MM - 0.5).astype(np.float32)
    full = (px.shape[1] * 16, px.shape[0] * 16)
    grid = np.stack([(np.arange(full[0]) / 16).astype(np.float32)] * 1)
    ux = np.repeat(grid, full[1], axis=0)
    uy = np.repeat((np.arange(full[1]) / 16).astype(np.float32)[:, None], full[0], axis=1)
    mx = cv2.remap(px, ux, uy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:height, :width]
    my = cv2.remap(py, ux, uy, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:height, :width]
    seen = cv2.remap(cv2.GaussianBlur(texture, (0, 0), 0.8), mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    lamp = (
        1.0
        - 0.12 * (np.arange(width) / width - 0.5)[None, :, None]
        + 0.08 * (np.arange(height) / height - 0.5)[:, None, None]
    )
    noisy = cv2.GaussianBlur(seen * lamp.astype(np.float32), (0, 0), 0.7) + rng.normal(0, 2.0, seen.shape)
    _, packed = cv2.imencode(".jpg", np.clip(noisy, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)
