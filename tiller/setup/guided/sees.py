"""What a camera sees, in hints: is it light enough, sharp, near enough, square enough to the rack, and is a fiducial cut off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.setup.guided.keep import KEYS
from tiller.setup.guided.talk import Dot
from tiller.sources.interfaces import Image
from tiller.vision.rig.board import Key, find_markers

Array = NDArray[np.float64]

DARK, BURNT, BURNT_SHARE = 45.0, 250, 0.2
"""A picture whose middle grey is under the first of 255 is dark; one with so large a share over the second is burnt out (common practice, no source)."""
WIDEST_EDGE_PX = 2.0
"""An edge blurred by more (sd of a Gaussian) places a fiducial badly (common practice, no source)."""
SMALL_PX, RIM_PX = 20.0, 6.0
"""A fiducial whose side has fewer pixels (two for each of its 10 modules) is placed badly; and how near to the picture's rim it may come."""
OBLIQUE_DEG = 40.0
"""Beyond this the bow's plane is seen too flat (common practice, no source)."""


@dataclass(frozen=True)
class Sees:
    """Fiducials with their places, and hints; without any the camera is good."""

    dots: tuple[Dot, ...]
    hints: tuple[str, ...]


def what_it_sees(image: Image) -> Sees:
    """Looks at one picture."""
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    marks = find_markers(grey, KEYS)
    hints = []
    middle, burnt = float(np.median(grey)), float(np.mean(grey >= BURNT))
    if middle < DARK:
        hints.append("it is dark: more light on the rack, or a longer exposure.")
    elif burnt > BURNT_SHARE:
        hints.append(
            f"{100 * burnt:.0f} % of the picture is burnt out: less exposure, or no lamp and window in the picture."
        )
    if not marks:
        hints.append(
            "no fiducial of the rack is in view, or it is out of focus: turn it to the rack; print and glue them first."
        )
        return Sees((), tuple(hints))
    height, width = grey.shape
    sides = {key: _side_px(quad) for key, quad in marks.items()}
    small = [key for key, side in sides.items() if side < SMALL_PX]
    if small:
        hints.append(f"fiducial {_ids(small)} is small in the picture: step nearer, or choose a larger picture.")
    rim = [
        key
        for key, quad in marks.items()
        if quad.min() < RIM_PX or quad[:, 0].max() > width - RIM_PX or quad[:, 1].max() > height - RIM_PX
    ]
    if rim:
        hints.append(f"fiducial {_ids(rim)} is at the picture's rim: step back, or turn the camera.")
    edge = float(np.median([edge_px(grey, quad) for quad in marks.values()]))
    if edge > WIDEST_EDGE_PX:
        hints.append(f"edges are blurred over {2 * edge:.0f} pixels: focus on the fiducials, then lock the focus.")
    angle = float(np.median([oblique_deg(quad) for quad in marks.values()]))
    if angle > OBLIQUE_DEG:
        hints.append(f"it looks at the rack {angle:.0f} degrees from the side: set it up square before the rack.")
    dots = tuple(Dot(float(q[:, 0].mean()), float(q[:, 1].mean()), str(key[1])) for key, q in sorted(marks.items()))
    return Sees(dots, tuple(hints))


def _ids(keys: list[Key]) -> str:
    return ", ".join(str(key[1]) for key in sorted(keys))


def _side_px(quad: Array) -> float:
    return float(np.median(np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)))


def oblique_deg(quad: Array) -> float:
    """From how far aside a square is seen, by how much it is narrower one way than the other: the cosine is the ratio of the singular values of
    the plane map from the square to the picture (weak perspective)."""
    across = 0.5 * ((quad[1] - quad[0]) + (quad[2] - quad[3]))
    down = 0.5 * ((quad[3] - quad[0]) + (quad[2] - quad[1]))
    singular = np.linalg.svd(np.column_stack([across, down]), compute_uv=False)
    return math.degrees(math.acos(min(1.0, float(singular[1] / max(singular[0], 1e-9)))))


def edge_px(grey: NDArray[np.uint8], quad: Array) -> float:
    """Blur of a fiducial's outer edges, sd in px of the Gaussian that would blur a sharp edge so: its steepest slope over its height is 1 / (sd sqrt(2 pi)).

    The median over the four sides, each looked at half way along, across it; NaN where it is too small.
    """
    out = []
    reach = 0.09 * _side_px(quad)  # within the black border and the white rim
    if reach < 1.5:
        return float("nan")
    at = np.arange(-reach, reach + 0.01, 0.25)
    for k in range(4):
        a, b = quad[k], quad[(k + 1) % 4]
        along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
        across = np.array([along[1], -along[0]])
        lines = []
        for share in (0.3, 0.4, 0.5, 0.6, 0.7):
            way = a + share * (b - a) + at[:, None] * across
            lines.append(
                cv2.remap(grey, way[:, 0].astype(np.float32), way[:, 1].astype(np.float32), cv2.INTER_LINEAR).ravel()
            )
        line = np.mean(np.array(lines, dtype=float), axis=0)
        height = abs(float(line[-1] - line[0]))
        if height > 10:
            out.append(height / (float(np.max(np.abs(np.gradient(line, at)))) * math.sqrt(2 * math.pi)))
    return float(np.median(out)) if out else float("nan")
