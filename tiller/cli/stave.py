"""The commands around the rack: ``tiller stave`` and ``tiller layout``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import force, length, number, whole
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from datetime import date

    from tiller.bow.stavefile import Stave
    from tiller.mechanics.wood.layout import Outline, Wanted
    from tiller.records.lessons import Taught
    from tiller.report.style import Units


def add_commands(commands: Any, shown: argparse.ArgumentParser) -> None:
    """Adds them to the parser's sub-commands."""
    stave = commands.add_parser(
        "stave",
        parents=[shown],
        help="a stave: log, dates, weigh-ins, moisture, features",
        description="Shows what is written of a stave; what is given is written first. At the rack it reaches the bow of that name.",
    )
    stave.add_argument("name", metavar="NAME", help="the bow's name, or a stave.toml")
    stave.add_argument("--wood", help="as the Wood Handbook names it")
    stave.add_argument("--log", type=length, metavar="LENGTH", help="the log's diameter under the bark")
    for step in ("felled", "split", "ends-sealed", "bark-off", "roughed-out"):
        stave.add_argument(f"--{step}", metavar="DATE", help="as 2026-03-14")
    stave.add_argument(
        "--weigh", action="append", default=[], metavar="DATE=KG", help="a weigh-in, in place of one of the same day"
    )
    stave.add_argument("--forget", action="append", default=[], metavar="DATE", help="take a weigh-in away")
    stave.add_argument(
        "--offcut",
        metavar="DATE=WET:DRY:KG",
        help="an offcut's grams before and after the oven, and the stave's kg after it was sawn off",
    )
    stave.add_argument("--rings", type=whole, metavar="N", help="rings counted across the log's radius")
    stave.add_argument("--ring", type=length, metavar="LENGTH", help="how thick a ring is")
    stave.add_argument("--back", metavar="BACK", help="outer ring (the default) or chased ring")
    stave.add_argument(
        "--dry-mass", type=number, metavar="KG", help="what the stave weighs without any water, if that is known"
    )
    stave.add_argument(
        "--wanted", type=number, metavar="PERCENT", help="moisture at or under which it is to be tillered (default: 10)"
    )
    stave.add_argument("--air", metavar="C:PERCENT", help="the shop's temperature and humidity")
    stave.add_argument(
        "--feature",
        action="append",
        default=[],
        metavar="LIMB:KIND:FROM-TO[:HIGH][:SHARE]",
        help="such as 'left:knot:310-340:3mm' (3 mm high) or 'right:cut ring:500-520:70%%' (trusted with 70 %% of the working strain);"
        " takes the place of one of that kind that it overlaps",
    )
    stave.add_argument(
        "--forget-feature", action="append", default=[], metavar="LIMB:KIND:FROM-TO", help="take a feature away"
    )
    stave.add_argument(
        "--width", type=length, default=45.0, metavar="LENGTH", help="a limb's width, for the crown (default: 45 mm)"
    )
    stave.add_argument("--picture", metavar="FILE", help="draw weigh-ins and drying curve as PNG")
    add_outputs(stave, "picture")
    stave.set_defaults(run=run_stave)

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


def stave_file(name: str) -> Path:
    """Where a stave's file is, by its bow's name or its own path.

    Raises:
        FileFault: the path is a bow's or a rack's file.
    """
    from tiller.errors import FileFault
    from tiller.setup.bow_files import bow_file

    path = Path(name)
    if path.suffix != ".toml":
        return bow_file(name).with_name("stave.toml")
    if path.name in ("bow.toml", "rig.toml"):
        msg = f"{path} is a {path.stem}'s file, not a stave's: give the bow's name, or the path of a stave.toml."
        raise FileFault(msg)
    return path


def run_stave(args: argparse.Namespace) -> int:
    """``tiller stave``."""
    import tomllib
    from datetime import date

    from tiller.bow.stavefile import parse_stave, read_stave
    from tiller.bow.tomlcheck import LARGEST_TOML, load_toml
    from tiller.errors import FileFault, TillerError
    from tiller.files import read_regular, write_whole
    from tiller.mechanics.wood.season import season_of
    from tiller.report.style import Units
    from tiller.report.text.stave import stave_words
    from tiller.setup.new_bow import name_fault

    path = stave_file(args.name)
    fault = "" if path.name != "stave.toml" or args.name.endswith(".toml") else name_fault(args.name)
    if fault:
        raise TillerError(fault)
    if not LEAST_WIDTH_MM <= args.width <= MOST_WIDTH_MM:
        shown = _as_inches(args.width, LEAST_WIDTH_MM, MOST_WIDTH_MM, " mm", Units(args.units == "metric"))
        msg = f"--width is {args.width:g} mm: {LEAST_WIDTH_MM:g} to {MOST_WIDTH_MM:g} mm makes sense for a limb{shown}."
        raise TillerError(msg)
    new = _given(args)
    if new or args.forget or args.forget_feature or not path.is_file():
        old = ""
        if path.exists():  # what is there must be a stave's file before anything is put into it
            parse_stave(load_toml(path), str(path), date.today())
            old = read_regular(path, LARGEST_TOML).decode("utf-8-sig")
        if not old and args.wood is None:
            msg = f"There is no {path} yet: 'tiller stave {args.name} --wood WOOD' begins it."
            raise FileFault(msg)
        try:
            gone = [_place(v) for v in args.forget_feature]
            text = _together(old, new, args.name, [_date(v, "--forget") for v in args.forget], gone)
            _must_fit(path, parse_stave(tomllib.loads(text), str(path), date.today()))
        except tomllib.TOMLDecodeError as err:
            msg = f"{path} would be no TOML ({err}): nothing was written."
            raise FileFault(msg) from err
        write_whole(path, text.encode())
    stave = read_stave(path)
    print(stave_words(stave, args.width, units=Units(args.units == "metric"), today=date.today()))
    if args.picture:
        from tiller.report.plots.drying import drying_plot

        season = season_of(stave, date.today())
        if season.first is None:
            msg = "There is no weigh-in to draw: give some with --weigh DATE=KG; no picture was written."
            raise TillerError(msg)
        write_whole(Path(args.picture), drying_plot(stave, season))
        print(f"Picture: {args.picture}")
    return 0


def _must_fit(path: Path, stave: Stave) -> None:
    """A feature must lie on the bow whose file is beside the stave's, if there is one.

    Raises:
        TillerError: one lies beyond a limb's nock, or the bow's file is wrong.
    """
    from tiller.bow.bowfile import read_bow
    from tiller.bow.stavefile import onto_bow
    from tiller.errors import TillerError

    beside = path.with_name("bow.toml")
    if not beside.is_file():
        return
    try:
        onto_bow(beside.read_text(encoding="utf-8-sig"), read_bow(beside), stave, None)
    except ValueError as err:
        msg = f"{err} Nothing was written."
        raise TillerError(msg) from err


LEAST_WIDTH_MM, MOST_WIDTH_MM = 10.0, 110.0
NUMBER = r"([0-9]+(?:\.[0-9]+)?)"
PLACE = f"(left|right):([a-z ]+):{NUMBER}-{NUMBER}"


def _place(text: str) -> tuple[str, str, float, float]:
    found = _taken_apart(text, PLACE, "--forget-feature", "LIMB:KIND:FROM-TO in mm, such as left:knot:310-340,")
    return found[1], found[2], float(found[3]), float(found[4])


def _date(text: str, name: str) -> date:
    from datetime import date

    from tiller.errors import TillerError

    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        msg = f"{name} is '{text}': a date such as 2026-03-14 is expected."
        raise TillerError(msg) from None


def _taken_apart(text: str, pattern: str, name: str, expected: str) -> Any:
    import re

    from tiller.errors import TillerError

    found = re.fullmatch(pattern, text)
    if not found:
        msg = f"{name} is '{text}': {expected} is expected."
        raise TillerError(msg)
    return found


def _given(args: argparse.Namespace) -> dict[str, Any]:
    """Keys and tables to write."""
    from tiller.bow.wood.shrinkage import SATURATION
    from tiller.errors import TillerError

    out: dict[str, Any] = {}
    if args.wood is not None:
        out["wood"] = args.wood
    for key, name, value, low, high, unit in (
        ("log_diameter_mm", "--log", args.log, 30, 2000, "mm"),
        ("rings", "--rings", args.rings, 1, 1000, "rings"),
        ("ring_mm", "--ring", args.ring, 0.1, 30, "mm"),
        ("dry_mass_kg", "--dry-mass", args.dry_mass, 0.02, 60, "kg"),
        ("wanted_moisture", "--wanted", args.wanted, 4, SATURATION, "%"),
    ):
        if value is not None:
            if not low <= value <= high:
                msg = f"{name} is {value:g}: {low:g} to {high:g} {unit} makes sense."
                raise TillerError(msg)
            out[key] = value
    if args.back is not None:
        out["back"] = args.back
    for step in ("felled", "split", "ends_sealed", "bark_off", "roughed_out"):
        value = getattr(args, step)
        if value is not None:
            out[step] = _date(value, "--" + step.replace("_", "-"))
    weighings: list[dict[str, Any]] = []
    for text in args.weigh:
        found = _taken_apart(text, "([^=]+)=" + NUMBER, "--weigh", "DATE=KG, such as 2026-03-14=2.431,")
        day, kg = _date(found[1], "--weigh"), float(found[2])
        if any(row["on"] == day for row in weighings):
            msg = f"--weigh is given twice for {day}: which mass is right? Nothing was written."
            raise TillerError(msg)
        weighings.append({"on": day, "mass_kg": kg})
    if weighings:
        out["weighings"] = weighings
    if args.offcut is not None:
        pattern = f"([^=]+)={NUMBER}:{NUMBER}:{NUMBER}"
        found = _taken_apart(args.offcut, pattern, "--offcut", "DATE=WET:DRY:KG, such as 2026-03-14=52.1:44.8:2.431,")
        wet, dry, kg = (float(found[k]) for k in (2, 3, 4))
        out["offcut"] = {"on": _date(found[1], "--offcut"), "wet_g": wet, "dry_g": dry, "stave_kg": kg}
    if args.air is not None:
        found = _taken_apart(args.air, f"{NUMBER}:{NUMBER}", "--air", "C:PERCENT, such as 18:55,")
        out["shop"] = {"temperature_c": float(found[1]), "humidity_percent": float(found[2])}
    features: list[dict[str, Any]] = []
    for text in args.feature:
        pattern = f"{PLACE}(?::{NUMBER}mm)?(?::{NUMBER}%)?"
        found = _taken_apart(
            text, pattern, "--feature", "LIMB:KIND:FROM-TO in mm, such as left:knot:310-340 or left:knot:310-340:3mm,"
        )
        row: dict[str, Any] = {"limb": found[1], "kind": found[2], "from_mm": float(found[3]), "to_mm": float(found[4])}
        row |= {"raised_mm": float(found[5])} if found[5] else {}
        row |= {"strain_share": float(found[6]) / 100} if found[6] else {}
        features.append(row)
    if features:
        out["features"] = features
    return out


def _together(
    old: str, new: dict[str, Any], name: str, forget: list[date], gone: list[tuple[str, str, float, float]]
) -> str:
    """A stave's file with what is new: single keys and tables in place of the old ones; weigh-ins by their day; features in place
    of those of their kind that they overlap. Remarks stay; those within what is written anew move to the top.

    Raises:
        TillerError: a weigh-in or a feature is to be forgotten that is not there.
        ValueError: the old text is no TOML.
    """
    import tomllib

    from tiller.bow.tomlwrite import toml, with_keys
    from tiller.errors import TillerError

    had = tomllib.loads(old)
    text = old or toml({"name": Path(name).stem if name.endswith(".toml") else name})
    new = dict(new)
    emptied = []
    if "weighings" in new or forget:
        rows = {row.get("on"): row for row in had.get("weighings", [])}
        for day in forget:
            if rows.pop(day, None) is None:
                msg = f"There is no weigh-in of {day} to forget; there are {', '.join(map(str, rows)) or 'none'}."
                raise TillerError(msg)
        rows |= {row["on"]: row for row in new.pop("weighings", [])}
        new |= {"weighings": [rows[day] for day in sorted(rows)]} if rows else {}
        emptied += [] if rows else ["weighings"]
    if "features" in new or gone:
        stands = [dict(f) for f in had.get("features", [])]
        for limb, kind, low, high in gone:
            left = [
                f
                for f in stands
                if (f.get("limb"), f.get("kind"), f.get("from_mm"), f.get("to_mm")) != (limb, kind, low, high)
            ]
            if len(left) == len(stands):
                there = ", ".join(
                    f"{f.get('limb')}:{f.get('kind')}:{f.get('from_mm'):g}-{f.get('to_mm'):g}" for f in stands
                )
                msg = f"There is no {limb}:{kind}:{low:g}-{high:g} to forget; there are {there or 'none'}."
                raise TillerError(msg)
            stands = left
        fresh = new.pop("features", [])
        for row in fresh:
            stands = [f for f in stands if not _overlap(f, row)]
        once = [f for k, f in enumerate(fresh) if f not in fresh[:k]]
        new |= {"features": [*stands, *once]} if stands or once else {}
        emptied += [] if stands or once else ["features"]
    return with_keys(text, new, emptied)


def _overlap(a: dict[str, Any], b: dict[str, Any]) -> bool:
    alike = (a.get("limb"), a.get("kind")) == (b["limb"], b["kind"])
    return alike and a.get("from_mm", 0) < b["to_mm"] and b["from_mm"] < a.get("to_mm", 0)


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


def _as_inches(value: float, low: float, high: float, unit: str, units: Units) -> str:
    """The same three in the units that are shown, where these are others."""
    if units.metric or unit not in (" mm", " N"):
        return ""
    value, low, high = (units.length_value(v) if unit == " mm" else units.force_value(v) for v in (value, low, high))
    shown = units.length_unit if unit == " mm" else units.force_unit
    return f" ({value:.4g} {shown}; {low:.3g} to {high:.3g} {shown})"


def run_layout(args: argparse.Namespace) -> int:
    """``tiller layout``."""
    import numpy as np

    from tiller.bow.units import ARCHERY_DRAW_ALLOWANCE_MM, archery_draw_mm
    from tiller.bow.wood.moisture import modulus_at, strain_at
    from tiller.bow.wood.woods import MODULUS_VARIATION, find_wood, like_wood
    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.mechanics.forward.elastica import NoEquilibriumError
    from tiller.mechanics.wood.layout import FADE_MM, LEAST_DRAW_MM, Outline, Wanted, lay_out, outline
    from tiller.report.sheets.layout import OWN_MODULUS_SD, edges_along, layout_plot, layout_words, template
    from tiller.report.style import Units
    from tiller.report.text.pull import CAUTION

    units = Units(args.units == "metric")
    if args.draw is None:
        args.draw = args.draw_to_back - ARCHERY_DRAW_ALLOWANCE_MM
    of_stave = _from_stave(args)
    limits = (
        ("--length (of one limb, from the pivot to the nock)", args.length, 350, 1400, " mm"), ("--weight", args.weight, 20, 1000, " N"),
        ("--draw (from the pivot, as --draw-to-back comes to 44.45 mm more)", args.draw, 200, 1000, " mm"), ("--brace", args.brace, 60, 350, " mm"),
        ("--handle", args.handle, 0, 300, " mm"), ("--width", args.width, 10, 110, " mm"), ("--tip", args.tip, 4, 60, " mm"),
        ("--allowance", args.allowance, 0, 0.5, " of the thickness"), ("--moisture", args.moisture, 4, 24, " %"),
        ("--strain", args.strain, 0.001, 0.02, ""), ("--modulus", args.modulus, 2, 30, " GPa"),
        ("--log", args.log, 30, 2000, " mm"),
    )  # fmt: skip
    if args.moisture is not None and args.moisture > 24:
        msg = f"--moisture is {args.moisture:g} %: over fibre saturation, about 25 %, nothing can be told of strength (4 to 24 % makes sense); let it dry."
        raise TillerError(msg)
    for name, value, low, high, unit in limits:
        if value is not None and not low <= value <= high:
            msg = f"{name} is {value:g}{unit}: {low:g} to {high:g}{unit} makes sense{_as_inches(value, low, high, unit, units)}."
            raise TillerError(msg)
    if args.draw < args.brace + LEAST_DRAW_MM:
        msg = f"--draw is {args.draw:g} mm with a brace height of {args.brace:g} mm: a bow is drawn at least {LEAST_DRAW_MM:g} mm beyond its brace."
        raise TillerError(msg)
    if args.centre and not args.template:
        msg = "--centre is for the template: say where with --template FILE; nothing was written."
        raise TillerError(msg)
    wood = find_wood(args.wood)
    taught = _lessons(args.wood)
    told_modulus = args.modulus
    of_shop: list[str] = []
    if wood is None and args.modulus is None:
        told_modulus, count = _own_modulus(taught)
        if told_modulus is None:
            like = like_wood(args.wood)
            msg = f"'{args.wood}' is in no table{f' (is {like} meant?)' if like else ''}, and the book has no bow of it that tells: give its modulus with --modulus GPA."
            raise TillerError(msg)
        of_shop = [f"'{args.wood}' is in no table: its modulus is what your own {count} bow(s) of it showed."]
    modulus = told_modulus or modulus_at(wood, args.moisture)  # type: ignore[arg-type]
    modulus_sd = OWN_MODULUS_SD if told_modulus else MODULUS_VARIATION
    density = wood.density_kg_m3 if wood is not None else 750.0
    most, source = (args.strain, "your own") if args.strain else strain_at(wood, args.moisture)
    wanted = Wanted(args.draw, args.weight, args.brace, modulus, density, 0.5 * args.log if args.log else None)
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
    try:
        laid = lay_out(shape, args.handle, wanted)
    except (ValueError, NoEquilibriumError) as err:
        raise TillerError(f"Such a bow cannot be laid out: {err}.") from err
    # weight and draw given, a limb of a stiffer piece is thinner, and its strain goes with the modulus' cube root
    if laid.level > most * (1.0 + modulus_sd / 3.0):
        ways = _ways_under(args, shape, wanted, most, units)
        msg = (
            f"Such a bow would be strained to {100 * laid.level:.2f} %, over the working strain of {100 * most:.2f} % ({source}): {ways}."
            " Nothing was laid out; your own working strain, if you know better, is --strain SHARE."
        )
        raise TillerError(msg)
    print(
        f"{args.wood}, modulus {modulus:.1f} GPa; working strain {100 * most:.2f} % ({source}); draw {units.length(args.draw)} from the pivot,"
        f" {units.length(archery_draw_mm(args.draw))} to the back, by the archery convention"
    )
    print(layout_words(laid, args.allowance, modulus_sd, units))
    if laid.level > most:
        print(
            f"WARNING: strained to {100 * laid.level:.2f} % at full draw, {100 * (laid.level / most - 1):.1f} % over the working strain: no more than this piece's modulus is in doubt,"
            f" but over it. {_ways_under(args, shape, wanted, most, units)}."
        )
    for text in [*of_stave, *of_shop, *_of_the_shop(taught, told_modulus is None, args.strain is None)]:
        print(f"Note: {units.words(text)}")
    print(
        f"The working limb runs from {units.length(args.handle + FADE_MM)}; handle and fade stay thicker, the tips as drawn."
    )
    print(CAUTION)
    drawn: list[tuple[str, str, bytes]] = []
    if args.picture:
        title = f"{args.wood}, limb of {units.length(args.length)}: {units.force(laid.weight_n)} at {units.length(args.draw)}"
        drawn.append(("Picture", args.picture, layout_plot(laid, args.allowance, title, units)))
    if args.template:
        drawn.append(("Template", args.template, template(laid, args.wood, args.paper, centre)))
    for what, name, data in drawn:
        write_whole(Path(name), data)
        print(f"{what}: {name}")
    return 0


def _from_stave(args: argparse.Namespace) -> list[str]:
    """Fills wood, log and moisture in from a stave's file where they are not given; what to know of them.

    Raises:
        TillerError: there is no such file, or no wood is known.
    """
    from datetime import date

    import numpy as np

    from tiller.bow.stavefile import BACKS, log_words, read_stave
    from tiller.errors import TillerError
    from tiller.mechanics.wood.season import season_of

    said: list[str] = []
    if args.stave is not None:
        stave = read_stave(stave_file(args.stave))
        season = season_of(stave, date.today())
        args.wood = args.wood or stave.wood
        args.log = args.log or (stave.log_diameter_mm if stave.back == BACKS[0] else None)
        if args.moisture is None and np.isfinite(season.limit_moisture):
            args.moisture = round(min(season.limit_moisture, stave.wanted_moisture), 1)  # at which it is to be tillered
        said = [f"the stave: {text}" for text in (*log_words(stave, args.width, 15.0)[1:], *season.said)]
    if args.wood is None:
        msg = "Say which wood: --wood WOOD, or --stave NAME that knows it."
        raise TillerError(msg)
    return said


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


def _of_the_shop(taught: list[Taught] | str, modulus: bool, strain: bool) -> list[str]:
    """What the shop's own bows of that wood showed: offered, not used."""
    import numpy as np

    from tiller.records.lessons import shop_modulus, shop_strain

    if isinstance(taught, str):
        return [taught]
    mean, sd, count = shop_modulus(taught)
    out = []
    if modulus and count:
        spread = f" ± {sd:.1f}" if np.isfinite(sd) else ""
        out.append(
            f"your own {count} bow(s) of this wood showed a modulus of {mean:.1f}{spread} GPa: '--modulus {mean:.1f}' lays out by it."
        )
    level, level_sd, many = shop_strain(taught)
    if strain and np.isfinite(level):
        out.append(
            f"{many} of them stayed whole at {100 * level:.2f} ± {100 * level_sd:.2f} % of strain ('tiller book taught')."
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
    told = " or ".join(way for way in ways if way)
    return f"{told} would keep it under" if told else "no width, length, draw or weight near these keeps it under"
