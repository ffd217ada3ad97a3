"""One question with an answer that is checked: a word, a length, a force, a mass, an angle, or Enter alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tiller.bow.tomlcheck import LONGEST_TEXT
from tiller.bow.units import kg_from_lb, mm_from_inch, n_from_lbf
from tiller.errors import TillerError


@dataclass(frozen=True)
class _Kind:
    """Units of a kind of answer: in metric and in inches and pounds; words for both; other ways to write them; from the second to the first."""

    units: tuple[str, str]
    words: tuple[str, str]
    also: tuple[tuple[str, bool], ...]
    metric_of: Callable[[float], float]


KINDS = {
    "mm": _Kind(("mm", "in"), ("millimetres", "inches"), (("mm", True), ("in", False), ('"', False)), mm_from_inch),
    "n": _Kind(("N", "lb"), ("newtons", "pounds"), (("n", True), ("lb", False), ("lbs", False)), n_from_lbf),
    "kg": _Kind(("kg", "lb"), ("kilograms", "pounds"), (("kg", True), ("lb", False), ("lbs", False)), kg_from_lb),
    "degrees": _Kind(("degrees", "degrees"), ("degrees", "degrees"), (), float),
    "percent": _Kind(("%", "%"), ("per cent", "per cent"), (("%", True),), float),
    "gpa": _Kind(("GPa", "GPa"), ("gigapascals", "gigapascals"), (("gpa", True),), float),
}
"""What an answer may be beside 'text' and 'enter'."""


@dataclass(frozen=True, kw_only=True)
class Field:
    """One question of a form.

    Attributes:
        key: name; question: what is asked; kind: 'text', 'picture' (one file's path), 'enter' (nothing is typed), 'touch' (a place in the picture) or one of ``KINDS``.
        low, high: what makes sense, in mm, N or kg; usual: what is taken where nothing is given, likewise or as text.
        choices: the only texts that will do, empty = any.
    """

    key: str
    question: str
    kind: str
    low: float = 0.0
    high: float = 0.0
    usual: str = ""
    choices: tuple[str, ...] = ()

    def unit(self, metric: bool) -> str:
        """Of the answer, '' for words."""
        return KINDS[self.kind].units[0 if metric else 1] if self.kind in KINDS else ""

    def usual_shown(self, metric: bool) -> str:
        """What Enter stands for, in the units asked for."""
        if self.kind not in KINDS or not self.usual:
            return self.usual
        if metric:
            return f"{float(self.usual):.4g}"
        return f"{float(self.usual) / KINDS[self.kind].metric_of(1.0):.3g}"

    def read(self, text: str, metric: bool) -> str | float:
        """The answer in mm, N or kg, checked.

        Raises:
            TillerError: it is no answer; says what is expected.
        """
        text = text.strip() or ("" if self.kind in KINDS else self.usual)
        if self.kind == "enter":
            return ""
        if self.kind in ("text", "picture"):
            return self._read_text(text)
        if not text and self.usual:
            return float(self.usual)
        kind, typed = KINDS[self.kind], text
        for name, own in kind.also:
            if text.lower().endswith(name):  # the number without the unit that was typed with it
                text, metric = text[: -len(name)].strip(), own
        at = 0 if metric else 1
        try:
            value = number_of(text)
        except (ValueError, ZeroDivisionError):
            msg = f"{self.question}: '{text}' is no number of {kind.words[at]}."
            raise TillerError(msg) from None
        if not metric:
            value = kind.metric_of(value)
        if not self.low <= value <= self.high:
            ends = [end if metric else end / kind.metric_of(1.0) for end in (self.low, self.high)]
            msg = f"{self.question}: '{typed}' is not within {ends[0]:.4g} to {ends[1]:.4g} {kind.units[at]}: measure or type it again."
            raise TillerError(msg)
        return value

    def _read_text(self, text: str) -> str:
        if not text:
            msg = f"{self.question}: a word or two are expected."
            raise TillerError(msg)
        if not text.isprintable() or len(text) > LONGEST_TEXT:
            msg = f"{self.question}: at most {LONGEST_TEXT} printable characters are expected."
            raise TillerError(msg)
        if self.choices and text.lower() not in self.choices:
            msg = f"{self.question}: '{text}' is none of {', '.join(self.choices)}."
            raise TillerError(msg)
        return text.lower() if self.choices else text


def number_of(text: str) -> float:
    """A number with a comma or a point, or as a rule shows it: 34 1/4, 3/8.

    Raises:
        ValueError, ZeroDivisionError: it is none.
    """
    text = text.strip().replace(",", ".")
    sign = -1.0 if text.startswith("-") else 1.0
    total = 0.0
    text = text.removeprefix("-")
    if text.startswith(("-", "+")):
        msg = f"two signs in '{text}'"
        raise ValueError(msg)
    for part in text.replace("-", " ").split() if "/" in text else [text]:
        over, _, under = part.partition("/")
        total += float(over) / float(under) if under else float(part)
    return sign * total
