"""tiller: a tillering assistant for the maker of wooden bows.

For a notebook: ``tiller.read_recording``, ``tiller.measure_pull``, ``tiller.advise`` and what else ``dir(tiller)`` names
(``tiller.public`` says what each does). Nothing is loaded before it is asked for.
"""

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tiller.public import (
        Advice,
        Bow,
        Forecast,
        Layout,
        LimbResult,
        Measured,
        Outline,
        Plan,
        PullResult,
        Recording,
        Season,
        Stave,
        Stop,
        TillerError,
        Wanted,
        Wood,
        advise,
        equilibrium,
        find_wood,
        force_draw_curve,
        forecast,
        lay_out,
        measure_pull,
        outline,
        read_bow,
        read_recording,
        read_stave,
        season_of,
    )

# read by cv2 when it is imported: on Windows a camera else takes half a minute to open; on Linux a lost one holds for ten seconds
os.environ.setdefault("OPENCV_VIDEOIO_MSMF_ENABLE_HW_TRANSFORMS", "0")
os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", "2")
# a picture's header is believed up to so many pixels, ten times a webcam's best: a small file may claim to unpack to gigabytes
os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", "100000000")

__version__ = "0.1.0"

__all__ = [
    "Advice",
    "Bow",
    "Forecast",
    "Layout",
    "LimbResult",
    "Measured",
    "Outline",
    "Plan",
    "PullResult",
    "Recording",
    "Season",
    "Stave",
    "Stop",
    "TillerError",
    "Wanted",
    "Wood",
    "advise",
    "equilibrium",
    "find_wood",
    "force_draw_curve",
    "forecast",
    "lay_out",
    "measure_pull",
    "outline",
    "read_bow",
    "read_recording",
    "read_stave",
    "season_of",
]


def __getattr__(name: str) -> object:
    if name in __all__:
        from importlib import import_module

        return getattr(import_module("tiller.public"), name)
    msg = f"module 'tiller' has no attribute '{name}'"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
