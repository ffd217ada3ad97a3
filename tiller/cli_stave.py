"""The commands around the rack: ``tiller stave`` and ``tiller layout``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


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
    stave.add_argument("--log", type=float, metavar="MM", help="the log's diameter under the bark")
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
    stave.add_argument("--rings", type=int, metavar="N", help="rings counted across the log's radius")
    stave.add_argument("--ring", type=float, metavar="MM", help="how thick a ring is")
    stave.add_argument("--back", metavar="BACK", help="outer ring (the default) or chased ring")
    stave.add_argument("--air", metavar="C:PERCENT", help="the shop's temperature and humidity")
    stave.add_argument(
        "--feature", action="append", default=[], metavar="LIMB:KIND:FROM-TO", help="such as 'left:knot:310-340', mm"
    )
    stave.add_argument(
        "--width", type=float, default=45.0, metavar="MM", help="a limb's width, for the crown (default: 45)"
    )
    stave.add_argument("--picture", metavar="FILE", help="draw weigh-ins and drying curve as PNG")
    stave.set_defaults(run=run_stave)

    layout = commands.add_parser(
        "layout",
        parents=[shown],
        help="thicknesses for even strain, from wood, length, weight and draw",
        description="Lays a bow out: widths and thicknesses for even strain at full draw.",
    )
    layout.add_argument("--wood", required=True)
    layout.add_argument("--modulus", type=float, metavar="GPA", help="the wood's own, if it is known")
    layout.add_argument(
        "--length", type=float, required=True, metavar="MM", help="of a limb, along the back from the pivot to the nock"
    )
    layout.add_argument("--weight", type=float, required=True, metavar="N")
    layout.add_argument("--draw", type=float, required=True, metavar="MM", help="from the pivot to the string")
    layout.add_argument("--brace", type=float, default=150.0, metavar="MM")
    layout.add_argument("--handle", type=float, default=50.0, metavar="MM", help="stiff part from the pivot")
    layout.add_argument("--outline", choices=("straight", "parallel"), default="straight")
    layout.add_argument("--width", type=float, default=45.0, metavar="MM", help="at the end of the fade")
    layout.add_argument("--tip", type=float, default=12.0, metavar="MM", help="width at the nock")
    layout.add_argument("--widths", metavar="S:W,S:W,...", help="your own widths by place, in place of an outline")
    layout.add_argument("--log", type=float, metavar="MM", help="the log's diameter: the back's crown")
    layout.add_argument("--moisture", type=float, metavar="PERCENT")
    layout.add_argument("--strain", type=float, metavar="SHARE", help="your own working strain, such as 0.007")
    layout.add_argument(
        "--allowance", type=float, default=0.08, metavar="SHARE", help="thickness left for tillering (default: 0.08)"
    )
    layout.add_argument("--picture", metavar="FILE", help="draw it as PNG")
    layout.add_argument("--template", metavar="FILE", help="write a half-width template true to scale (PDF)")
    layout.add_argument(
        "--centre",
        metavar="X:OFF,X:OFF,...",
        help="the stave's own centre line, off a line stretched from pivot to nock, for the template",
    )
    layout.add_argument("--paper", choices=("a4", "letter"), default="a4")
    layout.set_defaults(run=run_layout)


def stave_file(name: str) -> Path:
    """Where a stave's file is, by its bow's name or its own path."""
    from tiller.rack.session import bow_file

    path = Path(name)
    return path if path.suffix == ".toml" else bow_file(name).with_name("stave.toml")


def run_stave(args: argparse.Namespace) -> int:
    """``tiller stave``."""
    import tomllib
    from datetime import date

    from tiller.bow.stavefile import parse_stave, read_stave
    from tiller.errors import FileFault, TillerError
    from tiller.files import write_whole
    from tiller.rack.newbow import name_fault
    from tiller.report.season import season_of
    from tiller.report.stave_words import stave_words
    from tiller.report.style import Units

    path = stave_file(args.name)
    fault = "" if path.name != "stave.toml" or args.name.endswith(".toml") else name_fault(args.name)
    if fault:
        raise TillerError(fault)
    if not LEAST_WIDTH_MM <= args.width <= MOST_WIDTH_MM:
        msg = f"--width is {args.width:g}: {LEAST_WIDTH_MM:g} to {MOST_WIDTH_MM:g} mm makes sense for a limb."
        raise TillerError(msg)
    new = _given(args)
    if new or args.forget or not path.is_file():
        old = path.read_text(encoding="utf-8") if path.is_file() else ""
        if not old and args.wood is None:
            msg = f"There is no {path} yet: 'tiller stave {args.name} --wood WOOD' begins it."
            raise FileFault(msg)
        try:
            text = _together(old, new, args.name, [_day(v, "--forget") for v in args.forget])
            parse_stave(tomllib.loads(text), str(path))
        except tomllib.TOMLDecodeError as err:
            msg = f"{path} would be no TOML ({err}): nothing was written."
            raise FileFault(msg) from err
        write_whole(path, text.encode())
    stave = read_stave(path)
    print(stave_words(stave, args.width, units=Units(args.units == "metric"), today=date.today()))
    if args.picture:
        from tiller.report.drying_plot import drying_plot

        season = season_of(stave)
        if season.first is None:
            msg = "There is no weigh-in to draw: give some with --weigh DATE=KG; no picture was written."
            raise TillerError(msg)
        write_whole(Path(args.picture), drying_plot(stave, season))
        print(f"Picture: {args.picture}")
    return 0


LEAST_WIDTH_MM, MOST_WIDTH_MM = 10.0, 110.0
NUMBER = r"([0-9]+(?:\.[0-9]+)?)"


def _day(text: str, name: str) -> str:
    from datetime import date

    from tiller.errors import TillerError

    try:
        return date.fromisoformat(text.strip()).isoformat()
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


def _given(args: argparse.Namespace) -> dict[str, list[str]]:
    """Lines to write: single keys, weigh-ins, features, tables."""
    import json

    out: dict[str, list[str]] = {}
    if args.wood is not None:
        out["wood"] = [f"wood = {json.dumps(args.wood)}"]
    for key, name, value in (
        ("log_diameter_mm", "--log", args.log),
        ("rings", "--rings", args.rings),
        ("ring_mm", "--ring", args.ring),
    ):
        if value is not None:
            _taken_apart(f"{value:g}", NUMBER, name, "a number above 0")
            out[key] = [f"{key} = {value:g}"]
    if args.back is not None:
        out["back"] = [f"back = {json.dumps(args.back)}"]
    for step in ("felled", "split", "ends_sealed", "bark_off", "roughed_out"):
        value = getattr(args, step)
        if value is not None:
            out[step] = [f"{step} = {_day(value, '--' + step.replace('_', '-'))}"]
    for text in args.weigh:
        found = _taken_apart(text, "([^=]+)=" + NUMBER, "--weigh", "DATE=KG, such as 2026-03-14=2.431,")
        day, kg = _day(found[1], "--weigh"), float(found[2])
        out.setdefault("[[weighings]]", []).append(f"on = {day}\nmass_kg = {kg:g}")
    if args.offcut is not None:
        pattern = f"([^=]+)={NUMBER}:{NUMBER}:{NUMBER}"
        found = _taken_apart(args.offcut, pattern, "--offcut", "DATE=WET:DRY:KG, such as 2026-03-14=52.1:44.8:2.431,")
        day = _day(found[1], "--offcut")
        wet, dry, kg = (float(found[k]) for k in (2, 3, 4))
        out["[offcut]"] = [f"on = {day}\nwet_g = {wet:g}\ndry_g = {dry:g}\nstave_kg = {kg:g}"]
    if args.air is not None:
        found = _taken_apart(args.air, f"{NUMBER}:{NUMBER}", "--air", "C:PERCENT, such as 18:55,")
        out["[shop]"] = [f"temperature_c = {found[1]}\nhumidity_percent = {found[2]}"]
    for text in args.feature:
        pattern = f"(left|right):([a-z ]+):{NUMBER}-{NUMBER}"
        found = _taken_apart(text, pattern, "--feature", "LIMB:KIND:FROM-TO in mm, such as left:knot:310-340,")
        out.setdefault("[[features]]", []).append(
            f'limb = "{found[1]}"\nkind = "{found[2]}"\nfrom_mm = {float(found[3]):g}\nto_mm = {float(found[4]):g}'
        )
    return out


def _together(old: str, new: dict[str, list[str]], name: str, forget: list[str]) -> str:
    """A stave's file with what is new: single keys and tables in place of the old ones; weigh-ins by their day, features added.

    Raises:
        TillerError: a weigh-in is to be forgotten that is not there.
    """
    import json
    import tomllib

    from tiller.errors import TillerError
    from tiller.rack.rigwrite import without

    had = tomllib.loads(old)
    kept = (
        without(old, tuple(k.strip("[]") for k in new if not k.startswith("[[")))
        if old
        else f"name = {json.dumps(Path(name).stem if name.endswith('.toml') else name)}\n"
    )
    if "[[weighings]]" in new or forget:
        rows = {str(w.get("on")): f"on = {w.get('on')}\nmass_kg = {w.get('mass_kg')}" for w in had.get("weighings", [])}
        for day in forget:
            if rows.pop(day, None) is None:
                msg = f"There is no weigh-in of {day} to forget; there are {', '.join(rows) or 'none'}."
                raise TillerError(msg)
        rows |= {body.split()[2]: body for body in new.get("[[weighings]]", [])}
        new = {**new, "[[weighings]]": [rows[day] for day in sorted(rows)]}
        kept = without(kept, ("weighings",))
    if "[[features]]" in new:  # one that stands there already is not added again
        known = {(f.get("limb"), f.get("kind"), f.get("from_mm"), f.get("to_mm")) for f in had.get("features", [])}
        asked = [(body, tomllib.loads(body)) for body in dict.fromkeys(new["[[features]]"])]
        new = {
            **new,
            "[[features]]": [b for b, f in asked if (f["limb"], f["kind"], f["from_mm"], f["to_mm"]) not in known],
        }
    top = [line for key, lines in new.items() if not key.startswith("[") for line in lines]
    tables = [f"{key}\n{body}\n" for key, bodies in new.items() if key.startswith("[") for body in bodies]
    return "\n".join(part for part in ("\n".join(top), kept, "\n".join(tables)) if part.strip()) + "\n"


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
    import numpy as np

    from tiller.bow.moisture import modulus_at, strain_at
    from tiller.bow.units import archery_draw_mm
    from tiller.bow.woods import MODULUS_VARIATION, find_wood, like_wood
    from tiller.errors import TillerError
    from tiller.files import write_whole
    from tiller.mechanics.elastica import NoEquilibriumError
    from tiller.mechanics.layout import FADE_MM, Outline, Wanted, lay_out, least_length, least_width, outline
    from tiller.report.layout_sheet import OWN_MODULUS_SD, edges_along, layout_plot, layout_words, template
    from tiller.report.style import Units
    from tiller.report.words import CAUTION

    units = Units(args.units == "metric")
    limits = (
        ("--length", args.length, 350, 1400, " mm"), ("--weight", args.weight, 20, 1000, " N"),
        ("--draw", args.draw, 200, 1000, " mm"), ("--brace", args.brace, 60, 350, " mm"),
        ("--handle", args.handle, 0, 300, " mm"), ("--width", args.width, 10, 110, " mm"), ("--tip", args.tip, 4, 60, " mm"),
        ("--allowance", args.allowance, 0, 0.5, " of the thickness"), ("--moisture", args.moisture, 4, 24, " %"),
        ("--strain", args.strain, 0.001, 0.02, ""), ("--modulus", args.modulus, 2, 30, " GPa"),
        ("--log", args.log, 30, 2000, " mm"),
    )  # fmt: skip
    for name, value, low, high, unit in limits:
        if value is not None and not low <= value <= high:
            msg = f"{name} is {value:g}{unit}: {low:g} to {high:g}{unit} makes sense (what is given is in mm and N, whatever --units shows)."
            raise TillerError(msg)
    if args.draw < args.brace + 60:
        msg = f"--draw is {args.draw:g} mm with a brace height of {args.brace:g} mm: a bow is drawn at least 60 mm beyond its brace."
        raise TillerError(msg)
    wood = find_wood(args.wood)
    if wood is None and args.modulus is None:
        like = like_wood(args.wood)
        msg = f"'{args.wood}' is in no table{f' (is {like} meant?)' if like else ''}: give its modulus with --modulus GPA."
        raise TillerError(msg)
    modulus = args.modulus or modulus_at(wood, args.moisture)  # type: ignore[arg-type]
    density = wood.density_kg_m3 if wood is not None else 750.0
    most, source = (args.strain, "your own") if args.strain else strain_at(wood, args.moisture)
    wanted = Wanted(args.draw, args.weight, args.brace, modulus, density, 0.5 * args.log if args.log else None)
    try:
        shape = outline(args.outline, args.length, args.handle, args.width, args.tip)
        if args.widths:
            at, own = _pairs(args.widths, "--widths", "110:45,500:40,850:12")
            if np.any(own < 4) or at[-1] > args.length:
                msg = f"--widths has one under 4 mm, or a place beyond the nock at {args.length:g} mm"
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
    print(
        f"{args.wood}, modulus {modulus:.1f} GPa; working strain {100 * most:.2f} % ({source}); draw {units.length(args.draw)} from the pivot,"
        f" {units.length(archery_draw_mm(args.draw))} by the archery convention"
    )
    print(layout_words(laid, args.allowance, OWN_MODULUS_SD if args.modulus else MODULUS_VARIATION, units))
    if laid.level > most:
        wider = least_width(shape, args.handle, wanted, most)
        longer = None
        if not args.widths:
            longer = least_length(args.outline, args.handle, args.width, args.tip, args.length, wanted, most)
        ways = [
            f"limbs {wider:.2f} times as wide" if wider else "",
            f"limbs of {units.length(longer)}" if longer else "",
        ]
        told = " or ".join(w for w in ways if w) or "a shorter draw or less weight"
        print(f"Note: {100 * laid.level:.2f} % is over the working strain: {told} would keep it under.")
    print(
        f"The working limb runs from {units.length(args.handle + FADE_MM)}; handle and fade stay thicker, the tips as drawn."
    )
    print(CAUTION)
    if args.picture:
        title = f"{args.wood}, limb of {units.length(args.length)}: {units.force(laid.weight_n)} at {units.length(args.draw)}"
        write_whole(Path(args.picture), layout_plot(laid, args.allowance, title, units))
        print(f"Picture: {args.picture}")
    if args.template:
        write_whole(Path(args.template), template(laid, args.wood, args.paper, centre))
        print(f"Template: {args.template}")
    return 0
