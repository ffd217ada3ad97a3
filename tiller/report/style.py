"""Colours, units and words that all our pictures share.

The colours differ without colour vision (they differ in lightness as well as in hue), and
stiff and weak differ by hatch and word too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tiller.bow.units import MM_PER_INCH, STANDARD_GRAVITY, foot_pound_from_j, inch_from_mm, lbf_from_n
from tiller.mechanics.fit.results import PullPicture
from tiller.quantity import plain, shown

PAPER = "#fbf8f1"
INK = "#26323b"
FAINT = "#b9b4a6"
LEFT = "#0f6b6b"
RIGHT = "#7a3f8f"
STIFF = "#27508f"
WEAK = "#d07a1f"
AIM = "#5c6670"
HATCH = {"stiff": "////", "weak": "...."}
COLOUR = {"stiff": STIFF, "weak": WEAK}


def _inches(mm: float, decimals: int | None, sign: bool) -> str:
    """A tenth of an inch for long lengths in whole mm, a hundredth and less for others: no reading loses what it says."""
    exact = (decimals is None and mm % 1.0 != 0.0) or bool(decimals)
    places = (2 if exact else 1) if abs(mm) >= FAR_MM else (3 if exact else 2)
    return f"{inch_from_mm(mm):{'+' if sign else ''}.{places}f} in"


def _pounds(n: float, decimals: int | None, sign: bool) -> str:
    return f"{lbf_from_n(n):{'+' if sign else ''}.{1 + (decimals or 0)}f} lb"


FAR_MM = 60.0


@dataclass(frozen=True)
class Units:
    """How lengths, forces and positions are shown.

    Attributes:
        metric: mm and N, else in and lb.
    """

    metric: bool = True

    def length(self, mm: float, digits: int | None = None) -> str:
        """A length with its unit; 'unknown' for NaN."""
        if not np.isfinite(mm):
            return "unknown"
        value, places = (mm, 0) if self.metric else (inch_from_mm(mm), 2)
        places = places if digits is None else digits
        return f"{round(float(value), places) + 0.0:.{places}f} {self.length_unit}"  # + 0.0: no minus before a zero

    def force(self, n: float, digits: int = 1) -> str:
        """A force with its unit; 'unknown' for NaN."""
        if not np.isfinite(n):
            return "unknown"
        value = n if self.metric else lbf_from_n(n)
        return f"{round(float(value), digits) + 0.0:.{digits}f} {self.force_unit}"

    def mass(self, kg: float) -> str:
        """A mass with its unit."""
        return f"{kg:.3f} kg" if self.metric else f"{lbf_from_n(kg * STANDARD_GRAVITY):.3f} lb"

    def bend(self, per_m: float, sd: float) -> str:
        """A bend and its sd without the unit."""
        if self.metric:
            return f"{per_m:.3f} ±{sd:.3f}"
        share = 1e-3 * MM_PER_INCH
        return f"{share * per_m:.5f} ±{share * sd:.5f}"

    def stiffness(self, n_m2: float, sd: float) -> str:
        """A bending stiffness and its sd without the unit."""
        digits = 1 if self.metric else 0
        return f"{self.stiffness_value(n_m2):.{digits}f} ±{self.stiffness_value(sd):.{digits}f}"

    def stiffness_value(self, n_m2: float) -> float:
        """A bending stiffness as a number in these units."""
        return n_m2 if self.metric else n_m2 * lbf_from_n(1.0) * inch_from_mm(1000.0) ** 2

    def words(self, text: str) -> str:
        """A sentence with its lengths and forces in these units."""
        return plain(text) if self.metric else shown(text, _inches, _pounds)

    def energy(self, j: float) -> str:
        """An energy with its unit."""
        return f"{j:.1f} J" if self.metric else f"{foot_pound_from_j(j):.1f} ft lb"

    def depth_value(self, mm: float) -> float:
        """The bare number of a depth of wood."""
        return float(mm) if self.metric else inch_from_mm(float(mm))

    def depth(self, mm: float) -> str:
        """A depth of wood with its unit."""
        return f"{mm:.2f} mm" if self.metric else f"{inch_from_mm(mm):.4f} in"

    @property
    def depth_unit(self) -> str:
        """mm or in."""
        return "mm" if self.metric else "in"

    @property
    def bend_unit(self) -> str:
        """1/m or 1/in."""
        return "1/m" if self.metric else "1/in"

    @property
    def stiffness_unit(self) -> str:
        """N m2 or lb in2."""
        return "N m2" if self.metric else "lb in2"

    def length_value(self, mm: float) -> float:
        """The bare number of a length."""
        return float(mm) if self.metric else inch_from_mm(float(mm))

    def force_value(self, n: float) -> float:
        """The bare number of a force."""
        return float(n) if self.metric else lbf_from_n(float(n))

    @property
    def length_unit(self) -> str:
        """mm or in."""
        return "mm" if self.metric else "in"

    @property
    def force_unit(self) -> str:
        """N or lb."""
        return "N" if self.metric else "lb"

    @property
    def tick_mm(self) -> float:
        """Distance of the ticks along a limb: 100 mm or 4 in."""
        return 100.0 if self.metric else 4 * MM_PER_INCH

    def tick(self, number: int) -> str:
        """Label of a tick."""
        return f"{100 * number}" if self.metric else f"{4 * number}"


METRIC = Units()


def draw_and_force(picture: PullPicture, units: Units) -> str:
    """'410 mm, 130.2 N'; the draw alone where there was no scale."""
    draw = units.length(picture.draw_mm)
    return f"{draw}, {units.force(picture.force_n)}" if np.isfinite(picture.force_n) else f"{draw}, without a scale"


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green, blue of '#rrggbb'."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
