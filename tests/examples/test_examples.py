"""The examples that the README shows run, and say what the recording's truth says."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import tiller
from tests.examples.even_bow import main
from tiller import public

SHIPPED = Path(__file__).parents[1] / "data" / "orderly_rack"
ROOT = Path(__file__).parents[2]


def test_the_notebook_example(capsys: pytest.CaptureFixture[str]) -> None:
    main(str(SHIPPED))
    out = capsys.readouterr().out
    truth = json.loads((SHIPPED / "truth.json").read_text())
    (spot,) = truth["spots"]
    assert f"{spot['kind']} from" in out.split(f"{spot['limb']} limb")[1]
    weight = float(out.split("mm: ")[-1].split(" ±")[0])
    assert weight == pytest.approx(truth["forecast"]["braced_weight_n"], rel=0.02)


def test_the_readme_shows_it_as_it_is() -> None:
    readme = (ROOT / "README.md").read_text()
    body = (Path(__file__).parent / "even_bow.py").read_text().replace("(folder)", '("tests/data/orderly_rack")')
    shown = readme.split("<!-- example -->")[1].split("```python\n")[1].split("```")[0]
    wanted = [line.strip() for line in shown.splitlines() if line.strip()]
    there = [line.strip() for line in body.splitlines()]
    assert all(line in there for line in wanted), [line for line in wanted if line not in there]
    assert len(wanted) > 5


def test_nothing_is_loaded_before_it_is_asked_for() -> None:
    code = "import sys, tiller; print([m for m in ('cv2', 'scipy', 'numpy', 'matplotlib') if m in sys.modules]); tiller.read_recording; print('numpy' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT)
    assert out.stdout.split() == ["[]", "True"]
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = tiller.nothing  # type: ignore[attr-defined]
    assert set(tiller.__all__) <= set(dir(tiller))
    assert tiller.__all__ == public.__all__
    assert all(getattr(tiller, name).__doc__ for name in tiller.__all__)


def test_curve_layout_and_drying() -> None:
    recording = tiller.read_recording(SHIPPED)
    measured = tiller.measure_pull(recording)
    target = recording.bow.target
    ahead = tiller.forecast(measured, target.draw_length_mm, target.brace_height_mm)
    curve = tiller.force_draw_curve(measured, ahead.draw_mm, target.brace_height_mm)
    assert np.max(np.abs(curve / ahead.force_n - 1)) < 0.02  # the forecast's is the mean over what is not known
    with pytest.raises(tiller.TillerError, match="no such forecast"):
        tiller.forecast(measured, 3000.0, target.brace_height_mm)
    ash = tiller.find_wood("white ash")
    assert ash is not None
    laid = tiller.lay_out(
        tiller.outline("straight", 880.0, 50.0, 42.0, 12.0),
        50.0,
        tiller.Wanted(
            draw_mm=640.0,
            weight_n=180.0,
            brace_mm=150.0,
            modulus_gpa=ash.modulus_gpa,
            density_kg_m3=ash.density_kg_m3,
        ),
    )
    assert 0.004 < laid.level < 0.009
    assert tiller.equilibrium(20.0, 0.65) == pytest.approx(12.0, abs=0.1)  # Wood Handbook, eq. 4-5


def test_a_notebook_sees_no_marks() -> None:
    recording = tiller.read_recording(SHIPPED)
    measured = tiller.measure_pull(recording)
    told = tiller.advise(measured, recording.bow)
    assert told.plan is not None
    assert told.stop is not None
    texts = [
        *(note.text for note in measured.result.notes),
        *measured.result.left_out,
        *(note.text for note in told.notes),
        told.stop.reason,
        *(a.reason for a in told.plan.left_alone),
    ]
    assert any(" mm" in text or " N" in text for text in texts)
    for text in texts:
        assert not set("⟦⟧{}") & set(text), text
