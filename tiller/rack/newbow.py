"""A new bow's file from a short form: what is asked, how it is checked, and the bow.toml that comes of it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tiller.bow.bowfile import SIDES, Bow, parse_bow
from tiller.bow.units import mm_from_inch, n_from_lbf
from tiller.errors import FileFault, TillerError

PLACES = ("at the end of the fade", "a third out", "two thirds out", "near the nock")


@dataclass(frozen=True)
class Field:
    """One question of the form.

    Attributes:
        key: name; question: what is asked; kind: 'text', 'mm', 'n'.
        low, high: what makes sense, in mm or N; usual: what is taken where nothing is said, in mm, N or as text.
    """

    key: str
    question: str
    kind: str
    low: float = 0.0
    high: float = 0.0
    usual: str = ""

    def read(self, text: str, metric: bool) -> str | float:
        """The answer in mm or N, checked.

        Raises:
            TillerError: it is no answer; says what is expected.
        """
        text = text.strip() or (self.usual if self.kind == "text" or metric else "")
        if self.kind == "text":
            if not text:
                msg = f"{self.question}: a word or two are expected."
                raise TillerError(msg)
            return text
        if not text and self.usual:
            return float(self.usual)
        unit = {"mm": ("mm", "in"), "n": ("N", "lb")}[self.kind][0 if metric else 1]
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            msg = f"{self.question}: '{text}' is no number; one in {unit} is expected."
            raise TillerError(msg) from None
        if not metric:
            value = mm_from_inch(value) if self.kind == "mm" else n_from_lbf(value)
        if not self.low <= value <= self.high:
            ends = [self.low, self.high]
            if not metric:
                ends = [e / (mm_from_inch(1.0) if self.kind == "mm" else n_from_lbf(1.0)) for e in ends]
            msg = f"{self.question}: {ends[0]:.4g} to {ends[1]:.4g} {unit} makes sense."
            raise TillerError(msg)
        return value


def form() -> tuple[Field, ...]:
    """All questions in order."""
    fields = [
        Field("wood", "Wood, as the Wood Handbook names it", "text", usual="shagbark hickory"),
        Field("upper", "Which limb is the upper one, as the camera sees it (left or right)", "text", usual="left"),
        Field("handle", "Stiff handle, from the pivot to each side", "mm", 0, 300, "50"),
    ]
    for side in SIDES:
        fields.append(
            Field(f"{side}_length", f"{side} limb: along the back from the pivot to the nock", "mm", 300, 1400)
        )
        for k, place in enumerate(PLACES):
            fields.append(Field(f"{side}_width{k}", f"{side} limb: width {place}", "mm", 5, 110))
            fields.append(Field(f"{side}_thick{k}", f"{side} limb: thickness {place}", "mm", 4, 60))
    fields += [
        Field("string", "String that is on it now: long or braced", "text", usual="long"),
        Field("string_length", "Its length between the loops", "mm", 400, 3000),
        Field("draw", "Draw wanted, from the pivot to the string", "mm", 200, 1000),
        Field("weight", "Weight wanted at that draw", "n", 20, 1000),
        Field("brace", "Brace height wanted", "mm", 60, 350, "150"),
    ]
    return tuple(fields)


def station_places(length_mm: float, handle_mm: float) -> tuple[float, ...]:
    """Where the form's widths and thicknesses are measured, along the back from the pivot."""
    first, last = handle_mm + 62.0, length_mm - 20.0
    return tuple(round(first + share * (last - first)) for share in (0.0, 1 / 3, 2 / 3, 1.0))


def bow_text(name: str, answers: Mapping[str, str | float]) -> tuple[str, Bow]:
    """bow.toml from the answers, and the bow that it describes.

    Raises:
        KeyFault: the answers do not fit each other.
    """
    out = [
        f"name = {json.dumps(name)}",
        f"wood = {json.dumps(answers['wood'])}",
        f"upper_limb = {json.dumps(answers['upper'])}",
        "",
    ]
    handle = float(answers["handle"])
    for side in SIDES:
        length = float(answers[f"{side}_length"])
        out += [f"[limbs.{side}]", f"length_mm = {length:.1f}", f"handle_mm = {handle:.1f}", "stations = ["]
        for k, s in enumerate(station_places(length, handle)):
            width, thick = float(answers[f"{side}_width{k}"]), float(answers[f"{side}_thick{k}"])
            out.append(f"  {{ s_mm = {s:.0f}, width_mm = {width:.1f}, thickness_mm = {thick:.1f} }},")
        out += ["]", ""]
    out += [
        "[string]",
        f"kind = {json.dumps(answers['string'])}",
        f"length_mm = {float(answers['string_length']):.1f}",
        "",
        "[target]",
        f"draw_length_mm = {float(answers['draw']):.1f}",
        f"draw_weight_n = {float(answers['weight']):.1f}",
        f"brace_height_mm = {float(answers['brace']):.1f}",
        "",
    ]
    text = "\n".join(out)
    import tomllib

    return text, parse_bow(tomllib.loads(text), f"the new bow '{name}'")


def write_bow(path: Path, text: str) -> None:
    """Writes a new bow's file; never over one that is there.

    Raises:
        FileFault: it is there already or cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        msg = f"{path} is there already: edit it, or choose another name."
        raise FileFault(msg) from None
    except OSError as err:
        msg = f"{path} could not be written ({err.strerror})."
        raise FileFault(msg) from err
