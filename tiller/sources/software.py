"""The rack in software: recordings of simulated pulls, and the demo."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tiller.errors import FileFault, TillerError
from tiller.simulate.bowmaker import BowTruth, Spot, random_bow
from tiller.simulate.record import Plan, make_even, write_recording
from tiller.simulate.render import Setting
from tiller.simulate.serial import FAULTS
from tiller.simulate.shoot import NoEquilibriumError, Shooter
from tiller.simulate.shop import Trouble

if TYPE_CHECKING:
    from tiller.sources.software_feed import SoftwareRack

BOARDS = ("plain", "grid", "clutter")
SPOT = re.compile(r"^(left|right):(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?):([+-]\d+(?:\.\d+)?)%?$")


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What a simulated recording shall be like (see ``tiller simulate --help``)."""

    seed: int = 0
    board: str = "plain"
    spots: tuple[str, ...] = ()
    crook_per_m: float = 0.5
    knots: int = 0
    string: str = "long"
    light: float = 1.0
    noise: float = 1.5
    blur_px: float = 0.6
    motion_px: float = 0.0
    faults: tuple[str, ...] = ()
    rate_hz: float = 80.0
    largest_mm: float | None = None
    pictures: int = 18
    name: str = "software_bow"
    troubles: tuple[str, ...] = ()


def parse_spot(text: str) -> Spot:
    """A spot from 'left:300-400:-7%' (limb, from and to in mm, change of thickness).

    Raises:
        TillerError: not of that form.
    """
    found = SPOT.match(text)
    if not found:
        msg = f"'{text}' is no spot: write limb, from, to and change of thickness like left:300-400:-7% (mm along the back)."
        raise TillerError(msg)
    side, low, high, percent = found.groups()
    if float(high) <= float(low) or abs(float(percent)) > 30:
        msg = f"'{text}' is no spot: 'to' must be beyond 'from' and the change at most 30 %."
        raise TillerError(msg)
    return Spot(side, float(low), float(high), float(percent) / 100)


TARGET_SHARE = 0.85
"""Target weight of a software bow over what it pulls at its target draw on the string it has."""


def make_recording(folder: Path, wish: Wish) -> BowTruth:
    """Writes a recording of a simulated pull with its truth.json.

    Raises:
        TillerError: the wish makes no sense, the bow cannot be drawn that far, or the folder is not free.
    """
    for name, value, low, high in (
        ("--seed", wish.seed, 0, 2**31),
        ("--pictures", wish.pictures, 3, 500),
        ("--rate", wish.rate_hz, 5, 200),
        ("--light", wish.light, 0.05, 1.5),
        ("--noise", wish.noise, 0, 20),
        ("--blur", wish.blur_px, 0, 5),
        ("--motion", wish.motion_px, 0, 20),
        ("--crook", wish.crook_per_m, 0, 3),
        ("--knots", wish.knots, 0, 20),
        ("--largest", 500.0 if wish.largest_mm is None else wish.largest_mm, 200, 900),
    ):
        if not low <= value <= high:
            msg = f"{name} is {value:g}, which no rack in software can play: give a number from {low:g} to {high:g}."
            raise TillerError(msg)
    for fault in wish.faults:
        if fault not in FAULTS:
            msg = f"'{fault}' is no serial fault of the software rack: use any of {', '.join(FAULTS)}."
            raise TillerError(msg)
    known = {trouble.value: trouble for trouble in Trouble}
    for name in wish.troubles:
        if name not in known:
            msg = f"'{name}' is nothing that the software rack's shop does: use any of {', '.join(known)}."
            raise TillerError(msg)
    troubles = frozenset(known[name] for name in wish.troubles)
    if wish.board not in BOARDS:
        msg = f"'{wish.board}' is no board of the software rack: use one of {', '.join(BOARDS)}."
        raise TillerError(msg)
    rng = np.random.default_rng(wish.seed)
    bow = random_bow(
        rng, wish.name, tuple(parse_spot(s) for s in wish.spots), wish.knots, wish.crook_per_m, wish.string
    )
    for spot in bow.spots:
        if spot.to_mm > bow.limb(spot.limb).length_mm:
            msg = f"The spot at {spot.from_mm:.0f}-{spot.to_mm:.0f} mm lies beyond the {spot.limb} limb's end ({bow.limb(spot.limb).length_mm:.0f} mm)."
            raise TillerError(msg)
    plan = Plan(
        largest_mm=wish.largest_mm, pictures=wish.pictures, faults=wish.faults, seed=wish.seed, rate_hz=wish.rate_hz
    )
    if Trouble.WEBCAM in troubles:
        plan = replace(plan, size=(1280, 720))
    setting = Setting(
        board=wish.board,
        light=wish.light,
        noise=wish.noise,
        blur_px=wish.blur_px,
        motion_px=wish.motion_px,
        troubles=troubles,
    )
    try:
        bow = make_even(bow, wish.largest_mm or 0.85 * bow.draw_mm, rounds=2)
        # roughed out too heavy, as a bow on the rack is: something is left to be planned
        bow = replace(bow, weight_n=round(TARGET_SHARE * Shooter(bow).at(bow.draw_mm).force_n))
        write_recording(folder, bow, plan, setting)
    except NoEquilibriumError as err:
        msg = f"This bow cannot be drawn that far: {err}; choose a smaller largest draw or another seed."
        raise TillerError(msg) from err
    except FileExistsError as err:
        msg = f"{folder} lies where a file is: give another folder." if err.errno else str(err)
        raise FileFault(msg) from err
    except OSError as err:
        msg = f"{folder} could not be written ({err.strerror}): free some space or choose another place."
        raise FileFault(msg) from err
    return bow


DEMO = Wish(
    seed=41,
    board="plain",
    spots=("left:430-540:-7%", "right:270-380:+7%"),
    knots=1,
    string="long",
    faults=("garbled", "spike"),
    name="orchard_flatbow",
)


def next_free(folder: Path, name: str) -> Path:
    """``folder/name-1``, ``-2``, ...: the first that is not there yet."""
    number = 1
    while (folder / f"{name}-{number}").exists():
        number += 1
    return folder / f"{name}-{number}"


def demo_rack(
    size: tuple[int, int] = (1920, 1080), largest_mm: tuple[float, ...] = (280.0, 305.0, 330.0)
) -> SoftwareRack:
    """The demo's bow on a rack in software, live."""
    from tiller.simulate.live import Course
    from tiller.sources.software_feed import SoftwareRack

    rng = np.random.default_rng(DEMO.seed)
    bow = random_bow(
        rng, DEMO.name, tuple(parse_spot(s) for s in DEMO.spots), DEMO.knots, DEMO.crook_per_m, DEMO.string
    )
    bow = make_even(bow, 0.85 * bow.draw_mm, rounds=1)
    bow = replace(bow, weight_n=112)
    return SoftwareRack(bow, Course(largest_mm=largest_mm), seed=DEMO.seed, size=size, waits=True)
