"""A tapped stave heard: its partials in a recording, and the modulus that puts its modes there.

Each tap is a sudden rise that rings on. Its spectrum is that of what follows it; what was there before the tap (a hum, a fan) is taken off. The modulus is
sought on a grid: the modes that a free bar would have at that modulus must be there, and be loud over what lies beside them. A knock on the bench has none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.wood.ringing import LEAST_GPA, MOST_GPA, Bar, free_modes

Array = NDArray[np.float64]

FRAME_S = 0.005
RING_S, SKIP_S, BEFORE_S = 0.45, 0.004, 0.25
"""So long a tap is listened to, from so long after it; so much before it tells what hums anyway."""
HIGH_HZ, HIGH_RING_S = 350.0, 0.12
"""Over that frequency a tap is listened to for less long."""
RINGS_S = 0.06
"""A stave still rings so long after the tap; a knock on a bench is over (common practice, no source)."""
LEAST_RISE = 6.0
"""A tap is so many times as loud as what was before it."""
MODES = 3
"""Partials that are listened for: higher ones die too soon."""
MOST_DB = 60.0
"""A partial is not counted for louder than this over what lies beside it."""
LOWEST_HZ = 10.0
"""Nothing lower is looked for."""
STEP = 0.004
"""Of the grid over the logarithm of the modulus."""
NEAR = 0.02
"""A mode may lie so far from where modulus and taper put it (relative; crooked grain, supports)."""
LOUD_DB = 12.0
"""A partial stands out of what lies beside it by so much (common practice, no source)."""
SUPPORT_SD = 0.01
"""Relative, of the modulus: supports off the nodes, straps and hands stiffen or damp (common practice, no source)."""
GRAIN_SD = 0.018
"""Relative, of the modulus by one mode against another: a piece is not of one density and stiffness (common practice, no source)."""


@dataclass(frozen=True)
class Heard:
    """One tap: when it came, s, and the partials of its modes, Hz (NaN where a mode was not heard)."""

    at_s: float
    modes_hz: tuple[float, ...]


@dataclass(frozen=True)
class Rung:
    """What the taps say.

    Attributes:
        modulus_gpa, sd_gpa: along the grain, as moist as the bar is; NaN where nothing is told.
        taps: those that were heard. why_not: why nothing is told; '' otherwise.
    """

    modulus_gpa: float
    sd_gpa: float
    taps: tuple[Heard, ...]
    why_not: str = ""


def taps_of(sound: Array, rate_hz: float) -> list[int]:
    """Samples at which taps begin, in order."""
    frame = max(int(FRAME_S * rate_hz), 1)
    count = len(sound) // frame
    if count < 4:
        return []
    # a tap begins with a click; what still rings of the one before has none
    click = np.diff(sound, n=2, prepend=sound[:1], append=sound[-1:])
    loud = np.sqrt(np.mean(click[: count * frame].reshape(count, frame) ** 2, axis=1))
    quiet = max(float(np.median(loud)), 1e-12)
    out: list[int] = []
    apart = int((RING_S + SKIP_S) / FRAME_S)
    level = max(LEAST_RISE * quiet, 0.1 * float(np.max(loud)))
    k = 1
    while k < count:
        before = float(np.mean(loud[max(0, k - 6) : k]))
        if loud[k] > level and loud[k] > 3.0 * before:
            out.append(k * frame)
            k += apart
        else:
            k += 1
    return out


def _spectrum(sound: Array, rate_hz: float) -> tuple[Array, Array]:
    """Frequencies and power, with a Hann window, padded to 0.25 Hz."""
    size = int(2 ** np.ceil(np.log2(rate_hz / 0.25)))
    window = np.hanning(len(sound)) if len(sound) > 8 else np.ones(len(sound))
    power = np.abs(np.fft.rfft(sound * window, size)) ** 2 / max(float(np.sum(window**2)), 1e-12)
    return np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), dtype=float), np.asarray(power, dtype=float)


def _clean(sound: Array, rate_hz: float, at: int, end: int) -> tuple[Array, Array]:
    """Spectrum of a tap over what lies beside it, dB; what hummed before it counts as beside. High partials die sooner: they are listened to for less long."""
    low, high = (_over(sound, rate_hz, at, end, seconds) for seconds in (RING_S, HIGH_RING_S))
    return low[0], np.where(low[0] > HIGH_HZ, high[1], low[1])


def _over(sound: Array, rate_hz: float, at: int, end: int, seconds: float) -> tuple[Array, Array]:
    first = at + int(SKIP_S * rate_hz)
    hz, power = _spectrum(sound[first : min(first + int(seconds * rate_hz), end)], rate_hz)
    before = sound[max(0, at - int(min(BEFORE_S, seconds) * rate_hz)) : at]
    hum = np.zeros_like(power)
    if len(before) > int(0.05 * rate_hz):
        hum = _spectrum(before, rate_hz)[1]
    floor = _beside(hz, power)
    return hz, 10 * np.log10((power + 1e-30) / (np.maximum(floor, 2.0 * hum) + 1e-30))


def _beside(hz: Array, power: Array) -> Array:
    """Median power of an octave about each frequency, on a coarse grid."""
    grid = np.geomspace(LOWEST_HZ, max(hz[-1] * 0.9, 40.0), 60)
    floor = [
        float(np.median(power[(hz > f / 1.41) & (hz < f * 1.41)])) if np.any((hz > f / 1.41) & (hz < f * 1.41)) else 0.0
        for f in grid
    ]
    return np.asarray(np.interp(hz, grid, np.maximum(floor, 1e-30)), dtype=float)


def heard_modulus(sound: Array, rate_hz: float, bar: Bar) -> Rung:
    """The modulus of a bar that was tapped some times in a recording.

    Args:
        sound: (n,) samples of one channel; rate_hz: how many a second.

    Returns:
        NaN and ``why_not`` where no tap rings as this bar would.
    """
    at_one = free_modes(bar, MODES)
    sound = np.asarray(sound, dtype=float)
    sound = sound - float(np.mean(sound))
    starts = taps_of(sound, rate_hz)
    if not starts:
        return _nothing(
            "no tap is heard: tap the stave with a knuckle or a small mallet, several times, two seconds apart"
        )
    grid = np.exp(np.arange(np.log(LEAST_GPA), np.log(MOST_GPA), STEP))
    ends = [*starts[1:], len(sound)]
    spectra = [_clean(sound, rate_hz, a, b) for a, b in zip(starts, ends, strict=True)]
    scores = np.array([_scores(hz, over, np.sqrt(grid)[:, None] * at_one, rate_hz) for hz, over in spectra])
    total = scores.mean(axis=0)
    best = int(np.argmax(total))
    taps, each = [], []
    for start, (hz, over) in zip(starts, spectra, strict=True):
        modes = [_peak(hz, over, np.sqrt(grid[best]) * f) for f in at_one]
        if (
            np.count_nonzero(np.isfinite(modes)) >= 2
            and np.isfinite(modes[0])
            and _rings_on(sound, rate_hz, start, modes[0])
        ):
            taps.append(Heard(start / rate_hz, tuple(modes)))
            each.append([(f / one) ** 2 for f, one in zip(modes, at_one, strict=True)])
    if 2 * len(taps) < len(starts):
        return _nothing(
            "no tap rings as this stave would: was it a knock on the bench? Lay it on two soft supports, 22 % of its length from either end, and tap its middle"
        )
    found = np.array(each)
    known = np.any(np.isfinite(found), axis=0)
    by_mode = np.full(found.shape[1], np.nan)
    by_mode[known] = np.nanmedian(found[:, known], axis=0)
    # a higher mode tells more of the ends than of the whole: the first counts most
    weight = np.array([4.0, 2.0, 1.0])[known]
    modulus = float(weight @ by_mode[known] / weight.sum())
    if float(np.max(np.abs(by_mode[known] / modulus - 1))) > 2 * NEAR + 0.02:
        return _nothing(
            "the partials do not go together as those of this stave: are length, widths, thicknesses and mass right, is it free on its supports?"
        )
    apart = float(np.std(by_mode[known])) / modulus if np.count_nonzero(known) > 1 else 0.0
    scatter = float(np.nanstd(found[:, 0])) / modulus if len(found) > 1 else 0.005
    rel = np.sqrt(_measures_sd(bar) ** 2 + SUPPORT_SD**2 + max(GRAIN_SD, 0.7 * apart) ** 2 + scatter**2 / len(found))
    return Rung(modulus, modulus * float(rel), tuple(taps))


def _rings_on(sound: Array, rate_hz: float, at: int, mode_hz: float) -> bool:
    """The first mode is still there some time after the tap."""
    first = at + int(RINGS_S * rate_hz)
    late = sound[first : first + int(max(0.15, 4.0 / mode_hz) * rate_hz)]
    if len(late) < 0.05 * rate_hz:
        return False
    hz, power = _spectrum(late, rate_hz)
    near = (hz > mode_hz * (1 - NEAR)) & (hz < mode_hz * (1 + NEAR))
    beside = (hz > mode_hz / 1.6) & (hz < mode_hz * 1.6)
    # by then it is fainter: half as many dB as at the tap are enough
    return bool(float(np.max(power[near])) > 10 ** (0.5 * LOUD_DB / 10) * float(np.median(power[beside])))


def _nothing(why: str) -> Rung:
    return Rung(float("nan"), float("nan"), (), why)


def _scores(hz: Array, over: Array, places: Array, rate_hz: float) -> Array:
    """How well each row of modes is heard: the loudest near each, dB over what lies beside it, none counted for more than ``MOST_DB``; (m,)."""
    # running maximum over a relative window, on a logarithmic grid
    log = np.arange(np.log(LOWEST_HZ), np.log(0.45 * rate_hz), 0.25 * STEP)
    level = np.interp(np.exp(log), hz, over)
    half = round(NEAR / 4 / (0.25 * STEP))
    padded = np.pad(level, half, mode="edge")
    loudest = np.max(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    at = np.clip(np.round((np.log(places) - log[0]) / (0.25 * STEP)).astype(int), 0, len(log) - 1)
    inside = places < 0.45 * rate_hz
    values = np.where(inside, np.clip(loudest[at], 0.0, MOST_DB), 0.0)
    # the lowest mode must be there
    return np.asarray(values[:, 0] + 0.8 * values[:, 1] + 0.5 * values[:, 2], dtype=float)


def _peak(hz: Array, over: Array, near_hz: float) -> float:
    """The loudest partial near a frequency, by a parabola through its top; NaN where nothing stands out."""
    inside = np.flatnonzero((hz > near_hz * (1 - NEAR)) & (hz < near_hz * (1 + NEAR)))
    if len(inside) < 3 or near_hz > 0.48 * hz[-1] * 2:
        return float("nan")
    top = int(inside[np.argmax(over[inside])])
    if over[top] < LOUD_DB or top in (inside[0], inside[-1]):
        return float("nan")
    a, b, c = over[top - 1 : top + 2]
    shift = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else 0.0
    return float(hz[top] + shift * (hz[1] - hz[0]))


def _measures_sd(bar: Bar) -> float:
    """Relative sd of the modulus by caliper, tape and scale: E goes with m L^3 / (b t^3)."""
    n = len(bar.s_mm)
    length, thick, width = (
        float(bar.s_mm[-1] - bar.s_mm[0]),
        float(np.mean(bar.thickness_mm)),
        float(np.mean(bar.width_mm)),
    )
    parts = (
        3 * bar.length_sd_mm / length,
        3 * bar.thickness_sd_mm / thick / np.sqrt(n),
        bar.width_sd_mm / width / np.sqrt(n),
        bar.mass_sd_kg / bar.mass_kg,
    )
    return float(np.sqrt(sum(p * p for p in parts)))
