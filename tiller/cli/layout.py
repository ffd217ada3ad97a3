"""``tiller layout``: thicknesses for even strain, from wood, length, weight and draw."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import force, length, number
from tiller.cli.stave import MOST_WIDTH_MM, as_meant, stave_file
from tiller.notes import Note, info
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from tiller.bow.stavefile import Stave
    from tiller.mechanics.wood.layout import Layout, Outline, Wanted
    from tiller.records.lessons import Taught
    from tiller.report.style import Units


def add_command(commands: Any, shown: argparse.ArgumentParser) -> None:
    """Adds it to the parser's sub-commands."""
    layout = commands.add_parser(
        "layout",
        parents=[shown],
        help="thicknesses for even strain, from wood, length, weight and draw",
        description="Lays a bow out: widths and thicknesses for even strain at full draw.",
    )
    layout.add_argument(
        "--stave", metavar="NAME", help="a stave's file, for wood, log and moisture that are not given here"
    )
    layout.add_argument("--wood")
    layout.add_argument("--modulus", type=number, metavar="GPA", help="the wood's own, if it is known")
    layout.add_argument(
        "--length",
        type=length,
        required=True,
        metavar="LENGTH",
        help="of a limb, along the back from the pivot to the nock",
    )
    layout.add_argument("--weight", type=force, required=True, metavar="FORCE")
    draw = layout.add_mutually_exclusive_group(required=True)
    draw.add_argument("--draw", type=length, metavar="LENGTH", help="from the pivot to the string")
    draw.add_argument(
        "--draw-to-back", type=length, metavar="LENGTH", help="to the back of the bow, as the trade says it (28in)"
    )
    layout.add_argument("--brace", type=length, default=150.0, metavar="LENGTH")
    layout.add_argument("--handle", type=length, default=50.0, metavar="LENGTH", help="stiff part from the pivot")
    layout.add_argument("--outline", choices=("straight", "parallel"), default="straight")
    layout.add_argument("--width", type=length, default=45.0, metavar="LENGTH", help="at the end of the fade")
    layout.add_argument("--tip", type=length, default=12.0, metavar="LENGTH", help="width at the nock")
    layout.add_argument(
        "--widths", metavar="S:W,S:W,...", help="your own widths by place, both in mm, in place of an outline"
    )
    layout.add_argument("--log", type=length, metavar="LENGTH", help="the log's diameter: the back's crown")
    layout.add_argument("--moisture", type=number, metavar="PERCENT")
    layout.add_argument("--strain", type=number, metavar="SHARE", help="your own working strain, such as 0.007")
    layout.add_argument(
        "--allowance", type=number, default=0.08, metavar="SHARE", help="thickness left for tillering (default: 0.08)"
    )
    layout.add_argument("--picture", metavar="FILE", help="draw it as PNG")
    layout.add_argument("--template", metavar="FILE", help="write a half-width template true to scale (PDF)")
    layout.add_argument(
        "--centre",
        metavar="X:OFF,X:OFF,...",
        help="the stave's own centre line, off a line stretched from pivot to nock, for the template",
    )
    layout.add_argument("--paper", choices=("a4", "letter"), default="a4")
    add_outputs(layout, "picture", "template")
    layout.set_defaults(run=run_layout)
    outline = commands.add_parser(
        "template",
        parents=[shown],
        help="the outline of a bow's file as a template",
        description="Half the width of both limbs of a bow, true to scale, as its file has them: to mark another stave, or to true the bow up.",
    )
    outline.add_argument("bow", metavar="BOW.toml")
    outline.add_argument("file", metavar="FILE.pdf")
    outline.add_argument("--paper", choices=("a4", "letter"), default="a4")
    add_outputs(outline, "file")
    outline.set_defaults(run=run_template)


def run_template(args: argparse.Namespace) -> int:
    """``tiller template``."""
    from tiller.bow.bowfile import read_bow
    from tiller.files import write_whole
    from tiller.report.sheets.layout import bow_template

    write_whole(Path(args.file), bow_template(read_bow(Path(args.bow)), args.paper))
    print(f"Template of both limbs, to print at 100 %: {args.file}")
    return 0


def _pairs(text: str, name: str, example: str) -> tuple[Any, Any]:
    """Places and values from 'A:B,A:B,...'.

    Raises:
        ValueError: not of that form, or places that do not rise.
    """
    import numpy as np

    try:
        pairs = np.array([[float(v) for v in part.split(":")] for part in text.split(",")])
    except ValueError:
        pairs = np.empty(0)
    if (
        pairs.ndim != 2
        or pairs.shape[1] != 2
        or len(pairs) < 2
        or np.any(np.diff(pairs[:, 0]) <= 0)
        or not np.all(np.isfinite(pairs))
    ):
        msg = f"{name} wants places in rising order with their values, such as {example}"
        raise ValueError(msg)
    return pairs[:, 0], pairs[:, 1]


def run_layout(args: argparse.Namespace) -> int:
    """``tiller layout``."""
    from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM, archery_draw_mm
    from tiller.errors import TillerError
    from tiller.mechanics.forward.solved import NoEquilibriumError
    from tiller.mechanics.wood.layout import FADE_MM, Wanted, lay_out
    from tiller.report.sheets.layout import layout_words
    from tiller.report.style import Units
    from tiller.report.text.pull import CAUTION

    units = Units(args.units == "metric")
    if args.draw is None:
        args.draw = args.draw_to_back - ARCHERY_DRAW_ALLOWANCE_MM
    of_stave = _from_stave(args)
    _refuse_nonsense(args, units)
    piece = _piece(args)
    most, modulus_sd = piece.working_strain, piece.modulus_sd
    crown = 0.5 * args.log if args.log else None
    wanted = Wanted(
        draw_mm=args.draw,
        weight_n=args.weight,
        brace_mm=args.brace,
        modulus_gpa=piece.modulus_gpa,
        density_kg_m3=piece.density_kg_m3,
        crown_radius_mm=crown,
    )
    shape, centre = _shape(args)
    try:
        laid = lay_out(shape, args.handle, wanted)
    except (ValueError, NoEquilibriumError) as err:
        raise TillerError(f"Such a bow cannot be laid out: {err}.") from err
    # weight and draw given, a limb of a stiffer piece is thinner, and its strain goes with the modulus' cube root
    if laid.level > most * (1.0 + modulus_sd / 3.0):
        ways = _ways_under(args, shape, wanted, most, units)
        msg = (
            f"Such a bow would be strained to {100 * laid.level:.2f} %, over the working strain of {100 * most:.2f} % ({piece.strain_source}): {ways}."
            " Nothing was laid out; your own working strain, if you know better, is --strain SHARE."
        )
        raise TillerError(msg)
    print(
        f"{args.wood}, modulus {piece.modulus_gpa:.1f} GPa; working strain {100 * most:.2f} % ({piece.strain_source}); draw {units.length(args.draw)} from the pivot,"
        f" {units.length(archery_draw_mm(args.draw))} to the back, by the archery convention"
    )
    print(layout_words(laid, args.allowance, modulus_sd, units))
    if laid.level > most:
        print(
            f"WARNING: strained to {100 * laid.level:.2f} % at full draw, {100 * (laid.level / most - 1):.1f} % over the working strain: no more than this piece's modulus is in doubt,"
            f" but over it. {_ways_under(args, shape, wanted, most, units)}."
        )
    for note in [*of_stave, *piece.notes]:
        print(f"Note: {units.words(note.text)}")
    print(
        f"The working limb runs from {units.length(args.handle + FADE_MM)}; handle and fade stay thicker, the tips as drawn."
    )
    print(CAUTION)
    _draw(args, laid, centre, units)
    return 0


def _refuse_nonsense(args: argparse.Namespace, units: Units) -> None:
    """Refuses sizes that make no bow.

    Raises:
        TillerError: one lies outside what makes sense.
    """
    from tiller.errors import TillerError
    from tiller.mechanics.wood.layout import LEAST_DRAW_MM

    limits = (
        ("--length (of one limb, from the pivot to the nock)", args.length, 350, 1400, " mm"), ("--weight", args.weight, 20, 1000, " N"),
        ("--draw (from the pivot, as --draw-to-back comes to 44.45 mm more)", args.draw, 200, 1000, " mm"), ("--brace", args.brace, 60, 350, " mm"),
        ("--handle", args.handle, 0, 300, " mm"), ("--width", args.width, 10, 110, " mm"), ("--tip", args.tip, 4, 60, " mm"),
        ("--allowance", args.allowance, 0, 0.5, " of the thickness"), ("--moisture", args.moisture, 4, 24, " %"),
        ("--strain", args.strain, 0.001, 0.02, ""), ("--modulus", args.modulus, 2, 30, " GPa"),
        ("--log", args.log, 30, 2000, " mm"),
    )  # fmt: skip
    if args.moisture is not None and args.moisture > 24:
        msg = f"--moisture is {args.moisture:g} %: over fibre saturation, about 25 %, nothing is known of its strength (4 to 24 % makes sense); let it dry."
        raise TillerError(msg)
    for name, value, low, high, unit in limits:
        if value is not None and not low <= value <= high:
            msg = f"{name} is {value:g}{unit}: {low:g} to {high:g}{unit} makes sense{as_meant(value, low, high, unit, units)}."
            raise TillerError(msg)
    if args.draw < args.brace + LEAST_DRAW_MM:
        msg = f"--draw is {args.draw:g} mm with a brace height of {args.brace:g} mm: a bow is drawn at least {LEAST_DRAW_MM:g} mm beyond its brace."
        raise TillerError(msg)
    if args.centre and not args.template:
        msg = "--centre is for the template: say where with --template FILE; nothing was written."
        raise TillerError(msg)


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """The wood that a bow is laid out in, and what the shop's own bows of it showed."""

    modulus_gpa: float
    modulus_sd: float
    density_kg_m3: float
    working_strain: float
    strain_source: str
    notes: tuple[Note, ...]


def _piece(args: argparse.Namespace) -> _Piece:
    """What is known of the wood: the option's values first, then the table's, then the shop's own.

    Raises:
        TillerError: nothing tells its modulus.
    """
    from tiller.bow.wood.moisture import modulus_at, strain_at
    from tiller.bow.wood.woods import MODULUS_VARIATION, UNKNOWN_DENSITY_KG_M3, find_wood, like_wood
    from tiller.errors import TillerError
    from tiller.report.sheets.layout import OWN_MODULUS_SD

    wood = find_wood(args.wood)
    taught = _lessons(args.wood)
    modulus = args.modulus
    of_shop: list[Note] = []
    if wood is None and modulus is None:
        modulus, count = _own_modulus(taught)
        if modulus is None:
            like = like_wood(args.wood)
            msg = f"'{args.wood}' is in no table{f' (is {like} meant?)' if like else ''}, and the book has no bow of it with a modulus: give it with --modulus GPA."
            raise TillerError(msg)
        of_shop = [
            info(
                "shop.modulus",
                f"'{args.wood}' is in no table: its modulus is what your own {count} bow(s) of it showed.",
            )
        ]
    most, source = (args.strain, "your own") if args.strain else strain_at(wood, args.moisture)
    return _Piece(
        modulus_gpa=modulus or modulus_at(wood, args.moisture),  # type: ignore[arg-type]
        modulus_sd=getattr(args, "modulus_sd", OWN_MODULUS_SD) if modulus else MODULUS_VARIATION,
        density_kg_m3=wood.density_kg_m3 if wood is not None else UNKNOWN_DENSITY_KG_M3,
        working_strain=most,
        strain_source=source,
        notes=(*of_shop, *_of_the_shop(taught, modulus is None, args.strain is None)),
    )


def _shape(args: argparse.Namespace) -> tuple[Outline, tuple[Any, Any] | None]:
    """The limb's outline and the stave's own centre line, where it is given.

    Raises:
        TillerError: widths or centre line make no limb.
    """
    import numpy as np

    from tiller.errors import TillerError
    from tiller.mechanics.wood.layout import Outline, outline
    from tiller.report.sheets.layout import edges_along

    try:
        shape = outline(args.outline, args.length, args.handle, args.width, args.tip)
        if args.widths:
            at, own = _pairs(args.widths, "--widths", "110:45,500:40,850:12")
            if np.any(own < 4) or np.any(own > MOST_WIDTH_MM) or at[-1] > args.length:
                msg = f"--widths, which is in mm, has one under 4 or over {MOST_WIDTH_MM:g} mm, or a place beyond the nock at {args.length:g} mm"
                raise ValueError(msg)
            shape = Outline(shape.s_mm, np.interp(shape.s_mm, at, own))
        centre = _pairs(args.centre, "--centre", "0:0,300:6,600:-4,880:0") if args.centre else None
        if centre is not None:
            edges_along(shape.s_mm, shape.width_mm, centre)
    except ValueError as err:
        msg = f"{err}; nothing was written."
        raise TillerError(msg) from err
    return shape, centre


def _draw(args: argparse.Namespace, laid: Layout, centre: tuple[Any, Any] | None, units: Units) -> None:
    """Picture and template, where they are wanted."""
    from tiller.files import write_whole
    from tiller.report.sheets.layout import layout_plot, template

    drawn: list[tuple[str, str, bytes]] = []
    if args.picture:
        title = f"{args.wood}, limb of {units.length(args.length)}: {units.force(laid.weight_n)} at {units.length(args.draw)}"
        drawn.append(("Picture", args.picture, layout_plot(laid, args.allowance, title, units)))
    if args.template:
        drawn.append(("Template", args.template, template(laid, args.wood, args.paper, centre)))
    for what, name, data in drawn:
        write_whole(Path(name), data)
        print(f"{what}: {name}")


def _own_of_tree(args: argparse.Namespace, stave: Stave) -> list[Note]:
    """Takes the modulus that was measured on the stave, or on another one of its tree; what is said of it."""
    from tiller.bow.wood.woods import find_wood
    from tiller.setup.wood.modulus import of_tree

    found = of_tree(stave_file(args.stave), stave)
    if found is None:
        return []
    own, of = found
    args.modulus = own.at(find_wood(args.wood), args.moisture)
    args.modulus_sd = own.sd_at(find_wood(args.wood), args.moisture) / args.modulus
    text = f"the modulus, {args.modulus:.1f} ± {args.modulus_sd * args.modulus:.1f} GPa at the moisture it is laid out for, was measured on "
    return [info("stave.modulus", text + ("this piece." if not of else f"'{of}', which is of the same tree."))]


def _from_stave(args: argparse.Namespace) -> list[Note]:
    """Fills wood, log and moisture in from a stave's file where they are not given; what to know of them.

    Raises:
        TillerError: there is no such file, or no wood is known.
    """
    from datetime import date

    import numpy as np

    from tiller.bow.stavefile import log_words, read_stave
    from tiller.errors import TillerError
    from tiller.mechanics.wood.season import season_of

    notes: list[Note] = []
    if args.stave is not None:
        stave = read_stave(stave_file(args.stave))
        season = season_of(stave, date.today())
        args.wood = args.wood or stave.wood
        args.log = args.log or (2 * stave.back_radius_mm if stave.back_radius_mm is not None else None)
        if args.moisture is None and np.isfinite(season.limit_moisture):
            args.moisture = round(min(season.limit_moisture, stave.wanted_moisture), 1)  # at which it is to be tillered
        if args.modulus is None:
            notes += _own_of_tree(args, stave)
        of_log = (info("log.crown", text) for text in log_words(stave, args.width, 15.0)[1:])
        notes += [note.of("the stave") for note in (*of_log, *season.notes)]
    if args.wood is None:
        msg = "Say which wood: --wood WOOD, or --stave NAME that knows it."
        raise TillerError(msg)
    return notes


def _lessons(wood: str) -> list[Taught] | str:
    """What the shop's own bows of that wood showed, or why that is not known."""
    from tiller.cli.book import lessons_of
    from tiller.errors import TillerError
    from tiller.paths import book_path

    if not book_path().is_file():
        return []
    try:
        return [o for bows in lessons_of(book_path(), wood).values() for o in bows]
    except TillerError as err:  # a layout stands without them
        return f"what your own bows showed is not known: {err}"


def _own_modulus(taught: list[Taught] | str) -> tuple[float | None, int]:
    """The modulus that the shop's own bows showed, GPa, and how many they are; None where none tells."""
    from tiller.records.lessons import shop_modulus

    if isinstance(taught, str):
        return None, 0
    mean, _, count = shop_modulus(taught)
    return (mean, count) if count else (None, 0)


def _of_the_shop(taught: list[Taught] | str, modulus: bool, strain: bool) -> list[Note]:
    """What the shop's own bows of that wood showed: offered, not used."""
    import numpy as np

    from tiller.records.lessons import shop_modulus, shop_strain

    if isinstance(taught, str):
        return [info("shop.nothing-taught", taught)]
    mean, sd, count = shop_modulus(taught)
    out = []
    if modulus and count:
        spread = f" ± {sd:.1f}" if np.isfinite(sd) else ""
        out.append(
            info(
                "shop.modulus",
                f"your own {count} bow(s) of this wood showed a modulus of {mean:.1f}{spread} GPa: '--modulus {mean:.1f}' lays out by it.",
            )
        )
    level, level_sd, many = shop_strain(taught)
    if strain and np.isfinite(level):
        out.append(
            info(
                "shop.strain",
                f"{many} of them stayed whole at {100 * level:.2f} ± {100 * level_sd:.2f} % of strain ('tiller book taught').",
            )
        )
    return out


def _ways_under(args: argparse.Namespace, shape: Outline, wanted: Wanted, most: float, units: Units) -> str:
    """What would keep a bow under its working strain, each way by itself."""
    from tiller.mechanics.wood.layout import least_length, least_width, most_draw, most_weight

    wider = least_width(shape, args.handle, wanted, most)
    longer = None
    if not args.widths:
        longer = least_length(args.outline, args.handle, args.width, args.tip, args.length, wanted, most)
    less, shorter = (way(shape, args.handle, wanted, most) for way in (most_weight, most_draw))
    ways = [
        f"limbs {wider:.2f} times as wide" if wider is not None else "",
        f"limbs of {units.length(longer)}" if longer is not None else "",
        f"a draw from the pivot of {units.length(shorter)}" if shorter is not None else "",
        f"a weight of {units.force(less)}" if less is not None else "",
    ]
    choices = " or ".join(way for way in ways if way)
    return f"{choices} would keep it under" if choices else "no width, length, draw or weight near these keeps it under"
