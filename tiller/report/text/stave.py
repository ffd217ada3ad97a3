"""What a stave's file says, in words: log, season, moisture, when it is ready, what to see to."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from tiller.bow.stavefile import Stave, log_words
from tiller.bow.wood.shrinkage import SATURATION, SHRINKAGE, shrunk
from tiller.bow.wood.woods import find_wood, like_wood
from tiller.mechanics.wood.season import FAR_DAYS, season_of
from tiller.report.style import METRIC, Units

CAUTIONS = (
    "Felling, wedges, axes and other edge tools: learn them from a trained person; follow local rules; never work alone in the wood.",
    "The dust of some woods harms: a mask and fresh air. Insecticides and finishes by their label only.",
)


def stave_words(
    stave: Stave,
    width_mm: float = 45.0,
    thickness_mm: float = 15.0,
    units: Units = METRIC,
    today: date | None = None,
) -> str:
    """The stave at the bench."""
    season = season_of(stave, today)
    out = [f"{stave.name} ({stave.wood})"]
    out += [f"{key.replace('_', ' ')}: {on}" for key, on in stave.dates.items()]
    if stave.rings is not None or stave.ring_mm is not None:
        rings = f"{stave.rings} rings" if stave.rings is not None else "rings"
        out.append(f"{rings}{f' of {stave.ring_mm:g} mm' if stave.ring_mm is not None else ''}; back: {stave.back}")
    out += [f"{key}: {text}" for key, text in (("tree", stave.tree), ("place", stave.place)) if text]
    if stave.modulus is not None:
        moist = (
            f", at {stave.modulus.moisture_percent:g} % moisture" if stave.modulus.moisture_percent is not None else ""
        )
        out.append(f"modulus {stave.modulus.gpa:.1f} ± {stave.modulus.sd_gpa:.1f} GPa, measured on it{moist}")
    out += [units.words(text) for text in log_words(stave, width_mm, thickness_mm)]
    if stave.weighings:
        count = len(stave.weighings)
        last = stave.weighings[-1]
        out.append(f"{count} weigh-in{'s' if count > 1 else ''}, last {units.mass(last.mass_kg)} on {last.on}")
    if np.isfinite(season.moisture):
        out.append(f"moisture {season.moisture:.1f} ± {season.moisture_sd:.1f} %, {season.how}")
    else:
        out.append(season.how)
    if np.isfinite(season.shop):
        out.append(f"the shop's air brings wood to {season.shop:.1f} %")
    if season.ready is not None and season.ready.days < FAR_DAYS:
        first = season.first or date.min
        out.append(
            f"at {stave.wanted_moisture:g} % about {_day(first, season.ready.days)} (between {_day(first, season.ready.early_days)} and"
            f" {_day(first, season.ready.late_days)})"
        )
    wood = find_wood(stave.wood)
    if wood is None:
        like = like_wood(stave.wood)
        out.append(
            f"Note: '{stave.wood}' is in no table{f' (is {like} meant?)' if like else ''}: nothing is known of how it shrinks, or how strong it is."
        )
    elif wood.name not in SHRINKAGE:
        out.append(f"how {wood.name} shrinks is not in the table that is used here.")
    else:
        row = SHRINKAGE[wood.name]
        wanted = min(stave.wanted_moisture, SATURATION)
        radial, tangential = shrunk(row.radial, wanted), shrunk(row.tangential, wanted)
        out.append(
            f"from green to {stave.wanted_moisture:g} % it shrinks {radial:.1f} % across the rings and {tangential:.1f} % along them: leave that much ({row.source})."
        )
    for noted in stave.features:
        f = noted.feature
        raised = f", {noted.raised_mm:g} mm high" if noted.raised_mm else ""
        out.append(f"{noted.limb} limb: {f.kind} from {units.length(f.from_mm)} to {units.length(f.to_mm)}{raised}")
    out += [f"Note: {units.words(note.text)}" for note in season.notes]
    return "\n".join([*out, "", *CAUTIONS])


def _day(first: date, days: float) -> str:
    return str(first + timedelta(days=round(days))) if days < FAR_DAYS else "not in sight"
