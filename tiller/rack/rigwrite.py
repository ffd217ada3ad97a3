"""Writes what a calibration found into rig.toml: its own tables anew, all others as they stand; the old file is kept beside it."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

from tiller.bow.rigfile import HookFiducial, Lens
from tiller.errors import FileFault
from tiller.files import write_whole
from tiller.force.calibrate import Calibration
from tiller.vision.rackfit import RackFound

TABLE = re.compile(r"^\s*\[\[?\s*([A-Za-z_][A-Za-z0-9_]*)[^\],]*\]\]?\s*(#.*)?$")


def without(text: str, names: tuple[str, ...]) -> str:
    """A TOML text without those tables (and, at the top, keys) of those names."""
    out: list[str] = []
    table = ""
    for line in text.splitlines():
        found = TABLE.match(line)
        if found:
            table = found.group(1)
        if table in names or (not table and line.split("=")[0].strip() in names):
            continue
        out.append(line)
    return "\n".join(out).strip() + "\n" if out else ""


def cell_text(found: Calibration, day: str, cell: str, firmware: str, gravity: float) -> str:
    """``[load_cell]`` of a calibration."""
    lines = [
        "[load_cell]",
        f"counts_per_newton = {found.counts_per_newton:.4f}",
        f"counts_per_n2 = {found.counts_per_n2:.6g}",
        f"zero_counts = {found.zero_counts:.0f}",
        f"sensitivity_sd = {found.sensitivity_sd:.6f}",
        f"largest_n = {found.to_n:.2f}",
        f'calibrated = "{day}"',
        f'cell = "{_plain(cell)}"',
        f'firmware = "{_plain(firmware)}"',
        f"gravity = {gravity:.5f}",
    ]
    return "\n".join(lines) + "\n"


def lens_text(lens: Lens) -> str:
    """``[camera]`` of a lens."""
    rows = ", ".join("[" + ", ".join(f"{v:.5f}" for v in row) + "]" for row in lens.matrix)
    return (
        f"[camera]\nimage_size = [{lens.image_size[0]}, {lens.image_size[1]}]\nmatrix = [{rows}]\n"
        f"distortion = [{', '.join(f'{v:.8f}' for v in lens.distortion)}]\n"
    )


def board_text(found: RackFound) -> tuple[str, str]:
    """The top key, and the tables of fiducials and hook."""
    tables = []
    for f in found.fiducials:
        tables.append(
            f'[[fiducials]]\ndictionary = "{f.dictionary}"\nid = {f.id}\nside_mm = {f.side_mm:.3f}\n'
            f"centre_mm = [{', '.join(f'{v:.3f}' for v in f.centre_mm)}]\nrotation_deg = {f.rotation_deg:.3f}\n"
        )
    if found.hook is not None:
        tables.append(hook_text(found.hook))
    return f"bow_plane_z_mm = {found.bow_plane_z_mm:.3f}\n", "\n".join(tables)


def hook_text(hook: HookFiducial) -> str:
    """``[hook]``."""
    return (
        f'[hook]\ndictionary = "{hook.dictionary}"\nid = {hook.id}\nside_mm = {hook.side_mm:.3f}\n'
        f"offset_mm = [{hook.offset_mm[0]:.3f}, {hook.offset_mm[1]:.3f}]\nhook_z_mm = {hook.hook_z_mm:.3f}\n"
    )


def _plain(text: str) -> str:
    return "".join(c for c in text if c.isprintable() and c not in '"\\')[:80]


def put(path: Path, names: tuple[str, ...], tables: str, top: str = "") -> None:
    """Puts tables (and top keys) into a rig file in place of those of these names; what stood there is kept as ``*.before``.

    Raises:
        FileFault: the file cannot be read or written, or would be no TOML.
    """
    try:
        old = path.read_text(encoding="utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as err:
        msg = f"{path} cannot be read ({getattr(err, 'strerror', None) or err}): nothing was written."
        raise FileFault(msg) from err
    kept = without(old, names)
    new = "\n".join(part.strip() + "\n" for part in (top, kept, tables) if part.strip())
    try:
        tomllib.loads(new)
    except tomllib.TOMLDecodeError as err:
        msg = f"{path} would be no TOML any more ({err}): mend it by hand; nothing was written."
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
