"""What the book keeps of a pull comes back as it was: writer and reader against each other, and against rows that somebody else wrote."""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests import stored_pulls
from tests.stored_pulls import alike
from tiller.measure.followup.advice import advise
from tiller.measure.followup.comparison import compare
from tiller.measure.followup.sets import Past
from tiller.measure.pipeline import measure
from tiller.measure.recording import hash_files, read_recording
from tiller.measure.store import taken_at
from tiller.notes import UNCODED, Level, Note, info
from tiller.records.book import Book, PullSource
from tiller.records.shapes import KeptNotes, fits_advice, notes_json, notes_of
from tiller.records.stored_advice import StoredAdvice, StoredComparison, read, written
from tiller.records.stored_pull import description, wanted_weight_n
from tiller.report.data import stored_advice
from tiller.report.text.comparison import stored_comparison


def filled(kind: Any, number: list[float]) -> Any:
    """A thing of this kind, each number in it another one."""
    origin = typing.get_origin(kind)
    if kind is Note:
        number[0] += 1.0
        return Note(f"area.number-{number[0]:.0f}", Level.CAUTION, f"text {number[0]:.0f}")
    if origin is types.UnionType:
        return filled(next(k for k in typing.get_args(kind) if k is not types.NoneType), number)
    if origin is tuple:
        return tuple(filled(typing.get_args(kind)[0], number) for _ in range(3))
    if origin is not None:
        return {"target draw": filled(float, number), "next step": float("nan")}
    if dataclasses.is_dataclass(kind):
        kinds = typing.get_type_hints(kind)
        return kind(**{f.name: filled(kinds[f.name], number) for f in dataclasses.fields(kind)})  # type: ignore[operator]
    number[0] += 1.0
    return f"text {number[0]:.0f}" if kind is str else int(number[0]) if kind is int else number[0]


def test_all_that_is_written_is_read() -> None:
    count = [0.0]
    advice, comparison = filled(StoredAdvice, count), filled(StoredComparison, count)
    assert count[0] > 150
    text = json.dumps(written(advice, comparison), allow_nan=False)
    assert fits_advice(json.loads(text))  # and a merge takes it
    back = read(json.loads(text))
    assert alike(back, (advice, comparison))
    assert not alike(back, (dataclasses.replace(advice, working_strain=-1.0), comparison))


def test_nothing_is_nothing() -> None:
    for told in ({}, written(StoredAdvice(), StoredComparison())):
        advice, comparison = read(told)
        assert alike(advice, StoredAdvice())
        assert alike(comparison, StoredComparison())
    assert read({"missing": []})[0].missing == ()  # done: not the same as no plan
    assert read({})[0].missing is None


def test_what_an_older_book_kept_as_sentences_are_notes() -> None:
    advice, comparison = read({"advice_said": ["dry it first"], "beside_said": ["all came off", 3]})
    assert advice.advice_notes == (info(UNCODED, "dry it first"),)
    assert comparison.comparison_notes == (info(UNCODED, "all came off"),)


@pytest.mark.parametrize("wrong", ["a text", 3.0, [1, 2], {"draw_mm": "far"}, [{"limb": 3}], True, None])
def test_what_is_of_another_kind_is_left_out(wrong: Any) -> None:
    """A book may come from anywhere: no reader ends by it."""
    for part in (StoredAdvice, StoredComparison):
        for key in (f.name for f in dataclasses.fields(part)):
            advice, comparison = read({key: wrong})
            assert isinstance(advice.weight_n, float)
            assert isinstance(comparison.set_mm, float)
            assert all(isinstance(n, Note) for n in (*advice.advice_notes, *comparison.comparison_notes))
            if advice.stop is not None:
                assert isinstance(advice.stop.draw_mm, float)


def test_a_measured_pull_comes_back(small_recording: Path, tmp_path: Path) -> None:
    recording = read_recording(small_recording)
    measured = measure(recording)
    advice = stored_advice(advise(measured, recording.bow), recording.bow)
    comparison = stored_comparison(compare(measured, recording.bow, 200.0, Past()))
    source = PullSource("ash", description(recording.bow), recording.folder, hash_files(recording), taken_at(recording))
    with Book(tmp_path / "book.sqlite3") as book:
        pull_id, _, _ = book.add(measured.result, source, advice, comparison)
        pull = book.pull(pull_id)
        (bow,) = book.bows()
    result = measured.result
    assert alike(pull.advice, advice)
    assert alike(pull.comparison, comparison)
    assert pull.advice.stop is not None
    assert pull.advice.forecast is not None
    for side in ("left", "right"):
        assert alike(pull.limb(side), stored_pulls.limb_of(result.limb(side)))
    for kept, seen in zip(pull.pictures, result.pictures, strict=True):
        assert all(alike(getattr(kept, f.name), getattr(seen, f.name)) for f in dataclasses.fields(kept))
    top = result.pictures[result.largest]
    assert (pull.largest_draw_mm, pull.force_there_n, pull.weighed) == (top.draw_mm, top.force_n, True)
    assert (pull.notes, pull.left_out) == (result.notes, result.left_out)
    assert (pull.balance, pull.lag_s) == (result.balance, result.lag_s)
    assert dict(pull.files) == source.hashes
    assert wanted_weight_n(bow.description) == recording.bow.target.draw_weight_n
    assert np.isnan(wanted_weight_n("[]"))


@pytest.mark.parametrize(
    "wrong", ["5", '{"notes": 5}', '{"left_out": 3}', '{"notes": "abc"}', '{"notes": [{"text": 1}]}', "no JSON"]
)
def test_notes_of_another_kind_are_none(wrong: str) -> None:
    assert notes_of(wrong).notes == ()
    assert notes_of(wrong).left_out == ()


def test_notes_come_back_and_sentences_of_an_older_book_with_them() -> None:
    kept = KeptNotes((Note("area.one", Level.STOP, "stop"),), ("a picture",))
    assert notes_of(notes_json(kept)) == kept
    assert notes_of('{"said": ["dry it"], "left_out": ["x"]}') == KeptNotes((info(UNCODED, "dry it"),), ("x",))
    assert notes_of('["dry it"]') == KeptNotes((info(UNCODED, "dry it"),), ())
