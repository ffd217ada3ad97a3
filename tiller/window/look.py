"""Colours and sizes of the window, light and dark; they differ in lightness as well as in hue."""

from __future__ import annotations

from dataclasses import dataclass

from tiller.report.style import AIM, LEFT, RIGHT, STIFF, WEAK, Units, rgb
from tiller.window.canvas import Colour


def _of(colour: str, alpha: int = 255) -> Colour:
    r, g, b = rgb(colour)
    return (r, g, b, alpha)


@dataclass(frozen=True)
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
    "light",
    _of("#f6f2e8"),
    _of("#fffdf7"),
    _of("#1f2a32"),
    _of("#5c6670"),
    _of("#cfc8b8"),
    _of(LEFT),
    _of(RIGHT),
    _of(STIFF),
    _of(WEAK),
    _of(AIM),
    _of("#a3241c"),
    _of("#ffffff"),
    _of("#2d6a3a"),
)
DARK = Look(
    "dark",
    _of("#14191d"),
    _of("#1d242a"),
    _of("#eef1ea"),
    _of("#a3adb3"),
    _of("#3b454c"),
    _of("#4fc3b5"),
    _of("#c79be0"),
    _of("#7fb0f0"),
    _of("#f0a348"),
    _of("#9aa5ac"),
    _of("#e0574b"),
    _of("#14191d"),
    _of("#7ccf8e"),
)


def faded(colour: Colour, alpha: int) -> Colour:
    """The colour with another opacity."""
    return (*colour[:3], alpha)
