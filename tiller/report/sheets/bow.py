"""The finished bow's sheet: one page to pin to the wall, the details after it; as PDF and as one HTML file, plots as vectors."""

from __future__ import annotations

import base64
import html
import io
import textwrap
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tiller.bow.sides import SIDES
from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM, inch_from_mm, nominal_length_mm
from tiller.notes import Level
from tiller.records.stored_pull import StoredPull
from tiller.report.plots.pull import dress, new_figure
from tiller.report.style import AIM, INK, LEFT, METRIC, PAPER, RIGHT, WEAK, Units
from tiller.report.text.pull import CAUTION

Image = NDArray[np.uint8]


@dataclass(frozen=True)
class Photo:
    """A picture (red, green, blue) with its caption."""

    image: Image
    caption: str


def branch_of(pull: StoredPull, branch: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw and force of a pull's pictures on the way up or down, in order of draw."""
    rows = sorted(
        (p.draw_mm, p.force_n)
        for p in pull.pictures
        if p.branch == branch and np.isfinite(p.draw_mm) and np.isfinite(p.force_n)
    )
    return np.array([r[0] for r in rows]), np.array([r[1] for r in rows])


def energy_j(draw_mm: NDArray[np.float64], force_n: NDArray[np.float64]) -> float:
    """Work along a force-draw curve by trapezes, J; NaN with fewer than two points."""
    return float(np.trapezoid(force_n, draw_mm) * 1e-3) if len(draw_mm) > 1 else float("nan")


def newest_weighed(pulls: list[StoredPull]) -> StoredPull | None:
    """The newest pull that was made with a scale."""
    return next((p for p in reversed(pulls) if p.weighed), None)


SHORT_MM, CURVES = 15.0, 6
"""A draw this much short of the target is reported; so many pulls' curves are drawn."""


def limb_text(pulls: list[StoredPull], units: Units = METRIC) -> str:
    """What is written on the limb: weight at draw by the archery convention, in the archer's own units, from the pull on a
    braced string that went furthest since wood last came off (else the newest one); a long string's force is no bow's weight."""
    braced = [p for p in pulls if p.weighed and p.string_kind == "braced"]
    scraped = max((k for k, p in enumerate(pulls) if p.scrapings), default=-1)
    as_it_is = [p for p in pulls[scraped + 1 :] if any(p is b for b in braced) and len(branch_of(p, "up")[0])]
    shown = (
        max(as_it_is, key=lambda p: float(branch_of(p, "up")[0][-1])) if as_it_is else braced[-1] if braced else None
    )
    draw, force = branch_of(shown, "up") if shown is not None else (np.empty(0), np.empty(0))
    if not len(draw):
        old = any(p.weighed and not p.string_kind for p in pulls)
        return "string not on record: measure the braced pull again" if old else "weight not measured braced yet"
    since = pulls[next(k for k, p in enumerate(pulls) if p is shown) :]
    strokes = sum(p.strokes for p in since)
    later = f", before {strokes} more strokes" if strokes else ""
    ahead = shown.advice.forecast if shown is not None else None
    target = ahead.target_draw_mm if ahead is not None else float("nan")
    if float(draw[-1]) < target - SHORT_MM:
        later += f"; not drawn to its {units.length(target + ARCHERY_DRAW_ALLOWANCE_MM)} yet"
    at, most = float(draw[-1]) + ARCHERY_DRAW_ALLOWANCE_MM, float(force[-1])
    inch = Units(False)
    text = f"{inch.force(most, 0)} @ {inch.length_value(at):.1f} in"
    return (f"{text} ({units.force(most, 0)} at {units.length(at)})" if units.metric else text) + later


def _series(pulls: list[StoredPull], value: Callable[[StoredPull], float]) -> NDArray[np.float64]:
    """One figure of each pull that was made with a scale; NaN of the others."""
    return np.array([value(p) if p.weighed else float("nan") for p in pulls])


def force_draw_figure(pull: StoredPull, units: Units) -> Figure:
    """Up, down, and the energies."""
    figure = new_figure(5.4, 3.4)
    _force_draw(figure.add_axes((0.13, 0.16, 0.83, 0.72)), pull, units)
    return figure


def _force_draw(axes: Axes, pull: StoredPull, units: Units) -> None:
    dress(axes)
    for branch, colour, name in (("up", LEFT, "drawn"), ("down", RIGHT, "let down")):
        draw, force = branch_of(pull, branch)
        if len(draw) > 1:
            x, y = (
                [f(float(v)) for v in values] for f, values in ((units.length_value, draw), (units.force_value, force))
            )
            axes.plot(x, y, "o-", color=colour, markersize=4, label=name)
    draw, force = branch_of(pull, "up")
    stored, lost = energy_j(draw, force), pull.comparison.lost_share
    title = f"stored between these draws {units.energy(stored)}" if np.isfinite(stored) else "no curve"
    if np.isfinite(lost):
        title += f",\nof it lost in a slow cycle {100 * lost:.0f} %"
    axes.set_title(title, fontsize=9, color=INK, loc="left")
    axes.set_xlabel(f"draw, pivot to string [{units.length_unit}]", color=INK, fontsize=9)
    axes.set_ylabel(f"force [{units.force_unit}]", color=INK, fontsize=9)
    axes.set_ylim(0, None)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, fontsize=8)


def strain_figure(pull: StoredPull, units: Units) -> Figure:
    """Strain along both limbs."""
    figure = new_figure(5.4, 3.0)
    _strain(figure.add_axes((0.13, 0.17, 0.83, 0.72)), pull, units)
    return figure


def _strain(axes: Axes, pull: StoredPull, units: Units) -> None:
    dress(axes)
    for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
        limb = pull.limb(side)
        seen = np.isfinite(limb.strain)
        if np.any(seen):
            x = [side.sign * units.length_value(float(s)) for s in limb.s_mm[seen]]
            y, sd = 100 * limb.strain[seen], 100 * np.nan_to_num(limb.strain_sd[seen])
            axes.fill_between(x, y - 2 * sd, y + 2 * sd, color=colour, alpha=0.2, linewidth=0)
            axes.plot(x, y, color=colour, label=f"{side} limb, 2 sd")
    axes.xaxis.set_major_formatter(lambda v, _: f"{abs(v):g}")
    axes.set_title("strain at the back, at the largest draw", fontsize=9, color=INK, loc="left")
    axes.set_xlabel(f"from the pivot [{units.length_unit}]", color=INK, fontsize=9)
    axes.set_ylabel("strain [%]", color=INK, fontsize=9)
    axes.set_ylim(0, None)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(frameon=False, fontsize=8)


def course_figure(pulls: list[StoredPull], units: Units) -> Figure:
    """Pull by pull: forecast with its sd, what the plan promised, how uneven, and the set."""
    figure = new_figure(5.4, 4.2)
    _course(figure.add_axes((0.13, 0.56, 0.74, 0.35)), figure.add_axes((0.13, 0.12, 0.74, 0.32)), pulls, units)
    return figure


def _course(top: Axes, low: Axes, pulls: list[StoredPull], units: Units) -> None:
    number = np.arange(1, len(pulls) + 1)
    dress(top)
    weight, sd = _series(pulls, lambda p: p.advice.weight_n), _series(pulls, lambda p: p.advice.weight_sd_n)
    promised = _series(pulls, lambda p: p.comparison.promised_n)
    scale = units.force_value(1.0)
    top.errorbar(
        number, scale * weight, yerr=2 * scale * sd, color=LEFT, fmt="o-", markersize=4, label="forecast, 2 sd"
    )
    if np.any(np.isfinite(promised)):
        top.plot(number, scale * promised, "x", color=WEAK, label="what the plan before had promised")
    _unless_known(top, weight)
    top.set_ylabel(f"weight [{units.force_unit}]", color=INK, fontsize=9)
    top.set_title("how the bow came down, pull by pull", fontsize=9, color=INK, loc="left")
    top.legend(facecolor=PAPER, edgecolor="none", framealpha=0.9, fontsize=8)
    dress(low)
    uneven = 100 * _series(pulls, lambda p: p.advice.uneven_now)
    low.plot(number, uneven, "o-", color=AIM, markersize=4)
    _unless_known(low, uneven)
    sets = np.array([p.comparison.set_mm for p in pulls])
    if np.any(np.isfinite(sets)):
        shown = [units.depth_value(v) for v in sets]
        other = low.twinx()
        other.plot(number, shown, "s-", color=RIGHT, markersize=4)
        other.set_ylabel(f"set at the nock [{units.depth_unit}]", color=RIGHT, fontsize=9)
        other.tick_params(colors=RIGHT, labelsize=9)
        other.set_ylim(0, max(1.3 * float(np.nanmax(shown)), units.depth_value(2.0)))
        for rim in ("top", "left", "bottom"):
            other.spines[rim].set_visible(False)
    low.set_xlabel("pull", color=INK, fontsize=9)
    low.set_ylabel("uneven [% rms]", color=INK, fontsize=9)
    low.set_ylim(0, None)
    for axes, values in ((top, weight), (low, uneven)):
        if np.any(np.isfinite(values)):
            axes.set_xticks(number[:: max(1, len(number) // 8)])


def _unless_known(axes: Axes, values: np.ndarray) -> None:
    """Says so where nothing is known of what a plot is to show: an empty one with made-up ticks says nothing, or worse."""
    if np.any(np.isfinite(values)):
        return
    axes.set_xticks([])
    axes.set_yticks([])
    text = "not known: these pulls were made without a scale"
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", color=AIM, fontsize=9)


def stiffness_figure(pulls: list[StoredPull], units: Units) -> Figure:
    """Bending stiffness along both limbs, pull by pull: the first one faint, the last one dark."""
    figure = new_figure(5.4, 3.4)
    _stiffness(figure.add_axes((0.15, 0.16, 0.81, 0.72)), pulls, units)
    return figure


def _stiffness(axes: Axes, pulls: list[StoredPull], units: Units) -> None:
    dress(axes)
    scale = units.stiffness_value(1.0)
    for number, pull in enumerate(pulls, start=1):
        share = 0.25 + 0.75 * number / len(pulls)
        for side, colour in zip(SIDES, (LEFT, RIGHT), strict=True):
            limb = pull.limb(side)
            seen = np.isfinite(limb.stiffness_n_m2)
            if np.any(seen):
                axes.plot(
                    [side.sign * units.length_value(float(s)) for s in limb.s_mm[seen]],
                    scale * limb.stiffness_n_m2[seen],
                    color=colour,
                    alpha=share**2,
                    linewidth=1.2,
                )
    _unless_known(axes, np.concatenate([pull.limb(side).stiffness_n_m2 for pull in pulls for side in SIDES]))
    axes.xaxis.set_major_formatter(lambda v, _: f"{abs(v):g}")
    axes.set_title("stiffness along the limbs, pull by pull (the last one dark)", fontsize=9, color=INK, loc="left")
    axes.set_xlabel(f"from the pivot [{units.length_unit}]   (left limb | right limb)", color=INK, fontsize=9)
    axes.set_ylabel(f"stiffness [{units.stiffness_unit}]", color=INK, fontsize=9)
    axes.set_ylim(0, None)


COURSE = ("pull", "day", "drawn to", "weighs", "± sd", "foreseen", "came off by", "uneven", "set", "strokes")


def course_rows(pulls: list[StoredPull], units: Units) -> list[tuple[str, ...]]:
    """What was foreseen and what came, pull by pull: a row for each, as ``COURSE`` heads them.

    'weighs' is the forecast at target draw, 'foreseen' what the plan before had promised for it.
    """
    out: list[tuple[str, ...]] = []
    for number, pull in enumerate(pulls, start=1):
        nan = float("nan")
        weighed = pull.weighed
        now, sd = (pull.advice.weight_n, pull.advice.weight_sd_n) if weighed else (nan, nan)
        promised = pull.comparison.promised_n if weighed else nan
        uneven = pull.advice.uneven_now if weighed else nan
        took = pull.comparison.set_mm
        out.append(
            (
                str(number),
                pull.day,
                units.length(pull.largest_draw_mm),
                units.force(now) if np.isfinite(now) else "",
                units.force(sd) if np.isfinite(now) else "",
                units.force(promised) if np.isfinite(promised) else "",
                f"{100 * (now / promised - 1):+.1f} %" if np.isfinite(now) and promised > 0 else "",
                f"{100 * uneven:.1f} %" if np.isfinite(uneven) else "",
                units.depth(took) if np.isfinite(took) else "",
                str(pull.strokes) if pull.strokes else "",
            )
        )
    return out


def _facts(bow: str, pulls: list[StoredPull], units: Units, track: str = "") -> list[tuple[str, str]]:
    """``track``: where its string crosses the handle, with marked quantities; '' where nobody looked."""
    last = newest_weighed(pulls) or pulls[-1]
    ahead = last.advice.forecast
    out = [("bow", bow), ("wood", last.wood), ("on the limb", limb_text(pulls, units))]
    if ahead is not None and np.isfinite(ahead.braced_weight_n):
        out.append(
            (
                "forecast, braced",
                f"{units.force(ahead.braced_weight_n)} ± {units.force(ahead.sd_n)} at {units.length(ahead.target_draw_mm)}"
                f" ({units.length(ahead.target_draw_mm + ARCHERY_DRAW_ALLOWANCE_MM)} to the back, by the archery convention)",
            )
        )
        out.append(
            (
                "string",
                f"{units.length(ahead.string_mm)} for a brace height of {units.length(ahead.brace_mm)}; by the archery convention a bow of"
                f" {inch_from_mm(nominal_length_mm(ahead.string_mm)):.0f} in",
            )
        )
        spread = f" ± {units.energy(ahead.stored_sd_j)}" if np.isfinite(ahead.stored_sd_j) else ""
        out.append(("stored energy, braced", units.energy(ahead.stored_j) + spread))
    there = f"at {units.force(last.force_there_n)}" if last.weighed else "without a scale"
    out.append(("largest draw measured", f"{units.length(last.largest_draw_mm)} {there}"))
    tiller, sd = last.comparison.tiller_mm, last.comparison.tiller_sd_mm
    if np.isfinite(tiller):
        out.append(("tiller difference", units.depth(tiller) + (f" ± {units.depth(sd)}" if sd > 0 else "")))
    if track:
        out.append(("string at the handle", units.words(track)))
    strokes = sum(p.strokes for p in pulls)
    out.append(("pulls measured, strokes noted", f"{len(pulls)}, {strokes}"))
    out.append(
        (
            "marks left",
            ", ".join(
                f"{side} {m.kind} {units.length(m.from_mm)}-{units.length(m.to_mm)}" for side, m in pulls[-1].marks
            )
            or "none",
        )
    )
    string = {"braced": "on a braced string", "long": "on a long string"}.get(last.string_kind, "")
    out.append(("measured", f"{last.day} {string}".strip()))
    if last is not pulls[-1]:
        out.append(("since then", f"{pulls[-1].day}, without a scale: marks and strain are of that pull"))
    return out


ROWS_A_PAGE = 28
PLACES = ((0.07, 0.655, 0.56, 0.21), (0.65, 0.772, 0.28, 0.093), (0.65, 0.655, 0.28, 0.095))
"""Of the photographs on the first page, the last one largest (left, lower rim, width, height as shares)."""


def _course_page(bow: str, pulls: list[StoredPull], start: int, units: Units) -> Figure:
    page = Figure(figsize=(8.27, 11.69), facecolor=PAPER)
    page.text(
        0.07,
        0.955,
        f"{bow}: what was foreseen and what came",
        fontsize=14 if len(bow) <= 30 else 10,
        fontweight="bold",
        color=INK,
    )
    top = 0.93
    if start == 0:
        _course(page.add_axes((0.11, 0.72, 0.78, 0.18)), page.add_axes((0.11, 0.54, 0.78, 0.13)), pulls, units)
        top = 0.48
    places = np.linspace(0.07, 0.87, len(COURSE))
    for row, cells in enumerate((COURSE, *course_rows(pulls, units)[start : start + ROWS_A_PAGE])):
        for x, cell in zip(places, cells, strict=True):
            page.text(x, top - 0.0155 * row, cell, fontsize=7.5, color=AIM if row == 0 else INK)
    return page


def first_page(
    bow: str, pulls: list[StoredPull], photos: list[Photo], units: Units = METRIC, track: str = ""
) -> Figure:
    """The page that a person would pin to the wall, A4 upright."""
    page = Figure(figsize=(8.27, 11.69), facecolor=PAPER)
    FigureCanvasAgg(page)
    page.text(0.07, 0.955, bow, fontsize=24 if len(bow) <= 30 else 720 / len(bow), fontweight="bold", color=INK)
    page.text(0.07, 0.93, limb_text(pulls, units), fontsize=14, color=LEFT)
    lines = _stop_lines(pulls, units)
    for k, line in enumerate(lines):
        page.text(0.07, 0.913 - LINE * k, line, fontsize=8, color=WEAK)
    less = (
        1.0 - LINE * max(0, len(lines) - STOP_LINES) / PLACES[0][3]
    )  # the photographs make room for what must be read
    for photo, (left, low, wide, tall) in zip(reversed(photos), PLACES, strict=False):
        axes = page.add_axes((left, PLACES[0][1] + (low - PLACES[0][1]) * less, wide, tall * less))
        axes.imshow(photo.image)
        axes.set_axis_off()
        fits = 1060.0 * wide / max(len(photo.caption), 1)  # of a long recording's name nothing is cut off
        axes.set_title(photo.caption, fontsize=min(8.0, fits), color=INK, loc="left")
    for k, (key, value) in enumerate(_facts(bow, pulls, units, track)[1:]):
        page.text(0.07, 0.605 - 0.021 * k, key, fontsize=9, color=AIM)
        page.text(0.32, 0.605 - 0.021 * k, value, fontsize=9, color=INK)
    weighed = newest_weighed(pulls)
    if weighed is not None:
        _force_draw(page.add_axes((0.11, 0.145, 0.36, 0.20)), weighed, units)
    _strain(page.add_axes((0.57, 0.145, 0.36, 0.20)), pulls[-1], units)
    page.text(0.07, 0.05, CAUTION, fontsize=8, color=INK)
    return page


def _notes(pulls: list[StoredPull], units: Units) -> list[str]:
    """What the newest pull and its advice say in words, what must not be passed over first."""
    notes = sorted((*pulls[-1].advice.advice_notes, *pulls[-1].notes), key=lambda note: note.level is not Level.STOP)
    return [units.words(note.text) for note in notes]


def _stop_lines(pulls: list[StoredPull], units: Units) -> list[str]:
    """Lines of the first page: how far the bow may be drawn while that is not its whole draw, and each note that forbids going on.

    Whole notes only: where they do not fit, the last line says where they are.
    """
    newest = pulls[-1].advice
    out = []
    ahead = newest.forecast.target_draw_mm if newest.forecast is not None else float("nan")
    if newest.stop is not None and newest.stop.draw_mm < ahead - SHORT_MM:
        out.append(f"STOP: do not draw beyond {units.length(newest.stop.draw_mm)} on the string that was on it.")
    grave = [note for note in newest.advice_notes if note.level is Level.STOP]
    grave.sort(key=lambda note: note.code != "plan.overstrained")
    for k, note in enumerate(grave):
        lines = _wrapped([units.words(note.text)], 8.0)
        if len(out) + len(lines) > MOST_STOP_LINES - (k + 1 < len(grave)):
            return [*out, f"{len(grave) - k} more that must be read before it is drawn or scraped: on the last page."]
        out += lines
    return out


def _wrapped(texts: list[str], size: float) -> list[str]:
    """Lines that fit on the width of a page between its margins."""
    return [line for text in texts for line in textwrap.wrap(text, width=int(960 / size))]


def _notes_pages(bow: str, pulls: list[StoredPull], units: Units) -> list[Figure]:
    lines = [line for text in _notes(pulls, units) for line in (*_wrapped([text], 9.0), "")]
    pages = []
    for start in range(0, len(lines), NOTES_A_PAGE):
        page = Figure(figsize=(8.27, 11.69), facecolor=PAPER)
        page.text(
            0.07,
            0.955,
            f"{bow}: what to know after the newest pull",
            fontsize=14 if len(bow) <= 30 else 10,
            fontweight="bold",
            color=INK,
        )
        for k, line in enumerate(lines[start : start + NOTES_A_PAGE]):
            page.text(0.07, 0.92 - 0.0155 * k, line, fontsize=9, color=INK)
        pages.append(page)
    return pages


NOTES_A_PAGE = 55
STOP_LINES, MOST_STOP_LINES, LINE = 3, 12, 0.012
"""Lines over the photographs for which there is room as they are, and at most; the height of one as a share of the page."""
A_PAGE = 4
"""So many pulls' force-draw plots stand on a page."""


def _plot_pages(bow: str, pulls: list[StoredPull], units: Units) -> list[Figure]:
    """Stiffness pull by pull, then force over draw of the last pulls, A4 upright."""
    weighed = [p for p in pulls if p.weighed][-CURVES:]
    more = f" (the last {CURVES} pulls are shown)" if len(pulls) > CURVES else ""
    pages = []
    for start in range(0, max(len(weighed), 1), A_PAGE):
        page = Figure(figsize=(8.27, 11.69), facecolor=PAPER)
        page.text(0.07, 0.955, bow, fontsize=14 if len(bow) <= 30 else 10, fontweight="bold", color=INK)
        if start == 0:
            _stiffness(page.add_axes((0.11, 0.68, 0.82, 0.23)), pulls, units)
        for k, pull in enumerate(weighed[start : start + A_PAGE]):
            left, low = 0.11 + 0.45 * (k % 2), (0.37, 0.09)[k // 2]
            _force_draw(page.add_axes((left, low, 0.37, 0.20)), pull, units)
            page.text(
                left - 0.04,
                low + 0.245,
                f"pull {pull.pull_id}, {pull.day}, {pull.recording[:24]}",
                fontsize=9,
                color=INK,
            )
        if weighed:
            page.text(0.07, 0.03, f"Force over draw, pull by pull{more}.", fontsize=8, color=INK)
        pages.append(page)
    return pages


def sheet_pdf(bow: str, pulls: list[StoredPull], photos: list[Photo], units: Units = METRIC, track: str = "") -> bytes:
    """The sheet as PDF, A4 upright."""
    out = io.BytesIO()
    with PdfPages(out, metadata={"Title": f"{bow}: sheet", "CreationDate": None}) as pdf:
        pdf.savefig(first_page(bow, pulls, photos, units, track))
        for start in range(0, len(pulls), ROWS_A_PAGE):
            pdf.savefig(_course_page(bow, pulls, start, units))
        for page in (*_plot_pages(bow, pulls, units), *_notes_pages(bow, pulls, units)):
            pdf.savefig(page)
    return out.getvalue()


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", facecolor=PAPER, metadata={"Date": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def sheet_html(
    bow: str,
    pulls: list[StoredPull],
    photos: list[Photo],
    png_of: Callable[[Image], bytes],
    units: Units = METRIC,
    track: str = "",
) -> bytes:
    """The sheet as one HTML file. ``png_of``: an image as PNG bytes."""
    rows = "".join(
        f"<tr><th>{html.escape(k)}</th><td>{html.escape(v)}</td></tr>" for k, v in _facts(bow, pulls, units, track)
    )
    shown = "".join(
        f'<figure><img alt="{html.escape(p.caption)}" src="data:image/png;base64,{base64.b64encode(png_of(p.image)).decode()}">'
        f"<figcaption>{html.escape(p.caption)}</figcaption></figure>"
        for p in photos
    )
    weighed = newest_weighed(pulls)
    plots = "".join(
        f"<div class=plot>{_svg(f)}</div>"
        for f in (
            *([force_draw_figure(weighed, units)] if weighed is not None else []),
            strain_figure(pulls[-1], units),
            course_figure(pulls, units),
            stiffness_figure(pulls, units),
        )
    )
    course = "".join(
        f"<tr>{''.join(f'<{tag}>{html.escape(c)}</{tag}>' for c in cells)}</tr>"
        for tag, cells in (("th", COURSE), *(("td", row) for row in course_rows(pulls, units)))
    )
    notes = "".join(f"<li>{html.escape(text)}</li>" for text in _notes(pulls, units))
    style = (
        f"body{{background:{PAPER};color:{INK};font:15px sans-serif;max-width:1000px;margin:2em auto;padding:0 1em}}"
        "th{text-align:left;padding-right:2em;font-weight:normal;opacity:.75}img{max-width:480px;width:100%}figure{display:inline-block;margin:0 1em 1em 0}"
        ".course td,.course th{padding-right:1.2em;white-space:nowrap;font-size:13px}.plot{display:inline-block;max-width:490px}svg{max-width:100%;height:auto}"
    )
    body = (
        f"<h1>{html.escape(bow)}</h1><p>{html.escape(limb_text(pulls, units))}</p>{f'<ul>{notes}</ul>' if notes else ''}{shown}<table>{rows}</table>{plots}"
        f"<h2>What was foreseen and what came</h2><table class=course>{course}</table>"
        f"<p>{html.escape(CAUTION)}</p>"
    )
    return f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{html.escape(bow)}</title><style>{style}</style>{body}</html>\n'.encode()
