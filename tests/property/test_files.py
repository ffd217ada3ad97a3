"""bow.toml and rig.toml: whatever stands there is either a checked bow or a sentence with file, key, found, expected."""

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tiller.bow.bowfile import parse_bow
from tiller.bow.rigfile import parse_rig
from tiller.errors import FileFault, KeyFault

JUNK = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=5),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)


def paths(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    out = [at] if at else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        out += paths(inner, (*at, key))
    return out


def put(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    value = copy.deepcopy(value)
    inner = value
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = new
    return value


@settings(max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_wrong_value_is_a_key_fault_or_a_bow(small_recording: Path, data: st.DataObject) -> None:
    for name, parse in (("bow.toml", parse_bow), ("rig.toml", parse_rig)):
        good = tomllib.loads((small_recording / name).read_text())
        bad = put(good, data.draw(st.sampled_from(paths(good))), data.draw(JUNK))
        try:
            parse(bad, name)
        except KeyFault as err:
            assert name in str(err)
            assert "found" in str(err)
            assert "expected" in str(err)


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (
            ("limbs", "left", "stations", 2, "thickness_mm"),
            float("nan"),
            r"limbs\.left\.stations\[2\]\.thickness_mm.*found nan.*from 2 to 80 mm",
        ),
        (("limbs", "right", "length_mm"), "long", r"limbs\.right\.length_mm.*'long'"),
        (("string", "kind"), "short", r'string\.kind.*"long", "braced"'),
        (("upper_limb",), "top", r'upper_limb.*"left", "right"'),
        (("limbs", "left", "stations", 1, "s_mm"), 1.0, r"stations\[1\]\.s_mm.*more than the station before"),
    ],
)
def test_wrong_values_of_a_bow_are_named(small_recording: Path, path: tuple[Any, ...], value: Any, says: str) -> None:
    good = tomllib.loads((small_recording / "bow.toml").read_text())
    with pytest.raises(KeyFault, match=says):
        parse_bow(put(good, path, value))


def test_a_missing_key_is_named(small_recording: Path) -> None:
    good = tomllib.loads((small_recording / "bow.toml").read_text())
    del good["target"]["draw_weight_n"]
    with pytest.raises(KeyFault, match=r"target\.draw_weight_n.*the key is missing.*from 10 to 1500 N"):
        parse_bow(good)


def test_a_file_that_is_no_toml(tmp_path: Path) -> None:
    from tiller.bow.bowfile import read_bow

    (tmp_path / "bow.toml").write_text("name = ")
    with pytest.raises(FileFault, match="not valid TOML"):
        read_bow(tmp_path / "bow.toml")
    (tmp_path / "bow.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(FileFault, match="not UTF-8"):
        read_bow(tmp_path / "bow.toml")
