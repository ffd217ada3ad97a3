"""Lengths and forces in sentences, in the reader's units. The inch is 25.4 mm and the pound-force 4.4482216152605 N by definition."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiller.errors import TillerError
from tiller.quantity import mm, mm_span, newton, plain, plain_data
from tiller.report.style import METRIC, Units

INCH = Units(metric=False)


def test_in_both_units() -> None:
    text = f"pulled {mm(711.2)} with {newton(200.17, 1)}, {mm_span(300, 420)}, a reading of {mm(14.3, None)}, {mm(-0.5, 1, sign=True)} off"
    assert METRIC.words(text) == "pulled 711 mm with 200.2 N, 300 to 420 mm, a reading of 14.3 mm, -0.5 mm off"
    assert INCH.words(text) == "pulled 28.0 in with 45.00 lb, 11.8 to 16.5 in, a reading of 0.563 in, -0.020 in off"


def test_what_is_no_quantity_stays() -> None:
    """A bow called 'ash 30 N' is no weight of 6.7 lb."""
    text = f"the pull in 'ash 30 N, 300 mm' went to {newton(30)}."
    assert INCH.words(text) == "the pull in 'ash 30 N, 300 mm' went to 6.7 lb."
    assert INCH.words("⟦no mark⟧ ⟦12 ft 0⟧") == "⟦no mark⟧ ⟦12 ft 0⟧"


@given(st.floats(-5000, 5000), st.sampled_from([None, 0, 1, 2]))
def test_a_reading_loses_nothing_that_it_said(value: float, decimals: int | None) -> None:
    shown = INCH.words(mm(value, decimals))
    assert re.fullmatch(r"-?\d+\.\d+ in", shown)
    step = 25.4 * 10.0 ** -len(shown.split(" ")[0].split(".")[1])
    said = value if decimals is None else round(value, decimals)
    assert abs(float(shown.split(" ")[0]) * 25.4 - value) <= 0.5 * step + 1e-9
    # no coarser than twice what was said of a caliper's reading, a tenth of a millimetre
    if decimals == 1 and abs(value) < 60:
        assert step <= 0.0255 * 10
    assert METRIC.words(mm(value, decimals)).endswith(" mm")
    assert abs(said - value) <= 0.5 + 1e-9


def test_errors_speak_plainly_and_keep_their_marks() -> None:
    err = TillerError(f"the string moved {mm(12.7)} only")
    assert str(err) == "the string moved 13 mm only"
    assert INCH.words(err.marked) == "the string moved 0.50 in only"
    assert str(TillerError()) == ""


def test_data_is_written_in_mm_and_n() -> None:
    told = {"said": [f"at {mm(5)}", {"deep": (newton(1.25, 2),)}], "n": 3, "none": None}
    assert plain_data(told) == {"said": ["at 5 mm", {"deep": ["1.25 N"]}], "n": 3, "none": None}


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e-9, 1e12])
def test_odd_values_are_words_too(value: float) -> None:
    for text in (mm(value), newton(value, 2), mm_span(value, 1.0)):
        assert "⟦" not in plain(text)
        assert "⟦" not in INCH.words(text)


def test_the_command_line_s_errors_are_in_the_units_asked_for(
    tmp_path: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from tiller.cli import entry

    def broken(_: object) -> int:
        raise TillerError(f"it moved {mm(254)}.")

    for units, said in (("metric", "254 mm"), ("inch", "10.0 in")):
        args = type("Args", (), {"units": units, "log_file": None, "run": staticmethod(broken)})()
        monkeypatch.setattr(entry, "parsed", lambda _, args=args: args)
        monkeypatch.setattr(entry, "check_outputs", lambda _: None)
        assert entry.main([]) == 2
        assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    "text", ["⟦1e mm 0⟧", "⟦- mm 0⟧", "⟦e N g⟧", "⟦1~ mm 0⟧", "⟦9e9999 mm 0⟧", "⟦1.2.3 N 1⟧", "⟦" * 50, "⟦nan mm g⟧"]
)
def test_what_somebody_else_wrote_never_breaks_a_sentence(text: str) -> None:
    assert isinstance(plain(text), str)
    assert isinstance(INCH.words(text), str)
    assert isinstance(str(TillerError(text)), str)


def test_a_bow_s_file_may_not_hold_marks() -> None:
    from tiller.bow.tomlcheck import Table
    from tiller.errors import KeyFault

    with pytest.raises(KeyFault, match="no ⟦ or ⟧"):
        Table("bow.toml", "", {"wood": "⟦30 N 0⟧"}).text("wood")
