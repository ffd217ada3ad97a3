"""How dry a stave is and when it is dry enough: moisture three ways, with what each leaves open."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from tiller.bow.stavefile import BARK_DAYS, SEAL_DAYS, WOOD_OFF, Stave, Weighing
from tiller.bow.wood.moisture import DRIEST, WETTEST, equilibrium
from tiller.bow.wood.shrinkage import SATURATION
from tiller.mechanics.wood.drying import DRAWS, FEWEST, LEAST_SD_KG, Drying, Ready, fit_drying, ready
from tiller.notes import Note, caution, halt, info

Array = NDArray[np.float64]

COARSE_SD_G, FINE_SD_G = 0.4, 0.1
"""A scale that shows whole grams, and one that shows tenths (common practice, no source)."""
OFFCUT_SHARE_SD = 0.01
"""An offcut's moisture is not quite the stave's: sd as a share of the dry mass (common practice, no source)."""
KNOWN_SHARE_SD = 0.005
"""Sd of a dry mass that is said to be known, as a share of it (common practice, no source)."""
HUMIDITY_SD = 0.05
"""The shop's humidity over the seasons, by one reading of a cheap instrument (common practice, no source)."""
BY_LEVEL = "by the level its weigh-ins come to, at the shop's own equilibrium"
TELLING_SD = 3.2
"""A moisture with more sd than this, per cent, is not given."""
STALE_DAYS = 60
SEASONED_DAYS = 365
"""Wood that was felled less than this ago is not taken as dry where nothing tells (a year and more a stave, common practice, no source)."""
CHECKING_DAYS, FRESH_DAYS = 30, 120
"""After this long ends that were not sealed have checked or will not; so long a stave is still fresh (common practice, no source)."""
RISE = 0.01
GAP_DAYS, GAP = 30, 0.3
"""A weigh-in this near in time to the offcut's should not be this far from its mass."""


FAR_DAYS = 3650
"""A day of readiness further away is not in sight."""


@dataclass(frozen=True, kw_only=True)
class Season:
    """How dry a stave is.

    Attributes:
        moisture, moisture_sd: per cent of the dry mass at the last weigh-in; NaN where nothing tells it. how: by which method.
        limit_moisture: what strain limits go by: the moisture, with its sd to the wet side; the wettest that the equation holds for
            where weigh-ins or an offcut are there but do not tell it; NaN where nothing is on record at all.
        curve: of the weigh-ins, None where they do not tell one; ready: when it comes to the moisture that is wanted, from ``first``.
        first: day of the first weigh-in that counts; days (n,) from it, masses (n,) kg of all that count.
        shop: equilibrium moisture of the shop's air, NaN where it is not known.
        notes: what to know.
    """

    moisture: float
    moisture_sd: float
    limit_moisture: float
    how: str
    curve: Drying | None
    ready: Ready | None
    first: date | None
    days: Array
    masses: Array
    shop: float
    notes: tuple[Note, ...]


def season_of(stave: Stave, today: date | None = None) -> Season:
    """Moisture by an offcut dried in an oven, by a dry mass that is known, or by where the weigh-ins come to: the first that can.

    Args:
        today: to say how old the last weigh-in is; None = that is not said.
    """
    notes: list[Note] = []
    weighed = _counting(stave, notes)
    masses = np.array([w.mass_kg for w in weighed])
    days = np.array([(w.on - weighed[0].on).days for w in weighed], dtype=float) if weighed else np.empty(0)
    notes += _rising(weighed)
    curve = fit_drying(days, masses) if len(masses) else None
    shop, shops = float("nan"), np.full(DRAWS, np.nan)
    rng = np.random.default_rng(0)
    if stave.temperature_c is not None and stave.humidity is not None:
        shop = equilibrium(stave.temperature_c, stave.humidity)
        drawn = np.clip(stave.humidity + HUMIDITY_SD * rng.normal(size=DRAWS), 0.05, 0.95)
        shops = np.array([equilibrium(stave.temperature_c, float(h)) for h in drawn])
    dry, how = _dry(stave, curve, shops, rng, notes)
    moisture = sd = float("nan")
    soon = None
    if dry is not None and len(masses):
        now = 100 * ((masses[-1] + LEAST_SD_KG * rng.normal(size=DRAWS)) / dry - 1)
        moisture, sd = float(np.median(now)), float(np.std(now))
        if moisture < -2:
            notes.append(
                caution(
                    "season.under-dry",
                    f"the stave is lighter than its dry mass ({how}): one of them is wrong; weigh both again.",
                )
            )
            moisture = sd = float("nan")
        elif sd > TELLING_SD:
            notes.append(
                info(
                    "season.vague",
                    f"{how} it might be {moisture:.0f} ± {sd:.0f} %, which is too uncertain to use yet: weigh on, or dry an offcut.",
                )
            )
            moisture = sd = float("nan")
        elif curve is not None:
            soon = ready(curve, dry * (1 + stave.wanted_moisture / 100), own_level=how == BY_LEVEL)
            if not np.isfinite(soon.days):
                notes.append(
                    caution(
                        "season.air-too-damp",
                        f"in this air it does not come down to {stave.wanted_moisture:g} %: a drier place is needed, or be content with more.",
                    )
                )
    if dry is None or not np.isfinite(moisture):
        how = f"its moisture is not known yet: dry an offcut in an oven, or weigh it every week ({FEWEST} times over 10 days at the least, and until it hardly loses more)"
    notes += _wetness(stave, moisture)
    limit, of_limit = _limit(stave, moisture, sd, today)
    notes += of_limit
    notes += _reminders(stave, today)
    if today is not None and weighed and (today - weighed[-1].on).days > STALE_DAYS:
        notes.append(
            info(
                "season.stale",
                f"it was last weighed {(today - weighed[-1].on).days} days ago: weigh it again before it is tillered.",
            )
        )
    first = weighed[0].on if weighed else None
    return Season(
        moisture=moisture,
        moisture_sd=sd,
        limit_moisture=limit,
        how=how,
        curve=curve,
        ready=soon,
        first=first,
        days=days,
        masses=masses,
        shop=shop,
        notes=tuple(notes),
    )


def _rising(weighed: list[Weighing]) -> list[Note]:
    """Weigh-ins that are heavier than an earlier one."""
    notes: list[Note] = []
    masses = np.array([w.mass_kg for w in weighed])
    lowest = np.minimum.accumulate(masses)
    for k in range(1, len(masses)):
        if masses[k] <= (1 + RISE) * lowest[k - 1]:
            continue
        at = int(np.argmin(masses[:k]))
        than = "the one before" if at == k - 1 else f"that of {weighed[at].on}"
        notes.append(
            caution(
                "season.rose",
                f"the weigh-in of {weighed[k].on} is heavier than {than}: damp air, or a slip; weigh it again"
                f" ('--weigh {weighed[k].on}=KG' writes it anew, '--forget {weighed[k].on}' takes it away).",
            )
        )
    return notes


def _limit(stave: Stave, moisture: float, sd: float, today: date | None) -> tuple[float, list[Note]]:
    """Moisture (%) that the limits of strain are taken at, NaN = dry wood, and what is worth saying of it."""
    notes: list[Note] = []
    limit = float(np.clip(moisture + sd, DRIEST, WETTEST)) if np.isfinite(moisture) else float("nan")
    if not np.isfinite(moisture) and (stave.weighings or stave.offcut is not None):
        limit = WETTEST
        notes.append(
            caution(
                "season.taken-wet",
                "its moisture is not known: at the rack its strain limits are those of wet wood, until it is.",
            )
        )
    elif not np.isfinite(moisture):
        age = _age_days(stave, today)
        if age is not None and age < SEASONED_DAYS:
            limit = WETTEST
            notes.append(
                caution(
                    "season.taken-wet",
                    f"its moisture is unknown and it was felled {age} days ago: it is taken as wet, and its strain limits at the rack with it;"
                    " wet wood that is tillered takes set (common practice). Weigh it, or dry an offcut.",
                )
            )
        else:
            notes.append(
                caution(
                    "season.taken-dry",
                    "its moisture is unknown: at the rack its strain limits are those of dry wood (12 %). Where it may be wet still, weigh it or dry an"
                    " offcut first: wet wood that is tillered takes set (common practice).",
                )
            )
    return limit, notes


def _counting(stave: Stave, notes: list[Note]) -> list[Weighing]:
    """Weigh-ins of the wood as it is now: from before the bark or a split half came off they tell another piece's mass."""
    weighed = {w.on: w for w in stave.weighings}
    if stave.offcut is not None:
        near = [w for w in stave.weighings if abs((w.on - stave.offcut.on).days) <= GAP_DAYS]
        if any(abs(w.mass_kg / stave.offcut.stave_kg - 1) > GAP for w in near):
            notes.append(
                caution(
                    "season.slip",
                    f"the stave's mass with the offcut ({stave.offcut.stave_kg:g} kg on {stave.offcut.on}) is far from the weigh-ins about that day: one of them is a slip.",
                )
            )
        weighed.setdefault(stave.offcut.on, Weighing(stave.offcut.on, stave.offcut.stave_kg))
    off = [(stave.dates[key], key) for key in WOOD_OFF if key in stave.dates]
    if not off:
        return [weighed[on] for on in sorted(weighed)]
    last, step = max(off)
    kept = [weighed[on] for on in sorted(weighed) if on >= last]
    if len(kept) < len(weighed):
        notes.append(
            info(
                "season.not-counted",
                f"{len(weighed) - len(kept)} weighing(s) from before {step.replace('_', ' ')} ({last}) are not counted: what came off then was no water.",
            )
        )
    return kept


def _dry(
    stave: Stave, curve: Drying | None, shops: Array, rng: np.random.Generator, notes: list[Note]
) -> tuple[Array | None, str]:
    """Draws (k,) of the dry mass in kg, and how it is known; None where nothing tells it."""
    cut = stave.offcut
    last = max([stave.dates[key] for key in WOOD_OFF if key in stave.dates], default=None)
    if cut is not None and last is not None and cut.on < last:
        notes.append(
            caution(
                "season.old-offcut",
                f"the offcut of {cut.on} is from before wood came off the stave ({last}): its dry mass is that of a heavier piece; dry another one.",
            )
        )
        cut = None
    if cut is not None:
        whole = cut.wet_g == round(cut.wet_g) and cut.dry_g == round(cut.dry_g)
        sd = COARSE_SD_G if whole else FINE_SD_G
        wet, dry = cut.wet_g + sd * rng.normal(size=DRAWS), np.maximum(cut.dry_g + sd * rng.normal(size=DRAWS), 0.1)
        stave_kg = cut.stave_kg + LEAST_SD_KG * rng.normal(size=DRAWS)
        share = 1 + OFFCUT_SHARE_SD * rng.normal(size=DRAWS)
        return stave_kg * dry / wet * share, "by an offcut dried in an oven"
    if stave.dry_mass_kg is not None:
        return stave.dry_mass_kg * (1 + KNOWN_SHARE_SD * rng.normal(size=DRAWS)), "by a dry mass that is known"
    if curve is not None and np.all(np.isfinite(shops)):
        return curve.levels_kg / (1 + shops / 100), BY_LEVEL
    return None, ""


def _wetness(stave: Stave, moisture: float) -> list[Note]:
    if np.isfinite(moisture) and moisture > SATURATION:
        return [
            halt(
                "season.green",
                f"at {moisture:.0f} % it is over fibre saturation, green: it is not tillered yet; strain limits at the rack are taken as for the wettest wood that is known.",
            )
        ]
    if np.isfinite(moisture) and moisture > stave.wanted_moisture:
        return [
            halt(
                "season.wet",
                f"at {moisture:.0f} % it is wetter than the {stave.wanted_moisture:g} % that is wanted: tillered now it takes set (common practice); wait.",
            )
        ]
    return []


def _age_days(stave: Stave, today: date | None) -> int | None:
    """Days since the felling: until today, or until the last thing on record; None where that day is not known."""
    felled = stave.dates.get("felled")
    if felled is None:
        return None
    last = max([*stave.dates.values(), *(w.on for w in stave.weighings)])
    return ((today or last) - felled).days


def _reminders(stave: Stave, today: date | None) -> list[Note]:
    felled = stave.dates.get("felled")
    out: list[Note] = []
    age = _age_days(stave, today)
    if felled is None or age is None:
        return out
    sealed, bark = stave.dates.get("ends_sealed"), stave.dates.get("bark_off")
    if sealed is None and age <= CHECKING_DAYS:
        out.append(caution("season.seal", "seal the ends now: they check within days (common practice)."))
    elif sealed is None:
        out.append(
            caution(
                "season.unsealed",
                f"{age} days after felling no sealing of the ends is on record ('--ends-sealed DATE' notes it): look for checks from the ends before it is laid out.",
            )
        )
    elif (sealed - felled).days > SEAL_DAYS:
        out.append(
            caution(
                "season.sealed-late",
                f"the ends were sealed {(sealed - felled).days} days after felling: look for checks before it is laid out.",
            )
        )
    if bark is None and age > BARK_DAYS:
        out.append(
            info(
                "season.bark",
                "the bark is still on: take it off, or see to insects by what is allowed where you are (common practice).",
            )
        )
    if age < FRESH_DAYS:
        out.append(
            info("season.fresh", "keep it out of the sun and off the floor, with air on all sides (common practice).")
        )
    return out
