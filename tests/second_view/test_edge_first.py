"""The plan's wood from one edge first: when it is said, for which edge, and that the amount holds in the bow as beams in space."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from tests.bench.straighten import crooked
from tests.second_view.test_belly import bare
from tiller.bow.sides import Side
from tiller.measure.followup.track import OF_EDGE, edge_first
from tiller.mechanics.advice.planned import Plan, Zone
from tiller.mechanics.space.section import space_section
from tiller.mechanics.space.tracking import Correction
from tiller.notes import Note
from tiller.quantity import plain
from tiller.records.alignments import kept_of
from tiller.records.events import Event

AT = datetime(2026, 11, 20, 10, 0)


def note(
    offset: float, plan: Plan, scraped: bool = False, events: tuple[Event, ...] = (), right: bool = True
) -> Note | None:
    asked = Correction(edge_limb=Side.LEFT, edge_right=right, edge_gain=6.0, after_mm=0.0)
    row = kept_of(bare((1.0, 1.0), offset), asked, AT, Side.LEFT)
    return edge_first([row], events, scraped, crooked(0).bow, plan)


@pytest.fixture(scope="module")
def plan() -> Plan:
    bow = crooked(0).bow
    zone = Zone(
        limb=Side.LEFT,
        from_mm=bow.left.working_from_mm,
        to_mm=bow.left.working_to_mm,
        depth_mm=0.2,
        depth_sd_mm=0.05,
        pass_mm=0.2,
    )
    return bare_plan((zone,))


def bare_plan(zones: tuple[Zone, ...]) -> Plan:
    plan = object.__new__(Plan)
    object.__setattr__(plan, "zones", zones)
    return plan


def test_it_is_said_for_a_string_that_is_off_and_for_nothing_else(plan: Plan) -> None:
    said = note(-5.0, plan)
    assert said is not None
    text = plain(said.text)
    assert "5.0 mm to the left" in text
    assert "right edge first" in text
    assert "nothing at the left one" in text
    assert note(1.0, plan) is None
    assert note(-5.0, plan, scraped=True) is None
    warmed = Event(kind="warmed", at=AT + timedelta(days=1), limb="left", from_mm=None, to_mm=None)
    assert note(-5.0, plan, events=(warmed,)) is None
    assert note(-5.0, plan, events=(replace(warmed, at=AT - timedelta(days=1)),)) is not None
    assert note(-5.0, bare_plan(())) is None
    other = bare_plan(tuple(replace(z, limb=Side.RIGHT) for z in plan.zones))
    assert note(-5.0, other) is None  # the plan takes nothing off that limb


def test_from_edge_to_edge_turns_the_section_as_twice_as_much_to_the_middle_does() -> None:
    """The product moment of the cut section over that of bending sideways tells how a straight limb bends aside when it is drawn; both cuts by finite strips."""
    width, thick, depth = np.array([40.0]), np.array([12.0]), 0.2
    to_middle = space_section(width, thick, None, (np.array([OF_EDGE * depth]), np.zeros(1)))
    across = np.linspace(-20.0, 20.0, 4001)
    off = depth * (1.0 - across / 20.0)  # twice at one edge, nothing at the other
    height = 12.0 - off
    centre = float(np.sum(height * (12.0 - 0.5 * height)) / np.sum(height))
    step = across[1] - across[0]
    mid = 12.0 - 0.5 * height - centre
    product = float(np.sum(height * mid * (across - np.sum(height * across) / np.sum(height))) * step)
    assert abs(product) == pytest.approx(abs(float(to_middle.product_mm4[0])), rel=0.05)
