"""Calibration of a load cell from known loads hung on it, up and down.

The figures have the definitions of ISO 376:2011 (repeatability, interpolation, zero, reversibility; each relative to the force,
the zero to the largest), and the table of its classes; the standard asks for more than this procedure does (eight forces,
turns of the cell), so a class here is 'by these figures', no certificate. Definitions and table from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from tiller.bow.rigfile import LoadCell
from tiller.errors import ForceFault
from tiller.notes import Note, caution, info
from tiller.quantity import newton

Array = NDArray[np.float64]

CLASSES: tuple[tuple[str, float, float, float, float], ...] = (
    ("00", 0.025, 0.025, 0.012, 0.07),
    ("0.5", 0.05, 0.05, 0.025, 0.15),
    ("1", 0.10, 0.10, 0.05, 0.30),
    ("2", 0.20, 0.20, 0.10, 0.50),
)
"""Class; repeatability, interpolation, zero, reversibility, at most, in % (ISO 376:2011, Table 2, from memory)."""
FEWEST_LOADS = 5
LEAST_SHARE = 0.35
"""The least load is at most this share of the largest (common practice, no source)."""
EARNED = 0.01
"""A quadratic is taken where a straight line would be this improbable (F test)."""
OUTLIER = 6.0
"""A load is named where it stands off the others' line by so many times their scatter, and by more than ``OUTLIER_SHARE``."""
OUTLIER_SHARE = 0.01
CREEP_SHARE, MOST_CREEP = 0.0005, 0.003
"""A cheap cell creeps by so much of its load within minutes where no creep check was made; one that creeps by more than the
second does not measure (common practice, no source)."""
LEVEL_SHARE = 0.01
"""A load that reads this far off the line of all others, in every series, is not what it was said to be."""
AIR_DENSITY, MASS_DENSITY = 1.2, 8000.0
"""kg/m3: air, and the conventional density of masses (OIML D 28, from memory)."""


def normal_gravity(latitude_rad: float, height_m: float = 0.0) -> float:
    """Acceleration of free fall, m/s2, on the level ellipsoid and above it.

    Somigliana's formula with the constants of the Geodetic Reference System 1980 (Moritz, Journal of Geodesy 74, 2000: equations
    and constants from memory) and its expansion in the height. The true one differs by up to about 0.0005 m/s2 (5e-5).
    """
    s2 = np.sin(latitude_rad) ** 2
    ground = 9.7803267715 * (1 + 0.001931851353 * s2) / np.sqrt(1 - 0.0066943800229 * s2)
    a, f, m = 6_378_137.0, 1 / 298.257222101, 0.00344978600308
    return float(ground * (1 - 2 / a * (1 + f + m - 2 * f * s2) * height_m + 3 * (height_m / a) ** 2))


def weight_n(mass_kg: float, gravity: float) -> float:
    """What a mass pulls with in air."""
    return mass_kg * gravity * (1 - AIR_DENSITY / MASS_DENSITY)


@dataclass(frozen=True)
class Load:
    """A load that was weighed.

    Attributes:
        series: 1, 2, ...; rising: hung on the way up (else taken off on the way down).
        force_n: 0 = nothing hung. counts: median of the settled readings; counts_sd: of that median.
    """

    series: int
    rising: bool
    force_n: float
    counts: float
    counts_sd: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What the loads show.

    Attributes:
        counts_per_newton, counts_per_n2: counts = zero + a F + b F2; b is 0 unless it earned its place.
        zero_counts: at no load, at the end.
        sensitivity_sd: relative sd of a force: fit, masses, creep.
        force_n, residual_n: (k,) each load and measured minus true, with the fit.
        rising: (k,) bool.
        levels_n: (m,) the loads that were hung; repeatability, interpolation, reversibility: (m,) %, NaN where not known.
        zero_percent: zero error, % of the largest reading.
        force_sd_n: what a single reading scatters about the line beside that: hysteresis, curve, zero.
        best: class reached, None if none; from_n, to_n: the range for which it holds.
        creep_percent: % of the load over the check, NaN if none was made; creep_minutes.
        notes: what to know.
    """

    counts_per_newton: float
    counts_per_n2: float
    zero_counts: float
    sensitivity_sd: float
    force_n: Array
    residual_n: Array
    rising: NDArray[np.bool_]
    levels_n: Array
    repeatability: Array
    interpolation: Array
    reversibility: Array
    zero_percent: float
    force_sd_n: float
    best: str | None
    from_n: float
    to_n: float
    creep_percent: float
    creep_minutes: float
    notes: tuple[Note, ...]


def _checked(loads: tuple[Load, ...]) -> None:
    levels = sorted({round(o.force_n, 3) for o in loads if o.force_n > 0})
    if len(levels) < FEWEST_LOADS:
        msg = f"{len(levels)} different loads were hung: at least {FEWEST_LOADS} are needed, spread from a tenth of the largest to the largest."
        raise ForceFault(msg)
    if levels[0] > LEAST_SHARE * levels[-1]:
        msg = f"the least load, {newton(levels[0])}, is more than a third of the largest, {newton(levels[-1])}: hang smaller ones too."
        raise ForceFault(msg)
    if levels[-1] > 5000.0:
        msg = f"the largest load is {newton(levels[-1])}: masses are in kg, and no bow pulls that; write them again."
        raise ForceFault(msg)
    if not all(np.isfinite([o.force_n, o.counts, o.counts_sd]).all() for o in loads):
        msg = "a load or its reading is no number: weigh it again."
        raise ForceFault(msg)
    if not any(o.force_n == 0 for o in loads):
        msg = "no reading without a load: weigh nothing at the beginning and the end of each series."
        raise ForceFault(msg)
    for series in sorted({o.series for o in loads}):
        for rising in (True, False):
            way = [o for o in loads if o.series == series and o.rising is rising and o.force_n > 0]
            steps = [b.force_n - a.force_n for a, b in pairwise(way)]
            if any((d <= 0) is rising for d in steps):
                word = "rise" if rising else "fall"
                msg = f"series {series}: the loads do not {word} one after the other; hang them in order, and say which way with 'up' or 'down'."
                raise ForceFault(msg)


def _of_class(lacking: bool, found: bool, rise_n: float, loads: int) -> list[Note]:
    """What is reported of the class: ``rise_n`` is the largest departure, ``loads`` how many levels there were."""
    notes = []
    if lacking:
        notes.append(
            info(
                "scale.no-class",
                "no class is given: that needs three series up, one down at least, and a zero before and after.",
            )
        )
    elif not found:
        notes.append(
            caution(
                "scale.under-class", f"no class of the table is reached; the largest departure is {newton(rise_n, 2)}."
            )
        )
    if loads < 8:
        notes.append(
            info(
                "scale.few-loads",
                "the standard's own procedure asks for eight loads and more: the class is by these figures only.",
            )
        )
    return notes


def calibrate(
    loads: tuple[Load, ...],
    mass_sd: float,
    creep: tuple[Array, Array] | None = None,
) -> Calibration:
    """The cell's line from the loads, with the figures that tell how good it is.

    Args:
        loads: in the order in which they were weighed; each series begins without a load.
        mass_sd: relative sd of the masses, common to all of them.
        creep: a load held for some minutes: time s and counts, (n,) each.

    Raises:
        ForceFault: too few loads, loads out of order, a load that is not what was said (named), a cell that does not answer.
    """
    _checked(loads)
    force = np.array([o.force_n for o in loads])
    zeros = _zeros(loads)
    rise = np.array([o.counts for o in loads]) - zeros
    loaded = force > 0
    f, y = force[loaded], rise[loaded]
    most = float(np.max(f))
    line = float(np.median(y / f))
    if abs(line) * most < 200.0:
        msg = f"the reading rises by {abs(line) * most:.0f} counts only up to {newton(most)}: is the cell wired, and do the loads hang on it?"
        raise ForceFault(msg)
    _name_outlier(loads, f, y, line)
    a, b, a_sd = _fit(loads, f, y)
    creep_percent, creep_minutes = _creep(creep, a * most) if creep is not None else (float("nan"), float("nan"))
    creep_share = 0.01 * abs(creep_percent) if creep is not None else CREEP_SHARE
    if creep_share > MOST_CREEP:
        msg = f"the reading creeps by {100 * creep_share:.2f} % in {creep_minutes:.1f} minutes: cell, glue or mounting give way; nothing measured with it can be trusted."
        raise ForceFault(msg)
    sd = float(np.sqrt((a_sd / abs(a)) ** 2 + mass_sd**2 + (creep_share / np.sqrt(3.0)) ** 2))
    shown = _newtons(y, a, b)
    levels, repeat, interpolate, back = _figures(loads, loaded, y, a, b)
    zero = _zero_percent(loads, a * most + b * most**2)
    best, low = _class(levels, repeat, interpolate, back, zero, mass_sd)
    lacking = bool(np.any(np.isnan(repeat)) or np.all(np.isnan(back)) or len({o.series for o in loads}) < 3)
    notes = []
    if b:
        notes.append(
            info(
                "scale.quadratic",
                f"a quadratic earned its place: at {newton(most)} it is {100 * b * most / a:+.2f} % of the line.",
            )
        )
    notes += _of_class(lacking, best is not None, float(np.max(np.abs(shown - f))), len(levels))
    if creep is None:
        notes.append(info("scale.no-creep", "no creep check was made: what cheap cells do is allowed for."))
    last_zero = [o.counts for o in loads if o.force_n == 0][-1]
    return Calibration(
        counts_per_newton=a,
        counts_per_n2=b,
        zero_counts=float(last_zero),
        sensitivity_sd=sd,
        force_n=f,
        residual_n=shown - f,
        rising=np.array([o.rising for o in loads])[loaded],
        levels_n=levels,
        repeatability=repeat,
        interpolation=interpolate,
        reversibility=back,
        zero_percent=zero,
        force_sd_n=float(np.sqrt(np.mean((shown - f) ** 2))),
        best=best,
        from_n=low,
        to_n=most,
        creep_percent=creep_percent,
        creep_minutes=creep_minutes,
        notes=tuple(notes),
    )


def _zeros(loads: tuple[Load, ...]) -> Array:
    """The reading without a load at the time of each load: between the series' first and last it wanders evenly."""
    at = np.array([k for k, o in enumerate(loads) if o.force_n == 0], dtype=float)
    value = np.array([o.counts for o in loads if o.force_n == 0])
    return np.asarray(np.interp(np.arange(len(loads)), at, value), dtype=float)


def _name_outlier(loads: tuple[Load, ...], f: Array, y: Array, line: float) -> None:
    """Names one load that does not lie on the others' line.

    Raises:
        ForceFault: there is one.
    """
    off = y - line * f
    scatter = 1.4826 * float(np.median(np.abs(off - np.median(off)))) + 1e-9
    worst = int(np.argmax(np.abs(off)))
    others = np.delete(off, worst)
    reach = OUTLIER * max(scatter, float(np.sqrt(np.mean(others**2))))
    if abs(off[worst]) > max(reach, OUTLIER_SHARE * abs(line) * f[worst]):
        load = [o for o in loads if o.force_n > 0][worst]
        way = "up" if load.rising else "down"
        msg = (
            f"series {load.series}, {newton(load.force_n, 1)} on the way {way}, reads {newton(off[worst] / line, 1, sign=True)} off the line of all others:"
            " was that another mass, or did it touch something? Weigh it again, or leave it out."
        )
        raise ForceFault(msg)
    # one mass that is not what it is called, each time it is hung
    hung = np.array([round(o.force_n, 3) for o in loads if o.force_n > 0])
    levels = sorted(set(hung.tolist()))
    ratio = np.array([float(np.median(y[hung == level] / level)) for level in levels])
    for k, level in enumerate(levels):
        rest = np.delete(ratio, k)
        middle = float(np.median(rest))
        away = ratio[k] / middle - 1.0
        spread = 1.4826 * float(np.median(np.abs(rest / middle - 1.0)))
        if abs(away) > max(LEVEL_SHARE, 6.0 * spread) and abs(away) * level > 0.2:
            msg = (
                f"the load of {newton(level, 1)} reads {newton(away * level, 1, sign=True)} off the line of all others, each time it hangs:"
                " weigh it by itself, or leave it out."
            )
            raise ForceFault(msg)
    if np.any(np.sign(y) != np.sign(line)):
        msg = "some loads make the reading rise and some make it fall: were loads and zeros exchanged?"
        raise ForceFault(msg)


def _fit(loads: tuple[Load, ...], f: Array, y: Array) -> tuple[float, float, float]:
    """Line (and quadratic, if it earns it) and the sd of the line's slope: what is read in a series errs together, so
    that each series counts as one opinion of the slope."""

    def least(columns: Array) -> tuple[Array, float]:
        solution = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=float)
        return solution, float(np.sum((y - columns @ solution) ** 2))

    one, left_one = least(f[:, None])
    two, left_two = least(np.column_stack([f, f**2]))
    n = len(f)
    ratio = (left_one - left_two) / max(left_two / (n - 2), 1e-30)
    # each level counts once: what is read again and again on the same loads is no new evidence of a curve
    levels = len(set(np.round(f, 3)))
    curved = bool(f_distribution.sf(ratio * (levels - 2) / (n - 2), 1, max(levels - 2, 1)) < EARNED)
    keys = [o.series for o in loads if o.force_n > 0]
    opinions = []
    for key in sorted(set(keys)):  # up and down together: what the cell holds back on one way it gives on the other
        part = np.array([k == key for k in keys])
        if np.count_nonzero(part) >= 2:
            rest = y[part] - (two[1] * f[part] ** 2 if curved else 0.0)
            opinions.append(float(rest @ f[part] / (f[part] @ f[part])))
    a, b = (float(two[0]), float(two[1])) if curved else (float(one[0]), 0.0)
    left = left_two if curved else left_one
    scatter = float(np.sqrt(left / max(n - (2 if curved else 1), 1)))
    spread = scatter / float(np.sqrt(f @ f))
    if len(opinions) > 1:
        # a few opinions say little of their own scatter: widened to what 2 sd of a normal law hold
        widen = float(t_distribution.ppf(0.97725, len(opinions) - 1)) / 2.0
        spread = max(spread, widen * float(np.std(opinions, ddof=1)) / np.sqrt(len(opinions)))
    if curved:
        columns = np.column_stack([f, f**2])
        spread = max(spread, scatter * float(np.sqrt(np.linalg.inv(columns.T @ columns)[0, 0])))
    return a, b, spread


def _newtons(y: Array, a: float, b: float) -> Array:
    x = y / a
    return np.asarray(2 * x / (1 + np.sqrt(np.maximum(1 + 4 * b / a * x, 0.0))), dtype=float)


def _figures(
    loads: tuple[Load, ...], loaded: NDArray[np.bool_], y: Array, a: float, b: float
) -> tuple[Array, Array, Array, Array]:
    hung = [o for o, is_load in zip(loads, loaded, strict=True) if is_load]
    levels = np.array(sorted({round(o.force_n, 3) for o in hung}))
    repeat, interpolate, back = (np.full(len(levels), np.nan) for _ in range(3))
    for k, level in enumerate(levels):
        at = np.array([round(o.force_n, 3) == level for o in hung])
        up = at & np.array([o.rising for o in hung])
        down = at & ~np.array([o.rising for o in hung])
        if np.count_nonzero(up) == 0:
            continue
        mean = float(np.mean(y[up]))
        if np.count_nonzero(up) > 1:
            repeat[k] = 100 * abs(float(np.ptp(y[up])) / mean)
        wanted = a * level + b * level**2
        interpolate[k] = 100 * (mean - wanted) / wanted
        pairs = [
            100 * (y[d] - y[u]) / y[u]
            for d in np.flatnonzero(down)
            for u in np.flatnonzero(up)
            if hung[d].series == hung[u].series
        ]
        if pairs:
            back[k] = float(np.mean(pairs))
    return levels, repeat, interpolate, back


def _zero_percent(loads: tuple[Load, ...], span: float) -> float:
    worst = 0.0
    for series in {o.series for o in loads}:
        zeros = [o.counts for o in loads if o.series == series and o.force_n == 0]
        if len(zeros) > 1:
            worst = max(worst, abs(100 * (zeros[-1] - zeros[0]) / span))
    return worst


def _class(
    levels: Array, repeat: Array, interpolate: Array, back: Array, zero: float, mass_sd: float
) -> tuple[str | None, float]:
    """The best class that holds from some load, at most half of the largest, up to the largest; and that load."""
    for name, b, fc, f0, v in CLASSES:
        if zero > f0:
            continue
        if 100 * mass_sd > b:  # the loads themselves are no surer than that
            continue
        good = (repeat <= b) & (np.abs(interpolate) <= fc) & (np.abs(np.nan_to_num(back)) <= v)
        bad = np.flatnonzero(~good)
        first = 0 if len(bad) == 0 else int(bad[-1]) + 1
        if first < len(levels) - 1 and levels[first] <= 0.5 * levels[-1]:
            return name, float(levels[first])
    return None, float(levels[0])


def _creep(creep: tuple[Array, Array], span: float) -> tuple[float, float]:
    """How far the reading wandered from its first half minute to its last, % of the span, and over how many minutes."""
    t, counts = creep
    if len(t) < 10 or t[-1] - t[0] < 90.0:
        msg = "the creep check needs a load that hangs still for some minutes: at least one and a half."
        raise ForceFault(msg)
    early, late = counts[t <= t[0] + 30.0], counts[t >= t[-1] - 30.0]
    moved = 100 * (float(np.median(late)) - float(np.median(early))) / span
    return moved, float((t[-1] - t[0]) / 60.0)


def drifted(cell: LoadCell, zero_counts: float, load_n: float, read_n: float) -> tuple[float, float, float]:
    """Zero and one load weighed again against the stored calibration.

    Returns:
        How far the zero wandered (N), by what share the load reads off, and that in stated standard deviations.
    """
    shift = (zero_counts - cell.zero_counts) / abs(cell.counts_per_newton)
    off = read_n / load_n - 1.0
    return float(shift), float(off), float(off / max(cell.sensitivity_sd, 5e-4))
