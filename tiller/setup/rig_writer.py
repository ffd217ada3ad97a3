"""Writes what a calibration found into rig.toml: its own tables anew, all others as they stand; the old file is kept beside it."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tomlkit.exceptions import TOMLKitError

from tiller.bow.rigfile import HookFiducial, Lens
from tiller.bow.tomlwrite import with_keys
from tiller.errors import FileFault
from tiller.files import write_whole
from tiller.force.calibrate import Calibration
from tiller.vision.rig.rackfit import RackFound


@dataclass(frozen=True)
class CellNoted:
    """What is noted with a load cell: the day of its calibration (ISO), which cell it is, its board's firmware, and gravity there, m/s2."""

    day: str
    cell: str
    firmware: str
    gravity: float


def put_cell(path: Path, found: Calibration, noted: CellNoted) -> None:
    """Writes ``[load_cell]``.

    Raises:
        FileFault: the file cannot be read or written, or is no TOML.
    """
    _put(
        path,
        {
            "load_cell": {
                "counts_per_newton": round(found.counts_per_newton, 4),
                "counts_per_n2": float(f"{found.counts_per_n2:.6g}"),
                "zero_counts": round(found.zero_counts),
                "sensitivity_sd": round(found.sensitivity_sd, 6),
                "largest_n": round(found.to_n, 2),
                "calibrated": noted.day,
                "cell": _plain(noted.cell),
                "firmware": _plain(noted.firmware),
                "gravity": round(noted.gravity, 5),
            }
        },
    )


def put_lens(path: Path, lens: Lens, day: str = "", rim_sd_px: float = math.nan) -> None:
    """Writes ``[camera]``.

    Args:
        day: (ISO) when it was found; rim_sd_px: how well a corner of the picture is placed, 1 sd.

    Raises:
        FileFault: the file cannot be read or written, or is no TOML.
    """
    found = {
        "image_size": list(lens.image_size),
        "matrix": [[round(float(v), 5) for v in row] for row in lens.matrix],
        "distortion": [round(float(v), 8) for v in lens.distortion],
    }
    noted = {"calibrated": day} if day else {}
    sure = {"rim_sd_px": round(rim_sd_px, 3)} if math.isfinite(rim_sd_px) else {}
    _put(path, {"camera": {**found, **noted, **sure}})


def put_rack(path: Path, found: RackFound, day: str = "", focal_px: float = math.nan) -> None:
    """Writes the bow's plane, the fiducials and, where it was found, the hook; ``day`` (ISO) is when it was measured, ``focal_px`` the lens that
    it was measured with.

    Raises:
        FileFault: the file cannot be read or written, or is no TOML.
    """
    fiducials = [
        {
            "dictionary": f.dictionary,
            "id": f.id,
            "side_mm": round(f.side_mm, 3),
            "centre_mm": [round(v, 3) for v in f.centre_mm],
            "rotation_deg": round(f.rotation_deg, 3),
        }
        for f in found.fiducials
    ]
    hook = {} if found.hook is None else {"hook": _hook(found.hook)}
    measured = {
        "day": day,
        "plane_sd_mm": round(found.bow_plane_sd_mm, 3),
        "hook_found": found.hook is not None,
        **({"focal_px": round(focal_px, 3)} if math.isfinite(focal_px) else {}),
    }
    _put(
        path,
        {"bow_plane_z_mm": round(found.bow_plane_z_mm, 3), "measured": measured, "fiducials": fiducials, **hook},
    )


@dataclass(frozen=True, kw_only=True)
class Checked:
    """What a check found: the day (ISO) and whether all was good; the lath's length and how far off it was seen, the mass and the share by which it
    read off (NaN = not checked)."""

    day: str
    good: bool
    lath_mm: float = float("nan")
    lath_off_mm: float = float("nan")
    mass_kg: float = float("nan")
    weight_off: float = float("nan")


def put_check(path: Path, checked: Checked) -> None:
    """Writes ``[check]``.

    Raises:
        FileFault: the file cannot be read or written, or is no TOML.
    """
    figures = {
        "lath_mm": checked.lath_mm,
        "lath_off_mm": checked.lath_off_mm,
        "mass_kg": checked.mass_kg,
        "weight_off": checked.weight_off,
    }
    known = {name: round(value, 5) for name, value in figures.items() if math.isfinite(value)}
    _put(path, {"check": {"day": checked.day, "good": checked.good, **known}})


def _hook(hook: HookFiducial) -> Mapping[str, object]:
    return {
        "dictionary": hook.dictionary,
        "id": hook.id,
        "side_mm": round(hook.side_mm, 3),
        "offset_mm": [round(v, 3) for v in hook.offset_mm],
        "hook_z_mm": round(hook.hook_z_mm, 3),
    }


def _plain(text: str) -> str:
    return "".join(c for c in text if c.isprintable())[:80]


def _put(path: Path, found: Mapping[str, object]) -> None:
    """Puts keys and tables into a rig file in place of those of their names; what stood there is kept as ``*.before``."""
    try:
        old = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as err:
        msg = f"{path} cannot be read ({getattr(err, 'strerror', None) or err}): nothing was written."
        raise FileFault(msg) from err
    try:
        new = with_keys(old, found)
    except (TOMLKitError, ValueError) as err:
        msg = f"{path} is no TOML any more ({err}): correct it by hand; nothing was written."
        raise FileFault(msg) from err
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not os.access(path, os.W_OK):
            msg = f"{path} may not be written (it is read-only): change its permissions, or give another one with --rig; nothing was written."
            raise FileFault(msg)
        if old:
            write_whole(path.with_name(path.name + ".before"), old.encode())
        write_whole(path, new.encode())
    except OSError as err:
        msg = f"{path} could not be written ({err.strerror}): check disk and permissions."
        raise FileFault(msg) from err
