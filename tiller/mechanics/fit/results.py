"""A measured pull as data: what records keep and reports show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair, Side
from tiller.mechanics.fit.marks import Mark
from tiller.mechanics.fit.twist import UNKNOWN, Twist
from tiller.notes import Note

Array = NDArray[np.float64]
Branch = Literal["up", "down"]


@dataclass(frozen=True, kw_only=True)
class PullPicture:
    """One drawn picture.

    Attributes:
        file, t_s: picture and its host time.
        branch: on the way up or down (on the way down wood gives 5-7 % less force at the same draw).
        draw_mm, draw_sd_mm: pivot to string; NaN where the hook was not seen.
        force_n, force_sd_n: at the picture's moment; NaN where the log has nothing.
        held: force was steady.
    """

    file: str
    t_s: float
    branch: Branch
    draw_mm: float
    draw_sd_mm: float
    force_n: float
    force_sd_n: float
    held: bool


@dataclass(frozen=True, kw_only=True)
class LimbResult:
    """One limb, bend and strain at the largest draw.

    Attributes (arrays (n,) on ``s_mm``, NaN where it was not seen):
        bend_per_m, bend_sd: curvature change from rest.
        stiffness_n_m2, stiffness_sd: EI.
        strain, strain_belly, strain_sd: surface strain at the back and at the belly.
        departure, departure_sd: strain over aim - 1 on the working limb.
        thickness_mm: thickness that calipers, outline and stiffness agree on.
        moment_n_m: bending moment at the largest draw.
        rest_mm, drawn_mm: (n, 2) centreline at rest and at the largest draw, rack x, y.
        marks: stretches that are stiff or weak.
        aim: even strain of the limb.
        bend_alone_per_m, bend_alone_sd: bend from the pictures at rest and at the largest draw alone, without force
            or stiffness: a check on the first two, noisier.
        implied_modulus_gpa: modulus that EI and the calipers' section imply (median), and its spread.
        twist: at rest and drawn.
    """

    side: Side
    s_mm: Array
    bend_per_m: Array
    bend_sd: Array
    stiffness_n_m2: Array
    stiffness_sd: Array
    strain: Array
    strain_belly: Array
    strain_sd: Array
    departure: Array
    departure_sd: Array
    thickness_mm: Array
    moment_n_m: Array
    rest_mm: Array
    drawn_mm: Array
    marks: tuple[Mark, ...]
    aim: float
    bend_alone_per_m: Array
    bend_alone_sd: Array
    implied_modulus_gpa: float
    implied_modulus_sd_gpa: float
    twist: Twist = UNKNOWN


@dataclass(frozen=True, kw_only=True)
class HandleBend:
    """The handle at the largest draw, between both limbs' first stations.

    Attributes:
        reach_mm: from the pivot to the first station, left and right.
        turn_rad, turn_sd_rad: how far the limbs' roots turned towards each other.
        stiffness_n_m2, stiffness_sd: mean EI of what bends there (by the bow's file, beyond ``handle_mm``); NaN where it hardly does.
        strain, strain_sd: mean surface strain at its back, taken as thick as at the first stations: of a thicker place a lower bound.
    """

    reach_mm: tuple[float, float]
    turn_rad: float
    turn_sd_rad: float
    stiffness_n_m2: float
    stiffness_sd: float
    strain: float
    strain_sd: float


_NAN = float("nan")
NO_HANDLE = HandleBend(
    reach_mm=(_NAN, _NAN),
    turn_rad=_NAN,
    turn_sd_rad=_NAN,
    stiffness_n_m2=_NAN,
    stiffness_sd=_NAN,
    strain=_NAN,
    strain_sd=_NAN,
)
"""Where too few pictures tell."""


@dataclass(frozen=True, kw_only=True)
class PullResult:
    """A measured pull.

    Attributes:
        largest: index in ``pictures`` of the largest draw on the way up that was measured.
        lag_s, lag_sd_s: force behind the pictures; NaN without a scale.
        hysteresis: share by which the force is lower on the way down at the same bend; NaN if not seen.
        balance, balance_sd: left limb's strain over the right one's, over the wanted shape, - 1.
        wanted_balance: what is wanted of that.
        left_out: what was not used, in words.
        notes: things worth saying (reversed sign, drifted zero, ...), in words.
        handle: how far it bends.
        string_kind: the string that was on the bow, 'long' or 'braced'; '' where it is not on record.
    """

    recording: str
    bow: str
    pictures: tuple[PullPicture, ...]
    largest: int
    left: LimbResult
    right: LimbResult
    lag_s: float
    lag_sd_s: float
    lag_from_data: bool
    hysteresis: float
    balance: float
    balance_sd: float
    force_lines_rejected: dict[str, int]
    left_out: tuple[str, ...]
    notes: tuple[Note, ...]
    string_kind: str = ""
    wanted_balance: float = 0.0
    handle: HandleBend = NO_HANDLE

    @property
    def off_balance(self) -> float:
        """Left limb's strain over the right one's, over what is wanted of that, - 1."""
        return (1.0 + self.balance) / (1.0 + self.wanted_balance) - 1.0

    @property
    def weighed(self) -> bool:
        """Whether there was a scale; without one all forces, stiffness and lag are NaN."""
        return any(np.isfinite(p.force_n) for p in self.pictures)

    def limb(self, side: Side) -> LimbResult:
        """The limb on that side."""
        return Pair(self.left, self.right)[side]
