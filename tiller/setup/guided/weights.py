"""Guided jobs with the scale: found by its greeting, calibrated by masses, checked by one."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tiller.bow.rigfile import read_cell
from tiller.bow.units import STANDARD_GRAVITY, kg_from_lb
from tiller.errors import SourceFault, TillerError
from tiller.force.calibrate import FEWEST_LOADS, LEAST_SHARE, Load, calibrate, normal_gravity, weight_n
from tiller.force.line import Hello, parse_line
from tiller.report.style import Units
from tiller.report.text.calibration import scale_words
from tiller.setup.capture import Settled, keep_load, listen, settled, steps_of
from tiller.setup.field import Field, number_of
from tiller.setup.guided.keep import LATH_OFF_MM, CellChecked, check_cell
from tiller.setup.guided.pictures import check_lath
from tiller.setup.guided.talk import Talk
from tiller.setup.rig_writer import CellNoted, Checked, put_cell, put_check
from tiller.sources.interfaces import Ended, now_s
from tiller.sources.scales import SerialScale

GREETING_S = 3.5
"""A board with a USB-serial chip starts anew when its port is opened: two seconds, and one for its greeting."""
MASS_SD, NO_PLACE_SD = 0.001, 0.0015
"""How sure hung masses are, and how much gravity differs about the inhabited latitudes where the place is not given (GRS 1980: 9.78 to 9.83; rms)."""
LARGEST_KG = 500.0
FULL_SERIES, CREEP_S = 3, 300.0

LATITUDE = Field(
    key="latitude",
    question="Latitude of the shop, whole degrees will do (Enter alone: not known)",
    kind="text",
)
SERIES = Field(
    key="series",
    question="quick (once up and down) or full (three times, and five minutes of creep)",
    kind="text",
    usual="quick",
    choices=("quick", "full"),
)
MASSES = {
    metric: Field(
        key="masses",
        question=f"Which masses will be hung, in {unit}: five at least, the least a third of the largest or less, such as {such}, up to the bow's weight",
        kind="text",
    )
    for metric, unit, such in ((True, "kg", "2, 5, 10, 15, 20"), (False, "lb", "5, 10, 20, 40, 50"))
}
MASS = Field(key="mass", question="Which mass will be hung", kind="kg", low=0.1, high=LARGEST_KG)


@dataclass(frozen=True)
class ScaleFound:
    """Where a scale of ours answers, and its greeting."""

    where: str
    hello: Hello


def greeted(ports: Sequence[str], say: Callable[[str], None]) -> ScaleFound:
    """The first port on which a board greets as a scale of ours does.

    Raises:
        SourceFault: none does; says what each one did.
    """
    said = []
    for where in ports:
        say(f"listening on {where} ...")
        scale = SerialScale(where)
        try:
            scale.open()
        except SourceFault as err:
            said.append(str(err))
            continue
        try:
            hello = _greeting(scale, say)
        except SourceFault as err:
            said.append(str(err))
            continue
        finally:
            scale.close()
        if hello is not None:
            return ScaleFound(where, hello)
        said.append(
            f"{where} does not greet as a scale: is its firmware on the board (hardware/firmware says how), and is it this port (V takes the next one)?"
        )
    msg = " ".join(said) or "no serial port is found: is the scale's board plugged in, with a cable that carries data?"
    raise SourceFault(msg)


def _greeting(scale: SerialScale, say: Callable[[str], None]) -> Hello | None:
    until, asked = now_s() + GREETING_S, 0.0
    while now_s() < until:
        if now_s() > asked + 1.0:  # one that has just started anew may not hear the first
            scale.write("hello\n")
            asked = now_s()
            say(f"listening on {scale.where} ...")
        lines = scale.read()
        if isinstance(lines, Ended):
            return None
        for _, raw in lines:
            line = parse_line(raw)
            if isinstance(line, Hello):
                return line
    return None


def masses_kg(text: str, metric: bool) -> tuple[float, ...]:
    """Masses as typed, with commas, spaces or semicolons (where the numbers have commas) between; kg or lb may stand after each, or after the last.

    Raises:
        TillerError: they are none, or too few.
    """
    named = {name.lower() == "kg" for name in re.findall(r"kg|lbs?", text, re.I)}
    plain = re.sub(r"kg|lbs?", "", text, flags=re.I)
    parts = plain.split(";" if ";" in plain else "," if "," in plain else None)
    metric = named.pop() if len(named) == 1 else metric
    try:
        values = [number_of(p) for p in parts if p.strip()] if not named else []
    except (ValueError, ZeroDivisionError):
        values = []
    kg = sorted({v if metric else kg_from_lb(v) for v in values})
    if len(kg) < FEWEST_LOADS or len(kg) < len(values) or not all(0 < v <= LARGEST_KG for v in kg):
        msg = f"'{text.strip()}' are no masses: {FEWEST_LOADS} different ones at least, in {'kg' if metric else 'lb'}, with commas between."
        raise TillerError(msg)
    if kg[0] > LEAST_SHARE * kg[-1]:
        msg = f"the least of '{text.strip()}' is more than a third of the largest: hang smaller ones too."
        raise TillerError(msg)
    return tuple(kg)


CHECK_FAILED = (
    "It does not measure as it did. Was it the same lath and mass? Measure them again. Was the camera, the board or the cell knocked? Then do the rack's or the"
    " scale's card again before the next pull."
)


def _gravity(talk: Talk) -> tuple[float, float]:
    """Gravity of the place, m/s2, and the relative sd of the loads that follows."""

    def read(text: str) -> float:
        if not text.strip():
            return math.nan
        try:
            value = number_of(text.strip())
        except (ValueError, ZeroDivisionError):
            value = math.inf
        if not -90.0 <= value <= 90.0:
            msg = f"'{text}' is no latitude: degrees from -90 to 90."
            raise TillerError(msg)
        return value

    degrees = talk.ask_as(LATITUDE, read, "Masses pull differently from place to place: 0.5 % from equator to pole.")
    if math.isnan(degrees):
        return STANDARD_GRAVITY, math.hypot(MASS_SD, NO_PLACE_SD)
    return normal_gravity(math.radians(degrees)), MASS_SD


def _steady(talk: Talk, scale: SerialScale, question: str, sentence: str = "") -> Settled:
    """Waits for Enter and reads the scale, again where it swings."""
    while True:
        talk.enter(question, sentence)
        talk.say("reading ...")
        try:
            return settled(scale)
        except TillerError as err:
            sentence = err.marked


def scale_job(
    ports: Sequence[str], rig: Path, readings: Path, today: str, use: Callable[[str], None]
) -> Callable[[Talk], None]:
    """Calibrates the load cell by masses and keeps it in the rig's file.

    Args:
        ports: where it may be; readings: a file to note each load in; use: gets the port that it is on.
    """

    def job(talk: Talk) -> None:
        found_at = greeted(ports, talk.say)
        hello = found_at.hello
        talk.show(found=(f"{found_at.where}: {hello.name} {hello.version}, {hello.rate_hz:g} readings a second.",))
        full = talk.ask(SERIES) == "full"
        gravity, mass_sd = _gravity(talk)
        kg = talk.ask_as(MASSES[talk.metric], lambda text: masses_kg(text, talk.metric))
        units = Units(talk.metric)
        named = {weight_n(m, gravity): units.mass(m) for m in kg}
        steps = list(steps_of(list(named), FULL_SERIES if full else 1))
        talk.show(wanted=len(steps))
        scale = SerialScale(found_at.where)
        scale.open()
        loads: list[Load] = []
        creep = None
        try:
            for number, rising, force in steps:
                what = named.get(force, "nothing")
                way = f"{'up' if rising else 'down'}, {number} of {FULL_SERIES if full else 1}"
                safe = "Never more than cell, hook and beam are rated for. Stand clear of what hangs; pad the floor."
                reading = _steady(talk, scale, f"Hang {what}, let it hang still, then Enter ({way})", safe)
                loads.append(Load(number, rising, force, reading.counts, reading.sd))
                keep_load(readings, loads[-1])
                talk.show(taken=len(loads))
            if full:
                talk.enter(f"Creep: hang {named[max(named)]}, then Enter; it is read for five minutes")
                creep = _creep(talk, scale)
        finally:
            scale.close()
        found = calibrate(tuple(loads), mass_sd, creep)
        talk.show(found=tuple(scale_words(found, units).splitlines()))
        talk.enter("Enter keeps it", "")
        put_cell(rig, found, CellNoted(today, "", f"{hello.name} {hello.version}", gravity))
        use(found_at.where)
        talk.say("kept.")

    return job


def _creep(talk: Talk, scale: SerialScale) -> tuple[np.ndarray, np.ndarray]:
    """Times and counts under one load, with a clock."""
    t, counts = [], []
    until = now_s() + CREEP_S
    while now_s() < until:
        left = max(0.0, until - now_s())
        talk.say(f"creep is read: {left // 60:.0f}:{left % 60:02.0f} to go; leave the load alone.")
        times, values, _ = listen(scale, min(2.0, left + 0.2))
        t.append(times)
        counts.append(values)
    return np.concatenate(t), np.concatenate(counts)


def _weighed(talk: Talk, where: str, rig: Path) -> tuple[float, CellChecked]:
    """One mass against the calibration: the mass, kg, and what it says."""
    cell = read_cell(rig)
    mass = talk.number(MASS)
    units = Units(talk.metric)
    scale = SerialScale(where)
    scale.open()
    try:
        zero = _steady(talk, scale, "Hang nothing, then Enter")
        loaded = _steady(talk, scale, f"Hang {units.mass(mass)}, then Enter", "Stand clear of what hangs.")
    finally:
        scale.close()
    force = weight_n(mass, cell.gravity or STANDARD_GRAVITY)
    read = float(cell.newtons(np.array(loaded.counts - zero.counts)))
    return mass, check_cell(cell, zero.counts, force, read)


def check_job(camera: str, scale: str, rig: Path, today: str, usual_mm: float) -> Callable[[Talk], None]:
    """The lath and one weight, each where there is a camera or a scale ('' for none); what they say is kept in the rig's file."""

    def job(talk: Talk) -> None:
        lath = off = mass = weight_off = math.nan
        good = True
        said: tuple[str, ...] = ()
        if camera:
            lath, off = check_lath(talk, camera, rig, usual_mm)
            said = talk.moment.found
            good = abs(off) <= LATH_OFF_MM
            put_check(rig, Checked(day=today, good=good, lath_mm=lath, lath_off_mm=off))
        if scale:
            mass, found = _weighed(talk, scale, rig)
            weight_off, good = found.off, good and found.good
            said = (*said, *found.words.splitlines())
        talk.show(found=said)
        put_check(
            rig,
            Checked(day=today, good=good, lath_mm=lath, lath_off_mm=off, mass_kg=mass, weight_off=weight_off),
        )
        if good:
            talk.say("It measures as it did; noted in the rack's file.")
        else:
            talk.show(fault=CHECK_FAILED, sentence="Noted in the rack's file; the next pull says so.")

    return job
