"""What a stave's file says, in words: log, season, moisture, when it is ready, what to see to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from tiller.bow.moisture import SATURATION, SHRINKAGE, equilibrium, shrunk
from tiller.bow.stavefile import BARK_DAYS, SEAL_DAYS, Stave, log_words
from tiller.bow.woods import find_wood
from tiller.mechanics.drying import Drying, Ready, fit_drying, ready
from tiller.report.style import METRIC, Units

CAUTIONS = (
    "Felling, wedges, axes and other edge tools: learn them from a trained person; follow local rules; never work alone in the wood.",
    "The dust of some woods harms: a mask and fresh air. Insecticides and finishes by their label only.",
)


@dataclass(frozen=True)
class Season:
    """How dry a stave is.

    Attributes:
        moisture, moisture_sd: per cent of the dry mass at the last weigh-in; NaN where nothing tells it. how: by which method.
        curve: of the weigh-ins, None where they do not tell one; ready: when it comes to the moisture that is wanted.
        shop: equilibrium moisture of the shop's air, NaN where it is not known.
        said: what to know.
    """

    moisture: float
    moisture_sd: float
    how: str
    curve: Drying | None
    ready: Ready | None
    shop: float
    said: tuple[str, ...]


def season_of(stave: Stave) -> Season:
    """Moisture by an offcut dried in an oven, by a dry mass that is known, or by where the weigh-ins come to: the first that can."""
    said: list[str] = []
    weighed = stave.weighings
    masses = np.array([w.mass_kg for w in weighed])
    days = np.array([(w.on - weighed[0].on).days for w in weighed], dtype=float) if weighed else np.empty(0)
    rises = [k for k in range(1, len(masses)) if masses[k] > masses[k - 1] + 0.01 * masses[k - 1]]
    if rises:
        said.append(
            f"the weigh-in of {weighed[rises[0]].on} is heavier than the one before: damp air, or the wrong scale or stave; weigh it again."
        )
    curve = fit_drying(days, masses) if len(masses) else None
    shop = float("nan")
    if stave.temperature_c is not None and stave.humidity is not None:
        shop = equilibrium(stave.temperature_c, stave.humidity)
    dry, dry_sd, how = (
        float("nan"),
        float("nan"),
        "nothing tells its moisture yet: dry an offcut, or weigh it every week",
    )
    if stave.offcut is not None:
        dry = stave.offcut.stave_kg / (1 + stave.offcut.moisture / 100)
        dry_sd, how = 0.01 * dry, "by an offcut dried in an oven"
    elif stave.dry_mass_kg is not None:
        dry, dry_sd, how = stave.dry_mass_kg, 0.005 * stave.dry_mass_kg, "by a dry mass that is known"
    elif curve is not None and np.isfinite(shop):
        dry = curve.level_kg / (1 + shop / 100)
        dry_sd = float(np.hypot(curve.level_sd_kg, 0.01 * dry))
        how = "by the level its weigh-ins come to, at the shop's own equilibrium"
    moisture = sd = float("nan")
    soon = None
    if np.isfinite(dry) and len(masses):
        moisture = 100 * (masses[-1] / dry - 1)
        sd = 100 * masses[-1] / dry**2 * dry_sd
        if moisture < -2:
            said.append("the stave is lighter than its dry mass: one of them is wrong.")
            moisture = sd = float("nan")
        elif curve is not None:
            soon = ready(curve, dry * (1 + stave.wanted_moisture / 100))
            if not np.isfinite(soon.days):
                said.append(
                    f"in this air it does not come down to {stave.wanted_moisture:g} %: a drier place is needed, or be content with more."
                )
    if np.isfinite(moisture) and moisture > SATURATION:
        said.append(
            f"at {moisture:.0f} % it is over fibre saturation: moduli, strengths and shrinkage are not told from that; taken as green."
        )
    elif np.isfinite(moisture) and moisture > stave.wanted_moisture + sd:
        said.append(
            f"at {moisture:.0f} % it is wetter than the {stave.wanted_moisture:g} % that is wanted: tillered now it takes set (common practice); wait."
        )
    said += _reminders(stave)
    return Season(moisture, sd, how, curve, soon, shop, tuple(said))


def _reminders(stave: Stave) -> list[str]:
    felled = stave.dates.get("felled")
    out: list[str] = []
    if felled is None:
        return out
    last = max([*stave.dates.values(), *(w.on for w in stave.weighings), felled])
    sealed, bark = stave.dates.get("ends_sealed"), stave.dates.get("bark_off")
    if sealed is None:
        out.append("seal the ends at once: they check within days (common practice).")
    elif (sealed - felled).days > SEAL_DAYS:
        out.append(
            f"the ends were sealed {(sealed - felled).days} days after felling: look for checks before it is laid out."
        )
    if bark is None and (last - felled).days > BARK_DAYS:
        out.append(
            "the bark is still on: take it off, or see to insects by what is allowed where you are (common practice)."
        )
    if (last - felled).days < 120:
        out.append("keep it out of the sun and off the floor, with air on all sides (common practice).")
    return out


def stave_words(stave: Stave, width_mm: float = 45.0, thickness_mm: float = 15.0, units: Units = METRIC) -> str:
    """The stave at the bench."""
    season = season_of(stave)
    out = [f"{stave.name} ({stave.wood})"]
    out += [f"{key.replace('_', ' ')}: {on}" for key, on in stave.dates.items()]
    if stave.rings is not None or stave.ring_mm is not None:
        rings = f"{stave.rings} rings" if stave.rings is not None else "rings"
        out.append(f"{rings}{f' of {stave.ring_mm:g} mm' if stave.ring_mm is not None else ''}; back: {stave.back}")
    out += log_words(stave, width_mm, thickness_mm)
    if stave.weighings:
        out.append(
            f"{len(stave.weighings)} weigh-ins, last {stave.weighings[-1].mass_kg:.3f} kg on {stave.weighings[-1].on}"
        )
    if np.isfinite(season.moisture):
        out.append(f"moisture {season.moisture:.1f} ± {season.moisture_sd:.1f} %, {season.how}")
    else:
        out.append(season.how)
    if np.isfinite(season.shop):
        out.append(f"the shop's air brings wood to {season.shop:.1f} %")
    if season.ready is not None and np.isfinite(season.ready.days):
        first = stave.weighings[0].on
        out.append(
            f"at {stave.wanted_moisture:g} % about {_day(first, season.ready.days)} (between {_day(first, season.ready.early_days)} and"
            f" {_day(first, season.ready.late_days)})"
        )
    wood = find_wood(stave.wood)
    if wood is not None and wood.name in SHRINKAGE:
        radial, tangential = (shrunk(v, min(stave.wanted_moisture, SATURATION)) for v in SHRINKAGE[wood.name])
        out.append(
            f"from green to {stave.wanted_moisture:g} % it shrinks {radial:.1f} % across the rings and {tangential:.1f} % along them: leave that much."
        )
    for told in stave.features:
        f = told.feature
        raised = f", {told.raised_mm:g} mm high" if told.raised_mm else ""
        out.append(f"{told.limb} limb: {f.kind} from {units.length(f.from_mm)} to {units.length(f.to_mm)}{raised}")
    out += [f"Note: {units.words(text)}" for text in season.said]
    return "\n".join([*out, "", *CAUTIONS])


def _day(first: date, days: float) -> str:
    return str(first + timedelta(days=round(days))) if np.isfinite(days) else "not in sight"
