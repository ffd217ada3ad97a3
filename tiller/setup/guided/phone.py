"""Pictures of a phone, on any tillering tree: a recording is made of them by the printed fiducials near the bow, without a calibration and without a scale.

In order: the tree without the bow, the bow at rest on it, then the bow drawn further and further. Lens and board are found from the fiducials of all
pictures together (``vision.rig.boardfit``), the bow's plane from three touched places and the limbs' own lengths (``vision.rig.touched``).
"""

from __future__ import annotations

import io
import math
import re
import shutil
import subprocess
import tempfile
import time
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, UnidentifiedImageError
from PIL import Image as Photo

from tiller.bow.bowfile import Bow, parse_bow, read_bow
from tiller.bow.rigfile import Rig
from tiller.bow.tomlwrite import toml
from tiller.children import STANDS_IN, child
from tiller.errors import FileFault, RecordingFault, TillerError, VisionFault
from tiller.files import read_regular, write_whole
from tiller.measure.followup.advice import advise_from_file
from tiller.measure.recording import LARGEST_PICTURE
from tiller.quantity import mm
from tiller.report.sheets.targets import HOOK, RACK, RACK_DICTIONARY
from tiller.report.style import Units
from tiller.report.text.pull import CAUTION
from tiller.setup.bow_files import with_stave
from tiller.setup.capture import PICTURES, STILL_PICTURES, still_shots
from tiller.setup.field import Field
from tiller.setup.guided.keep import BAR_MM
from tiller.setup.guided.pictures import BAR
from tiller.setup.guided.talk import Dot, Talk
from tiller.sources.cameras import VideoFile
from tiller.sources.interfaces import Ended, Image
from tiller.vision.rig.board import Key, board_pose, crossing, find_markers, hook_seat
from tiller.vision.rig.boardfit import FOCAL_SD, BoardFound, find_board
from tiller.vision.rig.touched import Near, Touched, rig_from_touches

Array = NDArray[np.float64]

LONGEST_PX = 1920
"""Larger pictures are made smaller: a phone's twelve million pixels tell no more of a limb."""
FILM_DIAGONAL_MM = 43.27
"""Of 24 by 36 mm, which a picture's file counts its focal length for (CIPA DC-008, Exif 2.32, tag FocalLengthIn35mmFilm; from memory)."""
FILE_SD = 0.05
"""How surely a picture's file knows its focal length: phones crop and straighten (common practice, no source)."""
GEOMETRY_SD = 0.02
"""Relative sd of a bend from lens and board that were found so: with it 70 and 97 % of the bends of the nine recordings of the independent rig, whose lens
and board figures were withheld, lie within 1 and 2 sd (62 and 93 % without; the touches simulated, 3 px)."""
DRAWN_SHARE = 0.02
"""Over a pull the hook goes down by more of the picture's height."""
LEAST_PULLS = 3
FIDUCIALS: Mapping[Key, float] = {(RACK_DICTIONARY, s.marker): s.side_mm for s in RACK}
HOOK_KEY: Key = (RACK_DICTIONARY, HOOK[0].marker)
Say = Callable[[str], None]
STILL_S = 0.5
MOST_SHOTS = 60
OTHER_PICTURES = (".heic", ".heif", ".avif", ".webp", ".dng", ".raw")
SAME_STILL = 0.004
"""Of a video, a moment that differs in less of the picture from the one before is the same."""


@dataclass(frozen=True)
class Shots:
    """Pictures in order with their names, all of one size, and the focal length that their files give, px (NaN where none)."""

    names: tuple[str, ...]
    images: tuple[Image, ...]
    focal_px: float

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, px."""
        return self.images[0].shape[1], self.images[0].shape[0]


def smaller(image: Image) -> Image:
    """The picture, at most ``LONGEST_PX`` long."""
    longest = max(image.shape[:2])
    if longest <= LONGEST_PX:
        return image
    share = LONGEST_PX / longest
    size = round(image.shape[1] * share), round(image.shape[0] * share)
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def focal_of(raw: bytes, longest_px: int, other_px: int) -> float:
    """The focal length that a picture's file gives, in px of a picture of that size; NaN where it gives none."""
    try:
        with Photo.open(io.BytesIO(raw)) as photo:
            exif = photo.getexif().get_ifd(ExifTags.IFD.Exif)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Photo.DecompressionBombError):
        return math.nan
    try:
        film_mm = float(exif.get(ExifTags.Base.FocalLengthIn35mmFilm, 0))
    except (TypeError, ValueError):
        return math.nan
    if not 8.0 <= film_mm <= 400.0:
        return math.nan
    return film_mm / FILM_DIAGONAL_MM * math.hypot(longest_px, other_px)


def read_shots(source: Path, say: Say = lambda _: None) -> Shots:
    """The pictures of a folder by name, or of a video whenever nothing moves in it for half a second.

    Args:
        say: is called for each picture, with what is done.

    Raises:
        RecordingFault: they cannot be read, are too few, or differ in size. SourceFault: the video cannot be read.
    """
    return _of_folder(source, say) if source.is_dir() else _of_video(source, say)


def _in_order(name: str) -> list[tuple[int, str]]:
    """Names in the order in which people count: 2 before 10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name.lower()) if part]


def _of_folder(folder: Path, say: Say) -> Shots:
    names: list[str] = []
    images: list[Image] = []
    focal = math.nan
    paths = sorted((p for p in folder.iterdir() if p.suffix.lower() in PICTURES), key=lambda p: _in_order(p.name))
    strange = sorted({p.suffix.lower() for p in folder.iterdir() if p.suffix.lower() in OTHER_PICTURES})
    if strange:
        msg = f"{folder} has pictures of a kind that is not read here ({', '.join(strange)}): let the phone save JPEG, or convert them."
        raise RecordingFault(msg)
    if len(paths) > MOST_SHOTS:
        msg = f"{folder} has {len(paths)} pictures, more than {MOST_SHOTS}: copy those of one pull into a folder of their own."
        raise RecordingFault(msg)
    for path in paths:
        say(f"pictures are read: {path.name} ...")
        raw = read_regular(path, LARGEST_PICTURE)
        try:
            image = cv2.imdecode(np.frombuffer(raw, dtype=np.uint8), cv2.IMREAD_COLOR) if raw else None
        except cv2.error:
            image = None
        if image is None:
            msg = f"{path.name} is no readable picture: take it away or take it again."
            raise RecordingFault(msg)
        small = smaller(np.asarray(image, dtype=np.uint8))
        if images and small.shape != images[0].shape:
            msg = (
                f"{path.name} has {small.shape[1]}x{small.shape[0]} pixels, {names[0]} another size: all must come from one camera, held the same way"
                " up, at the same zoom."
            )
            raise RecordingFault(msg)
        if math.isnan(focal):
            focal = focal_of(raw, *sorted(small.shape[:2], reverse=True))
        names.append(path.name)
        images.append(small)
    return _enough(Shots(tuple(names), tuple(images), focal), folder)


def _of_video(path: Path, say: Say) -> Shots:
    if not path.is_file():
        msg = f"There is no folder and no video {path}: give a folder with pictures, or a video file."
        raise RecordingFault(msg)
    camera = VideoFile(path, paced=False)
    camera.open()
    first = camera.read()
    rate = camera.rate_hz
    camera.close()
    if isinstance(first, Ended):
        msg = f"{path.name} has no pictures that can be read: give another file."
        raise RecordingFault(msg)
    size = (first.image.shape[1], first.image.shape[0])
    images: list[Image] = []
    still = max(STILL_PICTURES, round(STILL_S * rate))
    for image in still_shots(VideoFile(path, paced=False), size, math.inf, still):
        say(f"the video is looked through: {len(images)} moment(s) so far ...")
        if len(images) >= MOST_SHOTS:
            msg = f"{path.name} holds still more than {MOST_SHOTS} times: cut it to one pull."
            raise RecordingFault(msg)
        small = smaller(image)
        if images and _same(images[-1], small):
            continue
        images.append(small)
    return _enough(Shots(tuple(f"moment {k + 1}" for k in range(len(images))), tuple(images), math.nan), path)


def _same(a: Image, b: Image) -> bool:
    tiny = [
        cv2.resize(cv2.cvtColor(i, cv2.COLOR_BGR2GRAY), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        for i in (a, b)
    ]
    return float(np.mean(cv2.absdiff(tiny[0], tiny[1]) > 25)) < SAME_STILL


def _enough(shots: Shots, source: Path) -> Shots:
    least = 2 + LEAST_PULLS
    if len(shots.images) < least:
        msg = (
            f"{source.name} gives {len(shots.images)} picture(s), {least} are the least: the tree without the bow, the bow at rest, and {LEAST_PULLS} draws;"
            " in a video hold still for a second at each, the phone leaned against something."
        )
        raise RecordingFault(msg)
    return shots


@dataclass(frozen=True)
class Sorted:
    """Fiducials of each picture and what each is: 'empty', 'rest' or 'pull'; the number of the first picture at rest."""

    marks: tuple[Mapping[Key, Array], ...]
    roles: tuple[str, ...]
    rest: int


def sort_shots(
    shots: Shots, fiducials: Mapping[Key, float] = FIDUCIALS, hook: Key = HOOK_KEY, at_rest: int = 1
) -> Sorted:
    """What each picture is: the first one the empty tree, the next ``at_rest`` the bow at rest, the others the pull.

    Raises:
        VisionFault: the hook's fiducial is seen in too few pictures of the pull, or hangs in the same place in all.
    """
    keys = (*fiducials, hook)
    marks = tuple(
        find_markers(np.asarray(cv2.cvtColor(i, cv2.COLOR_BGR2GRAY), dtype=np.uint8), keys) for i in shots.images
    )
    down = np.array([_down_px(m, marks[0], fiducials, hook) for m in marks[1 + at_rest :]])
    if np.count_nonzero(np.isfinite(down)) < LEAST_PULLS:
        msg = f"The hook's fiducial (id {hook[1]}) is seen in too few pictures of the pull: fix it flat on the hook, facing the camera, and take them anew."
        raise VisionFault(msg)
    if np.nanmax(down) - np.nanmin(down) < DRAWN_SHARE * shots.size[1]:
        msg = (
            "The hook hangs in the same place in all pictures of the pull: they must go by name or time from the empty tree over the bow at rest to the"
            " largest draw."
        )
        raise VisionFault(msg)
    roles = ["empty", *(["rest"] * at_rest), *(["pull"] * len(down))]
    return Sorted(marks, tuple(roles), 1)


def _down_px(marks: Mapping[Key, Array], base: Mapping[Key, Array], fiducials: Mapping[Key, float], hook: Key) -> float:
    """How low the hook is in a picture, px, where the camera's own movement is taken out by the fiducials; NaN where it is not seen."""
    if hook not in marks:
        return float("nan")
    shared = [k for k in fiducials if k in marks and k in base]
    moved = float(np.median([crossing(marks[k])[1] - crossing(base[k])[1] for k in shared])) if shared else 0.0
    return float(crossing(marks[hook])[1]) - moved


@dataclass(frozen=True)
class Made:
    """The recording's folder; the board as it was found; by how much the fiducials seem larger than printed (0 where all agrees); by how much the bow
    seems drawn in the picture that counts as at rest, mm (NaN where that is not known)."""

    folder: Path
    board: BoardFound
    larger: float
    drawn_mm: float

    @property
    def words(self) -> str:
        """What was found, in a sentence or two."""
        lens = self.board.lens
        focal = lens.matrix[0, 0] / max(lens.image_size)
        out = (
            f"{len(self.board.placed)} fiducials to {self.board.rms_px:.2f} px; focal length {focal:.2f} of the picture's longer side (to"
            f" {100 * self.board.focal_sd:.0f} %)."
        )
        if abs(self.larger) > SAID_LARGER:
            out += f" By the bow's own length the fiducials are {100 * self.larger:+.1f} % off their printed size: measure the check bars and the limbs again."
        if self.drawn_mm > DRAWN_ALREADY_MM:
            out += (
                f" In the picture that counts as at rest the hook hangs {mm(self.drawn_mm)} below where the string would be taut: if it is on the string, the"
                " bow is drawn there already, and every bend and the stop are wrong; the second picture must be the bow at rest."
            )
        return out


SAID_LARGER = 0.02
"""A printed size that the bow's own length contradicts by a larger share is said (common practice, no source)."""


def make_recording(
    shots: Shots,
    by: Sorted,
    touched: Touched,
    near: Near,
    bow_file: Path,
    folder: Path,
    fiducials: Mapping[Key, float] = FIDUCIALS,
) -> Made:
    """Writes a recording of the pictures into a new folder.

    Args:
        touched: in the picture ``by.rest``; fiducials: printed sides of those on the board, mm.

    Raises:
        VisionFault: board or touches do not fit. FileFault, KeyFault: the bow's file is wrong, or the folder cannot be written.
    """
    bow = read_bow(bow_file)
    text, _ = with_stave(bow_file, bow)
    if folder.exists():
        msg = f"{folder} is there already: give a folder that is not, so that nothing in it is written over."
        raise FileFault(msg)
    focal_sd = FOCAL_SD if math.isnan(shots.focal_px) else FILE_SD
    board = find_board(by.marks, fiducials, shots.size, shots.focal_px, focal_sd)
    lengths = (bow.left.length_mm, bow.right.length_mm)
    found = rig_from_touches(board, by.marks[by.rest], touched, lengths, near)
    building = folder.with_name(f".{folder.name}.part")
    try:
        shutil.rmtree(building, ignore_errors=True)
        (building / "frames").mkdir(parents=True)
        write_whole(building / "rig.toml", toml(rig_table(found.rig)).encode())
        write_whole(building / "bow.toml", text.encode())
        rows = ["file,t_s,role"]
        for k, (image, role) in enumerate(zip(shots.images, by.roles, strict=True)):
            name = f"frames/{k:03d}_{role}.jpg"
            write_whole(building / name, cv2.imencode(".jpg", image, (cv2.IMWRITE_JPEG_QUALITY, 95))[1].tobytes())
            rows.append(f"{name},{float(k):.1f},{role}")
        write_whole(building / "frames.csv", ("\n".join(rows) + "\n").encode())
        building.rename(folder)
    except OSError as err:
        shutil.rmtree(building, ignore_errors=True)
        msg = f"{folder} could not be written ({err.strerror}): free some space, or choose another place."
        raise FileFault(msg) from err
    return Made(
        folder, board, found.larger, _drawn_at_rest(found.rig, by, bow, np.array([touched.left, touched.right]))
    )


def _drawn_at_rest(rig: Rig, by: Sorted, bow: Bow, nocks_px: Array) -> float:
    """By how much the bow seems to be drawn already in the picture that counts as at rest, mm: the hook below where its string would just be taut, by
    limbs that are straight; 0 where it hangs above that, NaN where it is not seen."""
    marks = by.marks[by.rest]
    if (rig.hook.dictionary, rig.hook.id) not in marks:
        return math.nan
    try:
        view = board_pose({k: v for k, v in marks.items() if k != (rig.hook.dictionary, rig.hook.id)}, rig).view
    except VisionFault:
        return math.nan
    seat = hook_seat(marks, rig.hook, view)
    if seat is None:
        return math.nan
    # the string goes straight from nock to hook to nock where the hook is on it; one that hangs free is further away, or nearer
    hook = np.array(seat.seat_mm)
    way = sum(float(np.linalg.norm(nock - hook)) for nock in view.on_plane(nocks_px, rig.bow_plane_z_mm))
    if abs(way / bow.string.length_mm - 1.0) > ON_STRING:
        return math.nan
    if bow.string.kind == "braced":
        taut = bow.target.brace_height_mm
    else:
        half = 0.5 * bow.string.length_mm
        taut = math.sqrt(max(0.0, half**2 - (0.5 * (bow.left.length_mm + bow.right.length_mm) * CHORD) ** 2))
    return max(0.0, -seat.seat_mm[1] - taut)


CHORD, ON_STRING, DRAWN_ALREADY_MM = 0.99, 0.025, 60.0
"""The straight way from nock to nock over that along the back, of a bow that is hardly bent; how far the way
over the hook may be from the string's length, as a share of it, where the hook is on it; and a string that is
5 mm longer or shorter than its file says moves the place where it is taut by some 30 mm, so that only more than this is reported (common practice, no
source)."""


DEPTH = Field(
    key="depth",
    question="How far is the middle of the bow before the fiducials' plane",
    kind="mm",
    low=0.0,
    high=600.0,
    usual="70",
)
HOOK_UP = Field(
    key="hook_up",
    question="From the middle of the hook's fiducial up to the string",
    kind="mm",
    low=-300.0,
    high=300.0,
    usual="60",
)
SUPPORT_HALF_MM = 50.0
"""Half the width of what holds the handle (common practice, no source)."""


def printed(bar_mm: float) -> tuple[Mapping[Key, float], float]:
    """The sides of the board's fiducials and of the hook's, mm, as a print whose check bar measures that has them."""
    share = bar_mm / BAR_MM
    return {key: share * side for key, side in FIDUCIALS.items()}, share * HOOK[0].side_mm


def near_of(depth_mm: float, hook_up_mm: float, hook_side_mm: float) -> Near:
    """What is known of a tree with our printed hook fiducial."""
    return Near(
        depth_mm=depth_mm,
        hook=HOOK_KEY,
        hook_side_mm=hook_side_mm,
        hook_offset_mm=(0.0, hook_up_mm),
        support_half_mm=SUPPORT_HALF_MM,
    )


def rig_table(rig: Rig) -> dict[str, object]:
    """A rig without a load cell as rig.toml has it, its bends less sure by ``GEOMETRY_SD``."""
    return {
        "bow_plane_z_mm": rig.bow_plane_z_mm,
        "cradle_half_mm": rig.cradle_half_mm,
        "geometry_sd": GEOMETRY_SD,
        "camera": {
            "image_size": list(rig.lens.image_size),
            "matrix": rig.lens.matrix.tolist(),
            "distortion": rig.lens.distortion.tolist(),
        },
        "hook": {
            "dictionary": rig.hook.dictionary,
            "id": rig.hook.id,
            "side_mm": rig.hook.side_mm,
            "offset_mm": list(rig.hook.offset_mm),
            "hook_z_mm": rig.hook.hook_z_mm,
        },
        "fiducials": [
            {
                "dictionary": f.dictionary,
                "id": f.id,
                "side_mm": f.side_mm,
                "centre_mm": list(f.centre_mm),
                "rotation_deg": f.rotation_deg,
            }
            for f in rig.fiducials
        ],
    }


SOURCE = Field(
    key="source",
    question="The folder with the phone's pictures, or a video",
    kind="text",
)
TOUCHES = (
    ("pivot", "This must be the bow at rest, not drawn. Touch where its handle rests, on the belly, in its middle"),
    ("left", "Touch the left limb's nock"),
    ("right", "Touch the right limb's nock"),
)


def phone_job(bow_file: Path, home: Path, book: Path, units: Units) -> Callable[[Talk], None]:
    """Measures a phone's pictures of a bow: where they are, three touches, three lengths that have usual answers; the pull is in the book then."""

    def job(talk: Talk) -> None:
        talk.show(found=before_drawing(bow_file))

        def read(text: str) -> Shots:
            if not text.strip():
                msg = "the folder with the pictures, or a video file, is expected."
                raise TillerError(msg)
            return read_shots(Path(text.strip()).expanduser(), talk.say)

        shots = talk.ask_as(SOURCE, read, ORDER)
        by = sort_shots(shots)
        talk.show(found=(f"At rest: '{shots.names[by.rest]}'; the empty tree: '{shots.names[0]}'.",))
        touched = _touched(talk, shots.images[by.rest])
        sides, hook_side = printed(talk.number(BAR, "Measure the check bars of the fiducials' sheets."))
        near = near_of(talk.number(DEPTH), talk.number(HOOK_UP), hook_side)
        talk.say("lens and board are found ...")
        folder = home / "recordings" / f"phone-{datetime.now():%Y%m%d-%H%M%S}"
        made = make_recording(shots, by, touched, near, bow_file, folder, sides)
        try:
            if made.drawn_mm > DRAWN_ALREADY_MM:
                talk.enter("Enter where the bow is not drawn there; Escape leaves it", made.words)
            talk.show(found=(made.words,), sentence="the pull is measured ...")
            words = ["measure", str(folder), "--book", str(book), "--units", "metric" if units.metric else "inch"]
            lines = _measured(talk, words)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)  # nothing of it is in the book
            raise
        drawn = [Path(line.removeprefix("Picture: ")) for line in lines if line.startswith("Picture: ")]
        overlay = next((cv2.imread(str(path)) for path in drawn if path.name == "overlay.jpg"), None)
        said = tuple(line for line in lines if line.startswith(SAID))
        talk.show(
            fault=" ".join(line for line in lines if line.startswith(GRAVE)),
            found=(*said, made.words),
            sentence="It is in the book. Without a scale neither weight nor depth is known: go by the marks.",
            **({"picture": np.asarray(overlay, dtype=np.uint8)} if overlay is not None else {}),
            dots=(),
        )

    return job


ORDER = (
    "In this order by name or time: the tree without the bow, the bow at rest on it, then drawn further and further, never beyond the stop; the printed fiducials"
    " flat near the bow, their plane parallel to it, the hook's on the hook, the phone in one place all the while."
)


def before_drawing(bow_file: Path) -> tuple[str, ...]:
    """What is to be known before such a bow is drawn: the cautions, and the stop by its file.

    Raises:
        FileFault, KeyFault: the file is wrong.
    """
    bow = parse_bow(tomllib.loads(with_stave(bow_file, read_bow(bow_file))[0]), str(bow_file))
    stop = advise_from_file(bow).stop
    most = (
        f"STOP: by its file alone, not beyond {mm(stop.draw_mm)}: {stop.reason}."
        if stop is not None
        else "STOP: none is known, do not draw it."
    )
    return (*(line for line in CAUTION.splitlines() if line), most)


def _measured(talk: Talk, words: list[str]) -> list[str]:
    """What ``tiller measure`` says, in a process of its own that ends where the job is left.

    Raises:
        VisionFault: it could not be measured. Left: the job was left.
    """
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as errors:
        child_process = subprocess.Popen(child("tiller", *words), cwd=STANDS_IN, stdout=out, stderr=errors)  # noqa: S603  (words of our own, no shell)
        try:
            while child_process.poll() is None:
                talk.show()
                time.sleep(0.05)
        finally:
            if child_process.poll() is None:
                child_process.kill()
            child_process.wait()
        errors.seek(0)
        out.seek(0)
        if child_process.returncode:
            lines = errors.read().strip().splitlines()
            raise VisionFault(lines[-1].removeprefix("tiller: ") if lines else "it could not be measured.")
        return out.read().splitlines()


GRAVE = ("Note: the last pull went",)
"""How the lines begin that come first, in the warning's colour."""
SAID = ("Largest draw", "STIFF", "WEAK", "As a whole", "No stretch", "THIS PULL", "STOP")
"""How the lines of a measured pull begin that are shown where there is little room."""


def _touched(talk: Talk, image: Image) -> Touched:
    """Three places in the picture of the bow at rest, until they are said to sit right."""
    size = (image.shape[1], image.shape[0])
    talk.show(picture=image, dots=())
    again: Array | None = None
    while True:
        places: list[Array] = []
        for key, question in TOUCHES:
            if again is not None:
                place, again = again, None
            else:
                place = talk.ask_as(Field(key=key, question=question, kind="touch"), lambda text: _place(text, size))
            places.append(place)
            talk.show(
                dots=tuple(Dot(float(p[0]), float(p[1]), name) for p, (name, _) in zip(places, TOUCHES, strict=False))
            )
        sit = Field(
            key="sit",
            question="Enter where all three sit right; a touch begins again with the handle's rest",
            kind="touch",
        )
        again = talk.ask_as(sit, lambda text: _place(text, size) if text.strip() else None)
        if again is None:
            return Touched(*places)


def _place(text: str, size: tuple[int, int]) -> Array:
    try:
        x, y = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        msg = "a touch in the picture is expected."
        raise TillerError(msg) from None
    if not (0 <= x < size[0] and 0 <= y < size[1]):
        msg = "that is outside the picture: touch it where the bow is."
        raise TillerError(msg)
    return np.array([x, y])
