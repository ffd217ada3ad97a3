"""A recording on disk: the one format that live work, replay, simulation and tests share.

Reading checks everything that can be checked without looking at the pictures. Pictures are read one
by one when they are needed, so memory does not grow with their number.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.bowfile import BOW_KEYS, Bow, read_bow
from tiller.bow.rigfile import RIG_KEYS, Rig, read_rig
from tiller.bow.tomlcheck import load_toml, strange_keys
from tiller.errors import FileFault, RecordingFault
from tiller.files import blocks, check_regular, read_regular

ROLES = ("empty", "rest", "pull")
PARTS = ("rig.toml", "bow.toml", "frames.csv")
FORCE, DRAWS = "force.csv", "draws.csv"
"""Not there where the pull was made without a scale, or not live: draws seen in pictures that were not kept."""
MOST_READINGS = 1_000_000
LARGEST_TABLE, LARGEST_LIST, LARGEST_PICTURE = 32_000_000, 2_000_000, 100_000_000
"""Bytes: two hours of readings at 80 a second have some 25 MB; a list of ten thousand pictures 1; a camera's picture has a few, unpacked 25."""


@dataclass(frozen=True)
class Picture:
    """One line of frames.csv."""

    file: str
    t_s: float
    role: str


@dataclass(frozen=True, kw_only=True)
class Recording:
    """A recording of one pull.

    Attributes:
        force_lines: the scale's lines with their times; None where there is no ``force.csv``: the pull was made without a scale.
        strange_keys: keys of its TOML files that nothing reads.
        draws: times in s and draws in mm, (k, 2), seen live between the pictures that were kept.
    """

    folder: Path
    rig: Rig
    bow: Bow
    pictures: tuple[Picture, ...]
    force_lines: tuple[tuple[float, str], ...] | None
    strange_keys: tuple[str, ...] = ()
    draws: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def name(self) -> str:
        """The folder's name, also where it was given as '.'."""
        return self.folder.name or self.folder.resolve().name

    def of_role(self, role: str) -> tuple[Picture, ...]:
        """Pictures of one role, in order of time."""
        return tuple(p for p in self.pictures if p.role == role)


def read_recording(folder: Path) -> Recording:
    """Reads and checks a recording.

    Raises:
        FileFault, KeyFault, RecordingFault: what is wrong, where, what to do.
    """
    folder = Path(folder).absolute()  # the second process stands elsewhere
    if not folder.is_dir():
        what = "is a file" if folder.exists() else "does not exist"
        msg = f"{folder} {what}: give the folder of a recording (it holds {', '.join(PARTS)} and frames/)."
        raise RecordingFault(msg)
    missing = [part for part in PARTS if not (folder / part).is_file()]
    if missing:
        msg = f"{folder} is no recording: {', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing; a recording holds {', '.join(PARTS)} and frames/."
        raise RecordingFault(msg)
    rig = read_rig(folder / "rig.toml")
    bow = read_bow(folder / "bow.toml")
    pictures = _read_frames(folder / "frames.csv")
    roles = {p.role for p in pictures}
    for role, meaning in (("empty", "the empty rack"), ("rest", "the bow at rest"), ("pull", "the pull")):
        if role not in roles:
            msg = f"frames.csv in {folder} names no picture of {meaning} (role '{role}'): without it the bend cannot be measured; record the pull again from the start."
            raise RecordingFault(msg)
    strange = [f"rig.toml: {key}" for key in strange_keys(load_toml(folder / "rig.toml"), RIG_KEYS)]
    strange += [f"bow.toml: {key}" for key in strange_keys(load_toml(folder / "bow.toml"), BOW_KEYS)]
    log, draws = folder / FORCE, folder / DRAWS
    return Recording(
        folder=folder,
        rig=rig,
        bow=bow,
        pictures=pictures,
        force_lines=_read_force(log) if log.exists() else None,
        strange_keys=tuple(strange),
        draws=_read_draws(draws) if draws.exists() else np.empty((0, 2)),
    )


def _rows(path: Path, columns: tuple[str, ...], largest: int = LARGEST_TABLE) -> Iterator[tuple[str, ...]]:
    """A table's rows one by one: what stands in these columns; nothing where a row is cut off."""
    try:
        check_regular(path, largest)
        with path.open(newline="", encoding="utf-8-sig", errors="replace") as file:
            reader = csv.reader(file)
            names = next(reader, [])
            lacking = [c for c in columns if c not in names]
            if lacking:
                msg = f"{path.name} in {path.parent} has no column '{lacking[0]}': its first line must be '{','.join(columns)}'."
                raise RecordingFault(msg)
            places = [names.index(c) for c in columns]
            for row in reader:
                if row:
                    yield tuple(row[k] if k < len(row) else "" for k in places)
    except OSError as err:
        msg = f"{path} cannot be read ({err.strerror}): check the file and its permissions."
        raise RecordingFault(msg) from err
    except csv.Error as err:
        msg = f"{path} is no CSV file ({err}): record the pull again or correct that line."
        raise RecordingFault(msg) from err


def _read_frames(path: Path) -> tuple[Picture, ...]:
    pictures: list[Picture] = []
    rows = list(_rows(path, ("file", "t_s", "role"), LARGEST_LIST))
    if rows and rows[-1][2] not in ROLES and _torn(path):
        rows.pop()  # the power went while this row was being written
    for number, (name, at, role) in enumerate(rows, start=2):
        try:
            t = float(at)
        except ValueError:
            t = float("nan")
        if not np.isfinite(t):
            msg = f"frames.csv line {number}: t_s is '{at}', expected a time in seconds."
            raise RecordingFault(msg)
        if role not in ROLES:
            msg = f"frames.csv line {number}: role is '{role}', expected one of {', '.join(ROLES)}."
            raise RecordingFault(msg)
        if not name:
            msg = f"frames.csv line {number}: no file is named."
            raise RecordingFault(msg)
        if pictures and t < pictures[-1].t_s:
            msg = (
                f"frames.csv line {number}: the picture's time runs backwards ({t:.4f} s after {pictures[-1].t_s:.4f} s):"
                " the clock was changed while recording; record the pull again."
            )
            raise RecordingFault(msg)
        pictures.append(Picture(name, t, role))
    return tuple(pictures)


def _torn(path: Path) -> bool:
    """Whether a file's last line has no end."""
    with path.open("rb") as file:
        file.seek(-1, 2)
        return file.read(1) not in (b"\n", b"\r")


def _read_force(path: Path) -> tuple[tuple[float, str], ...]:
    lines: list[tuple[float, str]] = []
    for at, line in _rows(path, ("t_s", "line")):
        if len(lines) == MOST_READINGS:
            msg = f"{path} has more than {MOST_READINGS:,} readings, three hours of them: is it the right one?"
            raise RecordingFault(msg)
        try:
            t = float(at)
        except ValueError:
            t = float("nan")
        lines.append((t, line))
    return tuple(lines)


def _read_draws(path: Path) -> NDArray[np.float64]:
    """Times and draws (k, 2); lines that are no two numbers are left out, and a file that is none of its kind is none: it only sharpens what
    the pictures tell."""
    out = []
    try:
        for at, draw in _rows(path, ("t_s", "draw_mm")):
            try:
                pair = (float(at), float(draw))
            except ValueError:
                continue
            if np.all(np.isfinite(pair)):
                out.append(pair)
    except FileFault:
        return np.empty((0, 2))
    return np.array(out).reshape(-1, 2)


def lies_within(name: str) -> bool:
    """Whether a file's name is one within a recording: printable, relative, and not on its way out."""
    way = PurePosixPath(name.replace("\\", "/"))
    return name.isprintable() and not way.is_absolute() and ".." not in way.parts and ":" not in name


def read_picture(recording: Recording, picture: Picture) -> NDArray[np.uint8]:
    """The picture's pixels, blue green red.

    Raises:
        RecordingFault: the file is missing, cut off or no picture.
    """
    path = recording.folder / picture.file
    if not lies_within(picture.file):
        msg = f"picture {picture.file!r} cannot be read: that is no name of a picture within the recording, such as frames/003.jpg"
        raise RecordingFault(msg)
    try:
        raw = read_regular(path, LARGEST_PICTURE)
    except FileFault as err:
        msg = f"picture {picture.file!r} cannot be used: {err}"
        raise RecordingFault(msg) from err
    except FileNotFoundError:
        msg = f"picture {picture.file} is missing from {recording.folder}"
        raise RecordingFault(msg) from None
    except (OSError, ValueError) as err:  # a name with a NUL in it is no name of a file
        msg = f"picture {picture.file!r} cannot be read ({getattr(err, 'strerror', None) or err})"
        raise RecordingFault(msg) from err
    if raw[:2] == b"\xff\xd8" and b"\xff\xd9" not in raw[-64:]:
        msg = f"picture {picture.file} is cut off ({len(raw)} bytes, its end is missing)"
        raise RecordingFault(msg)
    try:
        image = cv2.imdecode(np.frombuffer(raw, dtype=np.uint8), cv2.IMREAD_COLOR) if raw else None
    except cv2.error as err:  # such as one whose header claims more pixels than the library takes
        msg = f"picture {picture.file} cannot be decoded ({err.err if hasattr(err, 'err') else err})"
        raise RecordingFault(msg) from err
    if image is None:
        msg = f"picture {picture.file} is no readable picture ({len(raw)} bytes)"
        raise RecordingFault(msg)
    return np.asarray(image, dtype=np.uint8)


def file_hash(path: Path) -> str:
    """SHA-256 of a regular file, hex; see ``check_regular``."""
    digest = hashlib.sha256()
    check_regular(path, LARGEST_PICTURE)
    with path.open("rb") as file:
        for block in blocks(file, LARGEST_PICTURE):
            digest.update(block)
    return digest.hexdigest()


def hash_files(recording: Recording) -> dict[str, str]:
    """SHA-256 of every file of the recording, by name within it; 'missing' or 'unreadable' stands for one that is not there
    or cannot be read (as with the pictures that were left out)."""
    hashes: dict[str, str] = {}
    more = (DRAWS,) if (recording.folder / DRAWS).exists() else ()
    for name in (*PARTS, FORCE, *more, *(p.file for p in recording.pictures)):
        try:
            hashes[name] = file_hash(recording.folder / name) if lies_within(name) else "unreadable"
        except FileNotFoundError:
            hashes[name] = "missing"
        except (OSError, ValueError, FileFault):
            hashes[name] = "unreadable"
    return hashes
