"""The bow in the stave: against an exhaustive search (tests.bench.place), by mirror images and cases that a hand can draw; what is refused; the template's line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.bench.place import SHAPE, stave
from tiller.bow.sides import Side
from tiller.bow.stavefile import read_stave
from tiller.cli.entry import main
from tiller.errors import TillerError
from tiller.mechanics.wood.place import FaceOf, Knot, placed, placements, tried
from tiller.records.book import Book
from tiller.records.wood.findings import findings_of
from tiller.setup.wood.place import centre_of, face_of, features_of, lie, shape_of


def clean(length: float = 1800.0, half: float = 40.0, bend: float = 0.0, knots: tuple[Knot, ...] = ()) -> FaceOf:
    x = np.arange(0.0, length + 1, 20.0)
    grain = bend * np.sin(np.pi * x / length)
    return FaceOf(x_mm=x, low_mm=grain - half, high_mm=grain + half, grain_mm=grain, knots=knots)


@pytest.mark.parametrize("seed", [1, 4, 9])
def test_no_place_on_a_finer_grid_costs_two_per_cent_less(seed: int) -> None:
    face = stave(seed)
    found = placements(face, SHAPE)
    _grid, cost = tried(face, SHAPE, 8.0, 1.5, tuple(np.linspace(0, 1, 6)), (-40.0, -20.0, 0.0, 20.0, 40.0))
    lies = cost[:, 4] <= 0.0
    assert found
    assert found[0].cost <= 1.02 * max(float(cost[lies, -1].min()), 1.0)
    assert [p.cost for p in found] == sorted(p.cost for p in found)
    assert all(p.over_mm <= 0.05 for p in found)


def test_a_clean_straight_stave_costs_nothing() -> None:
    best = placements(clean(), SHAPE)[0]
    assert best.cost < 0.2
    assert best.string_mm < 0.1
    assert abs(best.shift_mm) < 2.0


def test_a_knot_is_kept_out_of_the_limbs_middle() -> None:
    knot = Knot(500.0, 0.0, 10.0)
    before = placed(clean(knots=(knot,)), SHAPE, np.array([900.0, 0.0, 1.0, 0.0]))
    best = placements(clean(knots=(knot,)), SHAPE)[0]
    assert before.spoiled == (knot,)
    assert best.knots < 0.5 * before.knots
    # in the handle, or beyond the limb's working part, it hardly counts
    assert (
        placed(clean(knots=(replace(knot, x_mm=900.0),)), SHAPE, np.array([900.0, 0.0, 1.0, 0.0])).knots
        < 0.2 * before.knots
    )
    assert (
        placed(clean(knots=(replace(knot, x_mm=95.0),)), SHAPE, np.array([900.0, 0.0, 1.0, 0.0])).knots
        < 0.2 * before.knots
    )
    assert placed(clean(knots=(replace(knot, y_mm=39.0),)), SHAPE, np.array([900.0, 0.0, 1.0, 0.0])).knots == 0.0


def test_the_mirror_image_has_the_mirrored_place() -> None:
    face = stave(6)
    turned = FaceOf(
        x_mm=face.x_mm, low_mm=-face.high_mm, high_mm=-face.low_mm, grain_mm=-face.grain_mm, knots=tuple(replace(k, y_mm=-k.y_mm) for k in face.knots)
    )  # fmt: skip
    place = np.array([[900.0, 3.0, 0.5, 10.0]])
    one = placed(face, SHAPE, place[0])
    other = placed(turned, SHAPE, place[0] * [1, -1, 1, 1])
    assert one.cost == pytest.approx(other.cost)


def test_the_string_s_line_and_the_grain() -> None:
    """A bow that follows a bow-shaped grain of 20 mm has its string's line that far off the handle, one that is cut straight cuts the grain."""
    face = clean(1720.0, 60.0, 20.0)
    whole = placed(face, SHAPE, np.array([860.0, 20.0, 1.0, 0.0]))
    straight = placed(face, SHAPE, np.array([860.0, 10.0, 0.0, 0.0]))
    assert whole.string_mm == pytest.approx(20.0, abs=0.3)
    assert whole.grain == 0.0
    assert straight.string_mm == pytest.approx(0.0, abs=1e-6)
    assert straight.grain > 0.0
    # along a straight grain that runs aslant the string runs aslant too
    slant = replace(face, grain_mm=0.01 * face.x_mm)
    assert placed(slant, SHAPE, np.array([860.0, 8.6, 1.0, 0.0])).string_mm == pytest.approx(0.0, abs=0.01)


def test_the_template_s_centre_line_bends_the_way_the_face_does() -> None:
    face = clean(1760.0, 60.0, 24.0)
    one = placed(face, SHAPE, np.array([880.0, 24.0, 1.0, 0.0]))
    for side in Side:
        along, off = centre_of(one, side)
        assert (along[0], off[0]) == (0.0, 0.0)
        assert off[-1] == pytest.approx(0.0, abs=1e-9)
        assert np.all(np.diff(along) > 0)
        assert along[-1] == pytest.approx(860.0, abs=1.5)
        assert np.max(off) > 3.0  # bowed up on the face, for both limbs
        assert np.min(off) > -0.2
    knots = (Knot(500.0, 20.0, 8.0), Knot(1200.0, 10.0, 3.0), Knot(5.0, 0.0, 9.0))
    rows = features_of(one, replace(face, knots=knots))
    assert [(r["limb"], r["kind"]) for r in rows] == [("left", "knot"), ("right", "pin knots")]
    assert rows[0]["from_mm"] == pytest.approx(np.hypot(380, 24 - 24 * np.sin(np.pi * 500 / 1760)) - 10.0, abs=1.0)


def test_a_bow_that_does_not_fit_is_told_what_would() -> None:
    assert "a limb of" in lie(clean(1500.0), SHAPE, True).why_not
    assert "a narrower" in lie(clean(1800.0, 15.0), SHAPE, True).why_not


@pytest.mark.parametrize(
    ("stations", "knots", "says"),
    [
        ("0:-30:30,900:-30:30", [], "3 places"),
        ("0:-30:30,900:-30,1800:-30:30", [], "is not of the form"),
        ("0:-30:30,900:-30:30:2,1800:-30:30", [], "at every place, or at none"),
        ("0:30:-30,900:-30:30,1800:-30:30", [], "lower edge first"),
        ("0:-30:30,100:-30:30,200:-30:30", [], "makes no bow"),
        ("0:-30:30,900:-30:30,1800:-30:30", ["9000:1:2"], "off the stave"),
        ("0:-30:30,900:-30:30,1800:-30:30", ["12"], "is not of the form"),
    ],
)
def test_faces_that_are_none(stations: str, knots: list[str], says: str) -> None:
    with pytest.raises(TillerError, match=says):
        face_of(stations, knots, True)


def test_inches() -> None:
    face = face_of("0:-1.2:1.2,36:-1.2:1.2,72:-1.2:1.3", ["20:0.5:0.25"], False)
    assert face.x_mm[-1] == pytest.approx(72 * 25.4)
    assert face.knots[0].wide_mm == pytest.approx(6.35)
    with pytest.raises(TillerError, match="too short"):
        shape_of(200.0, 50.0, 45.0, 12.0, "straight")


def test_by_command(home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stave", "brook ash 1", "--wood", "white ash"]) == 0
    with Book(home / "book.sqlite3"):
        pass
    words = [
        "place",
        "brook ash 1",
        "--face",
        "0:-34:32:0,450:-22:44:12,900:-20:46:14,1350:-30:36:3,1860:-40:28:-8",
        "--knot",
        "700:10:12",
        "--length",
        "880",
    ]
    picture, pages = tmp_path / "place.png", tmp_path / "place.pdf"
    assert main([*words, "--own", "930:6", "--picture", str(picture), "--template", str(pages)]) == 0
    said = capsys.readouterr().out
    assert "\n1: handle's middle at" in said
    assert "your own: handle's middle at 930 mm along, 6 mm across; follows 100 %" in said
    assert pages.read_bytes().startswith(b"%PDF")
    file = home / "bows" / "brook ash 1" / "stave.toml"
    assert not read_stave(file).features
    assert main([*words, "--take", "1"]) == 0
    assert len(read_stave(file).features) == 1
    with Book(home / "book.sqlite3") as shop:
        assert findings_of(shop, "brook ash 1")[0].kind == "place"
    capsys.readouterr()
    assert main([*words, "--take", "own"]) == 2
    assert "Nothing was written" in capsys.readouterr().err
    assert main([*words, "--own", "a:b"]) == 2
    assert main([*words[:-1], "1200"]) == 0
    assert "No bow of that size fits" in capsys.readouterr().out
