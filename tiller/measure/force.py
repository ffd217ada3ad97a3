"""The force at each picture, from the scale's log; or none, where the pull was made without a scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.children import Asked, SecondProcess
from tiller.errors import MeasureFault
from tiller.force.cell import ForceAt, ForceSeries, force_at, to_newton
from tiller.force.lag import Lag, find_lag
from tiller.force.log import ForceLog, read_log
from tiller.measure.recording import Recording
from tiller.mechanics.fit.results import PullPicture
from tiller.notes import Note, caution, halt, info
from tiller.quantity import newton

Array = NDArray[np.float64]

BEFORE_REST_S = 2.0
"""The string is taken to be slack from so long before the first picture at rest: the pull before it may have ended just then."""
UNSEEN_SHARE = 1.12
UNWEIGHED = caution(
    "scale.none",
    "this pull was made without a scale: bend, strain, marks and set are measured; weight, stiffness, what came off and how deep"
    " to scrape are unknown. Stop and forecast rest on the calipers and the wood's table, and are wide.",
)


@dataclass(frozen=True)
class Forces:
    """The scale's log of a pull, as forces, how far they lag behind the pictures, and what they are at each picture."""

    log: ForceLog
    series: ForceSeries
    lag: Lag
    at: ForceAt


def ask_for_log(recording: Recording, second: SecondProcess | None) -> Asked[ForceLog] | None:
    """Asks for the scale's log, cleaned; None where there was no scale."""
    if recording.force_lines is None or second is None:
        return None
    return second.ask(read_log, recording.force_lines)


def forces_of(
    recording: Recording, rest_s: Array, moment_s: Array, draw_mm: Array, asked: Asked[ForceLog] | None = None
) -> Forces | None:
    """The force at the pull's pictures; None where there was no scale.

    Args:
        asked: the log, where it was asked for already.
        rest_s: times of the pictures at rest before the pull; moment_s, draw_mm: (m,) of those of the pull.

    Raises:
        ForceFault, MeasureFault: the log says nothing.
    """
    cell = recording.rig.load_cell
    if recording.force_lines is None:
        return None
    if cell is None:
        msg = (
            "There is a force.csv but rig.toml has no [load_cell], so counts are no force: calibrate the scale, or take force.csv"
            " away to have the bend alone."
        )
        raise MeasureFault(msg)
    log = asked.take() if asked is not None else read_log(recording.force_lines)
    if len(rest_s) == 0:
        msg = "No picture at rest was taken before the pull, so the scale's zero is unknown: record the bow at rest first."
        raise MeasureFault(msg)
    pull_starts = min(p.t_s for p in recording.of_role("pull"))
    start = min(p.t_s for p in recording.of_role("empty"))
    slack = (max(start, float(np.min(rest_s)) - BEFORE_REST_S), min(float(np.max(rest_s)) + 0.5, pull_starts - 0.2))
    series = to_newton(log, cell, slack)
    lag = find_lag(series, *_all_draws(recording, moment_s, draw_mm))
    forces = force_at(series, moment_s + lag.lag_s)
    if np.count_nonzero(np.isfinite(forces.force_n)) < 2:
        msg = "The force log has no reading at the moments of the pictures: check that scale and camera recorded at the same time."
        raise MeasureFault(msg)
    return Forces(log, series, lag, forces)


MOST_DRAWS = 160
"""So many draws tell the lag as well as more."""


def _all_draws(recording: Recording, moment_s: Array, draw_mm: Array) -> tuple[Array, Array]:
    """Times and draws (k,) of the pictures that were kept, and of those that were seen live between them, in order of time."""
    live = recording.draws
    live = live[(live[:, 0] >= moment_s[0]) & (live[:, 0] <= moment_s[-1])]
    live = live[:: max(1, len(live) // MOST_DRAWS)]
    both = np.vstack([live, np.column_stack([moment_s, draw_mm])])
    both = both[np.argsort(both[:, 0], kind="stable")]
    return both[:, 0], both[:, 1]


def force_notes(forces: Forces, recording: Recording, there_n: float) -> list[Note]:
    """What is worth saying of the scale; ``there_n``: force in the picture of the largest draw."""
    series, lag, log, cell = forces.series, forces.lag, forces.log, recording.rig.load_cell
    notes = []
    most = float(np.max(series.force_n))
    if cell is not None and most > 1.02 * cell.largest_n:
        notes.append(
            caution(
                "scale.beyond-calibration",
                f"the scale read up to {newton(most)} but was calibrated to {newton(cell.largest_n)} only: what lies beyond is not vouched for.",
            )
        )
    if series.reversed_sign:
        notes.append(
            caution(
                "scale.sign-turned",
                "the load cell's sign is against its calibration's: its green and white wires are swapped, or the cell is upside down; the force was turned round.",
            )
        )
    if abs(series.drift_n) > 0.5:
        notes.append(
            info(
                "scale.zero-wandered",
                f"the scale's zero wandered by {newton(series.drift_n, 1, sign=True)} during the pull; it was taken out as linear in time.",
            )
        )
    if np.isfinite(series.end_n):
        notes.append(
            caution(
                "scale.ends-loaded",
                f"the log ends at a steady {newton(series.end_n, 1, sign=True)}: either the string was not slack or the scale's zero wandered that far, and"
                " nothing was taken out; let the string go slack for three seconds before the record ends.",
            )
        )
    if most > UNSEEN_SHARE * there_n + 5.0:
        notes.append(
            halt(
                "scale.went-on-unseen",
                f"the scale read up to {newton(most)}, but no picture that can be used shows the bow at more than {newton(there_n)}: the pull went on unseen, and what"
                " the bow bore there is not known.",
            )
        )
    if lag.elsewhere_s is not None:
        notes.append(
            halt(
                "scale.clocks-disagree",
                f"pictures and force fit each other far better with the force shifted by {lag.elsewhere_s:+.1f} s: their clocks disagree, and force, forecast and"
                " plan are not to be trusted; record both with one clock.",
            )
        )
    if log.resets:
        notes.append(
            caution("scale.board-reset", f"the scale's board began anew {log.resets} time(s) during the pull.")
        )
    for code, count in log.troubles.items():
        notes.append(caution("scale.trouble", f"the scale reported trouble '{code}' {count} time(s)."))
    if not lag.from_data:
        held = bool(np.mean(forces.at.held) > 0.5)
        why = (
            "the pictures were taken at steady holds, which show little of it" if held else "this pull does not show it"
        )
        notes.append(info("scale.lag-assumed", f"how far the scale is behind the camera is taken as usual: {why}."))
    return notes


def force_left_out(forces: Forces, pictures: tuple[PullPicture, ...]) -> list[str]:
    """What of the scale's log was not used, in words."""
    log = forces.log
    out = [f"force: {n} line(s) rejected: {why}" for why, n in sorted(log.rejected.items())]
    out += [f"force: no reading from {g[0]:.1f} s to {g[1]:.1f} s" for g in log.gaps]
    out += [
        f"{p.file}: the force log has nothing at that moment; not used for stiffness"
        for p in pictures
        if not np.isfinite(p.force_n)
    ]
    return out
