"""What is left over after a calibration, drawn."""

from __future__ import annotations

import numpy as np

from tiller.force.calibrate import Calibration
from tiller.report.plots.pull import dress, new_figure, png
from tiller.report.style import INK, LEFT, METRIC, RIGHT, WEAK, Units
from tiller.vision.rig.lens import LensFound


def scale_plot(found: Calibration, units: Units = METRIC) -> bytes:
    """What each load reads off the line, up and down, with two sd."""
    figure = new_figure(8.0, 4.4)
    axes = figure.add_axes((0.12, 0.15, 0.85, 0.7))
    dress(axes)
    f = np.array([units.force_value(float(v)) for v in found.force_n])
    off = np.array([units.force_value(float(v)) for v in found.residual_n])
    for way, colour, mark, name in (
        (True, LEFT, "^", "hung on the way up"),
        (False, RIGHT, "v", "taken off on the way down"),
    ):
        part = found.rising == way
        axes.plot(f[part], off[part], mark, color=colour, markersize=7, label=name)
    line = np.linspace(0, float(np.max(f)), 50)
    band = 2 * np.hypot(found.sensitivity_sd * line, units.force_value(found.force_sd_n))
    axes.fill_between(
        line,
        -band,
        band,
        color=WEAK,
        alpha=0.2,
        label="2 sd of a force",
    )
    axes.axhline(0, color=INK, linewidth=0.8)
    axes.set_xlabel(f"load [{units.force_unit}]", color=INK)
    axes.set_ylabel(f"reads too much by [{units.force_unit}]", color=INK)
    axes.legend(frameon=False, fontsize=9, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    figure.text(0.12, 0.955, "Load cell: what is left over", color=INK, fontsize=12, fontweight="bold")
    return png(figure)


def lens_plot(found: LensFound) -> bytes:
    """Corners where they were seen, with what is left over, a hundred times as long."""
    wide, high = found.lens.image_size
    figure = new_figure(9.0, 0.6 + 9.0 * 0.84 * high / wide)
    axes = figure.add_axes((0.08, 0.1, 0.9, 0.8))
    dress(axes)
    axes.quiver(
        found.at_px[:, 0], found.at_px[:, 1], found.residual_px[:, 0], found.residual_px[:, 1],
        angles="xy", scale_units="xy", scale=0.01, width=0.0016, color=LEFT,
    )  # fmt: skip
    axes.plot(found.at_px[:, 0], found.at_px[:, 1], ".", color=INK, markersize=2)
    axes.set_xlim(0, wide)
    axes.set_ylim(high, 0)
    axes.set_aspect("equal")
    axes.set_xlabel("across the picture [px]", color=INK)
    axes.set_ylabel("down [px]", color=INK)
    title = f"Lens: corners seen, and what is left over, 100 times as long ({found.rms_px:.2f} px rms)"
    figure.text(0.08, 0.94, title, color=INK, fontsize=11, fontweight="bold")
    return png(figure)
