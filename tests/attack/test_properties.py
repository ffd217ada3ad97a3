"""Whatever comes in, each reader gives its own kind of thing or its own kind of fault; what was written is read back the same.

That a round trip holds and that nothing else is raised are properties of this project's own; TOML's meaning is the standard library's ``tomllib``.
"""

from __future__ import annotations

import argparse
import copy
import math
import string
import tomllib
from contextlib import suppress
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.property.test_files import JUNK, paths, put
from tiller.bow.stavefile import parse_stave
from tiller.bow.tomlwrite import toml, with_keys, with_rows
from tiller.cli.arguments import number, whole
from tiller.errors import KeyFault, RecordingFault, TillerError
from tiller.force.line import parse_line
from tiller.force.log import read_log
from tiller.measure.recording import _read_draws, _read_force, _read_frames
from tiller.output import clean, one_line
from tiller.setup.capture import read_loads
from tiller.setup.new_bow import form, keep_answers, kept_answers, name_fault
from tiller.sources.software import parse_spot

SLOW = settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
WORDS = st.text(max_size=40)
KEYS = st.text(string.ascii_lowercase + "_", min_size=1, max_size=8)
SCALARS = st.one_of(
    st.booleans(),
    st.integers(-(2**62), 2**62),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    st.dates(),
)
ROWS = st.lists(st.dictionaries(KEYS, SCALARS, min_size=1, max_size=4), min_size=1, max_size=4)
FILES = st.dictionaries(
    KEYS, st.one_of(SCALARS, ROWS, st.dictionaries(KEYS, st.one_of(SCALARS, ROWS), max_size=3)), max_size=6
)

STAVE: dict[str, Any] = {
    "name": "hedge",
    "wood": "white ash",
    "felled": date(2026, 1, 5),
    "log_diameter_mm": 220.0,
    "weighings": [{"on": date(2026, 3, 1), "mass_kg": 3.1}, {"on": date(2026, 4, 1), "mass_kg": 2.6}],
    "offcut": {"on": date(2026, 3, 1), "wet_g": 60.0, "dry_g": 45.0, "stave_kg": 3.1},
    "features": [{"limb": "left", "kind": "knot", "from_mm": 300, "to_mm": 330}],
}


@SLOW
@given(FILES)
def test_toml_is_read_back_as_it_was_written(data: dict[str, Any]) -> None:
    assert tomllib.loads(toml(data)) == data


@SLOW
@given(FILES, FILES, st.lists(KEYS, max_size=3))
def test_keys_put_in_are_there_and_the_others_stand(
    old: dict[str, Any], new: dict[str, Any], without: list[str]
) -> None:
    text = with_keys("# a remark\n" + toml(old), new, without)
    stays = {k: v for k, v in old.items() if k not in new and k not in without}
    assert tomllib.loads(text) == stays | new
    assert "# a remark" in text


LAYOUTS = (
    'name = "x" # behind\n[limbs]\nleft = { length_mm = 5.0 }\nright = { length_mm = 6.0 }\n',
    "limbs.left.length_mm = 5.0\nlimbs.right.length_mm = 6.0\nupper_limb = 'left'\n",
    "[limbs.left]\nlength_mm = 5.0\n\n[other]\na = 1\n\n[limbs.right]\nlength_mm = 6.0\n",
    "limbs = { left = { length_mm = 5.0, rows = [{ a = 1 }] }, right = {} }\nlast = 1\n",
)


@pytest.mark.parametrize("text", LAYOUTS)
def test_rows_and_keys_go_into_any_layout(text: str) -> None:
    had = tomllib.loads(text)
    told = tomllib.loads(with_rows(text, ("limbs", "left", "rows"), [{"kind": "knot", "from_mm": 1.5}]))
    assert told["limbs"]["left"]["rows"][-1] == {"kind": "knot", "from_mm": 1.5}
    del told["limbs"]["left"]["rows"][-1]
    if not told["limbs"]["left"]["rows"]:
        del told["limbs"]["left"]["rows"]
    assert told == had
    assert tomllib.loads(with_keys(text, {"moisture": 9.5, "name": "y"})) == had | {"moisture": 9.5, "name": "y"}
    assert "# behind" in with_keys(LAYOUTS[0], {"name": "y"})


@SLOW
@given(ROWS, ROWS)
def test_rows_are_added_at_the_end(old: list[dict[str, Any]], new: list[dict[str, Any]]) -> None:
    for base in ({"limbs": {"left": {"rows": old}}}, {"limbs": {"left": {"length_mm": 5.0}}}):
        text = with_rows(toml(base), ("limbs", "left", "rows"), new)
        there = base["limbs"]["left"].get("rows", [])
        assert tomllib.loads(text)["limbs"]["left"]["rows"] == [*there, *new]  # type: ignore[misc]


@SLOW
@given(st.data())
def test_any_wrong_value_of_a_stave_is_a_key_fault_or_a_stave(data: st.DataObject) -> None:
    bad = put(copy.deepcopy(STAVE), data.draw(st.sampled_from(paths(STAVE))), data.draw(JUNK))
    try:
        parse_stave(bad, "stave.toml", date(2026, 11, 1))
    except KeyFault as err:
        assert "stave.toml" in str(err)
        assert "expected" in str(err)


TABLES = st.one_of(
    st.binary(max_size=400),
    st.lists(st.lists(st.text(max_size=8), max_size=5), max_size=8).map(
        lambda rows: "\n".join(",".join(r) for r in rows).encode("utf-8", "surrogatepass")
    ),
)


@SLOW
@given(
    st.sampled_from([b"file,t_s,role\n", b"t_s,line\n", b"t_s,draw_mm\n", b"series,way,mass_kg,counts\n", b""]), TABLES
)
@example(b"file,t_s,role\n", b"a,1e999,pull\n")
@example(b"series,way,mass_kg,counts\n", b"1,up,1e999,1\n")
def test_any_table_is_a_table_or_a_recording_fault(tmp_path: Path, head: bytes, body: bytes) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(head + body)
    for read in (_read_frames, _read_force, _read_draws, lambda p: read_loads(p, lambda kg: 9.8 * kg)):
        try:
            rows = read(path)
        except RecordingFault as err:
            assert "table.csv" in str(err) or "line" in str(err)
            continue
        if read is _read_frames:
            assert all(math.isfinite(p.t_s) for p in rows)
            assert all(a.t_s <= b.t_s for a, b in pairwise(rows))


@SLOW
@given(st.lists(st.tuples(st.floats(), st.text(max_size=40)), max_size=30))
def test_any_lines_are_a_log_or_one_of_our_faults(lines: list[tuple[float, str]]) -> None:
    try:
        log = read_log(lines)
    except TillerError:
        return
    assert len(log.t_s) == len(log.counts) >= 1


@SLOW
@given(st.binary(max_size=80))
def test_any_bytes_are_a_line_of_some_kind(raw: bytes) -> None:
    assert parse_line(raw) is not None


@SLOW
@given(WORDS)
@example("1e400")
@example("-9" * 200)
def test_a_number_typed_is_finite_or_refused(text: str) -> None:
    for kind in (number, whole):
        try:
            assert abs(kind(text)) <= 1e9
        except argparse.ArgumentTypeError as err:
            assert len(str(err)) < 300


@SLOW
@given(WORDS)
@example("left:1-2:-1%")
@example("left:" + "9" * 400 + "-2:-1%")
def test_a_spot_is_a_spot_or_a_fault(text: str) -> None:
    try:
        spot = parse_spot(text)
    except TillerError:
        return
    assert spot.from_mm < spot.to_mm


@SLOW
@given(WORDS)
def test_a_name_that_is_taken_is_one_folder(text: str) -> None:
    if not name_fault(text):
        assert Path(text).name == text
        assert text not in (".", "..")
        assert not any(ord(c) < 32 for c in text)


@SLOW
@given(
    st.dictionaries(
        st.sampled_from([f.key for f in form()]), st.one_of(st.floats(1, 900), st.text(max_size=9)), max_size=8
    )
)
def test_answers_are_kept_as_they_were_given(tmp_path: Path, answers: dict[str, str | float]) -> None:
    fields = {f.key: f for f in form()}
    good: dict[str, str | float] = {}
    for key, value in answers.items():
        with suppress(TillerError):
            good[key] = fields[key].read(str(value), True)
    path = tmp_path / "answers.toml"
    keep_answers(path, good)
    assert kept_answers(path) == good
    keep_answers(path, answers | good if all(str(v).isprintable() for v in answers.values()) else good)
    assert all(kept_answers(path)[key] == value for key, value in good.items())  # and what is none is asked again


@SLOW
@given(st.text(max_size=400))
@example("x" * 10_000)
@example("\x1b]0;title\x07\udc80\n")
def test_what_is_printed_is_one_clean_line(text: str) -> None:
    out = one_line(clean(text))
    assert "\n" not in out
    assert not any((ord(c) < 32 and c not in "\t\r") or 127 <= ord(c) < 160 or 0xD800 <= ord(c) < 0xE000 for c in out)
    assert all(len(word) <= 300 for word in out.split(" "))


def test_a_toml_that_is_none_is_not_written_over(tmp_path: Path) -> None:
    import numpy as np

    from tiller.bow.rigfile import Lens
    from tiller.errors import FileFault
    from tiller.setup.rig_writer import put_lens

    path = tmp_path / "rig.toml"
    path.write_text("a = [1,\n")
    with pytest.raises(FileFault, match="nothing was written"):
        put_lens(path, Lens((640, 480), np.eye(3), np.zeros(5)))
    assert path.read_text() == "a = [1,\n"
