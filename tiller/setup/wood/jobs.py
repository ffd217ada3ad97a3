"""The guided jobs about wood before the rack: a log's end by touch, a stave's modulus by taps or by a load, the bow's place in a stave."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.stavefile import Stave, read_stave
from tiller.bow.wood.woods import find_wood
from tiller.errors import TillerError
from tiller.mechanics.wood.place import FaceOf, Placed
from tiller.mechanics.wood.season import season_of
from tiller.mechanics.wood.split import Splitting
from tiller.report.plots.wood import log_end_picture, place_plot, ring_picture
from tiller.report.style import Units
from tiller.report.text.wood import HEAT, HEAT_FROM_MM, log_end_words, modulus_words, place_words, ring_words
from tiller.setup.field import Field
from tiller.setup.guided.staves import day_of
from tiller.setup.guided.talk import Dot, Talk
from tiller.setup.wood.face import StaveFace, face_by_touch, join_face
from tiller.setup.wood.log import (
    Asked,
    Image,
    LogRead,
    Tree,
    begin_staves,
    count_sd,
    lens_of,
    picture_of,
    read_log,
)
from tiller.setup.wood.modulus import (
    UNKNOWN_MOIST,
    Found,
    Loaded,
    against_before,
    bar_of,
    by_load,
    by_taps,
    keep_modulus,
    sizes_of,
)
from tiller.setup.wood.place import FACE_FORM, KNOT_FORM, face_of, keep_place, lie, shape_of
from tiller.setup.wood.ring import keep_ring
from tiller.sources.sounds import listen, read_sound
from tiller.vision.stave.ringlines import ring_lines

Array = NDArray[np.float64]

WHAT = Field(
    key="what",
    question="What is to be looked at? L a log's sawn end, M a stave's modulus by taps, B its modulus by a load, F pictures of its face, P the bow's place in it by measures, R rings that are cut on a back",
    kind="text",
)
PICTURE = Field(key="picture", question="The picture of the log's sawn end", kind="picture")
PITH = Field(key="pith", question="Touch the pith", kind="touch")
EDGE = Field(
    key="edge", question="Touch the edge under the bark, all around, eight times or more; Enter when done", kind="touch"
)
WIDTH = Field(
    key="width", question="How wide shall a stave be, with what is hewn off", kind="mm", low=15, high=200, usual="60"
)
DEPTH = Field(key="depth", question="And how deep", kind="mm", low=8, high=200, usual="35")
RIGHT = Field(
    key="right",
    question="Enter where rings and rim sit right; a touch at a ring's end adds it, at one that is marked takes it away",
    kind="touch",
)
WAY = Field(
    key="way", question="Into how many parts shall it be split: 2, 3, 4, 6 or 8 (Enter alone: not now)", kind="text"
)
TREE = Field(key="tree", question="What is the tree called? Its staves are numbered by it", kind="text")
WOOD = Field(key="wood", question="Its wood, by its name (such as hickory, osage, ash)", kind="text")
FELLED = Field(key="felled", question="The day of its felling, as 2026-03-14 (Enter alone: not known)", kind="text")
PLACE = Field(key="place", question="Where it grew (Enter alone: not said)", kind="text")
SOUND = Field(
    key="sound",
    question="A recording of the taps (WAV, or what a phone records), or Enter alone: the microphone listens for 12 s",
    kind="picture",
)
SIZES = Field(
    key="sizes",
    question="Sizes from end to end, as place:width x thickness, such as 0:45x25, 900:44x24, 1800:43x25",
    kind="text",
)
BACK = Field(
    key="back",
    question="Is its back still round as the log was? y; Enter alone: it is flat, an offcut or a lath",
    kind="text",
)
MASS = Field(key="mass", question="What does the piece weigh", kind="kg", low=0.02, high=60)
LOAD = (
    Field(key="span", question="The lath: from support to support", kind="mm", low=150, high=2500, usual="600"),
    Field(key="wide", question="How wide is it", kind="mm", low=3, high=250, usual="30"),
    Field(key="thick", question="How thick", kind="mm", low=2, high=100, usual="10"),
    Field(key="load", question="The mass that hangs at its middle", kind="kg", low=0.02, high=60),
    Field(key="down", question="How far did its middle go down", kind="mm", low=0.3, high=250),
)
HOLD = "Hold one printed rack fiducial flat against the end or beside it, in its plane, its upper edge up; take the picture from straight before it."
STRETCH = "Stretch a line along the stave's face. At some places measure both edges and the grain's line from it, one side of the line positive; and each knot."
FACE = Field(
    key="face",
    question=f"The face, as {FACE_FORM} with commas between, such as 0:-32:30:0, 600:-30:34:4, 1800:-33:30:-6",
    kind="text",
)
KNOTS = Field(
    key="knots",
    question=f"Knots, as {KNOT_FORM} with commas between, such as 640:12:9 (Enter alone: none)",
    kind="text",
)
FACES = Field(key="source", question="The folder with the pictures along its face", kind="text")
BESIDE = (
    "Printed rack fiducials lie flat beside the stave, in the plane of its face, all along it; six to twelve pictures from straight above, each with two sheets, one"
    " of them shared with the picture before."
)
TOUCHED = (
    Field(key="low", question="Touch the stave's edge nearer to you, from end to end; Enter when done", kind="touch"),
    Field(key="high", question="Touch its other edge, from end to end; Enter when done", kind="touch"),
    Field(
        key="grain", question="Touch along one line of the grain; Enter when done (alone: it runs midway)", kind="touch"
    ),
    Field(key="sides", question="Touch each knot at both its sides; Enter when done", kind="touch"),
)
LIMB = Field(
    key="limb",
    question="How long is a limb, from the handle's middle to the nock",
    kind="mm",
    low=350,
    high=1400,
    usual="860",
)
WIDE = Field(key="wide", question="How wide at the end of the fade", kind="mm", low=10, high=110, usual="45")
TIP = Field(key="tip", question="And at the nock", kind="mm", low=4, high=60, usual="12")
HANDLE_MM = 50.0
TAKE = Field(key="take", question="Which place is taken over (Enter alone: none)", kind="text")
BACK_PICTURE = Field(key="back picture", question="The picture of the stave's back", kind="picture")
GRAZING = "Darken the shop, lay one lamp low at the stave's end or side so that its light only just strikes the back, and take the picture from straight above."
RING_MM = 2.5
"""A touch that is so near to a ring that is marked means it."""
LAY = "The piece lies on two soft supports, each 22 % of its length from an end. Tap its middle with a knuckle, several times, two seconds apart."
LISTEN_S = 12.0


def wood_job(home: Path, book: Path, name: str, units: Units) -> Callable[[Talk], None]:
    """The job.

    Args:
        name: the chosen stave, '' where none is.
    """

    def which(text: str) -> str:
        letter = text.strip().casefold()[:1]
        if letter not in ("l", "m", "b", "p", "f", "r"):
            msg = f"'{text}' is none of L, M, B, F, P, R: type one of them."
            raise TillerError(msg)
        if letter not in ("l", "r") and not (home / "bows" / name / "stave.toml").is_file():
            msg = "choose a stave in the list first (G begins one): what is found goes into its file."
            raise TillerError(msg)
        return letter

    def job(talk: Talk) -> None:
        what = talk.ask_as(WHAT, which)
        if what == "l":
            _log(talk, home, book, units)
        elif what == "p":
            _placed(talk, home, book, name, units, _by_measures(talk))
        elif what == "r":
            _ring(talk, home, book, name)
        elif what == "f":
            _placed(talk, home, book, name, units, _by_pictures(talk, home))
        else:
            _modulus(talk, home, book, name, units, what == "m")

    return job


# -- a log's end -------------------------------------------------------------------------------------------------------


def _log(talk: Talk, home: Path, book: Path, units: Units) -> None:
    image: Image = talk.ask_as(PICTURE, lambda text: picture_of(Path(text.strip().strip('"')).expanduser()), HOLD)
    size = (image.shape[1], image.shape[0])
    talk.show(picture=image, dots=())
    pith: Array = talk.ask_as(PITH, lambda text: _touch(text, size))
    edge: list[Array] = []
    while True:
        dots = (Dot(float(pith[0]), float(pith[1]), "pith"), *(Dot(float(p[0]), float(p[1])) for p in edge))
        talk.show(dots=dots)
        touched = talk.ask_as(EDGE, lambda text: _touch(text, size) if text.strip() else None, f"{len(edge)} so far.")
        if touched is not None:
            edge.append(touched)
        elif len(edge) >= 5:
            break
    width, depth = talk.number(WIDTH), talk.number(DEPTH)
    talk.show(sentence="the picture is looked at ...", dots=())
    rig = home / "rig.toml"
    asked = Asked(pith_px=pith, edge_px=np.array(edge), width_mm=width, depth_mm=depth)
    read = read_log(image, asked, lens_of(rig if rig.is_file() else None, image))
    read = _touched_up(talk, read, units)
    way = _chosen_way(talk, read, units)
    if way is None:
        talk.say("Nothing was begun: what the log's end says stands here.")
        return
    tree = Tree(
        name=talk.ask_as(TREE, _named),
        wood=str(talk.ask(WOOD)),
        place=str(talk.ask(PLACE)).strip(),
        felled=talk.ask_as(FELLED, lambda text: day_of(text, date.today()) if text.strip() else None),
    )
    names = begin_staves(book, home, tree, read, way, datetime.now().replace(microsecond=0))
    remark = (
        "" if find_wood(tree.wood) is not None else f" '{tree.wood}' is in no table: nothing is known of its strength."
    )
    talk.show(sentence=f"Begun: {', '.join(names)}. Seal their ends today.{remark}")


def _named(text: str) -> str:
    if not text.strip():
        msg = "the tree needs a name: type one, such as 'brook ash'."
        raise TillerError(msg)
    return text.strip()


def _touch(text: str, size: tuple[int, int]) -> Array:
    """A touched place, px.

    Raises:
        TillerError: it is none.
    """
    try:
        x, y = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        msg = "a touch in the picture is expected."
        raise TillerError(msg) from None
    if not (0 <= x < size[0] and 0 <= y < size[1]):
        msg = "that is outside of the picture: touch the wood."
        raise TillerError(msg)
    return np.array([x, y])


def _shown(talk: Talk, read: LogRead, way: Splitting | None, units: Units) -> float:
    """Shows what was found; by how much the picture is smaller than the one that was given."""
    drawn = log_end_picture(read.image, read.end, way, (read.asked.width_mm, read.asked.depth_mm), read.flaws)
    lines = log_end_words(read.shape, read.end, count_sd(read), read.asked.width_mm, read.ways, units)
    talk.show(picture=drawn, found=tuple(lines), dots=())
    return float(drawn.shape[1] / read.image.shape[1])


def _touched_up(talk: Talk, read: LogRead, units: Units) -> LogRead:
    """Rings added and taken away by touch, until they are said to sit right."""
    while True:
        share = _shown(talk, read, None, units)
        size = (round(read.image.shape[1] * share), round(read.image.shape[0] * share))

        def touched(text: str, size: tuple[int, int] = size) -> Array | None:
            return _touch(text, size) if text.strip() else None

        place = talk.ask_as(RIGHT, touched)
        if place is None:
            return read
        read = ring_touched(read, place / share)


def ring_touched(read: LogRead, place_px: Array) -> LogRead:
    """The ring whose mark lies at a touched place taken away, or one added on the ray that runs nearest to it."""
    rim = read.end.rim
    off = read.end.face.millimetres(place_px[None])[0] - rim.pith_mm
    angle, radius = float(np.arctan2(off[1], off[0])), float(np.linalg.norm(off))
    aside = [abs((ray.angle_rad - angle + np.pi) % (2 * np.pi) - np.pi) for ray in read.end.rays]
    k = int(np.argmin(aside))
    ray = read.end.rays[k]
    # along the ray a ring lies at the same share of the rim as where it was touched
    radius *= float(rim.radius_mm(ray.angle_rad)[0] / rim.radius_mm(angle)[0])
    ends = ray.rings.ends_mm
    near = np.abs(ends - radius)
    if len(ends) and float(np.min(near)) <= min(
        RING_MM, 0.4 * float(np.median(np.diff(ends))) if len(ends) > 1 else RING_MM
    ):
        ends = np.delete(ends, int(np.argmin(near)))
    else:
        ends = np.sort(np.append(ends, radius))
    # what an eye looked over is not in doubt any more as the program's own count is
    rings = replace(ray.rings, ends_mm=ends, count_sd=0.5 * ray.rings.count_sd)
    rays = tuple(replace(ray, rings=rings) if j == k else other for j, other in enumerate(read.end.rays))
    return replace(read, end=replace(read.end, rays=rays))


def _chosen_way(talk: Talk, read: LogRead, units: Units) -> Splitting | None:
    _shown(talk, read, read.ways[0], units)

    def way(text: str) -> Splitting | None:
        if not text.strip():
            return None
        found = next((w for w in read.ways if str(w.count) == text.strip()), None)
        if found is None:
            msg = f"'{text}' is none of 2, 3, 4, 6, 8: type one of them, or Enter alone."
            raise TillerError(msg)
        if found.staves == 0:
            msg = f"split into {found.count} it gives no clear stave of that size: choose another way, or Enter alone."
            raise TillerError(msg)
        return found

    chosen: Splitting | None = talk.ask_as(WAY, way)
    if chosen is not None:
        _shown(talk, read, chosen, units)
    return chosen


# -- the bow's place ---------------------------------------------------------------------------------------------------


def _by_measures(talk: Talk) -> FaceOf:
    """The face as it was measured from a stretched line."""
    stations: str = talk.ask_as(
        FACE, lambda text: text if face_of(text.replace(" ", ""), (), talk.metric) else "", STRETCH
    )

    def with_knots(text: str) -> FaceOf:
        knots = [part for part in re.split(r"[,;]", text.replace(" ", "")) if part]
        return face_of(stations.replace(" ", ""), knots, talk.metric)

    face: FaceOf = talk.ask_as(KNOTS, with_knots)
    return face


def _by_pictures(talk: Talk, home: Path) -> FaceOf:
    """The face by touches in the strip that pictures along it were joined to."""
    rig = home / "rig.toml"

    def joined(text: str) -> StaveFace:
        talk.say("the pictures are joined ...")
        return join_face([Path(text.strip().strip('"')).expanduser()], rig if rig.is_file() else None)

    found: StaveFace = talk.ask_as(FACES, joined, BESIDE)
    image = found.strip.image
    talk.show(picture=image, dots=(), found=())
    touched = {field.key: _touches(talk, field, image) for field in TOUCHED[:3]}
    while True:
        sides = _touches(talk, TOUCHED[3], image)
        if len(sides) % 2 == 0:
            break
        talk.say("a knot takes two touches, one at either side: begin the knots again.")
    empty = np.zeros((0, 2))
    return face_by_touch(
        found.strip,
        touched["low"],
        touched["high"],
        touched["grain"] if len(touched["grain"]) else empty,
        sides.reshape(-1, 2, 2),
    )


def _touches(talk: Talk, field: Field, image: Image) -> Array:
    """Touches until Enter, (n, 2)."""
    size = (image.shape[1], image.shape[0])
    places: list[Array] = []
    while True:
        talk.show(dots=tuple(Dot(float(p[0]), float(p[1])) for p in places))
        place = talk.ask_as(field, lambda text: _touch(text, size) if text.strip() else None, f"{len(places)} so far.")
        if place is None:
            return np.array(places).reshape(-1, 2)
        places.append(place)


def _placed(talk: Talk, home: Path, book: Path, name: str, units: Units, face: FaceOf) -> None:
    path = home / "bows" / name / "stave.toml"
    stave = read_stave(path)
    limb, wide = talk.number(LIMB), talk.number(WIDE)
    shape = talk.ask_as(
        TIP, lambda text: shape_of(limb, HANDLE_MM, wide, float(TIP.read(text, talk.metric)), "straight")
    )
    lying = lie(face, shape, False)
    if lying.why_not:
        talk.show(sentence=f"No bow of that size fits: {lying.why_not}.", found=())
        return
    names = [str(k + 1) for k in range(len(lying.proposals))]
    drawn = cv2.imdecode(
        np.frombuffer(place_plot(face, shape, lying.proposals, names, units), np.uint8), cv2.IMREAD_COLOR
    )
    talk.show(
        found=(
            *place_words(lying.proposals, None, units),
            *([HEAT] if any(one.string_mm > HEAT_FROM_MM for one in lying.proposals) else []),
        ),
        picture=np.asarray(drawn, dtype=np.uint8) if drawn is not None else None,
    )

    def taken(text: str) -> Placed | None:
        if not text.strip():
            return None
        if text.strip() not in names:
            msg = f"'{text}' is none of {', '.join(names)}: type one of them, or Enter alone."
            raise TillerError(msg)
        return lying.proposals[int(text) - 1]

    chosen: Placed | None = talk.ask_as(TAKE, taken)
    if chosen is None:
        talk.say("Nothing was taken over.")
        return
    keep_place(path, stave, lying, chosen, book, datetime.now().replace(microsecond=0))
    talk.say(
        "Taken over: its knots stand in the stave's file. 'tiller place' with --template draws both limbs true to scale."
    )


# -- chasing a ring ----------------------------------------------------------------------------------------------------


def _ring(talk: Talk, home: Path, book: Path, name: str) -> None:
    image: Image = talk.ask_as(
        BACK_PICTURE, lambda text: picture_of(Path(text.strip().strip('"')).expanduser()), GRAZING
    )
    seen = ring_lines(image)
    if (home / "bows" / name / "stave.toml").is_file():
        keep_ring(book, name, seen, datetime.now().replace(microsecond=0))
    first, *rest = ring_words(seen)
    talk.show(sentence=first, found=tuple(rest), picture=ring_picture(image, seen))


# -- the modulus -------------------------------------------------------------------------------------------------------


def _modulus(talk: Talk, home: Path, book: Path, name: str, units: Units, taps: bool) -> None:
    path = home / "bows" / name / "stave.toml"
    stave = read_stave(path)
    season = season_of(stave, date.today())
    moisture = float(season.moisture) if np.isfinite(season.moisture) else None
    found, recording = _by_taps(talk, stave, moisture) if taps else (_by_load(talk, stave, moisture), "")
    if found.own is None:
        raise TillerError(f"The modulus cannot be told: {found.why_not}. Nothing was written.")
    kept = keep_modulus(path, stave, found, book, datetime.now().replace(microsecond=0), recording)
    words = modulus_words(stave, found.own.gpa, found.own.sd_gpa, found.own.moisture_percent, found.rung, units)
    first, *rest = words.splitlines()
    used = "It stands in the stave's file: layout, limits and the first pull go by it."
    if not kept:
        used = f"The stave's file keeps the modulus that it has: {UNKNOWN_MOIST}"
    elif found.own.moisture_percent is None:
        used = f"It stands in the stave's file, but {UNKNOWN_MOIST}"
    talk.show(
        sentence=first,
        found=(*rest, *found.remarks, *(text for text in (against_before(stave, found.own),) if text), used),
    )


def _by_taps(talk: Talk, stave: Stave, moisture: float | None) -> tuple[Found, str]:
    sizes = talk.ask_as(SIZES, lambda text: sizes_of(text.replace(" ", ""), talk.metric), LAY)
    crowned = talk.ask_as(BACK, _yes)
    bar = talk.ask_as(MASS, lambda text: bar_of(stave, sizes, float(MASS.read(text, talk.metric)), crowned))

    def heard(text: str) -> tuple[Found, str]:
        typed = text.strip().strip('"')
        if not typed:
            talk.say(f"the microphone listens for {LISTEN_S:g} s: tap now, every two seconds ...")
        sound = read_sound(Path(typed).expanduser()) if typed else listen(LISTEN_S)
        found = by_taps(stave, bar, sound, moisture)
        if found.own is None:
            raise TillerError(f"{found.why_not}.")
        return found, typed

    answer: tuple[Found, str] = talk.ask_as(SOUND, heard, LAY)
    return answer


def _yes(text: str) -> bool:
    """Whether it is so.

    Raises:
        TillerError: it is neither yes nor no.
    """
    letter = text.strip().casefold()[:1]
    if letter not in ("", "n", "y"):
        msg = f"'{text}' is neither yes nor no: type y, or Enter alone."
        raise TillerError(msg)
    return letter == "y"


def _by_load(talk: Talk, stave: Stave, moisture: float | None) -> Found:
    span, wide, thick, load = (talk.number(field) for field in LOAD[:-1])
    down = LOAD[-1]

    def bent(text: str) -> Found:
        loaded = Loaded(
            span_mm=span, width_mm=wide, thickness_mm=thick, mass_kg=load, deflection_mm=float(down.read(text, talk.metric))
        )  # fmt: skip
        return by_load(stave, loaded, moisture)

    found: Found = talk.ask_as(down, bent)
    return found
