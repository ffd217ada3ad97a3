"""A session at the rack from what the user says: which bow, which rig, which camera and scale."""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import Bow, BowString, parse_bow, read_bow
from tiller.bow.rigfile import Rig, parse_rig, read_rig, read_rig_for_weight
from tiller.bow.tomlcheck import load_toml
from tiller.errors import BookFault, FileFault, KeyFault
from tiller.files import on_network
from tiller.live.recorder import Keep, Options, lock
from tiller.live.session import Rack
from tiller.measure.recording import read_recording
from tiller.measure.restrung import MARK
from tiller.measure.store import fate_fault
from tiller.mechanics.forward.stop import Stop
from tiller.notes import Note, caution
from tiller.paths import data_folder
from tiller.records.book import ON_NETWORK, Book
from tiller.setup.bow_files import find_bow, text_of, with_stave
from tiller.setup.stringing import NEW_STRING, is_shorter, stop_on_new_string, stop_with
from tiller.sources.cameras import ReplayedCamera, camera_of
from tiller.sources.interfaces import Camera, Scale
from tiller.sources.scales import ReplayedScale, SerialScale


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What the user wants of a session.

    Attributes:
        bow: a bow.toml, or the name of a bow that has one in the shop's folder; ignored with a recording.
        rig: rig.toml; None = the shop's.
        camera, scale: see ``camera_of`` and ``SerialScale``; None = none.
        replay: a recording to be played again.
        software: the rack in software, with its own bow.
    """

    bow: str | None
    rig: Path | None = None
    camera: str | None = None
    scale: str | None = None
    replay: Path | None = None
    software: bool = False
    keep: Keep = "holds"
    home: Path | None = None
    book: Path | None = None
    speed: float = 1.0


STRING_UNKNOWN = "the last pull's recording is not where the book says, so that nobody knows how long its string was: until the next pull it is the braced bow's"
"""Why a stop is nearer than the last pull left it."""


def last_stop(book: Path | None, bow: Bow, unmeasured: bool = False) -> Stop | None:
    """The stop that the bow's newest pull in the book left, None where there is none.

    Where its file has a shorter string than that pull was made on, or one is on that was not measured, or nobody knows how long that pull's was, it is that
    of the braced bow: the old one would be too far. Where the file trusts the wood with less since, it is nearer.

    Raises:
        BookFault: the book cannot be read.
    """
    if book is None or not book.is_file():
        return None
    with Book(book) as shop:
        rows = shop.pulls(bow.name)
        if not rows:
            return None
        pull = shop.pull(rows[-1].pull_id)
    stop = pull.advice.stop
    if stop is None or not stop.draw_mm > 0:
        return None  # the stop is then that of the bow's file alone, which is the shorter one
    last = Stop(stop.draw_mm, stop.reason, dict(stop.limits_mm), stop.braced_mm)
    try:
        before = read_bow(Path(pull.folder) / "bow.toml")
    except (FileFault, KeyFault):  # its recording is elsewhere by now, and with it the length of its string
        before = replace(bow, string=BowString(pull.string_kind, float("nan")))
    known = stop_with(last, before, bow)
    if unmeasured or is_shorter(bow.string, before.string):
        return stop_on_new_string(bow, known)
    if np.isfinite(before.string.length_mm) or bow.string.kind == "braced":
        return known
    nearer = stop_on_new_string(bow, known)
    return replace(nearer, reason=STRING_UNKNOWN) if nearer.draw_mm > 0 else nearer


def _of_the_shop(
    wanted: Wanted, options: Options
) -> tuple[Bow, Rig, tuple[str, str], Camera | None, Scale | None, Options]:
    """Bow, rig and sources as the shop has them.

    Raises:
        TillerError: a file is missing or wrong, a source is none.
    """
    if wanted.bow is None:
        msg = "Say which bow: 'tiller rack BOW', a bow.toml or a bow's name."
        raise BookFault(msg)
    if wanted.book is not None and (fault := fate_fault(wanted.book, wanted.bow)):
        raise BookFault(fault)
    bow_path, rig_path = find_bow(wanted.bow), wanted.rig or data_folder() / "rig.toml"
    if not rig_path.is_file() and wanted.camera is None:
        msg = f"There is no rig file at {rig_path}: 'tiller calibrate scale' writes it, or give one with --rig."
        raise FileFault(msg)
    if not rig_path.is_file():
        msg = f"There is no rig file at {rig_path}: give one with --rig. 'tiller targets' prints the sheets for a rack, 'tiller calibrate lens', 'board' and 'scale' write its file; 'tiller rack --software' needs none."
        raise FileFault(msg)
    bow = read_bow(bow_path)
    rig = _rig_of(rig_path, wanted.camera is not None)
    bow_text, notes = with_stave(bow_path, bow)
    texts = (bow_text, text_of(rig_path))
    bow = parse_bow(tomllib.loads(bow_text), "bow.toml")
    new_string = bow_path.with_name(MARK).is_file()
    notes = (*notes, *_check_notes(rig_path), *((NEW_STRING,) if new_string else ()))
    options = replace(options, notes=notes, bow_file=bow_path, new_string=new_string)
    size = rig.lens.image_size
    camera = camera_of(wanted.camera, size) if wanted.camera is not None else None
    scale = SerialScale(wanted.scale) if wanted.scale is not None else None
    return bow, rig, texts, camera, scale, options


@contextmanager
def session(wanted: Wanted) -> Iterator[Rack]:
    """A rack, ready to be started; what it needs is let go of at the end.

    Raises:
        TillerError: a file is missing or wrong, a source is none.
    """
    home = wanted.home or data_folder() / "pulls"
    options = Options(home=home, book=wanted.book, keep=wanted.keep)
    with contextlib.ExitStack() as stack:
        stack.enter_context(_alone(home))
        if wanted.book is not None:
            with Book(wanted.book):  # cannot be opened: said before a bow is drawn
                pass
        camera: Camera | None
        scale: Scale | None
        if wanted.software:
            from tiller.sources.software import demo_rack

            software = stack.enter_context(demo_rack())
            options = replace(options, watch=software.watch)
            bow, rig, texts, camera, scale = (
                *_parsed(software.bow_toml, software.rig_toml),
                software.camera,
                software.scale,
            )
        elif wanted.replay is not None:
            recording = read_recording(wanted.replay)
            lines = recording.force_lines or ()
            begin = min([p.t_s for p in recording.pictures] + [t for t, _ in lines if np.isfinite(t)])
            camera = ReplayedCamera(recording, begin, wanted.speed)
            scale = ReplayedScale(recording, begin, wanted.speed) if recording.force_lines is not None else None
            texts = (text_of(recording.folder / "bow.toml"), text_of(recording.folder / "rig.toml"))
            bow, rig = recording.bow, recording.rig
        else:
            bow, rig, texts, camera, scale, options = _of_the_shop(wanted, options)
        if scale is not None and rig.load_cell is None:
            msg = "The rig file has no [load_cell], so the scale's counts are no force: calibrate it ('tiller calibrate scale'), or leave the scale away."
            raise FileFault(msg)
        fault = fate_fault(wanted.book, bow.name) if wanted.book is not None and not wanted.replay else ""
        if fault:
            raise BookFault(fault)
        if wanted.book is not None and on_network(wanted.book):
            options = replace(options, notes=(*options.notes, ON_NETWORK))
        rack = Rack(bow, rig, texts, camera, scale, options, _first_stop(wanted.book, bow, options.new_string))
        try:
            yield rack
        finally:
            rack.stop()


@contextmanager
def _alone(home: Path) -> Iterator[None]:
    """Holds the shop's folder of pulls for this session.

    Raises:
        FileFault: it cannot be written, or another session works in it.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
        file = (home / "in-use").open("ab")
    except OSError as err:
        msg = f"{home} cannot be written ({err.strerror}): choose another place for the pulls with --pulls."
        raise FileFault(msg) from err
    with file:
        if not lock(file.fileno()):
            msg = f"another session at the rack works in {home}: end that one first, or choose another place with --pulls."
            raise FileFault(msg)
        yield


def _first_stop(book: Path | None, bow: Bow, unmeasured: bool) -> Stop | None:
    """The stop to begin with; None = that of the bow's file."""
    found = last_stop(book, bow, unmeasured)
    return stop_on_new_string(bow, None) if found is None and unmeasured else found


def _check_notes(path: Path) -> tuple[Note, ...]:
    """What the last check of the rack says, where it was not good."""
    check = load_toml(path).get("check")
    if not isinstance(check, dict) or check.get("good") is not False:
        return ()
    return (
        caution(
            "rig.check-failed",
            "the last check found that the rack does not measure as it did: do the rack's or the scale's card again (in the shop: R).",
        ),
    )


def _rig_of(path: Path, camera: bool) -> Rig:
    """The rig; of a rack without a camera its scale is enough.

    Raises:
        FileFault: a scale only is in the file, though a camera is wanted; see ``read_rig``.
    """
    if not camera:
        return read_rig_for_weight(path)
    there = load_toml(path)
    lacking = [key for key in ("camera", "fiducials", "hook") if key not in there]
    if lacking and "load_cell" in there:
        ways = ["'tiller calibrate lens'"] if lacking == ["camera"] else ["'tiller calibrate board'"]
        ways = ["'tiller calibrate lens'", *ways] if "camera" in lacking and len(lacking) > 1 else ways
        msg = (
            f"{path} has the scale, but no {' and no '.join(lacking)} yet: {' and '.join(ways)} write{'s' if len(ways) == 1 else ''} that;"
            " --no-camera works by weight alone."
        )
        raise FileFault(msg)
    return read_rig(path)


def _parsed(bow_text: str, rig_text: str) -> tuple[Bow, Rig, tuple[str, str]]:
    return (
        parse_bow(tomllib.loads(bow_text), "bow.toml"),
        parse_rig(tomllib.loads(rig_text), "rig.toml"),
        (bow_text, rig_text),
    )


__all__ = ["Wanted", "last_stop", "session"]
