"""A bow's file changed value by value: what stands there is shown as it is, each change is what was typed and nothing else, and what the file's own
reader would not take is refused.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from tiller.bow.bowfile import Feature, parse_bow
from tiller.errors import FileFault, TillerError
from tiller.report.style import Units
from tiller.setup.bow_values import Value, changed, feature_of, values_of
from tiller.window.canvas import Sketch
from tiller.window.look import DARK, LIGHT
from tiller.window.shop.file_page import FilePage, changes_of
from tiller.window.shop.file_sheet import draw_file

EXAMPLE = Path(__file__).parents[2] / "calibration" / "example" / "bow.toml"
TEXT = "# by the window\n" + EXAMPLE.read_text().replace("[string]", "# hemp\n[string]")


def value(text: str, *path: str | int) -> Value:
    return next(v for v in values_of(text) if v.path == path)


def bow(text: str) -> object:
    return parse_bow(tomllib.loads(text))


def test_what_stands_there_is_shown_in_the_units() -> None:
    length = value(TEXT, "limbs", "left", "length_mm")
    assert length.shown(Units()) == "876.0 mm"
    assert length.shown(Units(metric=False)) == "34.49 in"
    # 28 in to the back is 26.25 in from the pivot: the archery convention's 1 3/4 in
    draw = value(TEXT, "target", "draw")
    assert draw.shown(Units()) == f"{638 + 44.45:.1f} mm"
    assert value(TEXT, "moisture_percent").shown(Units()) == "-"


@pytest.mark.parametrize(
    ("path", "typed", "wanted"),
    [
        (("string", "length_mm"), "66 1/2 in", 1689.1),
        (("string", "kind"), "braced", "braced"),
        (("target", "draw"), "28 in", 711.2),
        (("target", "draw_weight_n"), "45 lb", 200.17),
        (("target", "working_strain"), "0.7 %", 0.007),
        (("target", "tiller_mm"), "-4", -4.0),
        (("moisture_percent",), "9,5", 9.5),
        (("limbs", "right", "stations", 3, "thickness_mm"), "10.5", 10.5),
        (("limbs", "left", "tip_mm"), "4 in", 101.6),
        (("upper_limb",), "right", "right"),
    ],
)
def test_a_change_is_what_was_typed_and_nothing_else(path: tuple[str | int, ...], typed: str, wanted: object) -> None:
    new = changed(TEXT, value(TEXT, *path), typed, metric=True)
    before, after = tomllib.loads(TEXT), tomllib.loads(new)
    at = ("target", "draw_to_back_mm") if path == ("target", "draw") else path
    for name in at[:-1]:
        before, after = before[name], after[name]
    assert after[at[-1]] == pytest.approx(wanted, abs=0.006) if isinstance(wanted, float) else after[at[-1]] == wanted
    after.pop(at[-1]) if isinstance(after, dict) else None
    before.pop(at[-1], None) if isinstance(before, dict) else None
    before.pop("draw_length_mm", None) if path == ("target", "draw") else None
    assert after == before
    assert "# by the window" in new
    assert "# hemp" in new
    assert changed(TEXT, value(TEXT, *path), "  ", metric=True) == TEXT


def test_features_come_and_go() -> None:
    new = changed(TEXT, value(TEXT, "limbs", "left", "features", "+"), "knot 340-310", metric=True)
    assert bow(new).left.features == (Feature("knot", 310.0, 340.0, True, 1.0),)  # type: ignore[attr-defined]
    more = changed(new, value(new, "limbs", "left", "features", "+"), "cut ring 12-13", metric=False)
    assert len(bow(more).left.features) == 2  # type: ignore[attr-defined]
    assert bow(more).left.features[1].from_mm == pytest.approx(304.8)  # type: ignore[attr-defined]
    fewer = changed(more, value(more, "limbs", "left", "features", 0, "kind"), "-", metric=True)
    assert [f.kind for f in bow(fewer).left.features] == ["cut ring"]  # type: ignore[attr-defined]
    none = changed(fewer, value(fewer, "limbs", "left", "features", 0, "kind"), "-", metric=True)
    assert bow(none) == bow(TEXT)
    for wrong in ("", "knot", "dent 3-4", "knot 3", "knot a-b"):
        with pytest.raises(TillerError):
            feature_of(wrong, metric=True)


@pytest.mark.parametrize(
    ("path", "typed", "said"),
    [
        (("wood",), "-", "cannot be left out"),
        (("moisture_percent",), "-", "nothing stands there"),
        (("string", "kind"), "slack", "none of"),
        (("string", "length_mm"), "ninety", "no number"),
        (("target", "brace_height_mm"), "3000", "is not within 60 to 350 mm"),
        (("limbs", "left", "stations", 2, "s_mm"), "50", "more than the station before"),
        (("limbs", "left", "features", "+"), "knot 300-4000", "is not within"),
        (("limbs", "left", "features", "+"), "knot 300-900", "to_mm"),
        (("limbs", "left", "length_mm"), "700", "s_mm"),
    ],
)
def test_what_the_file_would_not_take_is_refused(path: tuple[str | int, ...], typed: str, said: str) -> None:
    with pytest.raises(TillerError, match=said):
        changed(TEXT, value(TEXT, *path), typed, metric=True)


def test_the_page_keeps_what_changed_and_when(tmp_path: Path) -> None:
    file = tmp_path / "bow.toml"
    file.write_text(TEXT)
    page = FilePage("x", file, Units())
    page.at = next(k for k, v in enumerate(page.values) if v.path == ("string", "length_mm"))
    page.check("16")
    assert page.fault  # while it is typed
    page.check("1650")
    assert not page.fault
    assert file.read_text() == TEXT
    page.press("=1650")
    assert bow(file.read_text()).string.length_mm == 1650.0  # type: ignore[attr-defined]
    assert (tmp_path / "bow.toml.before").read_text() == TEXT
    page.press("=nonsense")
    assert page.fault
    page.press("Down")
    assert not page.fault
    kept = changes_of(file)
    assert [(c.what, c.before, c.after) for c in kept] == [
        ("string: length between the loops", "1774.0 mm", "1650.0 mm")
    ]
    assert FilePage("x", file, Units()).changes == kept
    file.write_text(TEXT)  # somebody else wrote it
    page.at = next(k for k, v in enumerate(page.values) if v.path == ("string", "length_mm"))
    page.press("=1600")
    assert "changed elsewhere" in page.fault
    assert file.read_text() == TEXT
    page = FilePage("x", file, Units())
    page.at = next(k for k, v in enumerate(page.values) if v.path[-1] == "+")
    page.press("=knot 310-340")
    assert page.changes[-1].after == "by now knot, 310.0 mm, 340.0 mm"
    page.at = next(k for k, v in enumerate(page.values) if v.path[-1] == "kind" and "features" in v.path)
    page.press("=-")
    assert (page.changes[-1].before, page.changes[-1].after) == ("knot", "by now none")
    page.left(" 1650 ")
    assert "not taken" in page.message
    kept = (tmp_path / "changes.csv").read_bytes()
    (tmp_path / "changes.csv").write_bytes(b"\xff\x00rubbish\n" + kept)
    before = (tmp_path / "changes.csv").read_bytes()
    page.at = next(k for k, v in enumerate(page.values) if v.path == ("target", "brace_height_mm"))
    page.press("=160")
    assert (tmp_path / "changes.csv").read_bytes().startswith(before)  # it is added to, whatever stands there
    (tmp_path / "changes.csv").unlink()
    (tmp_path / "changes.csv").mkdir()
    page.at = next(k for k, v in enumerate(page.values) if v.path == ("target", "brace_height_mm"))
    page.press("=155")
    assert "could not be noted" in page.message  # but it is changed, and can be changed on
    page.at = next(k for k, v in enumerate(page.values) if v.path == ("target", "brace_height_mm"))
    page.press("=152")
    assert bow(file.read_text()).target.brace_height_mm == 152.0  # type: ignore[attr-defined]
    file.unlink()
    with pytest.raises(FileFault):
        FilePage("x", file, Units())
    assert not page.press("Escape")


@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("metric", [True, False])
def test_nothing_runs_out_of_the_sheet(tmp_path: Path, size: tuple[int, int], metric: bool) -> None:
    file = tmp_path / "bow.toml"
    file.write_text(TEXT)
    page = FilePage("a bow with a name that goes on and on and on", file, Units(metric))
    for k in range(40):
        page.changes = (*page.changes, replace(page.changes[-1]) if page.changes else _change(k))
    for at in (0, 5, len(page.values) - 1):
        page.at, page.fault = at, "it is no number of millimetres at all, and this sentence is long. " * 2
        sheet = Sketch(*size)
        draw_file(sheet, page, Units(metric), DARK if metric else LIGHT)
        for text in sheet.placed:
            assert text.x >= -1, text
            assert text.x + text.width <= size[0] + 1, text
            assert text.y + text.height <= size[1] + 1, text


def _change(k: int) -> object:
    from tiller.window.shop.file_page import Change

    return Change(f"2026-11-{k % 28 + 1:02d} 10:00", "left limb: station 3: thickness", "11.2 mm", "10.9 mm")
