"""What follows from a pull: forecast, stop, plan; each may be missing, then why is reported."""

from __future__ import annotations

from dataclasses import dataclass

from tiller.mechanics.advice.planned import Plan
from tiller.mechanics.advice.wanted import Tiller
from tiller.mechanics.forward.forecast import Forecast
from tiller.mechanics.forward.stop import Stop
from tiller.notes import Note


@dataclass(frozen=True)
class NextPull:
    """How far to pull next, and what that will show: sd of the stretch that is known worst, now and then."""

    draw_mm: float
    limb: str
    at_mm: float
    sd_now: float
    sd_then: float


@dataclass(frozen=True, kw_only=True)
class Advice:
    """Forecast, stop and plan, None where they cannot be had.

    Attributes:
        working_strain, strain_source: the limit that was used and where it comes from.
        tiller: at brace, now and wanted; None where it cannot be had.
        next_pull: what a further pull will show; None where it may not go further, or nothing is known.
        notes: why something is missing, and what the plan says about ways out.
        earlier_pulls: how many pulls of the bow before this one the plan rests on as well.
        no_forecast, no_plan: why there is none, '' where there is one or nobody asked.
    """

    forecast: Forecast | None
    stop: Stop | None
    plan: Plan | None
    working_strain: float
    strain_source: str
    notes: tuple[Note, ...]
    tiller: Tiller | None = None
    next_pull: NextPull | None = None
    no_forecast: str = ""
    no_plan: str = ""
    earlier_pulls: int = 0
