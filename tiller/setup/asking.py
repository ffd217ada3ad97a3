"""The form of a new bow, one question after the other: pure, what is typed in, the next state out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tiller.bow.sides import SIDES
from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM
from tiller.bow.wood.woods import find_wood, like_wood
from tiller.errors import KeyFault, TillerError
from tiller.quantity import mm
from tiller.setup.field import Field
from tiller.setup.new_bow import (
    bow_text,
    few_form,
    form,
    from_few,
    name_fault,
    place_of,
    string_fault,
    usual_string_mm,
)

NAME = Field(key="name", question="What is the bow called?", kind="text")


@dataclass(frozen=True, kw_only=True)
class Asking:
    """Where the form stands.

    Attributes:
        name: the bow's, '' while it is asked for.
        at: number of the question, -1 for the name.
        answers: in mm and N, or as text; given: of an earlier form, offered again.
        fault: what is wrong with the last answer, with marked quantities; '' where nothing is.
        follows: what follows from the last answer, likewise.
        text: the bow's file, '' until all is answered.
        few: both limbs are taken as alike, and few measures are asked for.
    """

    metric: bool
    name: str = ""
    at: int = -1
    answers: Mapping[str, str | float] = field(default_factory=dict)
    given: Mapping[str, str | float] = field(default_factory=dict)
    fault: str = ""
    follows: str = ""
    text: str = ""
    few: bool = False

    @property
    def fields(self) -> tuple[Field, ...]:
        """All questions."""
        return few_form() if self.few else form()

    @property
    def asked(self) -> Field:
        """The question that stands, its usual answer what was given before."""
        if self.at < 0:
            return NAME
        question = self.fields[self.at]
        known = self.answers.get(question.key, self.given.get(question.key))
        if known is None and self.few and question.key == "string_length":
            known = usual_string_mm(self.answers)
        return question if known is None else replace(question, usual=str(known))

    @property
    def unit(self) -> str:
        """Of the answer, '' for words."""
        return self.asked.unit(self.metric)

    @property
    def place_mm(self) -> float:
        """Where along the limb it is measured, NaN where it is no such question."""
        return place_of(self.asked.key, self.answers)

    @property
    def count(self) -> int:
        """How many questions there are."""
        return len(self.fields)


def answered(state: Asking, typed: str, taken: frozenset[str] = frozenset()) -> Asking:
    """The state after an answer; where it is none the same question, with what is wrong.

    Args:
        taken: names of bows that are there already.
    """
    if state.at < 0:
        fault = name_fault(typed) or (
            f"there is a bow called '{typed}' already: choose another name." if typed in taken else ""
        )
        return replace(state, fault=fault) if fault else replace(state, name=typed, at=0, fault="", follows="")
    question = state.asked
    try:
        value = question.read(typed, state.metric)
    except TillerError as err:
        return replace(state, fault=err.marked, follows="")
    answers = {**state.answers, question.key: value}
    wrong = string_fault(answers) if question.key == "string_length" else ""
    if wrong:
        return replace(state, fault=wrong, follows="")
    state = replace(state, answers=answers, at=state.at + 1, fault="", follows=_follows(question, value, answers))
    if state.at < state.count:
        return state
    try:
        text = bow_text(state.name, from_few(answers) if state.few else answers)[0]
    except KeyFault as err:
        # the answers do not fit each other: from the beginning, each offered again
        return replace(state, at=0, given=answers, fault=f"the answers do not fit each other: {err.marked}")
    return replace(state, text=text)


SWELLS = 1.15
"""A width or thickness over that of the station before it, from which on it is worth a second look: limbs taper to the nock (common practice, no source)."""


def _follows(question: Field, value: str | float, answers: Mapping[str, str | float]) -> str:
    """What is worth knowing of an answer."""
    side, _, what = question.key.partition("_")
    if what[:-1] in ("width", "thick") and side in SIDES:
        before = [answers.get(f"{side}_{what[:-1]}{k}") for k in range(int(what[-1]))]
        nearer = next((float(v) for v in reversed(before) if v is not None), float("inf"))
        if float(value) > SWELLS * nearer:
            name = "wider" if what.startswith("width") else "thicker"
            return f"{mm(float(value), 1)} is {name} than nearer to the handle ({mm(nearer, 1)}): if that is not so, Up goes back to it."
    if question.key == "draw_to_back":
        return f"to the back of the bow; from the pivot to the string that is {mm(float(value) - ARCHERY_DRAW_ALLOWANCE_MM)}."
    if question.key == "wood" and find_wood(str(value)) is None:
        like = like_wood(str(value))
        meant = f" (is {like} meant?)" if like else ""
        return f"'{value}' is in no table{meant}: its limit and modulus are guesses until bow.toml says working_strain and modulus_gpa."
    return ""


def back(state: Asking) -> Asking:
    """The question before."""
    return replace(state, at=max(-1, state.at - 1), fault="", follows="")
