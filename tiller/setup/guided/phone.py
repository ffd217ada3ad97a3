"""Pictures of a phone, on any tillering tree: a recording is made of them by the printed fiducials near the bow, without a calibration and without a scale.

In order: the tree without the bow, the bow at rest on it, then the bow drawn further and further. Lens and board are found from the fiducials of all
pictures together (``vision.rig.boardfit``), the bow's plane from three touched places and the limbs' own lengths (``vision.rig.touched``).
"""

from __future__ import annotations

import io
import math
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, UnidentifiedImageError
from PIL import Image as Photo

from tiller.bow.bowfile import read_bow
from tiller.bow.rigfile import Rig
from tiller.bow.tomlwrite import toml
from tiller.children import STANDS_IN, child
from tiller.errors import FileFault, RecordingFault, TillerError, VisionFault
from tiller.files import read_regular, write_whole
from tiller.measure.recording import LARGEST_PICTURE
from tiller.report.sheets.targets import HOOK, RACK, RACK_DICTIONARY
from tiller.report.style import Units
from tiller.setup.bow_files import with_stave
from tiller.setup.capture import PICTURES, still_shots
from tiller.setup.field import Field
from tiller.setup.guided.keep import BAR_MM
from tiller.setup.guided.pictures import BAR
from tiller.setup.guided.talk import Dot, Talk
from tiller.sources.cameras import VideoFile
from tiller.sources.interfaces import Ended, Image
from tiller.vision.rig.board import Key, crossing, find_markers
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


def read_shots(source: Path) -> Shots:
    """The pictures of a folder by name, or of a video whenever nothing moves in it.

    Raises:
        RecordingFault: they cannot be read, are too few, or differ in size. SourceFault: the video cannot be read.
    """
    return _of_folder(source) if source.is_dir() else _of_video(source)


def _of_folder(folder: Path) -> Shots:
    names: list[str] = []
    images: list[Image] = []
    focal = math.nan
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in PICTURES):
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


def _of_video(path: Path) -> Shots:
    if not path.is_file():
        msg = f"There is no folder and no video {path}: give a folder with pictures, or a video file."
        raise RecordingFault(msg)
    camera = VideoFile(path, paced=False)
    camera.open()
    first = camera.read()
    camera.close()
    if isinstance(first, Ended):
        msg = f"{path.name} has no pictures that can be read: give another file."
        raise RecordingFault(msg)
    size = (first.image.shape[1], first.image.shape[0])
    images: list[Image] = []
    for image in still_shots(VideoFile(path, paced=False), size, math.inf):
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
    """The recording's folder; the board as it was found; by how much the fiducials seem larger than printed (0 where all agrees)."""

    folder: Path
    board: BoardFound
    larger: float

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
        return out


SAID_LARGER = 0.02


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
    focal_sd = FOCAL_SD if math.isnan(shots.focal_px) else FILE_SD
    board = find_board(by.marks, fiducials, shots.size, shots.focal_px, focal_sd)
    lengths = (bow.left.length_mm, bow.right.length_mm)
    found = rig_from_touches(board, by.marks[by.rest], touched, lengths, near)
    try:
        (folder / "frames").mkdir(parents=True)
        write_whole(folder / "rig.toml", toml(rig_table(found.rig)).encode())
        write_whole(folder / "bow.toml", text.encode())
        rows = ["file,t_s,role"]
        for k, (image, role) in enumerate(zip(shots.images, by.roles, strict=True)):
            name = f"frames/{k:03d}_{role}.jpg"
            write_whole(folder / name, cv2.imencode(".jpg", image, (cv2.IMWRITE_JPEG_QUALITY, 95))[1].tobytes())
            rows.append(f"{name},{float(k):.1f},{role}")
        write_whole(folder / "frames.csv", ("\n".join(rows) + "\n").encode())
    except OSError as err:
        msg = f"{folder} could not be written ({err.strerror}): free some space, or choose another place."
        raise FileFault(msg) from err
    return Made(folder, board, found.larger)


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
    ("pivot", "Touch where the handle rests, on the belly, in its middle"),
    ("left", "Touch the left limb's nock"),
    ("right", "Touch the right limb's nock"),
)


def phone_job(bow_file: Path, home: Path, book: Path, units: Units) -> Callable[[Talk], None]:
    """Measures a phone's pictures of a bow: where they are, three touches, three lengths that have usual answers; the pull is in the book then."""

    def job(talk: Talk) -> None:
        shots = talk.ask_as(
            SOURCE,
            lambda text: read_shots(Path(text.strip()).expanduser()),
            "In this order by name or time: the tree without the bow, the bow at rest on it, then drawn further and further; the printed fiducials flat near the"
            " bow, the hook's on the hook, the phone where it was.",
        )
        by = sort_shots(shots)
        touched = _touched(talk, shots.images[by.rest])
        sides, hook_side = printed(talk.number(BAR, "Measure the check bars of the fiducials' sheets."))
        near = near_of(talk.number(DEPTH), talk.number(HOOK_UP), hook_side)
        talk.say("lens and board are found ...")
        folder = home / "recordings" / f"phone-{datetime.now():%Y%m%d-%H%M%S}"
        made = make_recording(shots, by, touched, near, bow_file, folder, sides)
        talk.show(found=(made.words,), sentence="the pull is measured ...")
        words = ["measure", str(folder), "--book", str(book), "--units", "metric" if units.metric else "inch"]
        done = subprocess.run(child("tiller", *words), cwd=STANDS_IN, capture_output=True, text=True, check=False)  # noqa: S603  (words of our own, no shell)
        if done.returncode:
            lines = done.stderr.strip().splitlines()
            raise VisionFault(lines[-1].removeprefix("tiller: ") if lines else "it could not be measured.")
        lines = done.stdout.splitlines()
        drawn = [Path(line.removeprefix("Picture: ")) for line in lines if line.startswith("Picture: ")]
        overlay = next((cv2.imread(str(path)) for path in drawn if path.name == "overlay.jpg"), None)
        said = tuple(line for line in lines if line.startswith(SAID))
        talk.show(
            found=(made.words, *said),
            sentence="It is in the book. Without a scale neither weight nor depth is known: go by the marks.",
            **({"picture": np.asarray(overlay, dtype=np.uint8)} if overlay is not None else {}),
            dots=(),
        )

    return job


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
