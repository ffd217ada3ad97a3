"""Readings and pictures for a calibration: from scale and camera, or from files."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import Lens
from tiller.errors import FileFault, ForceFault, RecordingFault, SourceFault, VisionFault
from tiller.files import check_regular, read_regular, write_whole
from tiller.force.calibrate import Load
from tiller.force.line import Hello, Reading, Rejected, Trouble, parse_line
from tiller.measure.recording import LARGEST_PICTURE
from tiller.sources.feeds import small
from tiller.sources.interfaces import Camera, Ended, Image, Scale, now_s
from tiller.vision.rig.board import Key, find_markers
from tiller.vision.rig.camera import as_points
from tiller.vision.rig.lens import SeenCorners, coverage, see_lens_board, worth_taking

Array = NDArray[np.float64]
PICTURES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff")
LARGEST_TABLE = 1_000_000
"""Bytes of a table of loads: some 30,000 of them."""
SETTLE_S, READ_S = 3.0, 2.0
SWING_COUNTS = 150.0
"""Beside the noise: what a hung load may move within two seconds, some 0.02 N with a usual cell."""
STILL_LEVEL, STILL_SHARE, STILL_PICTURES = 12.0, 0.01, 6


@dataclass(frozen=True)
class Settled:
    """A steady reading: median counts, sd of that median, readings used; and the board's greeting, if it came."""

    counts: float
    sd: float
    readings: int
    hello: Hello | None


def listen(scale: Scale, seconds: float) -> tuple[Array, Array, Hello | None]:
    """Times and counts of what the scale says for so long, spikes out.

    Raises:
        SourceFault: it was lost, is silent, or what it says cannot be read; says what to do.
    """
    until = now_s() + seconds
    t: list[float] = []
    counts: list[int] = []
    bad: list[str] = []
    trouble, hello = "", None
    while now_s() < until:
        lines = scale.read()
        if isinstance(lines, Ended):
            break
        for at, raw in lines:
            line = parse_line(raw)
            if isinstance(line, Reading):
                t.append(at)
                counts.append(line.counts)
            elif isinstance(line, Hello):
                hello = line
            elif isinstance(line, Trouble):
                trouble = line.code
            elif isinstance(line, Rejected):
                bad.append(raw)
    if trouble == "SATURATED":
        msg = f"{scale.name} reports SATURATED: more than the converter can take; take the load off, and if it says so without one, a signal wire is off."
        raise SourceFault(msg)
    if len(counts) < 5 or len(bad) > 0.1 * (len(bad) + len(counts)):
        raise SourceFault(_silent(scale.name, bad, trouble))
    value = np.array(counts, dtype=float)
    middle = np.array([np.median(value[max(0, k - 1) : k + 2]) for k in range(len(value))])
    return np.array(t), middle, hello


def _silent(name: str, bad: Sequence[str], trouble: str) -> str:
    if trouble:
        return f"{name} reports '{trouble}': check the wires between converter, cell and board."
    if not bad:
        return f"{name} sends nothing: is it the right port, is the board powered, and does the firmware run on it?"
    strange = sum(not all(c.isprintable() for c in raw) for raw in bad)
    if strange > len(bad) // 2:
        return f"what {name} sends cannot be read: its speed is another one; the firmware sends at 115200 baud."
    return f"{name} is not a scale of ours: it says '{bad[-1][:30]}'; give the port of the board with the firmware in hardware/firmware."


def settled(scale: Scale, settle_s: float = SETTLE_S, read_s: float = READ_S) -> Settled:
    """What the scale reads once it has settled.

    Raises:
        SourceFault: see ``listen``. ForceFault: the load swings.
    """
    early = listen(scale, settle_s)[2] if settle_s > 0 else None
    t, counts, hello = listen(scale, read_s)
    hello = hello or early
    # a swing is slow against the readings: it shows in means over a fifth of a second, hardly in second differences
    noise = 1.4826 * float(np.median(np.abs(np.diff(counts, 2)))) / math.sqrt(6) + 1.0
    block = np.floor((t - t[0]) / 0.2)
    means = np.array([float(np.mean(counts[block == b])) for b in np.unique(block)])
    each = max(1.0, len(counts) / len(means))
    if float(np.ptp(means)) > 7.0 * noise / math.sqrt(each) + SWING_COUNTS:
        msg = "the load swings or still settles: let it hang still and read again."
        raise ForceFault(msg)
    return Settled(
        float(np.median(counts)),
        max(noise, float(np.std(counts))) / math.sqrt(max(len(counts) / 8, 1)),
        len(counts),
        hello,
    )


def steps_of(loads: Sequence[float], series: int) -> Iterator[tuple[int, bool, float]]:
    """Series, way and load in the order in which they are hung: nothing, up to the largest, down again, nothing."""
    rising = sorted(loads)
    for number in range(1, series + 1):
        yield number, True, 0.0
        for load in rising:
            yield number, True, load
        for load in rising[-2::-1]:
            yield number, False, load
        yield number, False, 0.0


def has_forces(path: Path) -> bool:
    """Whether a CSV of readings tells forces; masses else."""
    try:
        check_regular(path, LARGEST_TABLE)
        with path.open(encoding="utf-8-sig", errors="replace") as file:
            return "force_n" in file.readline()
    except (OSError, FileFault):
        return False  # whoever reads it says what is wrong


def keep_load(path: Path, load: Load) -> None:
    """Adds a load to a CSV of readings, so that none has to be hung twice.

    Raises:
        FileFault: it cannot be written.
    """
    row = f"{load.series},{'up' if load.rising else 'down'},{load.force_n:.4f},{load.counts:.1f}\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            write_whole(path, b"series,way,force_n,counts\n")
        with path.open("a", encoding="utf-8") as file:
            file.write(row)
    except OSError as err:
        msg = f"{path} could not be written ({err.strerror}): free some space; the loads read so far are in it."
        raise FileFault(msg) from err


def read_loads(path: Path, newton_of: Callable[[float], float]) -> tuple[Load, ...]:
    """Loads from a CSV with the columns series, way (up or down), mass_kg or force_n, counts, in the order of weighing.

    Raises:
        RecordingFault: the file cannot be read, or a row is no load; names the line.
    """
    try:
        check_regular(path, LARGEST_TABLE)
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            names = reader.fieldnames or []
            what = "force_n" if "force_n" in names else "mass_kg"
            lacking = [n for n in ("series", "way", what, "counts") if n not in names]
            if lacking:
                msg = f"{path} has no column '{lacking[0]}': its first line must be series,way,mass_kg,counts (or force_n in place of mass_kg)."
                raise RecordingFault(msg)
            rows = list(reader)
    except FileNotFoundError:
        msg = f"There is no file {path}: give the CSV with the readings (series,way,mass_kg,counts)."
        raise RecordingFault(msg) from None
    except (OSError, UnicodeDecodeError, csv.Error) as err:
        msg = f"{path} cannot be read ({getattr(err, 'strerror', None) or err})."
        raise RecordingFault(msg) from err
    loads = []
    for number, row in enumerate(rows, start=2):
        try:
            series, value, counts = int(row["series"]), float(row[what]), float(row["counts"])
            way = (row["way"] or "").strip().lower()
            if way not in ("up", "down") or not (math.isfinite(value) and math.isfinite(counts)) or value < 0:
                raise ValueError
        except (ValueError, TypeError):
            msg = f"{path} line {number} is no load: series is a whole number, way is up or down, {what} and counts are numbers."
            raise RecordingFault(msg) from None
        loads.append(Load(series, way == "up", value if what == "force_n" else newton_of(value), counts))
    return tuple(loads)


# -- pictures ---------------------------------------------------------------------------------------------------------


def pictures_in(folder: Path) -> tuple[tuple[str, Image], ...]:
    """All pictures of a folder by name.

    Raises:
        RecordingFault: no folder, none in it, or they differ in size.
    """
    if not folder.is_dir():
        msg = f"{folder} is no folder: give the folder with the pictures."
        raise RecordingFault(msg)
    out: list[tuple[str, Image]] = []
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in PICTURES):
        raw = read_regular(path, LARGEST_PICTURE)
        try:
            image = cv2.imdecode(np.frombuffer(raw, dtype=np.uint8), cv2.IMREAD_COLOR) if raw else None
        except cv2.error:  # such as one whose header claims more pixels than the library takes
            image = None
        if image is None:
            msg = f"{path} is no readable picture: take it away or take it again."
            raise RecordingFault(msg)
        if out and image.shape != out[0][1].shape:
            msg = f"{path.name} has {image.shape[1]}x{image.shape[0]} pixels, {out[0][0]} another size: all must come from the same camera at the same size."
            raise RecordingFault(msg)
        out.append((path.name, np.asarray(image, dtype=np.uint8)))
    if not out:
        msg = f"{folder} holds no pictures ({', '.join(PICTURES)})."
        raise RecordingFault(msg)
    return tuple(out)


def still_shots(
    camera: Camera, size: tuple[int, int], for_s: float, pictures: int = STILL_PICTURES
) -> Generator[Image, None, None]:
    """The pictures of moments in which nothing moved for so many pictures, one a moment; the camera is closed at the end.

    Raises:
        SourceFault: the camera was lost, or gives another size.
    """
    camera.open()
    before: Image | None = None
    still = 0
    until = now_s() + for_s
    try:
        while now_s() < until:
            shot = camera.read()
            if isinstance(shot, Ended):
                break
            if (shot.image.shape[1], shot.image.shape[0]) != size:
                msg = f"the camera gives {shot.image.shape[1]}x{shot.image.shape[0]} pixels where {size[0]}x{size[1]} were asked for: choose a size that it has."
                raise SourceFault(msg)
            now = small(shot.image, 4).astype(np.int16)
            moved = 1.0 if before is None else float(np.mean(np.abs(now - before) > STILL_LEVEL))
            before = now.astype(np.int16)
            still = still + 1 if moved < STILL_SHARE else 0
            if still >= pictures:
                still = 0
                yield shot.image
    finally:
        camera.close()


def capture_lens(
    camera: Camera,
    board: cv2.aruco.CharucoBoard,
    size: tuple[int, int],
    wanted: int,
    announce: Callable[[str], None],
    for_s: float = 600.0,
    taken: Callable[[Sequence[SeenCorners]], None] = lambda _: None,
) -> list[SeenCorners]:
    """Takes pictures by itself whenever the board is held still and shows something new, until there are enough.

    Args:
        taken: gets all views whenever there is one more.

    Raises:
        SourceFault: the camera was lost.
    """
    views: list[SeenCorners] = []
    last = ""
    shots = still_shots(camera, size, for_s)
    for image in shots:
        seen = see_lens_board(image, board)
        if seen is None:
            sentence = "no board in view, or glare on it: turn it away from the lamp, show it whole."
        else:
            why = worth_taking(seen, views, size[0])
            sentence = f"not taken: {why}." if why else ""
            if not why:
                views.append(seen)
                fields = coverage(views, size)
                empty = ", ".join(_field(r, c, fields.shape) for r, c in zip(*np.nonzero(fields == 0), strict=True))
                taken(views)
                announce(f"picture {len(views)} of {wanted} taken; still without corners: {empty or 'nothing'}.")
        if sentence and sentence != last:
            announce(sentence)
        last = sentence
        if len(views) >= wanted:
            break
    shots.close()
    return views


NEW_PLACE = 0.08
"""A step aside over the distance to the rack from which two pictures tell of depth: some 5 degrees round it."""
LEAST_SEEN = 4


def capture_rack(
    camera: Camera,
    keys: Sequence[Key],
    folder: Path,
    lens: Lens,
    wanted: int,
    announce: Callable[[str], None],
    for_s: float = 900.0,
) -> int:
    """Takes pictures of the rack into a folder by itself, whenever the camera is held still at a new place, until there are enough.

    Args:
        keys: fiducials of the rack, hook, seat and lath.
        folder: new or without pictures; it is made.
        lens: of the camera; pictures are taken at its size.

    Returns:
        How many were taken: fewer than wanted where the time was over or the camera ended.

    Raises:
        FileFault: the folder has pictures already, or cannot be written. SourceFault: the camera was lost.
    """
    if folder.is_dir() and any(p.suffix.lower() in PICTURES for p in folder.iterdir()):
        msg = f"{folder} has pictures already: give a new folder, or leave --camera out to measure by those."
        raise FileFault(msg)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        msg = f"{folder} cannot be made ({err.strerror}): give a folder that may be written."
        raise FileFault(msg) from err
    taken: list[dict[Key, Array]] = []
    last = ""
    with closing(still_shots(camera, lens.image_size, for_s)) as shots:
        for image in shots:
            found = find_markers(np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8), keys)
            if len(found) < LEAST_SEEN:
                sentence = f"not taken: {len(found)} fiducial(s) in view, {LEAST_SEEN} are the least: step back, or turn the camera to the rack."
            elif not all(step_share(found, other, lens) > NEW_PLACE for other in taken):
                sentence = "not taken: from where one was taken before; go round the rack, higher, lower."
            else:
                write_whole(folder / f"{len(taken) + 1:02d}.png", cv2.imencode(".png", image)[1].tobytes())
                taken.append(found)
                once = [str(k[1]) for k in sorted(set(keys)) if sum(k in t for t in taken) < 2]
                sentence = (
                    f"picture {len(taken)} of {wanted} taken; not in two pictures yet: {', '.join(once) or 'none'}."
                )
            if sentence != last:
                announce(sentence)
            last = sentence
            if len(taken) >= wanted:
                break
    return len(taken)


def step_share(a: dict[Key, Array], b: dict[Key, Array], lens: Lens) -> float:
    """How far the camera went aside between two pictures of the rack, over its distance to it; inf where they share fewer than ``LEAST_SEEN`` fiducials.

    Turned in place it is 0. The fiducials are taken as in one plane: then rays go over by R + t n' / d up to a factor; the middle singular value
    of that is 1, and the largest less the smallest is the length of t / d (Ma, Soatto, Kosecka, Sastry, An Invitation to 3-D Vision, section 5.3;
    from memory, tested against made-up R, t, n, d).
    """
    shared = sorted(set(a) & set(b))
    if len(shared) < LEAST_SEEN:
        return math.inf
    rays = [
        as_points(
            cv2.undistortPoints(np.concatenate([m[k] for k in shared]).reshape(-1, 1, 2), lens.matrix, lens.distortion)
        )
        for m in (a, b)
    ]
    over, _ = cv2.findHomography(rays[0], rays[1], 0)
    if over is None:
        return math.inf
    singular = np.linalg.svd(over, compute_uv=False)
    return float((singular[0] - singular[2]) / singular[1])


def _field(row: int, column: int, shape: tuple[int, ...]) -> str:
    down = ("top", "upper middle", "lower middle", "bottom")[min(3, row * 4 // shape[0])]
    return f"{down} row, field {column + 1} from the left"


def see_all(
    pictures: Sequence[tuple[str, Image]], keys: Sequence[Key], announce: Callable[[str], None]
) -> list[dict[Key, Array]]:
    """Fiducials of each picture; mirrored pictures are refused.

    Raises:
        VisionFault: a picture shows them mirrored, or none of them does.
    """
    out = []
    for name, image in pictures:
        grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
        found = find_markers(grey, keys)
        if len(found) < 2:
            mirrored = find_markers(np.ascontiguousarray(grey[:, ::-1]), keys)
            if len(mirrored) > len(found) + 1:
                msg = f"{name} is mirrored: switch the mirror picture off in the camera's settings and take the pictures again."
                raise VisionFault(msg)
        announce(f"{name}: fiducials {', '.join(str(k[1]) for k in sorted(found)) or 'none'}")
        out.append(found)
    if not any(out):
        msg = "No picture shows a fiducial: are they printed from 'tiller targets', in focus, without glare?"
        raise VisionFault(msg)
    return out
