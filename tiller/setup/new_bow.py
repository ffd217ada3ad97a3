"""A new bow's file from a short form: what is asked, how it is checked, and the bow.toml that comes of it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from tiller.bow.bowfile import Bow, parse_bow
from tiller.bow.sides import SIDES
from tiller.bow.tomlcheck import load_toml
from tiller.bow.tomlwrite import toml
from tiller.errors import FileFault, TillerError
from tiller.files import write_whole
from tiller.quantity import mm
from tiller.setup.field import Field

PLACES = ("at the end of the fade", "a third out", "two thirds out", "near the nock")


def name_fault(name: str) -> str:
    """What is wrong with a bow's name, empty where nothing is."""
    if not name.strip() or name != name.strip():
        return "the bow's name is empty or begins or ends with a space."
    if not name.isprintable() or any(c in '/\\:*?"<>|' for c in name) or name.startswith(".") or len(name) > 80:
        return f"'{name[:90]}' is no name for a bow: it becomes a folder, so no slashes, line breaks or the like, at most 80 characters."
    if name.lower().endswith(".toml"):
        return f"'{name}' looks like a file: give the bow's name alone; its bow.toml is made of it."
    return ""


def place_of(key: str, answers: Mapping[str, str | float]) -> float:
    """Where along the limb a width or thickness is asked for, mm from the pivot; NaN for other questions."""
    side, _, what = key.partition("_")
    if f"{side}_length" not in answers or not what[-1:].isdigit():
        return float("nan")
    return station_places(float(answers[f"{side}_length"]), float(answers["handle"]))[int(what[-1])]


def string_fault(answers: Mapping[str, str | float]) -> str:
    """What is wrong with the string for limbs of that length, empty where nothing is (or not all is known)."""
    if not {"left_length", "string", "string_length"} <= set(answers):
        return ""
    bow = float(answers["left_length"]) + float(answers.get("right_length", answers["left_length"]))
    ratio = float(answers["string_length"]) / bow
    low, high = (0.9, 1.0) if answers["string"] == "braced" else (0.97, 1.25)
    if low <= ratio <= high:
        return ""
    return (
        f"a {answers['string']} string is {100 * low:.0f} to {100 * high:.0f} % of the way along the back from nock to nock ({mm(bow)});"
        f" {mm(float(answers['string_length']))} is {100 * ratio:.0f} %: measure it again."
    )


def form() -> tuple[Field, ...]:
    """All questions in order."""
    fields = [
        Field(
            key="wood",
            question="Its wood, by its name (such as hickory, osage, ash)",
            kind="text",
            usual="shagbark hickory",
        ),
        Field(
            key="upper",
            question="Which limb is the upper one, as the camera sees it (left or right)",
            kind="text",
            usual="left",
            choices=("left", "right"),
        ),
        Field(
            key="handle", question="Stiff handle, from the pivot to each side", kind="mm", low=0, high=300, usual="50"
        ),
    ]
    for side in SIDES:
        fields.append(
            Field(
                key=f"{side}_length",
                question=f"{side} limb: along the back from the pivot to the nock",
                kind="mm",
                low=300,
                high=1400,
            )
        )
        for k, place in enumerate(PLACES):
            fields.append(
                Field(key=f"{side}_width{k}", question=f"{side} limb: width {place}", kind="mm", low=5, high=110)
            )
            fields.append(
                Field(key=f"{side}_thick{k}", question=f"{side} limb: thickness {place}", kind="mm", low=4, high=60)
            )
    fields += [
        Field(
            key="string",
            question="String that is on it now: long or braced",
            kind="text",
            usual="long",
            choices=("long", "braced"),
        ),
        Field(key="string_length", question="The string's length between its loops", kind="mm", low=400, high=3000),
        Field(
            key="draw_to_back",
            question="Draw wanted, to the back of the bow as the trade says it (28 in are usual)",
            kind="mm",
            low=245,
            high=1045,
        ),
        Field(key="weight", question="Weight wanted at that draw", kind="n", low=20, high=1000),
        Field(key="brace", question="Brace height wanted", kind="mm", low=60, high=350, usual="150"),
    ]
    return tuple(fields)


FEW = (
    "wood",
    "upper",
    "handle",
    "left_length",
    "left_width0",
    "left_thick0",
    "left_width3",
    "left_thick3",
    "string",
    "string_length",
    "draw_to_back",
    "weight",
    "brace",
)
"""What is asked where both limbs are taken as alike: for a first answer."""
FEW_SD_MM = 0.6
"""How far one limb's thickness is from the other's, and from a straight taper, on a bow that is roughed out by hand (common practice, no source)."""
STRING_OVER_BOW = {"long": 1.01, "braced": 0.965}
"""Usual length of a string over the way along the back from nock to nock (common practice, no source)."""


def few_form() -> tuple[Field, ...]:
    """The questions of ``FEW``; what is said of the left limb is of both."""
    named = {field.key: field for field in form()}
    return tuple(replace(named[key], question=named[key].question.replace("left limb", "each limb")) for key in FEW)


def from_few(answers: Mapping[str, str | float]) -> dict[str, str | float]:
    """The answers for both limbs, from those of ``few_form``: only what was measured, taken for the right limb as well."""
    out = dict(answers)
    for key, value in list(out.items()):
        if key.startswith("left_"):
            out[key.replace("left_", "right_")] = value
    return out


def usual_string_mm(answers: Mapping[str, str | float]) -> float:
    """The usual length of such a string for limbs of that length, NaN where they are not known."""
    if "string" not in answers or "left_length" not in answers:
        return float("nan")
    bow = float(answers["left_length"]) + float(answers.get("right_length", answers["left_length"]))
    return round(STRING_OVER_BOW[str(answers["string"])] * bow)


def station_places(length_mm: float, handle_mm: float) -> tuple[float, ...]:
    """Where the form's widths and thicknesses are measured, along the back from the pivot."""
    first, last = handle_mm + 62.0, length_mm - 20.0
    return tuple(round(first + share * (last - first)) for share in (0.0, 1 / 3, 2 / 3, 1.0))


def bow_text(name: str, answers: Mapping[str, str | float]) -> tuple[str, Bow]:
    """bow.toml from the answers, and the bow that it describes.

    Raises:
        KeyFault: the answers do not fit each other.
    """
    handle = float(answers["handle"])
    few = "left_width1" not in answers
    limbs: dict[str, dict[str, object]] = {}
    for side in SIDES:
        length = float(answers[f"{side}_length"])
        limbs[side] = {
            "length_mm": round(length, 1),
            "handle_mm": round(handle, 1),
            "stations": [
                {
                    "s_mm": round(s),
                    "width_mm": round(float(answers[f"{side}_width{k}"]), 1),
                    "thickness_mm": round(float(answers[f"{side}_thick{k}"]), 1),
                }
                for k, s in enumerate(station_places(length, handle))
                if f"{side}_width{k}" in answers
            ],
        }
        if few:
            limbs[side]["caliper_sd_mm"] = FEW_SD_MM
    text = toml(
        {
            "name": name,
            "wood": str(answers["wood"]),
            "upper_limb": str(answers["upper"]),
            "limbs": limbs,
            "string": {"kind": str(answers["string"]), "length_mm": round(float(answers["string_length"]), 1)},
            "target": {
                "draw_to_back_mm": round(float(answers["draw_to_back"]), 1),
                "draw_weight_n": round(float(answers["weight"]), 1),
                "brace_height_mm": round(float(answers["brace"]), 1),
            },
        }
    )
    import tomllib

    return text, parse_bow(tomllib.loads(text), f"the new bow '{name}'")


def write_bow(path: Path, text: str) -> None:
    """Writes a new bow's file; never over one that is there.

    Raises:
        FileFault: it is there already or cannot be written.
    """
    write_whole(path, text.encode(), new=True)


def kept_answers(path: Path) -> dict[str, str | float]:
    """What was answered before in a form that did not come to its end; nothing where there is none, or it cannot be read."""
    try:
        table = load_toml(path)
    except FileFault:
        return {}
    fields = {field.key: field for field in form()}
    kept: dict[str, str | float] = {}
    for key, value in table.items():
        if key in fields and isinstance(value, str | float | int) and not isinstance(value, bool):
            with suppress(TillerError):  # one that was changed by hand into none is asked again
                kept[key] = fields[key].read(str(value), metric=True)
    return kept


def keep_answers(path: Path, answers: Mapping[str, str | float]) -> None:
    """Keeps what was answered so far.

    Raises:
        FileFault: it cannot be written.
    """
    write_whole(path, toml(answers).encode())
