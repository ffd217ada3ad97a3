"""Colours and sizes of the window, light and dark; they differ in lightness as well as in hue."""

from __future__ import annotations

from dataclasses import dataclass

from tiller.report.style import AIM, LEFT, RIGHT, STIFF, WEAK, Units, rgb
from tiller.window.canvas import Colour


def _of(colour: str, alpha: int = 255) -> Colour:
    r, g, b = rgb(colour)
    return (r, g, b, alpha)


@dataclass(frozen=True, kw_only=True)
class Look:
    """One set of colours."""

    name: str
    paper: Colour
    panel: Colour
    ink: Colour
    soft: Colour
    rule: Colour
    left: Colour
    right: Colour
    stiff: Colour
    weak: Colour
    aim: Colour
    alarm: Colour
    on_alarm: Colour
    good: Colour


@dataclass(frozen=True)
class Style:
    """What a sheet is drawn with."""

    units: Units
    look: Look


LIGHT = Look(
    name="light",
    paper=_of("#f6f2e8"),
    panel=_of("#fffdf7"),
    ink=_of("#1f2a32"),
    soft=_of("#5c6670"),
    rule=_of("#cfc8b8"),
    left=_of(LEFT),
    right=_of(RIGHT),
    stiff=_of(STIFF),
    weak=_of(WEAK),
    aim=_of(AIM),
    alarm=_of("#a3241c"),
    on_alarm=_of("#ffffff"),
    good=_of("#2d6a3a"),
)
DARK = Look(
    name="dark",
    paper=_of("#14191d"),
    panel=_of("#1d242a"),
    ink=_of("#eef1ea"),
    soft=_of("#a3adb3"),
    rule=_of("#3b454c"),
    left=_of("#4fc3b5"),
    right=_of("#c79be0"),
    stiff=_of("#7fb0f0"),
    weak=_of("#f0a348"),
    aim=_of("#9aa5ac"),
    alarm=_of("#e0574b"),
    on_alarm=_of("#14191d"),
    good=_of("#7ccf8e"),
)


def faded(colour: Colour, alpha: int) -> Colour:
    """The colour with another opacity."""
    return (*colour[:3], alpha)
