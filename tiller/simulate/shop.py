"""What a real shop does to pictures, for the rack in software: a person, hard shadows, sun through leaves, a swaying camera, a cheap webcam.

Each is painted onto a picture that is otherwise finished. They are for volume and for faults: limits are set on real or independent pictures.
"""

from __future__ import annotations

from enum import Enum

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Image = NDArray[np.uint8]


class Trouble(Enum):
    """What is hard about a shop's pictures."""

    PERSON = "person"
    SHADOW = "shadow"
    DRESSED = "dressed"
    SWAY = "sway"
    WEBCAM = "webcam"
    LEAVES = "leaves"
    TWIST = "twist"


SWAY_PX, SHEAR = 2.5, 0.0015
"""A hand holds a camera still to some px from picture to picture; its rows are read within 20 ms, in which a hand turns by a px or two."""
WEBCAM_BLUR, WEBCAM_NOISE, WEBCAM_HALO, WEBCAM_QUALITY = 1.1, 5.0, 0.9, 50
"""A cheap webcam at 720p: soft, noisy, sharpened, and compressed."""
SUN, SKY_BGR = 0.42, (1.12, 1.0, 0.93)
"""Of the light, so much is left in the shade of leaves, and it is bluer."""
SKIN, SLEEVE, HAIR = (132.0, 158.0, 205.0), (150.0, 98.0, 62.0), (38.0, 48.0, 62.0)
WRAPS = ((0.20, 0.235, (205.0, 208.0, 206.0)), (0.235, 0.265, (52.0, 48.0, 186.0)), (0.62, 0.65, (60.0, 66.0, 72.0)))
"""From where to where along the limb, as shares, wraps of which colour sit (blue, green, red)."""
BELLY_DARK = 0.62
"""Belly wood against back wood, as heartwood against sapwood."""
TWIST_DEG = 5.0


def leaves(image: Image, rng: np.random.Generator) -> Image:
    """Sun through leaves: another pattern in every picture."""
    height, width = image.shape[:2]
    small = 4
    lit = np.ones((height // small, width // small), dtype=np.float32)
    for _ in range(150):
        centre = (int(rng.uniform(0, width / small)), int(rng.uniform(0, height / small)))
        axes = (int(rng.uniform(6, 20)), int(rng.uniform(3, 8)))
        cv2.ellipse(lit, centre, axes, float(rng.uniform(0, 180)), 0, 360, 0.0, -1, cv2.LINE_AA)
    soft = cv2.GaussianBlur(lit, (0, 0), 0.9)
    soft = cv2.resize(soft, (width, height), interpolation=cv2.INTER_LINEAR)[..., None]
    shade = SUN * np.array(SKY_BGR, dtype=np.float32)
    return np.asarray(np.clip(image * (soft + (1.0 - soft) * shade), 0, 255), dtype=np.uint8)


def sway(image: Image, focal_px: float, centre: tuple[float, float], rng: np.random.Generator) -> Image:
    """The camera turned a little in the hand, and turning while the rows are read.

    A pure turn: K R inverse(K) moves every pixel, near or far, alike.
    """
    height, width = image.shape[:2]
    turn = rng.normal(0.0, SWAY_PX / focal_px, 3)
    camera = np.array([[focal_px, 0.0, centre[0]], [0.0, focal_px, centre[1]], [0.0, 0.0, 1.0]])
    rotation = cv2.Rodrigues(turn)[0]
    shear_x, shear_y = rng.normal(0.0, SHEAR, 2)
    rows = np.array([[1.0, shear_x, -shear_x * height / 2], [0.0, 1.0 + shear_y, -shear_y * height / 2], [0, 0, 1]])
    matrix = rows @ camera @ rotation @ np.linalg.inv(camera)
    out = cv2.warpPerspective(image, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, dtype=np.uint8)


def webcam(image: Image, rng: np.random.Generator) -> Image:
    """Soft lens, noise, a sharpening halo."""
    soft = cv2.GaussianBlur(image, (0, 0), WEBCAM_BLUR).astype(np.float32)
    noisy = soft + cv2.GaussianBlur(rng.normal(0, WEBCAM_NOISE * 1.6, image.shape).astype(np.float32), (0, 0), 0.7)
    sharp = noisy + WEBCAM_HALO * (noisy - cv2.GaussianBlur(noisy, (0, 0), 1.6))
    return np.asarray(np.clip(sharp, 0, 255), dtype=np.uint8)


def person(image: Image, hook_px: Array, tip_px: Array, before: bool, rng: np.random.Generator) -> Image:
    """A bowyer at the rope beside the right limb, head and arm; ``before``: so near that the limb's end is behind them."""
    out = image.copy()
    height, width = image.shape[:2]
    scale = width / 1920.0
    head = tip_px + np.array([-90.0, 60.0 if before else 260.0]) * scale + rng.normal(0, 8 * scale, 2)
    body = head + np.array([70.0, 330.0]) * scale

    def blob(at: Array, axes: tuple[float, float], colour: tuple[float, float, float], angle: float = 0.0) -> None:
        centre = (int(at[0]), int(at[1]))
        cv2.ellipse(out, centre, (int(axes[0] * scale), int(axes[1] * scale)), angle, 0, 360, colour, -1, cv2.LINE_AA)

    # a soft shadow on the wall that moves with them
    mask = np.zeros((height // 8, width // 8), dtype=np.uint8)
    cv2.circle(mask, (int((body[0] + 60) / 8), int(body[1] / 8)), int(260 * scale / 8), 255, -1)
    dark = cv2.resize(cv2.GaussianBlur(mask, (0, 0), 9.0), (width, height)).astype(np.float32)[..., None] / 255
    out = np.asarray(out * (1.0 - 0.25 * dark), dtype=np.uint8)
    hand = hook_px + np.array([0.0, 190.0]) * scale
    cv2.line(out, (int(body[0]), int(body[1])), (int(hand[0]), int(hand[1])), SLEEVE, int(62 * scale), cv2.LINE_AA)
    blob(hand, (30, 34), SKIN)
    blob(body, (170, 330), SLEEVE)
    blob(head, (58, 78), SKIN)
    blob(head + np.array([14.0, -30.0]) * scale, (58, 56), HAIR)
    if before:
        elbow = head + np.array([-150.0, 150.0]) * scale
        raised = head + np.array([-190.0, -20.0]) * scale
        cv2.line(
            out, (int(body[0]), int(body[1])), (int(elbow[0]), int(elbow[1])), SLEEVE, int(60 * scale), cv2.LINE_AA
        )
        cv2.line(
            out, (int(elbow[0]), int(elbow[1])), (int(raised[0]), int(raised[1])), SKIN, int(44 * scale), cv2.LINE_AA
        )
    return out
