"""A recording read, measured and advised on, as in a notebook: run it with a recording's folder."""

import sys

import numpy as np

import tiller


def main(folder: str) -> None:
    """Prints what a bowyer wants to know of a pull."""
    recording = tiller.read_recording(folder)
    measured = tiller.measure_pull(recording)
    for side in ("left", "right"):
        limb = measured.result.limb(side)
        print(f"{side} limb: strain up to {100 * np.nanmax(limb.strain):.2f} %")
        for mark in limb.marks:
            print(f"  {mark.kind} from {mark.from_mm:.0f} to {mark.to_mm:.0f} mm, {100 * mark.departure:+.0f} % strain")
    target = recording.bow.target
    ahead = tiller.forecast(measured, target.draw_length_mm, target.brace_height_mm)
    print(f"braced and drawn to {target.draw_length_mm:.0f} mm: {ahead.weight_n:.0f} ± {ahead.weight_sd_n:.0f} N")
    plan = tiller.advise(measured, recording.bow).plan
    if plan is not None:
        print(f"after this pass: {plan.after_pass_n:.0f} N, {100 * plan.after_pass.expected:.1f} % uneven")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("say a recording's folder: python even_bow.py FOLDER")
    main(sys.argv[1])
