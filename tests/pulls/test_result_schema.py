"""What ``measure --json`` writes, against its published schema, by a general-purpose validator (jsonschema, draft 2020-12)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tiller.cli.entry import main
from tiller.report.data import SCHEMA, schema

SHIPPED = Path(__file__).parents[1] / "data" / "orderly_rack"


def written(folder: Path, out: Path) -> dict[str, Any]:
    assert main(["measure", str(folder), "--no-pictures", "--quiet", "--json", str(out)]) == 0
    return dict(json.loads(out.read_text()))


def test_results_go_by_the_schema(tmp_path: Path, home: Path, small_recording: Path) -> None:
    told = schema()
    jsonschema.Draft202012Validator.check_schema(told)
    check = jsonschema.Draft202012Validator(told)
    weighed = written(SHIPPED, tmp_path / "a.json")
    again = written(SHIPPED, tmp_path / "b.json")
    without = tmp_path / "without"
    shutil.copytree(small_recording, without)
    (without / "force.csv").unlink()
    first = written(small_recording, tmp_path / "c.json")
    unweighed = written(without, tmp_path / "d.json")
    later = tmp_path / "later"  # another pull of the same bow: with what is said of the set
    shutil.copytree(small_recording, later)
    lines = (later / "force.csv").read_text().splitlines()
    (later / "force.csv").write_text("\n".join(lines[:-3]) + "\n")
    second = written(later, tmp_path / "e.json")
    for result in (weighed, again, first, unweighed, second):
        check.validate(result)
        assert result["schema"] == SCHEMA == told["$id"]
    assert unweighed["plan"] is None
    assert second["set_by_place"]
    assert "set_by_place" not in unweighed  # without a scale it is not known what came off
    # the schema notices what it should
    for change in ({"marks": None}, {"surplus": 1}, {"lag_s": "0.1"}):
        with pytest.raises(jsonschema.ValidationError):
            check.validate(weighed | change)
    for gone in ("limbs", "units", "forecast"):
        with pytest.raises(jsonschema.ValidationError):
            check.validate({k: v for k, v in weighed.items() if k != gone})
