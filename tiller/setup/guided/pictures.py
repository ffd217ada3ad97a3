"""Guided jobs that take pictures: the camera's place, the lens, the rack, and the lath as a check."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tiller.bow.rigfile import read_lens, read_rig
from tiller.errors import FileFault, SourceFault, TillerError, VisionFault
from tiller.quantity import mm
from tiller.report.sheets.targets import RACK, RACK_DICTIONARY, lens_board_points
from tiller.report.style import Units
from tiller.report.text.calibration import board_words, lens_words
from tiller.setup.capture import capture_lens, capture_rack, pictures_in, see_all, still_shots
from tiller.setup.field import Field
from tiller.setup.guided.keep import (
    ENDS,
    KEYS,
    LATH_OFF_MM,
    LathMeasures,
    bar_fault,
    known_rack,
    lath_seen_mm,
    lens_fault,
    rack_fault,
    rig_keys,
)
from tiller.setup.guided.sees import what_it_sees
from tiller.setup.guided.talk import Dot, Talk, Watched
from tiller.setup.rig_writer import put_lens, put_rack
from tiller.sources.cameras import camera_of
from tiller.sources.interfaces import Camera, Ended, Image
from tiller.vision.rig.board import Key, crossing, find_markers
from tiller.vision.rig.lens import SeenCorners, calibrate_lens, coverage
from tiller.vision.rig.rackfit import find_rack

Array = NDArray[np.float64]

SIZES: tuple[tuple[int, int] | None, ...] = ((1920, 1080), (1280, 720), None)
"""Sizes that a camera is asked for, in turn; the last is as it comes."""
LENS_PICTURES, RACK_PICTURES = 18, 10
FOR_S = 900.0

BAR = Field(
    key="bar",
    question="What does the printed sheet's check bar measure",
    kind="mm",
    low=50.0,
    high=200.0,
    usual="100",
)
LATH = (
    Field(
        key="apart",
        question="The lath: from the middle of one fiducial to the middle of the other",
        kind="mm",
        low=300.0,
        high=4000.0,
        usual="1500",
    ),
    Field(
        key="up",
        question="How high are their middles over the lath's lower edge",
        kind="mm",
        low=0.0,
        high=300.0,
        usual="40",
    ),
    Field(key="thick", question="How thick is the lath", kind="mm", low=2.0, high=120.0, usual="20"),
)


def opened(where: str) -> tuple[Camera, tuple[int, int]]:
    """A camera at the largest of ``SIZES`` that it has, and that size; it is closed again.

    Raises:
        SourceFault: it gives no picture.
    """
    fault: SourceFault | None = None
    for size in SIZES:
        camera = camera_of(where, size)
        try:
            camera.open()
            shot = camera.read()
        except SourceFault as err:
            fault = fault or err
            continue
        finally:
            camera.close()
        if not isinstance(shot, Ended):
            return camera, (shot.image.shape[1], shot.image.shape[0])
    raise fault or SourceFault(f"'{where}' gives no picture: choose another camera.")


def watch_camera(where: str, works: Callable[[str], None] = lambda _: None) -> Callable[[Talk], None]:
    """Shows what a camera sees, with hints, until it is left or ends; ``works`` gets it once it has given a picture."""

    def job(talk: Talk) -> None:
        talk.say(f"the camera '{where}' is opened ...")
        camera, size = opened(where)
        works(where)
        talk.show(found=(f"{size[0]}x{size[1]} pixels.",))
        watched = Watched(camera, talk)
        watched.open()
        try:
            talk.show(found=(*talk.moment.found, *(note.text for note in camera.remarks)))
            while True:
                shot = watched.read()
                if isinstance(shot, Ended):
                    talk.say("it has no more pictures.")
                    return
                sees = what_it_sees(shot.image)
                good = "the rack is seen well: light, sharpness and angle are good."
                talk.show(dots=sees.dots, sentence=" ".join(sees.hints) or good)
        finally:
            watched.close()

    return job


def _bar(talk: Talk, sheet: str) -> float:
    def read(text: str) -> float:
        value = float(BAR.read(text, talk.metric))
        if bar_fault(value):
            raise TillerError(bar_fault(value))
        return value

    return float(talk.ask_as(BAR, read, f"Measure the check bars at the rim of {sheet}."))


def lens_job(where: str, rig: Path, today: str) -> Callable[[Talk], None]:
    """Calibrates the lens by the printed board and keeps it in the rig's file."""

    def job(talk: Talk) -> None:
        _bar(talk, "the lens board")
        talk.say(f"the camera '{where}' is opened ...")
        camera, size = opened(where)
        board, _ = lens_board_points()

        def taken(views: Sequence[SeenCorners]) -> None:
            talk.show(fields=coverage(views, size), taken=len(views))

        talk.show(
            wanted=LENS_PICTURES,
            fields=coverage((), size),
            sentence="Hold the lens board where the bow will be and nearer, tilted this way and that, into every corner; hold it still for a moment each time.",
        )
        views = capture_lens(Watched(camera, talk), board, size, LENS_PICTURES, talk.say, FOR_S, taken)
        talk.say("the lens is worked out ...")
        found = calibrate_lens(views, size)
        talk.show(found=tuple(lens_words(found).splitlines()))
        if lens_fault(found):
            raise VisionFault(lens_fault(found))
        talk.enter("Enter keeps it", "")
        put_lens(rig, found.lens, today, found.rim_sd_px)
        talk.say(f"kept: it holds for this camera at {size[0]}x{size[1]} with this focus and zoom only.")

    return job


def rack_job(where: str, rig: Path, folder: Path, today: str) -> Callable[[Talk], None]:
    """Measures the rack by the lath, tapes and pictures that are taken into ``folder``, and keeps it in the rig's file."""

    def job(talk: Talk) -> None:
        try:
            lens = read_lens(rig)
        except FileFault as err:
            msg = "the lens comes first: do its card, then this one."
            raise VisionFault(msg) from err
        bar = _bar(talk, "the fiducials' sheets")
        lath = _lath(talk, None)
        talk.show(
            wanted=RACK_PICTURES,
            sentence="Lay the lath into the cradle, nothing else. Carry the camera to the left, the right, above, below and where it will stand; hold it"
            " still for a moment each time, the whole rack in view.",
        )

        def count(sentence: str) -> None:
            talk.show(sentence=sentence, taken=len(list(folder.glob("*.png"))) if folder.is_dir() else 0)

        camera = Watched(camera_of(where, lens.image_size), talk, _dots)
        capture_rack(camera, KEYS, folder, lens, RACK_PICTURES, count, FOR_S)
        images = pictures_in(folder)
        pictures = see_all(images, KEYS, lambda _: None)
        pairs = tape_pairs(pictures)
        taped = [math.nan] * len(pairs)
        while True:
            tapes = [_taped(talk, p, images, pictures, old) for p, old in zip(pairs, taped, strict=True)]
            taped = [length for _, _, length in tapes]
            talk.show(tape=None, dots=(), sentence="the rack is worked out ...")
            words: tuple[str, ...] = ()
            try:
                found = find_rack(pictures, lens, known_rack(pictures, bar, lath, tapes))
            except VisionFault as err:
                fault = err.marked
            else:
                fault, words = rack_fault(found), tuple(board_words(found, Units(talk.metric)).splitlines())
            talk.show(found=words)
            if not fault:
                break
            # a slip of the tape must not cost the pictures
            talk.enter("Enter measures lath and tapes again, the pictures stay; Escape leaves it", fault)
            lath = _lath(talk, lath)
        talk.enter("Enter keeps it", "")
        put_rack(rig, found, today, float(lens.matrix[0, 0]))
        talk.say("kept: now put the camera in its place for good, and check with the lath.")

    return job


def _lath(talk: Talk, before: LathMeasures | None) -> LathMeasures:
    """Asks for the lath's measures; those of before are the usual ones."""
    old = (before.apart_mm, before.up_mm, before.thick_mm) if before is not None else (math.nan,) * 3
    asked = (replace(f, usual=f"{v:g}") if v == v else f for f, v in zip(LATH, old, strict=True))
    apart, up, thick = (talk.number(field) for field in asked)
    return LathMeasures(apart_mm=apart, up_mm=up, thick_mm=thick)


def _dots(image: Image) -> tuple[Dot, ...]:
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    marks = find_markers(grey, KEYS)
    return tuple(_dot(quad, key) for key, quad in sorted(marks.items()))


def _dot(quad: Array, key: Key) -> Dot:
    middle = crossing(quad)
    return Dot(float(middle[0]), float(middle[1]), str(key[1]))


def tape_pairs(pictures: Sequence[Mapping[Key, Array]]) -> tuple[tuple[Key, Key], ...]:
    """Two pairs of the board's fiducials to be taped: the two that are furthest apart, and the furthest pair that lies otherwise (over 45 degrees), or
    the next where there is none.

    Raises:
        VisionFault: fewer than three of them were seen.
    """
    board = [(RACK_DICTIONARY, s.marker) for s in RACK]
    best = max(pictures, key=lambda p: sum(k in p for k in board))
    at = {k: crossing(best[k]) for k in board if k in best}
    if len(at) < 3:
        msg = f"only {len(at)} of the board's fiducials were seen in a picture, three are the least: step back or uncover them, and take the pictures anew."
        raise VisionFault(msg)
    ways = sorted(
        itertools.combinations(sorted(at), 2), key=lambda pair: -float(np.linalg.norm(at[pair[1]] - at[pair[0]]))
    )
    first = ways[0]
    along = at[first[1]] - at[first[0]]

    def turned(pair: tuple[Key, Key]) -> bool:
        way = at[pair[1]] - at[pair[0]]
        return abs(float(way @ along)) < 0.7071 * float(np.linalg.norm(way) * np.linalg.norm(along))

    return first, next((pair for pair in ways[1:] if turned(pair)), ways[1])


def _taped(
    talk: Talk,
    pair: tuple[Key, Key],
    images: Sequence[tuple[str, Image]],
    pictures: Sequence[Mapping[Key, Array]],
    before_mm: float,
) -> tuple[Key, Key, float]:
    """Asks for one taped distance, shown on a picture that has both; NaN where it was not taped before."""
    at = max(range(len(pictures)), key=lambda k: (all(key in pictures[k] for key in pair), len(pictures[k])))
    a, b = (_dot(pictures[at][key], key) for key in pair)
    talk.show(picture=images[at][1], dots=(), tape=(a, b))
    field = Field(
        key="tape",
        question=f"Tape from the middle of fiducial {pair[0][1]} to the middle of fiducial {pair[1][1]}",
        kind="mm",
        low=50.0,
        high=20_000.0,
        usual=f"{before_mm:g}" if before_mm == before_mm else "",
    )
    return pair[0], pair[1], talk.number(field, "A steel tape, straight and taut, to half a millimetre or 1/64 in.")


def check_lath(talk: Talk, where: str, rig_file: Path, usual_mm: float) -> tuple[float, float]:
    """The lath's length as taped, and how far off the rack sees it, mm.

    Raises:
        Left: the job was left. VisionFault: it is not seen. SourceFault: the camera was lost.
    """
    rig = read_rig(rig_file)
    apart_field = replace(LATH[0], usual=f"{usual_mm:g}") if usual_mm == usual_mm else LATH[0]
    apart, thick = talk.number(apart_field), talk.number(LATH[2])
    talk.say("Lay the lath into the cradle, its front to the camera, and let go of it.")
    keys = rig_keys(rig)
    camera = Watched(camera_of(where, rig.lens.image_size), talk, _dots)
    shots = still_shots(camera, rig.lens.image_size, FOR_S)
    try:
        for image in shots:
            grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
            marks = find_markers(grey, keys)
            try:
                seen = lath_seen_mm(marks, rig, thick)
            except VisionFault as err:
                talk.say(err.marked)
                continue
            if seen == seen:
                off = seen - apart
                good = "good." if abs(off) <= LATH_OFF_MM else f"more than {mm(LATH_OFF_MM, 1)} off."
                talk.show(
                    found=(f"The lath of {mm(apart, 1)} measures {mm(seen, 1)}: {mm(off, 1, sign=True)}, {good}",)
                )
                return apart, off
            lacking = ", ".join(str(k[1]) for k in ENDS if k not in marks)
            talk.say(f"the lath's fiducial {lacking} is not in view.")
    finally:
        shots.close()
    msg = "the lath was not seen: is it in the cradle, its fiducials to the camera?"
    raise VisionFault(msg)
