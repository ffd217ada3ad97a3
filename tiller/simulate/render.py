"""Pictures of the rack: board, fiducials, post, cradle, bow with both its depth edges, string, hook, rope, shadows.

What does not move is painted once. What moves is painted over it at four times the size, only where it
is, and averaged down, so that edges are as smooth as a lens makes them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import sagitta_mm
from tiller.simulate import shop
from tiller.simulate.bowmaker import BowTruth, Knot, LimbTruth
from tiller.simulate.camera import TrueCamera
from tiller.simulate.shoot import TrueShape
from tiller.simulate.shop import Trouble

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

FINE = 4
"""Moving parts are painted this many times larger."""


@dataclass(frozen=True)
class TrueFiducial:
    """A fiducial where it really is (z = 0 on the board)."""

    id: int
    x: float
    y: float
    rotation_deg: float
    side_mm: float


@dataclass(frozen=True, kw_only=True)
class Setting:
    """Light and walls.

    Attributes:
        board: 'plain', 'grid' or 'clutter'.
        light: brightness, 1 = good.
        shadow: how dark the soft shadows are, 0 to 0.6.
        noise: sd of the sensor's noise, grey levels.
        blur_px: sd of the lens's blur; motion_px: length of a smear across the picture in drawn pictures.
        wood_bgr: colour of the limb's front in good light.
        troubles: what a shop adds.
        twist_deg: of the left and the right limb at its nock (+: the belly turns towards the camera), twist_from: where it begins, as shares of the limb.
    """

    board: str = "plain"
    light: float = 1.0
    shadow: float = 0.4
    noise: float = 1.5
    blur_px: float = 0.6
    motion_px: float = 0.0
    wood_bgr: tuple[float, float, float] = (120.0, 158.0, 192.0)
    troubles: frozenset[Trouble] = frozenset()
    twist_deg: tuple[float, float] = (0.0, 0.0)
    twist_from: tuple[float, float] = (0.0, 0.0)

    def twist_of(self, side: str) -> tuple[float, float]:
        """Twist at the nock, degrees, and from which share of the limb on."""
        if Trouble.TWIST in self.troubles:
            return shop.TWIST_DEG, 0.07
        k = 0 if side == "left" else 1
        return self.twist_deg[k], self.twist_from[k]


@dataclass(frozen=True, kw_only=True)
class Scenery:
    """Everything of the rack that the pictures need.

    Attributes:
        plane_z_mm: the bow's mid-plane; hook_z_mm: plane of the hook's fiducial.
        hook_offset_mm: from the hook fiducial's centre up to the string.
    """

    camera: TrueCamera
    fiducials: tuple[TrueFiducial, ...]
    dictionary: str
    hook_id: int
    hook_side_mm: float
    hook_offset_mm: tuple[float, float]
    hook_z_mm: float
    plane_z_mm: float
    setting: Setting


def marker_picture(dictionary: str, marker: int, pixels_a_module: int = 12) -> tuple[Image, float]:
    """A marker with its white rim, and how much larger it is than its black square."""
    known = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    modules = known.markerSize + 2
    bare = cv2.aruco.generateImageMarker(known, marker, modules * pixels_a_module)
    rim = int(1.2 * pixels_a_module)
    bordered = cv2.copyMakeBorder(bare, rim, rim, rim, rim, cv2.BORDER_CONSTANT, value=(238,))
    whole = np.where(np.asarray(bordered) < 60, 26, bordered).astype(np.uint8)
    return whole, whole.shape[0] / bare.shape[0]


class Painter:
    """Paints one rack. Building it paints what stands still (about a second); a picture then takes some 30 ms."""

    def __init__(self, scenery: Scenery, bow: BowTruth, seed: int = 0) -> None:
        self.scenery, self.bow = scenery, bow
        self.rng = np.random.default_rng(seed)
        self.base = self._paint_base()
        self._spare: Image | None = None
        self._pulls = 0
        width, height = scenery.camera.size
        tile = np.clip(np.round(self.rng.normal(0.0, scenery.setting.noise, (height + 64, width + 64, 3))), -60, 60)
        self.brighter, self.darker = np.maximum(tile, 0).astype(np.uint8), np.maximum(-tile, 0).astype(np.uint8)
        self.limb_paint = {side: self._limb_paint(bow.limb(side)) for side in ("left", "right")}

    # ---- what stands still

    def _paint_base(self) -> Image:
        camera, setting = self.scenery.camera, self.scenery.setting
        width, height = camera.size
        x, y = camera.board_map()
        rng = self.rng
        coarse = rng.normal(0, 1, (14, 22)).astype(np.float32)
        mottle = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC).astype(float)
        lamp = 1.0 - 0.10 * (x / 900.0) - 0.06 * (y / 500.0) + 0.015 * mottle
        base = np.stack([188.0 * lamp, 191.0 * lamp, 192.0 * lamp], axis=-1)
        if setting.board == "grid":
            for spacing, wide, dark in ((50.0, 0.7, 0.45), (100.0, 1.1, 0.62)):
                for line in (x, y):
                    off = np.abs((line + 13.0 + 0.5 * spacing) % spacing - 0.5 * spacing)
                    cover = np.clip(wide + 0.5 - off, 0.0, 1.0)
                    base *= (1.0 - dark * cover)[..., None]
        elif setting.board == "clutter":
            base *= np.array([0.80, 0.92, 1.0])
            for _ in range(26):
                cx, cy = rng.uniform(-900, 900), rng.uniform(-640, 330)
                w, h = rng.uniform(30, 260), rng.uniform(30, 220)
                angle = rng.uniform(0, np.pi)
                u = (x - cx) * np.cos(angle) + (y - cy) * np.sin(angle)
                v = -(x - cx) * np.sin(angle) + (y - cy) * np.cos(angle)
                inside = np.clip(0.5 * w - np.abs(u) + 0.5, 0, 1) * np.clip(0.5 * h - np.abs(v) + 0.5, 0, 1)
                colour = rng.uniform(50, 215) * rng.uniform(0.75, 1.15, 3)
                base = base * (1 - inside[..., None]) + inside[..., None] * np.clip(colour, 20, 235)
            planks = 0.93 + 0.07 * np.cos(2 * np.pi * x / 140.0) ** 16
            base *= planks[..., None]
        canvas = np.clip(base, 0, 255).astype(np.uint8)
        for fid in self.scenery.fiducials:
            self._stick(canvas, fid.id, np.array([fid.x, fid.y]), 0.0, fid.rotation_deg, fid.side_mm)
        # post and cradle stand before the board
        z = self.scenery.plane_z_mm
        front, back = z - 42.0, 6.0
        self._box(canvas, (-31.0, -760.0, back), (31.0, -48.0, front), (104, 142, 172))
        self._box(canvas, (-26.0, -48.0, back), (26.0, -1.0, z + 26.0), (112, 152, 182))
        soft = cv2.GaussianBlur(canvas, (0, 0), 0.5)
        out = np.clip(soft.astype(np.float32) * setting.light, 0, 255)
        return np.asarray(out, dtype=np.uint8)

    def _box(
        self,
        canvas: Image,
        low: tuple[float, float, float],
        high: tuple[float, float, float],
        colour: tuple[int, int, int],
    ) -> None:
        """A box between two corners (x, y, z)."""
        (x0, y0, z0), (x1, y1, z1) = low, high
        camera = self.scenery.camera
        place = camera.place_mm
        corners = np.array([[x, y, z] for z in (z0, z1) for y in (y0, y1) for x in (x0, x1)])
        p = camera.project(corners)
        side = [0, 2, 6, 4] if place[0] < x0 else [1, 3, 7, 5]
        for face, shade in ((side, 0.7), ([0, 1, 5, 4] if place[1] < y0 else [2, 3, 7, 6], 0.6), ([4, 5, 7, 6], 1.0)):
            poly = np.round(p[face] * 16).astype(np.int32)
            cv2.fillConvexPoly(canvas, poly, tuple(int(shade * c) for c in colour), cv2.LINE_AA, 4)

    def _stick(self, canvas: Image, marker: int, at: Array, z: float, rotation_deg: float, side_mm: float) -> None:
        """A fiducial by homography at its place (the lens bends its edges by less than 0.05 px)."""
        picture, larger = marker_picture(self.scenery.dictionary, marker)
        n = picture.shape[0]
        half = 0.5 * side_mm * larger
        turn = np.deg2rad(rotation_deg)
        own = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
        flat = own @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + at
        target = self.scenery.camera.project(np.column_stack([flat, np.full(4, z)]))
        low = np.floor(target.min(axis=0)).astype(int) - 2
        high = np.ceil(target.max(axis=0)).astype(int) + 3
        low = np.maximum(low, 0)
        high = np.minimum(high, [canvas.shape[1], canvas.shape[0]])
        if np.any(high - low < 4):
            return
        source = np.array([[-0.5, -0.5], [n - 0.5, -0.5], [n - 0.5, n - 0.5], [-0.5, n - 0.5]], dtype=np.float32)
        fine = ((target - low + 0.5) * FINE - 0.5).astype(np.float32)
        matrix = cv2.getPerspectiveTransform(source, fine)
        size = tuple(int(v) for v in (high - low) * FINE)
        paint = cv2.warpPerspective(picture, matrix, size, flags=cv2.INTER_AREA)
        mask = cv2.warpPerspective(np.full_like(picture, 255), matrix, size, flags=cv2.INTER_NEAREST)
        small = (size[0] // FINE, size[1] // FINE)
        share = cv2.resize(mask, small, interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
        face = cv2.resize(cv2.bitwise_and(paint, mask), small, interpolation=cv2.INTER_AREA).astype(np.float32)[
            ..., None
        ]
        cut = canvas[low[1] : high[1], low[0] : high[0]]
        cut[:] = np.clip(cut * (1 - share) + face, 0, 255).astype(np.uint8)

    # ---- the bow

    def _limb_paint(self, limb: LimbTruth) -> Array:
        """Shades of the front in (bands, segments): grain that runs along the limb and stays with it."""
        bands = self.rng.normal(0, 0.05, (5, 1)) + cv2.GaussianBlur(
            self.rng.normal(0, 0.16, (5, len(limb.s_mm) - 1)), (0, 0), sigmaX=6, sigmaY=0.7
        )
        return np.asarray(1.0 + bands, dtype=float)

    def _limb_polygons(self, limb: LimbTruth, line: Array, side: str) -> list[tuple[Array, NDArray[np.float64]]]:
        """Strips (points (2, n, 3), colours (n-1, 3)) of one limb, back to front."""
        sign = -1.0 if side == "left" else 1.0
        z = self.scenery.plane_z_mm
        tangent = np.gradient(line, axis=0)
        tangent /= np.linalg.norm(tangent, axis=1)[:, None]
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) * sign
        half = 0.5 * limb.width_mm
        # the back runs on over the handle; what is thicker there stands out on the belly
        at_fade = float(np.interp(limb.bend_from_mm, limb.s_mm, limb.thickness_mm))
        up = np.where(limb.s_mm < limb.bend_from_mm, 0.55 * at_fade, 0.55 * limb.thickness_mm)
        down = limb.thickness_mm - up
        for knot in self.bow.knots:
            if knot.limb == side:
                up = up + _bump(limb.s_mm, knot)
        sag = sagitta_mm(np.minimum(limb.width_mm, 1.99 * limb.crown_radius_mm), limb.crown_radius_mm)
        wood = np.array(self.scenery.setting.wood_bgr)
        light = np.array([-0.35, 0.75, 0.56])
        light /= np.linalg.norm(light)

        troubles = self.scenery.setting.troubles
        most, begin = self.scenery.setting.twist_of(side)
        turn = np.deg2rad(most) * np.clip((limb.s_mm / limb.length_mm - begin) / (1.0 - begin), 0.0, 1.2)

        def at(height: Array, depth: Array) -> Array:
            up_now = height * np.cos(turn) + depth * np.sin(turn)
            return np.column_stack([line + up_now[:, None] * normal, z + depth * np.cos(turn) - height * np.sin(turn)])

        def shade(normals: Array) -> Array:
            return np.asarray(np.clip(0.48 + 0.62 * normals @ light, 0.3, 1.12), dtype=float)

        strips: list[tuple[Array, Array]] = []
        mid = 0.5 * (normal[1:] + normal[:-1])
        place = self.scenery.camera.place_mm
        # belly, from far to near edge
        belly = np.column_stack([-mid, np.zeros(len(mid))])
        strips.append((np.stack([at(-down, -half), at(-down, half)]), 0.78 * shade(belly)[:, None] * wood))
        # back: crown in six strips
        depths = np.linspace(-1.0, 1.0, 7)
        for a, b in pairwise(depths):
            edge = [at(up - sag * q**2, q * half) for q in (a, b)]
            tilt = np.arctan2(2 * sag * 0.5 * (a + b), half)
            n3 = np.column_stack([mid * np.cos(tilt)[:-1, None], np.sin(tilt)[:-1]])
            towards = place - 0.25 * (edge[0][:-1] + edge[0][1:] + edge[1][:-1] + edge[1][1:])
            visible = np.sum(n3 * towards, axis=1) > 0
            colour = shade(n3)[:, None] * wood * 1.06
            colour[~visible] = np.nan
            strips.append((np.stack(edge), colour))
        # front, in bands of grain
        paint = self.limb_paint[side]
        low, high = -down, up - sag
        front = float(np.clip(0.48 + 0.62 * light[2], 0.3, 1.12))
        for k in range(len(paint)):
            q0, q1 = k / len(paint), (k + 1) / len(paint)
            colour = np.clip(front * paint[k][:, None] * wood, 10, 245)
            for knot in self.bow.knots:
                if knot.limb == side and 1 <= k <= 3:
                    near = np.abs(limb.s_mm[:-1] - knot.at_mm) < 7
                    colour[near] *= 0.55
            if Trouble.DRESSED in troubles and k < 2:
                colour *= shop.BELLY_DARK
            strips.append((np.stack([at(low + q0 * (high - low), half), at(low + q1 * (high - low), half)]), colour))
        if Trouble.DRESSED in troubles:
            share = limb.s_mm[:-1] / limb.length_mm
            for begin, end, paint_bgr in shop.WRAPS:
                wrapped = (share >= begin) & (share < end)
                for _, colour in strips:
                    bright = colour[wrapped].mean(axis=1, keepdims=True) / float(np.mean(wood))
                    colour[wrapped] = bright * np.array(paint_bgr)
        return strips

    def _fill(self, canvas: Image, origin: Array, strips: list[tuple[Array, Array]]) -> Array:
        """Paints strips; returns the pixels (n, 2) of their corners, from ``origin``."""
        every = np.concatenate([points.reshape(-1, 3) for points, _ in strips])
        pixels = ((self.scenery.camera.project(every) - origin + 0.5) * FINE - 0.5) * 16
        at = 0
        for points, colours in strips:
            n = points.shape[1]
            p = pixels[at : at + 2 * n].reshape(2, n, 2)
            at += 2 * n
            # three segments of 5 mm to a quad: straight within a thirtieth of a millimetre
            index = np.append(np.arange(0, n - 1, 3), n - 1)
            p = p[:, index]
            quads = np.round(np.stack([p[0, :-1], p[0, 1:], p[1, 1:], p[1, :-1]], axis=1)).astype(np.int32)
            for quad, colour in zip(quads, colours[index[:-1]].tolist(), strict=True):
                if colour[0] == colour[0]:
                    cv2.fillConvexPoly(canvas, quad, colour, cv2.LINE_8, 4)
        return np.asarray((pixels / 16 + 0.5) / FINE - 0.5, dtype=float)

    def _tip(self, limb: LimbTruth, line: Array) -> tuple[Array, Array]:
        """The limb's last 14 mm beyond the nock, as extra stations (s, points)."""
        way = (line[-1] - line[-3]) / np.linalg.norm(line[-1] - line[-3])
        out = np.array([5.0, 10.0, 14.0])
        return limb.s_mm[-1] + out, line[-1] + out[:, None] * way

    def picture(
        self,
        shape: TrueShape | None,
        hook_mm: Array | None,
        moving: float = 0.0,
        occluder: tuple[float, float, float] | None = None,
    ) -> Image:
        """One picture.

        Args:
            shape: the bow; None for the empty rack.
            hook_mm: the string's seat; None where the hook hangs aside.
            moving: smear in px.
            occluder: x, y, radius (mm, in the bow's plane) of something held before the rack.
        """
        scenery = self.scenery
        camera, setting = scenery.camera, scenery.setting
        width, height = camera.size
        image = self.base.copy()
        aside = hook_mm is None
        hook = np.array([245.0, -440.0]) if hook_mm is None else hook_mm
        lines = [] if shape is None else [("left", shape.left_mm), ("right", shape.right_mm)]
        image = self._shadows(image, lines, hook, shape is not None and not aside)
        if shape is not None:
            image = self._bow(image, lines, shape, hook, aside)
        self._hook(image, hook)
        if occluder is not None:
            centre = camera.project(np.array([[occluder[0], occluder[1], scenery.plane_z_mm + 80.0]]))[0]
            radius = occluder[2] * camera.focal[0] / camera.place_mm[2]
            cv2.circle(image, (int(centre[0]), int(centre[1])), int(radius), (96, 120, 150), -1, cv2.LINE_AA)
        image = self._shop_before(image, lines, hook, aside)
        if setting.blur_px > 0.2:
            image = np.asarray(cv2.GaussianBlur(image, (0, 0), setting.blur_px), dtype=np.uint8)
        if moving > 0.5:
            length = int(np.ceil(moving)) | 1
            kernel = np.zeros((length, 1), dtype=np.float32)
            kernel[:] = 1.0 / length
            image = np.asarray(cv2.filter2D(image, -1, kernel), dtype=np.uint8)
        ox, oy = self.rng.integers(0, 64, 2)
        cut = (slice(oy, oy + height), slice(ox, ox + width))
        out = np.asarray(cv2.subtract(cv2.add(image, self.brighter[cut]), self.darker[cut]), dtype=np.uint8)
        return shop.webcam(out, self.rng) if Trouble.WEBCAM in setting.troubles else out

    def _shop_before(self, image: Image, lines: list[tuple[str, Array]], hook: Array, aside: bool) -> Image:
        """What a shop adds before the lens."""
        troubles, camera = self.scenery.setting.troubles, self.scenery.camera
        if Trouble.LEAVES in troubles:
            image = shop.leaves(image, self.rng)
        if Trouble.PERSON in troubles and lines and not aside:
            z = self.scenery.plane_z_mm
            tip, seat = camera.project(np.array([[*lines[1][1][-1], z], [*hook, z]]))
            self._pulls += 1
            image = shop.person(image, seat, tip, self._pulls % 4 == 0, self.rng)
        if Trouble.SWAY in troubles:
            image = shop.sway(image, camera.focal[0], camera.centre, self.rng)
        return image

    def _shadows(self, image: Image, lines: list[tuple[str, Array]], hook: Array, strung: bool) -> Image:
        setting, camera = self.scenery.setting, self.scenery.camera
        if setting.shadow <= 0.01:
            return image
        small = 4
        width, height = camera.size
        mask = np.zeros((height // small, width // small), dtype=np.uint8)
        hard = Trouble.SHADOW in setting.troubles
        throw = np.array([34.0, -40.0]) * self.scenery.plane_z_mm / 80.0 * (0.5 if hard else 1.0)
        for _, line in lines:
            p = camera.project(np.column_stack([line + throw, np.zeros(len(line))])) / small
            cv2.polylines(mask, [np.round(p * 16).astype(np.int32)], False, 255, 5 if hard else 4, cv2.LINE_AA, 4)
            if strung:
                q = camera.project(np.column_stack([np.vstack([line[-1], hook]) + throw, np.zeros(2)])) / small
                cv2.polylines(mask, [np.round(q * 16).astype(np.int32)], False, 90, 1, cv2.LINE_AA, 4)
        p = camera.project(np.array([[hook[0] + throw[0], hook[1] - 60 + throw[1], 0.0]]))[0] / small
        cv2.circle(mask, (int(p[0]), int(p[1])), int(26 / small * camera.focal[0] / camera.place_mm[2]) + 1, 200, -1)
        soft = cv2.GaussianBlur(mask, (0, 0), 0.6 if hard else 3.2)
        dark = cv2.resize(
            255 - cv2.convertScaleAbs(soft, alpha=0.55 if hard else setting.shadow),
            (width, height),
            interpolation=cv2.INTER_LINEAR,
        )
        rows = np.flatnonzero(dark.min(axis=1) < 255)
        if len(rows) == 0:
            return image
        cut = slice(int(rows[0]), int(rows[-1]) + 1)
        image[cut] = cv2.multiply(image[cut], cv2.cvtColor(dark[cut], cv2.COLOR_GRAY2BGR), scale=1 / 255.0)
        return image

    def _bow(self, image: Image, lines: list[tuple[str, Array]], shape: TrueShape, hook: Array, aside: bool) -> Image:
        camera, scenery = self.scenery.camera, self.scenery
        points = np.vstack([line for _, line in lines] + ([] if aside else [hook[None]]))
        pixels = camera.project(np.column_stack([points, np.full(len(points), scenery.plane_z_mm)]))
        low = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - 45, 0)
        high = np.minimum(np.ceil(pixels.max(axis=0)).astype(int) + 60, [camera.size[0], camera.size[1]])
        size = (high - low) * FINE
        canvas = self._canvas(int(size[0]), int(size[1]))
        ends, painted = [], []
        for side, line in lines:
            limb = self.bow.limb(side)
            s_tip, tip = self._tip(limb, line)
            longer = _longer(limb, s_tip)
            whole = np.vstack([line, tip])
            saved = self.limb_paint[side]
            self.limb_paint[side] = np.pad(saved, ((0, 0), (0, len(whole) - 1 - saved.shape[1])), mode="edge")
            painted.append(self._fill(canvas, low, self._limb_polygons(longer, whole, side)))
            self.limb_paint[side] = saved
            ends.append(line[-1])
        # string, over the limb's belly edge at the nock
        z = scenery.plane_z_mm
        if aside:
            sag = np.linspace(0, 1, 40)
            deep = 70.0 + 0.25 * max(0.0, self.bow.string_mm - float(np.linalg.norm(ends[0] - ends[1])))
            path = (
                ends[0]
                + sag[:, None] * (ends[1] - ends[0])
                - np.column_stack([np.zeros(40), 4 * deep * sag * (1 - sag)])
            )
        else:
            path = np.vstack([ends[0], hook, ends[1]])
        p = camera.project(np.column_stack([path, np.full(len(path), z)]))
        painted += [a - low + share * (b - a) for a, b in pairwise(p) for share in np.linspace(0, 1, 80)[:, None, None]]
        p = np.round((((p - low + 0.5) * FINE) - 0.5) * 16).astype(np.int32)
        cv2.polylines(canvas, [p], False, (150, 178, 186), int(1.8 * FINE), cv2.LINE_8, 4)
        # the cradle stands before the handle's lower half
        cradle = camera.project(np.array([[x, y, z + 26.0] for x, y in ((-26, -48), (26, -48), (26, 4), (-26, 4))]))
        quad = np.round((((cradle - low + 0.5) * FINE) - 0.5) * 16).astype(np.int32)
        cv2.fillConvexPoly(canvas, quad, (112, 152, 182), cv2.LINE_8, 4)
        painted += [cradle - low, (cradle[:2] - low + cradle[2:] - low) / 2]
        light = scenery.setting.light
        whole_cut = image[low[1] : high[1], low[0] : high[0]]
        for y, x in _tiles(np.vstack([np.atleast_2d(part) for part in painted]), whole_cut.shape[:2]):
            cut, own = whole_cut[y, x], canvas[FINE * y.start : FINE * y.stop, FINE * x.start : FINE * x.stop]
            face = cv2.resize(own, (x.stop - x.start, y.stop - y.start), interpolation=cv2.INTER_AREA)
            # nothing that is painted is quite black: what is not zero is covered
            mask = cv2.threshold(cv2.extractChannel(own, 2), 0, 255, cv2.THRESH_BINARY)[1]
            share = cv2.resize(mask, (x.stop - x.start, y.stop - y.start), interpolation=cv2.INTER_AREA)
            rest = cv2.multiply(cut, cv2.cvtColor(255 - share, cv2.COLOR_GRAY2BGR), scale=1 / 255.0)
            cut[:] = cv2.add(rest, cv2.convertScaleAbs(face, alpha=light) if light != 1.0 else face)
            own[:] = 0
        return image

    def _canvas(self, width: int, height: int) -> Image:
        """An empty canvas; the same memory each time, since getting 40 MB anew costs more than painting on it."""
        if self._spare is None or self._spare.size < 3 * width * height:
            self._spare = np.zeros(3 * width * height, dtype=np.uint8)
        return self._spare[: 3 * width * height].reshape(height, width, 3)

    def _hook(self, image: Image, hook: Array) -> None:
        scenery = self.scenery
        camera, z = scenery.camera, scenery.hook_z_mm
        light = scenery.setting.light
        ox, oy = scenery.hook_offset_mm
        centre = hook - np.array([ox, oy])

        def line(
            a: tuple[float, float], b: tuple[float, float], colour: tuple[int, int, int], thick: int, at: float
        ) -> None:
            p = camera.project(np.array([[*a, at], [*b, at]]))
            q = np.round(p * 16).astype(np.int32)
            cv2.polylines(image, [q], False, tuple(int(light * c) for c in colour), thick, cv2.LINE_AA, 4)

        line((hook[0], hook[1] + 2), (centre[0], centre[1] - 70), (70, 72, 75), 4, z - 12)
        line((centre[0], centre[1] - 95), (centre[0] * 0.6, -900.0), (120, 104, 70), 5, z - 12)
        box = camera.project(
            np.array([[centre[0] + x, centre[1] + y, z - 6] for x, y in ((-19, -52), (19, -52), (19, -94), (-19, -94))])
        )
        cv2.fillConvexPoly(
            image, np.round(box * 16).astype(np.int32), tuple(int(light * c) for c in (178, 172, 168)), cv2.LINE_AA, 4
        )
        self._stick(image, scenery.hook_id, centre, z, 0.0, scenery.hook_side_mm)


TILE = 32
"""Moving parts are averaged down in squares of this many px, only where something was painted."""


def _tiles(pixels: Array, shape: tuple[int, int]) -> list[tuple[slice, slice]]:
    """Rows and columns of the rectangles, in whole tiles, that hold all ``pixels`` (n, 2) and what is 6 px about them."""
    around = np.array([(x, y) for x in (-6, 6) for y in (-6, 6)])
    near = (pixels[:, None, :] + around).reshape(-1, 2)
    across, down = -(-shape[1] // TILE), -(-shape[0] // TILE)
    index = np.floor(near / TILE).astype(int)
    index = index[np.all((index >= 0) & (index < (across, down)), axis=1)]
    hit = np.zeros((down, across + 1), dtype=bool)
    hit[index[:, 1], index[:, 0]] = True
    out = []
    for row in range(down):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], hit[row]]).astype(int)))
        y = slice(row * TILE, min((row + 1) * TILE, shape[0]))
        for first, end in zip(edges[::2], edges[1::2], strict=True):
            out.append((y, slice(int(first) * TILE, min(int(end) * TILE, shape[1]))))
    return out


def _bump(s: Array, knot: Knot) -> Array:
    return np.asarray(knot.height_mm * np.exp(-0.5 * ((s - knot.at_mm) / 9.0) ** 2), dtype=float)


def _longer(limb: LimbTruth, s_tip: Array) -> LimbTruth:
    n = len(s_tip)
    taper = np.linspace(0.95, 0.45, n)

    def out(values: Array, shrink: bool = False) -> Array:
        last = values[-1] * (taper if shrink else np.ones(n))
        return np.concatenate([values, last])

    return replace(
        limb,
        s_mm=np.concatenate([limb.s_mm, s_tip]),
        width_mm=out(limb.width_mm, True),
        thickness_mm=out(limb.thickness_mm, True),
        even_thickness_mm=out(limb.even_thickness_mm),
        modulus_gpa=out(limb.modulus_gpa),
        rest_curvature_per_m=out(limb.rest_curvature_per_m),
    )
