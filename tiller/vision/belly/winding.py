"""A limb's twist from a picture along it: two straight winding sticks across its belly, one at the handle, one at the nock, each with two printed fiducials.

Seen from the nock towards the handle, belly up, the sticks lie across the picture one behind the other. Each stick's pose comes from the corners of its two
fiducials; their cross directions, laid into the plane across the line from one stick to the other, differ by the twist. Where the camera stands matters little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens
from tiller.errors import VisionFault
from tiller.quantity import mm
from tiller.vision.rig.board import CENTRE_SD_PX, Key, find_markers

Array = NDArray[np.float64]

SEATED_SD_RAD = float(np.deg2rad(0.3))
"""A straight stick that is pressed on a rasped belly lies so (1 sd; common practice, no source)."""
MOST_RAD = float(np.deg2rad(45.0))
WORST_PX = 2.5
"""Corners that fit a stick no better: the strip is bent, cut apart, or printed at another size one way."""


@dataclass(frozen=True)
class Stick:
    """A winding stick: its two fiducials, left and right as seen from the nock with the belly up; where it lies; their side, and how far their middles are apart."""

    left: Key
    right: Key
    at: str
    side_mm: float
    apart_mm: float


@dataclass(frozen=True)
class EndOn:
    """Twist of a limb's nock against the handle.

    Attributes:
        clockwise_rad: as seen from the nock towards the handle, belly up; sd_rad.
        apart_mm: from stick to stick. sticks_px: (2, 2, 2) both ends of each stick's line, at the handle first.
    """

    clockwise_rad: float
    sd_rad: float
    apart_mm: float
    sticks_px: Array


def _model(stick: Stick) -> Array:
    """(8, 3) corners of a stick in its own frame, mm: x to the right, y up, z towards whoever sees it."""
    h = 0.5 * stick.side_mm
    square = np.array([[-h, h], [h, h], [h, -h], [-h, -h]])
    both = np.vstack([square + np.array([way * 0.5 * stick.apart_mm, 0.0]) for way in (-1.0, 1.0)])
    return np.column_stack([both, np.zeros(8)])


def _pose(stick: Stick, marks: Mapping[Key, Array], lens: Lens) -> tuple[Array, Array, float]:
    """Rotation (3, 3), place (3,) in the camera's frame, and the sd of the roll in rad.

    Raises:
        VisionFault: a fiducial is not seen, or both are of no straight stick.
    """
    missing = [f"{key[1]}" for key in (stick.left, stick.right) if key not in marks]
    if missing:
        msg = (
            f"fiducial {' and '.join(missing)} of the winding stick at the {stick.at} is not seen: both sticks must show whole, from the nock towards the"
            " handle, the belly up; a mirrored picture shows none."
        )
        raise VisionFault(msg)
    seen = np.vstack([marks[stick.left], marks[stick.right]])
    model = _model(stick)
    done, turn, place = cv2.solvePnP(model, seen, lens.matrix, lens.distortion, flags=cv2.SOLVEPNP_IPPE)
    if not done:
        msg = f"the winding stick at the {stick.at} has no pose: take the picture anew, sharper and from nearer."
        raise VisionFault(msg)
    turn, place = cv2.solvePnPRefineLM(model, seen, lens.matrix, lens.distortion, turn, place)
    projected, _ = cv2.projectPoints(model, turn, place, lens.matrix, lens.distortion)
    worst = float(np.max(np.linalg.norm(projected.reshape(8, 2) - seen, axis=1)))
    if worst > WORST_PX:
        msg = (
            f"the fiducials of the winding stick at the {stick.at} do not lie as they were printed (off by {worst:.1f} px): is the strip bent or cut apart, or one"
            " stick on its head?"
        )
        raise VisionFault(msg)
    length_px = float(np.linalg.norm(seen[:4].mean(axis=0) - seen[4:].mean(axis=0)))
    # both middles err by the corners' noise across the stick
    roll_sd = CENTRE_SD_PX * np.sqrt(2.0) / max(length_px, 1.0)
    return (
        np.asarray(cv2.Rodrigues(turn)[0], float),
        np.asarray(place, float).ravel(),
        float(max(roll_sd, worst / max(length_px, 1.0) / 3.0)),
    )


def look_along(gray: NDArray[np.uint8], sticks: tuple[Stick, Stick], lens: Lens) -> EndOn:
    """The twist between both sticks.

    Args:
        sticks: the one at the handle, the one at the nock.

    Raises:
        VisionFault: a stick is not seen, or they stand as no sticks across a limb do.
    """
    keys = [key for stick in sticks for key in (stick.left, stick.right)]
    marks = find_markers(gray, keys)
    (far, far_at, far_sd), (near, near_at, near_sd) = (_pose(stick, marks, lens) for stick in sticks)
    along = far_at - near_at
    apart = float(np.linalg.norm(along))
    if near_at[2] > far_at[2]:
        msg = f"the stick of the {sticks[0].at} stands before that of the {sticks[1].at}: take the picture from the nock towards the handle, or change the sticks."
        raise VisionFault(msg)
    axis = along / apart
    across = [turn[:, 0] - (turn[:, 0] @ axis) * axis for turn in (far, near)]
    cosine, sine = float(across[0] @ across[1]), float(axis @ np.cross(across[0], across[1]))
    turned = float(np.arctan2(sine, cosine))
    if abs(turned) > MOST_RAD:
        msg = (
            f"the sticks are turned by {abs(np.rad2deg(turned)):.0f} degrees against each other: both stand on the belly with their numbers upright; one is on its"
            " head or leans."
        )
        raise VisionFault(msg)
    ends = np.array([[marks[s.left].mean(axis=0), marks[s.right].mean(axis=0)] for s in sticks])
    sd = float(np.sqrt(far_sd**2 + near_sd**2 + 2 * SEATED_SD_RAD**2))
    return EndOn(clockwise_rad=turned, sd_rad=sd, apart_mm=apart, sticks_px=ends)


def apart_words(found: EndOn, limb_mm: float) -> str:
    """'' where the sticks are about a limb apart, else what to look after."""
    if 0.5 * limb_mm <= found.apart_mm <= 1.2 * limb_mm:
        return ""
    return (
        f"the sticks are {mm(found.apart_mm)} apart, the limb is {mm(limb_mm)} long: one belongs at the handle, the other at the nock; is it the same bow, are they"
        " printed at 100 %?"
    )
