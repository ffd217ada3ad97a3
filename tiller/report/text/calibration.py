"""What a calibration says: words for the bench."""

from __future__ import annotations

import numpy as np

from tiller.force.calibrate import Calibration
from tiller.report.style import METRIC, Units
from tiller.vision.rig.lens import LensFound
from tiller.vision.rig.rackfit import RackFound


def scale_words(found: Calibration, units: Units = METRIC) -> str:
    """A calibrated load cell."""
    out = [
        f"{found.counts_per_newton:.2f} counts per newton"
        + (f", {found.counts_per_n2:+.3g} counts per newton squared" if found.counts_per_n2 else "")
        + f"; zero at {found.zero_counts:.0f} counts.",
        f"Sensitivity sure to {100 * found.sensitivity_sd:.2f} % (1 sd); a single force to that and {units.force(found.force_sd_n, 2)} beside it, up to"
        f" {units.force(found.to_n)}.",
        "",
        f"{'load':>12s} {'repeatability':>14s} {'interpolation':>14s} {'reversibility':>14s}   (% of the load)",
    ]
    for level, b, fc, v in zip(
        found.levels_n, found.repeatability, found.interpolation, found.reversibility, strict=True
    ):
        cells = [f"{x:14.3f}" if np.isfinite(x) else f"{'-':>14s}" for x in (b, fc, v)]
        out.append(f"{units.force(float(level)):>12s} {' '.join(cells)}")
    out.append(f"zero error {found.zero_percent:.3f} % of the largest reading")
    if found.best is not None:
        out.append(
            f"by these figures class {found.best}, from {units.force(found.from_n)} to {units.force(found.to_n)}."
        )
    if np.isfinite(found.creep_percent):
        out.append(f"creep {found.creep_percent:+.3f} % of the load in {found.creep_minutes:.1f} minutes.")
    return "\n".join([*out, *(f"Note: {units.words(note.text)}" for note in found.notes)])


def lens_words(found: LensFound) -> str:
    """A calibrated lens."""
    m, sd = found.lens.matrix, found.sd
    out = [
        f"focal length {m[0, 0]:.1f} ± {sd[0]:.1f}, {m[1, 1]:.1f} ± {sd[1]:.1f} px; centre {m[0, 2]:.1f} ± {sd[2]:.1f}, {m[1, 2]:.1f} ± {sd[3]:.1f} px",
        "distortion " + ", ".join(f"{v:.5f} ± {s:.5f}" for v, s in zip(found.lens.distortion, sd[4:9], strict=True)),
        f"{len(found.view_rms_px)} pictures, {len(found.residual_px)} corners, {found.rms_px:.2f} px rms; a corner of the picture is placed to"
        f" {found.rim_sd_px:.2f} px (1 sd)",
    ]
    if found.rms_px > 1.0:
        out.append("Note: that is much: was the board bent, the focus changed, or the picture blurred?")
    return "\n".join([*out, *(f"Note: {note.text}" for note in found.notes)])


def board_words(found: RackFound, units: Units = METRIC) -> str:
    """A measured rack."""
    out = [
        f"{found.pictures} pictures, {found.rms_px:.2f} px rms.",
        "",
        "fiducial      x        y        z    [mm]   sd      turn [deg]  side [mm]",
    ]
    for f, sd in zip(found.fiducials, found.centre_sd_mm, strict=True):
        x, y, z = f.centre_mm
        out.append(
            f"{f.id:5d}    {x:8.1f} {y:8.1f} {z:8.1f}       {float(np.max(sd)):5.2f}   {f.rotation_deg:8.2f}    {f.side_mm:7.2f}"
        )
    out.append(f"bow's plane {found.bow_plane_z_mm:.1f} ± {found.bow_plane_sd_mm:.1f} mm before the board")
    if found.hook is not None:
        out.append(
            f"string's seat {found.hook.offset_mm[0]:+.1f}, {found.hook.offset_mm[1]:+.1f} ± {found.hook_sd_mm:.1f} mm from the hook's fiducial"
        )
    return "\n".join([*out, *(f"Note: {units.words(note.text)}" for note in found.notes)])
