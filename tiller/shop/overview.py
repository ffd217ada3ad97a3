"""Everything in the shop with its next step, out of the book and the files of bows and staves."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Literal

import numpy as np

from tiller.bow.bowfile import CALIPER_SD_MM, Bow
from tiller.bow.sides import SIDES
from tiller.bow.stavefile import read_stave
from tiller.errors import TillerError
from tiller.measure.followup.advice import advise_from_file
from tiller.mechanics.wood.season import FAR_DAYS, season_of
from tiller.quantity import mm, mm_span, newton
from tiller.records.alignments import alignments_of, pulls_since, track_words
from tiller.records.book import FATES, Book
from tiller.records.stored_advice import StoredAdvice
from tiller.records.stored_pull import StoredPull, wanted_weight_n
from tiller.setup.bow_files import bow_with_stave
from tiller.setup.new_bow import name_fault

State = Literal["drying", "to begin", "in work", "finished", "put aside", "unreadable"]
ORDER: tuple[State, ...] = ("in work", "to begin", "unreadable", "drying", "finished", "put aside")
"""In this order they are shown: what is next to be done first."""


@dataclass(frozen=True, kw_only=True)
class Item:
    """A stave or a bow.

    Attributes:
        name, wood: as its file or the book says.
        state: where it is on its way.
        day: of the last pull or weigh-in, '' without.
        pulls: how many the book holds; newest: the number of the newest, None without.
        figures: what it weighs and the like, in words with marked quantities.
        next_step: what is to be done, likewise.
        file: its bow.toml, None where it has none here; stave: its stave.toml, likewise.
    """

    name: str
    wood: str
    state: State
    day: str = ""
    pulls: int = 0
    newest: int | None = None
    figures: str = ""
    next_step: str = ""
    file: Path | None = None
    stave: Path | None = None


@dataclass(frozen=True, kw_only=True)
class Passed:
    """A pull in a bow's course: forecast weight at the target with its sd, unevenness, set at the nock; NaN where it does not tell."""

    pull_id: int
    weight_n: float
    weight_sd_n: float
    uneven: float
    set_mm: float


@dataclass(frozen=True, kw_only=True)
class Page:
    """What is known of one bow.

    Attributes:
        newest: its newest pull as the book keeps it.
        course: its pulls, oldest first, the last ``MOST_SHOWN`` of them; target_n: the weight that is wanted, NaN where it is not on record.
        ids: the numbers of all its pulls, oldest first.
        layers: the last list to scrape, in words with marked quantities; held: nothing was scraped since.
        warned: what must be looked at before that, likewise; where anything became of the bow there is no list.
    """

    newest: StoredPull
    course: tuple[Passed, ...]
    target_n: float
    layers: tuple[str, ...]
    held: bool
    warned: tuple[str, ...] = ()
    ids: tuple[int, ...] = ()


MOST_SHOWN = 16


def page_of(book: Path, bow: str) -> Page | None:
    """The page of a bow; None where the book has no pull of it.

    Raises:
        BookFault: the book cannot be read.
    """
    with Book(book) as shop:
        ids = tuple(row.pull_id for row in shop.pulls(bow))
        pulls = [shop.pull(i) for i in ids[-MOST_SHOWN:]]
        fate = shop.fate(bow)
        about = next((b for b in shop.bows() if b.name == bow), None)
        track = _track(shop, bow, pulls[-1]) if pulls and fate == "" else ()
    if not pulls:
        return None
    advice = pulls[-1].advice
    return Page(
        newest=pulls[-1],
        course=tuple(_passed(p) for p in pulls),
        target_n=wanted_weight_n(about.description) if about is not None else float("nan"),
        layers=tuple(
            f"{o.limb} limb, {mm_span(o.from_mm, o.to_mm)} from the pivot: {mm(o.depth_mm, 2)}"
            for o in ((advice.layers or ()) if fate == "" else ())
        ),
        warned=(*_warned(advice), *track) if fate == "" else (),
        held=not pulls[-1].scrapings,
        ids=ids,
    )


LOOK_AGAIN_PULLS = 20
"""After so many pulls a string's track is looked at again (common practice, no source)."""


def _track(shop: Book, bow: str, newest: StoredPull) -> tuple[str, ...]:
    """Where the string crossed the handle when it was looked at last, and whether that is due: once it is braced, after ``LOOK_AGAIN_PULLS``, and before it
    is called done."""
    rows = alignments_of(shop, bow)
    since = pulls_since(shop, bow, rows[-1].at if rows else None)
    done = newest.advice.missing == ()
    out = []
    if rows:
        out.append(f"its string crosses the handle {track_words(rows)}, {since} pulls since")
    due = newest.string_kind == "braced" and (not rows or since >= LOOK_AGAIN_PULLS or (done and since > 0))
    if due:
        out.append("look whether its string tracks: Y, with pictures of the strung bow from its belly")
    return tuple(out)


def _warned(advice: StoredAdvice) -> tuple[str, ...]:
    """The stop, too much strain, and what the newest pull's advice says first."""
    out = []
    if advice.stop is not None and np.isfinite(advice.stop.draw_mm):
        out.append(f"STOP: do not draw beyond {mm(advice.stop.draw_mm)} on the string that was on it")
    ways = next((note.text for note in advice.advice_notes if note.code == "plan.overstrained"), "")
    if ways:
        out.append(f"OVERSTRAINED: {ways} Settle that before anything is scraped.")
    elif _overstrained(advice) and advice.plan_summary is not None:
        out.append(
            f"OVERSTRAINED at the target in the end: {100 * advice.plan_summary.largest_strain:.2f} %, {100 * advice.working_strain:.2f} % is what the wood is trusted with: choose a shorter draw, less weight, or a longer or wider limb before anything is scraped"
        )
    return (*out, *(note.text for note in advice.advice_notes if note.text != ways))


def _overstrained(advice: StoredAdvice) -> bool:
    return advice.plan_summary is not None and advice.plan_summary.largest_strain > advice.working_strain


def _passed(pull: StoredPull) -> Passed:
    nan = float("nan")
    # the limb that follows the string most; one that moved to the back is no set
    sets = [one.nock_mm for one in pull.comparison.set if np.isfinite(one.nock_mm)]
    return Passed(
        pull_id=pull.pull_id,
        weight_n=pull.advice.weight_n if pull.weighed else nan,
        weight_sd_n=pull.advice.weight_sd_n if pull.weighed else nan,
        uneven=pull.advice.uneven_now,
        set_mm=max(sets, default=nan),
    )


def shop_items(home: Path, book: Path, today: date) -> tuple[Item, ...]:
    """All staves and bows of the shop, what is next to be done first.

    Args:
        home: the shop's folder; book: its book, which need not be there yet.

    Raises:
        BookFault: the book cannot be read.
    """
    found: dict[str, Item] = {}
    if book.is_file() and book.stat().st_size:
        with Book(book) as shop:
            fates = {b.name: b.fate for b in shop.bows()}
            newest: dict[str, list[int]] = {}
            for row in shop.pulls():
                newest.setdefault(row.bow, []).append(row.pull_id)
            for name, ids in newest.items():
                found[name] = _of_book(name, shop.pull(ids[-1]), len(ids), fates.get(name, ""), home)
    bows = home / "bows"
    for folder in sorted(bows.iterdir()) if bows.is_dir() else []:
        if folder.name not in found and folder.is_dir():
            item = _of_files(folder, today)
            if item is not None:
                found[folder.name] = item
    return tuple(sorted(found.values(), key=lambda item: (ORDER.index(item.state), item.name.casefold())))


def _of_book(name: str, pull: StoredPull, pulls: int, fate: str, home: Path) -> Item:
    advice, parts = pull.advice, []
    if pull.weighed and advice.forecast is not None and np.isfinite(advice.weight_n):
        at = advice.forecast.target_draw_mm
        parts.append(newton(advice.weight_n) + (f" at {mm(at)}" if np.isfinite(at) else ""))
    if np.isfinite(advice.uneven_now):
        parts.append(f"{100 * advice.uneven_now:.1f} % uneven")
    marks = pull.marks
    if marks:
        parts.append(f"{len(marks)} {'mark' if len(marks) == 1 else 'marks'}")
    state, step = _next_of_bow(pull, fate)
    # a name out of another shop's book may be no folder of ours
    file = None if name_fault(name) else home / "bows" / name / "bow.toml"
    return Item(
        name=name,
        wood=pull.wood,
        state=state,
        day=pull.day,
        pulls=pulls,
        newest=pull.pull_id,
        figures=", ".join(parts),
        next_step=step,
        file=file if file is not None and file.is_file() else None,
    )


def _next_of_bow(pull: StoredPull, fate: str) -> tuple[State, str]:
    """Where a bow stands after its newest pull, and what is next."""
    advice = pull.advice
    if fate not in ("", FATES[0]):
        return "put aside", f"noted as {fate}: do not draw it; let somebody competent look at it"
    stop = advice.stop.draw_mm if advice.stop is not None else float("nan")
    within = f", to {mm(stop)} at most" if np.isfinite(stop) else ""
    if fate == FATES[0]:
        open_still = "; by its last pull it was not done" if advice.missing else ""
        return "finished", f"whole by the book: print its sheet{open_still}"
    if pull.strokes:
        return "in work", f"{pull.strokes} strokes were scraped since its last pull: exercise it and pull again{within}"
    if advice.missing == ():
        return "finished", "within what can be measured it is done: note it as whole, print its sheet"
    layers = len(advice.layers or ())
    if layers and _overstrained(advice):
        return (
            "in work",
            "too much strain at the target: lower its draw or weight before scraping",
        )
    if layers:
        return "in work", f"scrape {layers} {'layer' if layers == 1 else 'layers'} by its list, then pull again{within}"
    if any(one.what == "braced" for one in advice.missing or ()):
        return "in work", f"a braced pull{within}"
    return "in work", f"pull again{within}"


def _of_files(folder: Path, today: date) -> Item | None:
    """A bow that was not pulled yet, or a stave; a file that cannot be read says so itself."""
    bow_file, stave_file = folder / "bow.toml", folder / "stave.toml"
    try:
        if bow_file.is_file():
            bow, _ = bow_with_stave(bow_file)
            return Item(name=folder.name, wood=bow.wood, state="to begin", next_step=_first_pull(bow), file=bow_file)
        if stave_file.is_file():
            return _stave(folder.name, stave_file, today)
        if (folder / "answers.toml").is_file():
            return Item(
                name=folder.name,
                wood="",
                state="to begin",
                next_step="its form was begun: Enter goes on with it",
            )
    except TillerError as err:
        return _unreadable(folder.name, err)
    return None


def _unreadable(name: str, err: TillerError) -> Item:
    return Item(name=name, wood="", state="unreadable", next_step=f"its file cannot be read: {err.marked.rstrip('.')}")


def _first_pull(bow: Bow) -> str:
    stop = advise_from_file(bow).stop
    within = f", to {mm(stop.draw_mm)} at most" if stop is not None else ""
    return f"its first pull on the {bow.string.kind} string{within}"


def bow_lines(bow: Bow) -> tuple[str, ...]:
    """What stands in a bow's file, in words with marked quantities."""
    target = bow.target
    out = [
        f"limbs of {mm(bow.left.length_mm)} (left) and {mm(bow.right.length_mm)} (right), the {bow.upper_limb} one is the upper",
        f"{bow.string.kind} string of {mm(bow.string.length_mm)}",
        f"wanted: {newton(target.draw_weight_n)} at {mm(target.draw_length_mm)} from the pivot, braced at {mm(target.brace_height_mm)}; {target.shape.replace('-', ' ')}",
    ]
    if bow.moisture_percent is not None:
        out.append(f"moisture {bow.moisture_percent:g} %")
    for side in SIDES:
        limb = bow.limb(side)
        read = "; ".join(f"{mm(st.s_mm)}: {mm(st.width_mm, 1)} x {mm(st.thickness_mm, 1)}" for st in limb.stations)
        few = limb.caliper_sd_mm > 2 * CALIPER_SD_MM
        by = f"taken from few measures, to {mm(limb.caliper_sd_mm, 1)}" if few else "by calipers"
        out.append(f"{side} limb {by}, width x thickness at its place: {read}")
        out += [f"{side} limb: {f.kind} {mm_span(f.from_mm, f.to_mm)}" for f in limb.features]
        out += [f"{side} limb: a layer of {y.material}" for y in limb.layers]
    return tuple(out)


def _stave(name: str, file: Path, today: date) -> Item:
    stave = read_stave(file)
    season = season_of(stave, today)
    figures = f"{season.moisture:.1f} ± {season.moisture_sd:.1f} % moisture" if np.isfinite(season.moisture) else ""
    day = str(stave.weighings[-1].on) if stave.weighings else ""
    if not stave.weighings:
        step = "weigh it, and once a week from now: that shows when it is dry"
    elif np.isfinite(season.moisture) and season.moisture + season.moisture_sd <= stave.wanted_moisture:
        step = "dry enough: lay it out and rough it out"
    elif season.ready is not None and season.ready.days < FAR_DAYS and season.first is not None:
        when = season.first + timedelta(days=round(season.ready.days))
        step = (
            f"ready about {when} by its weigh-ins: weigh it again"
            if when > today
            else "ready by its weigh-ins: weigh it to be sure"
        )
    else:
        step = "weigh it again: the weigh-ins do not show yet when it is dry"
    return Item(name=name, wood=stave.wood, state="drying", day=day, figures=figures, next_step=step, stave=file)
