"""Pictures of a strung bow seen from its belly, against a wall with printed fiducials: what the second view is tried on.

Wall: x to the right along the bow, y up across it, z out of the wall towards the camera. The handle's back lies on the wall; the limbs come towards the
camera, the string lies nearest. Sideways: along y. All is painted four times as large and averaged down.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import sagitta_mm
from tiller.simulate.bowmaker import BowTruth, LimbTruth
from tiller.simulate.camera import TrueCamera
from tiller.simulate.render import TrueFiducial, marker_picture
from tiller.simulate.shoot import Shooter, TrueShape

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

FINE = 4
STRING_MM = 2.6
GRIP_MM, GRIP_TO_MM = 26.0, 46.0
"""Width of the handle where it is gripped, and how far from its middle."""


@dataclass(frozen=True, kw_only=True)
class SidewaysTruth:
    """How one limb departs from the bow's plane.

    Attributes:
        bend_mm: (n,) sideways, in the picture's up, of each station; twist_rad: (n,) about its own length outward, positive turning the belly towards y > 0.
    """

    bend_mm: Array
    twist_rad: Array


@dataclass(frozen=True, kw_only=True)
class BellyScene:
    """A strung bow before a wall.

    Attributes:
        shape: the bow as it is strung; left, right: sideways truth of each limb on the limb's own stations.
        tilt_rad: how far the bow's bed turns it about its length; positive lifts the string to y > 0.
        groove_mm: where the string sits at each nock, off the limb's middle, towards y > 0.
        turned: the left limb lies to the right.
        strung: whether there is a string.
    """

    bow: BowTruth
    shape: TrueShape
    left: SidewaysTruth
    right: SidewaysTruth
    camera: TrueCamera
    fiducials: tuple[TrueFiducial, ...]
    dictionary: str = "DICT_APRILTAG_36h11"
    place_mm: tuple[float, float] = (0.0, 0.0)
    slope_rad: float = 0.0
    tilt_rad: float = 0.0
    groove_mm: tuple[float, float] = (0.0, 0.0)
    turned: bool = False
    strung: bool = True
    wood_bgr: tuple[float, float, float] = (118.0, 156.0, 190.0)
    wall_bgr: tuple[float, float, float] = (186.0, 190.0, 192.0)
    string_bgr: tuple[float, float, float] = (60.0, 52.0, 44.0)
    noise: float = 1.5
    blur_px: float = 0.6


def braced_shape(bow: BowTruth) -> TrueShape:
    """The bow with its string straight from nock to nock, all but unloaded."""
    shooter = Shooter(bow)
    return shooter.at(shooter.taut_draw(2.0))


def offset_mm(scene: BellyScene) -> float:
    """The true place of the string across the middle of the handle, off the bow's plane, towards y > 0 with the left limb to the left."""
    left, right = (np.abs(line[-1, 0]) for line in (scene.shape.left_mm, scene.shape.right_mm))
    a = scene.left.bend_mm[-1] + scene.groove_mm[0]
    b = scene.right.bend_mm[-1] + scene.groove_mm[1]
    return float((a * right + b * left) / (left + right))


def belly_camera(rng: np.random.Generator, size: tuple[int, int] = (1920, 1080), aside_mm: float = 60.0) -> TrueCamera:
    """A camera held before the bow, about square to the wall."""
    distance = rng.uniform(2300, 2900)
    place = np.array([rng.uniform(-120, 120), rng.uniform(-aside_mm, aside_mm), distance])
    aim = np.array([rng.uniform(-15, 15), rng.uniform(-15, 15), 60.0])
    forward = (aim - place) / np.linalg.norm(aim - place)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    roll = np.deg2rad(rng.normal(0, 1.0))
    turned = np.array([[np.cos(roll), np.sin(roll)], [-np.sin(roll), np.cos(roll)]]) @ np.stack([right, down])
    rotation = np.vstack([turned, forward])
    focal = 0.93 * size[0] * distance / 1860.0
    return TrueCamera(
        size=size,
        focal=(focal, focal),
        centre=(size[0] / 2 + rng.normal(0, 6), size[1] / 2 + rng.normal(0, 6)),
        distortion=(rng.uniform(-0.1, 0.06), rng.uniform(-0.06, 0.06), rng.normal(0, 4e-4), rng.normal(0, 4e-4), 0.0),
        rotation=rotation,
        translation=-rotation @ place,
    )


def paint(scene: BellyScene, seed: int = 0) -> Image:
    """The picture, (h, w, 3) BGR."""
    rng = np.random.default_rng(seed)
    camera = scene.camera
    width, height = camera.size
    x, y = camera.board_map()
    mottle = cv2.resize(rng.normal(0, 1, (12, 20)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    lamp = 1.0 - 0.08 * (x / 900.0) + 0.05 * (y / 500.0) + 0.012 * mottle.astype(float)
    canvas = np.clip(np.array(scene.wall_bgr) * lamp[..., None], 0, 255).astype(np.uint8)
    for fid in scene.fiducials:
        _stick(canvas, scene, fid)
    _shadow(canvas, scene)
    big = cv2.resize(canvas, (FINE * width, FINE * height), interpolation=cv2.INTER_NEAREST)
    for limb, truth, line, sign in _limbs(scene):
        _paint_limb(np.asarray(big, dtype=np.uint8), scene, (limb, truth, line, sign), rng)
    if scene.strung:
        ends = string_ends(scene)
        p = camera.project(ends[0] + np.linspace(0, 1, 60)[:, None] * (ends[1] - ends[0]))
        scale = camera.focal[0] / (camera.place_mm[2] - ends[0][2])
        q = np.round(((p + 0.5) * FINE - 0.5) * 16).astype(np.int32)
        thick = max(1, round(STRING_MM * scale * FINE))
        cv2.polylines(big, [q], False, scene.string_bgr, thick, cv2.LINE_8, 4)
    image = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA)
    if scene.blur_px > 0.2:
        image = cv2.GaussianBlur(image, (0, 0), scene.blur_px)
    noisy = np.asarray(image, dtype=float) + rng.normal(0, scene.noise, image.shape)
    return np.asarray(np.clip(noisy, 0, 255), dtype=np.uint8)


def string_ends(scene: BellyScene) -> Array:
    """(2, 3) where the string leaves the left and the right limb's belly, wall coordinates."""
    out = []
    for k, (limb, truth, line, sign) in enumerate(_limbs(scene)):
        at = _place(scene, limb, truth, line, sign)
        edge = at(
            -limb.thickness_mm * 0.5, np.full(len(limb.s_mm), scene.groove_mm[k] * (-1.0 if scene.turned else 1.0))
        )
        out.append(edge[-1])
    return np.array(out)


def _limbs(scene: BellyScene) -> list[tuple[LimbTruth, SidewaysTruth, Array, float]]:
    """Limb, its truth, its line (outward, towards the belly) and the way it goes in the picture."""
    out = []
    for limb, truth, line, sign in (
        (scene.bow.left, scene.left, scene.shape.left_mm, -1.0),
        (scene.bow.right, scene.right, scene.shape.right_mm, 1.0),
    ):
        s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        flat = np.column_stack([np.abs(line[:, 0]), -line[:, 1]])
        on = np.column_stack([np.interp(limb.s_mm, s, flat[:, k]) for k in (0, 1)])
        out.append((limb, truth, on, -sign if scene.turned else sign))
    return out


def _place(scene: BellyScene, limb: LimbTruth, truth: SidewaysTruth, line: Array, sign: float):  # type: ignore[no-untyped-def]
    """A function: points of the limb's section, (height over its middle towards the back, across towards y > 0), to wall coordinates."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    side = -1.0 if scene.turned else 1.0
    twist = truth.twist_rad * side
    back = 0.5 * float(limb.thickness_mm[0])  # the handle's back lies on the wall
    cosine, sine = np.cos(scene.tilt_rad), np.sin(scene.tilt_rad)

    def at(height: Array, across: Array) -> Array:
        h = height * np.cos(twist) + across * np.sin(twist)
        y = across * np.cos(twist) - height * np.sin(twist) + side * truth.bend_mm
        along = line[:, 0] + h * tangent[:, 1]
        z = line[:, 1] - h * tangent[:, 0] - line[0, 1] + back
        x, y, z = sign * along, y * cosine + z * sine, z * cosine - y * sine
        px = scene.place_mm[0] + x * np.cos(scene.slope_rad) - y * np.sin(scene.slope_rad)
        py = scene.place_mm[1] + x * np.sin(scene.slope_rad) + y * np.cos(scene.slope_rad)
        return np.column_stack([px, py, z])

    return at


def handle_widths(limb: LimbTruth) -> Array:
    """The limb's widths with the handle as narrow as it is gripped."""
    share = np.clip((limb.s_mm - GRIP_TO_MM) / 50.0, 0.0, 1.0)
    grip = GRIP_MM + (np.maximum(limb.width_mm, GRIP_MM) - GRIP_MM) * share * share * (3 - 2 * share)
    return np.where(limb.s_mm < GRIP_TO_MM + 50.0, grip, limb.width_mm)


def _paint_limb(
    big: Image, scene: BellyScene, drawn: tuple[LimbTruth, SidewaysTruth, Array, float], rng: np.random.Generator
) -> None:
    limb, truth, line, sign = drawn
    at = _place(scene, limb, truth, line, sign)
    half = 0.5 * handle_widths(limb)
    t = limb.thickness_mm
    sag = sagitta_mm(np.minimum(2 * half, 1.99 * limb.crown_radius_mm), limb.crown_radius_mm)
    wood = np.array(scene.wood_bgr)
    place = scene.camera.place_mm
    grain = 1.0 + cv2.GaussianBlur(rng.normal(0, 0.12, (9, len(t) - 1)), (0, 0), sigmaX=8, sigmaY=0.7)

    def fill(a: Array, b: Array, shade: Array) -> None:
        both = scene.camera.project(np.vstack([a, b]))
        p = np.round(((both + 0.5) * FINE - 0.5) * 16).astype(np.int32).reshape(2, len(a), 2)
        for k in range(len(a) - 1):
            quad = np.stack([p[0, k], p[0, k + 1], p[1, k + 1], p[1, k]])
            colour = np.clip(wood * shade[k], 6, 250)
            cv2.fillConvexPoly(big, quad, tuple(float(c) for c in colour), cv2.LINE_8, 4)

    for way in (-1.0, 1.0):  # the sides, seen where the camera stands beside them
        edge = at(-0.5 * t, way * half), at(0.5 * t - sag, way * half)
        seen = way * (place[1] - edge[0][:, 1]) > 0
        if np.any(seen):
            fill(*edge, np.full(len(t) - 1, 0.62 if way < 0 else 0.8))
    for k in range(9):
        q0, q1 = 2 * k / 9 - 1, 2 * (k + 1) / 9 - 1
        fill(at(-0.5 * t, q0 * half), at(-0.5 * t, q1 * half), 0.96 * grain[k])


def _shadow(canvas: Image, scene: BellyScene) -> None:
    mask = np.zeros(canvas.shape[:2], dtype=np.uint8)
    for limb, truth, line, sign in _limbs(scene):
        at = _place(scene, limb, truth, line, sign)
        half = 0.5 * handle_widths(limb)
        edges = [at(-0.5 * limb.thickness_mm, way * half) for way in (-1.0, 1.0)]
        for edge in edges:
            edge[:, :2] += edge[:, 2:] * np.array([0.12, -0.3])
            edge[:, 2] = 0.0
        p = scene.camera.project(np.vstack([edges[0], edges[1][::-1]]))
        cv2.fillPoly(mask, [np.round(p * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(mask, (0, 0), 5.0).astype(np.float32) / 255
    canvas[:] = np.clip(canvas * (1 - 0.35 * soft[..., None]), 0, 255).astype(np.uint8)


def _stick(canvas: Image, scene: BellyScene, fid: TrueFiducial) -> None:
    picture, larger = marker_picture(scene.dictionary, fid.id)
    half = 0.5 * fid.side_mm * larger
    turn = np.deg2rad(fid.rotation_deg)
    own = np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
    flat = own @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + [fid.x, fid.y]
    paste_face(canvas, picture, scene.camera.project(np.column_stack([flat, np.zeros(4)])))


def paste_face(canvas: Image, picture: Image, target: Array) -> None:
    """Puts a square picture to where its corners (4, 2) px lie, from its top left clockwise."""
    n = picture.shape[0]
    low = np.maximum(np.floor(target.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(target.max(axis=0)).astype(int) + 3, [canvas.shape[1], canvas.shape[0]])
    if np.any(high - low < 4):
        return
    source = np.array([[-0.5, -0.5], [n - 0.5, -0.5], [n - 0.5, n - 0.5], [-0.5, n - 0.5]], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(source, ((target - low + 0.5) * FINE - 0.5).astype(np.float32))
    size = tuple(int(v) for v in (high - low) * FINE)
    paint_ = cv2.warpPerspective(picture, matrix, size, flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full_like(picture, 255), matrix, size, flags=cv2.INTER_NEAREST)
    small = (size[0] // FINE, size[1] // FINE)
    share = cv2.resize(mask, small, interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    face = cv2.resize(cv2.bitwise_and(paint_, mask), small, interpolation=cv2.INTER_AREA).astype(np.float32)[..., None]
    cut = canvas[low[1] : high[1], low[0] : high[0]]
    cut[:] = np.clip(cut * (1 - share) + face, 0, 255).astype(np.uint8)


def random_belly(rng: np.random.Generator, bow: BowTruth, shape: TrueShape, turned: bool = False) -> BellyScene:
    """A scene at random: sideways bends with a nock up to some 15 mm off, twist up to 4 degrees, a bed that tilts a little, four fiducials."""
    truths = []
    for limb in (bow.left, bow.right):
        free = np.clip((limb.s_mm - 110.0) / (limb.length_mm - 110.0), 0.0, 1.0)
        at, wide = rng.uniform(250, 650), rng.uniform(60, 140)
        bump = np.exp(-0.5 * ((limb.s_mm - at) / wide) ** 2) * (free > 0)
        kink = np.cumsum(np.cumsum(bump))
        kink *= rng.uniform(-12, 12) / kink[-1]
        sweep = rng.normal(0, 3.0) * free**2
        truths.append(SidewaysTruth(bend_mm=kink + sweep, twist_rad=np.deg2rad(rng.uniform(-4, 4)) * free**1.5))
    fiducials = tuple(
        TrueFiducial(k, x + rng.normal(0, 20), y + rng.normal(0, 10), float(rng.uniform(-4, 4)), 100.0)
        for k, (x, y) in enumerate(((-520.0, 190.0), (480.0, 200.0), (-380.0, -210.0), (540.0, -200.0)))
    )
    return BellyScene(
        bow=bow,
        shape=shape,
        left=truths[0],
        right=truths[1],
        camera=belly_camera(rng),
        fiducials=fiducials,
        place_mm=(float(rng.normal(0, 12)), float(rng.normal(0, 8))),
        slope_rad=float(np.deg2rad(rng.normal(0, 0.8))),
        tilt_rad=float(np.deg2rad(rng.normal(0, 0.25))),
        groove_mm=(float(rng.normal(0, 0.5)), float(rng.normal(0, 0.5))),
        turned=turned,
        string_bgr=tuple(float(v) for v in rng.uniform(20, 90, 3)) if rng.random() < 0.5 else (226.0, 230.0, 232.0),  # type: ignore[arg-type]
        wood_bgr=tuple(float(v) for v in np.array([118.0, 156.0, 190.0]) * rng.uniform(0.6, 1.05)),  # type: ignore[arg-type]
    )
