"""Whether anything moves at the rack: by what moved and how far, not by shares of grey levels.

Once a bow is followed, it moves where its limbs or the hook do, in millimetres, whoever walks by behind it. Before that the picture
alone tells: places whose colour no change of light explains (``vision.light``), counted in units of the limbs' own area.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import Bow
from tiller.bow.sides import SIDES, Side
from tiller.vision.limbs.light import LUMA, Light, Single, find_light, strange
from tiller.vision.rig.camera import View

Array = NDArray[np.float64]

STEP_S = 0.25
"""Pictures so far apart are compared: a hand that lays in a bow moves by centimetres in that time."""
OTHER_LEVEL = 8.0
"""A place shows something else where its colour is so many grey levels from what light explains: on an independent rig's session (720p, noise,
MJPEG, exposure hunting by 1 %) a still rack has under 10 such places of 14,400 and a bow that is drawn 150 and more."""
MOVED_SHARE, BOW_SHARE = 0.25, 0.6
"""Something as large as this share of the limbs moves; a bow may be on the rack where as much as that is unlike the empty rack."""
MOVED_MM, HOOK_MM = 0.8, 1.0
"""A bow that is followed moves where its limbs, on average, or the hook went further than this within ``STEP_S``."""
LEAST_APART = 0.5
"""Pictures nearer in time than this share of ``STEP_S`` say nothing."""


def limb_places(bow: Bow, view: View, plane_z_mm: float, by: float) -> float:
    """How many places of a picture made smaller by ``by`` both limbs cover, seen from the front."""
    total = 0.0
    for side in SIDES:
        limb = bow.limb(side)
        s = np.linspace(0.0, limb.length_mm, 20)
        sign = side.sign
        pixels = view.plane_to_pixels(np.column_stack([sign * s, np.zeros(len(s))]), plane_z_mm)
        px_per_mm = float(np.linalg.norm(pixels[-1] - pixels[0])) / limb.length_mm
        total += float(np.mean(limb.thickness_at(s))) * limb.length_mm * (px_per_mm / by) ** 2
    return total


ROUGH_SHARE = 0.5
"""Where a camera moved, its places are laid over each other to a fraction of one only: at an edge they differ by up to this share of its step."""


def unlike(now: Single, before: Single, light: Light | None = None, moved: bool = False) -> int:
    """In how many places (of pictures made small) something else is seen than before, whatever the light did.

    ``moved``: the camera did, and ``before`` was laid under ``now``.
    """
    other = strange(now, before, light or find_light(now, before))
    most: Single | float = OTHER_LEVEL
    if moved:
        luma = before @ LUMA
        about = np.ones((3, 3), dtype=np.uint8)
        most = OTHER_LEVEL + ROUGH_SHARE * (cv2.dilate(luma, about) - cv2.erode(luma, about))
    return int(np.count_nonzero(other > most))


Past = TypeVar("Past", bound=tuple[Any, ...])


class Motion:
    """Remembers the last moments and says whether they were still."""

    def __init__(self) -> None:
        self._pictures: deque[tuple[float, Single]] = deque(maxlen=64)
        self._shapes: deque[tuple[float, dict[Side, Array], Array | None]] = deque(maxlen=64)
        self._still_from: float | None = None
        self._still = False

    def picture(self, t_s: float, tiny: Single, limb_places: float) -> bool:
        """Whether nothing moved since the picture ``STEP_S`` ago; ``tiny``: this one made small."""
        before = _ago(self._pictures, t_s)
        self._pictures.append((t_s, tiny))
        if before is None or before[1].shape != tiny.shape:
            return self._judged(t_s, False)
        return self._judged(t_s, unlike(tiny, before[1]) < MOVED_SHARE * limb_places)

    def bow(self, t_s: float, lines: Mapping[Side, Array], hook_mm: Array | None) -> bool:
        """The same of the bow that is followed: its limbs' lines (n, 2), where they are seen, and the hook."""
        before = _ago(self._shapes, t_s)
        self._shapes.append((t_s, dict(lines), hook_mm))
        if before is None:
            return self._judged(t_s, self._still)
        moved = [
            float(np.mean(np.linalg.norm(lines[side] - before[1][side], axis=1))) for side in lines if side in before[1]
        ]
        if hook_mm is not None and before[2] is not None:
            moved.append(float(np.linalg.norm(hook_mm - before[2])) * MOVED_MM / HOOK_MM)
        return self._judged(t_s, bool(moved) and max(moved) < MOVED_MM)

    def forget_bow(self) -> None:
        """Another bow comes."""
        self._shapes.clear()

    def lay(self, t_s: float, seconds: float) -> bool:
        """Whether nothing moved for so long."""
        return self._still_from is not None and t_s - self._still_from >= seconds

    def _judged(self, t_s: float, still: bool) -> bool:
        self._still = still
        if not still:
            self._still_from = None
        elif self._still_from is None:
            self._still_from = t_s
        return still


def _ago(past: deque[Past], t_s: float) -> Past | None:
    """The newest of the past that is ``STEP_S`` old, or the oldest that is old enough to tell anything."""
    while len(past) > 1 and past[1][0] <= t_s - STEP_S:
        past.popleft()
    if not past or t_s - past[0][0] < LEAST_APART * STEP_S:
        return None
    return past[0]
