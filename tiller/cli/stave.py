"""``tiller stave``: what is known of a stave, before it comes to the rack."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiller.cli.arguments import UNITS, length, number, whole
from tiller.writable import add_outputs

if TYPE_CHECKING:
    from datetime import date

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


def must_be_there(path: Path, name: str) -> None:
    """A stave's file that others read.

    Raises:
        FileFault: there is none; the message says how one is begun.
    """
    from tiller.errors import FileFault

    if not path.is_file():
        called = name if name.strip() and not name.endswith(".toml") else "NAME"
        msg = f"There is no stave '{name}' yet: 'tiller stave \"{called}\" --wood WOOD' begins one."
        raise FileFault(msg)


def run_stave(args: argparse.Namespace) -> int:
    """``tiller stave``."""
    from datetime import date

    from tiller.bow.stavefile import read_stave
    from tiller.errors import FileFault, TillerError
    from tiller.files import write_whole
    from tiller.mechanics.wood.season import season_of
    from tiller.report.style import Units
    from tiller.report.text.stave import stave_words
    from tiller.setup.guided.staves import write_stave
    from tiller.setup.new_bow import name_fault

    path = stave_file(args.name)
    fault = "" if path.name != "stave.toml" or args.name.endswith(".toml") else name_fault(args.name)
    if fault:
        raise TillerError(fault)
    if not LEAST_WIDTH_MM <= args.width <= MOST_WIDTH_MM:
        shown = as_meant(args.width, LEAST_WIDTH_MM, MOST_WIDTH_MM, " mm", Units(args.units == "metric"))
        msg = f"--width is {args.width:g} mm: {LEAST_WIDTH_MM:g} to {MOST_WIDTH_MM:g} mm makes sense for a limb{shown}."
        raise TillerError(msg)
    new = _given(args)
    if new or args.forget or args.forget_feature or not path.is_file():
        if not path.exists() and args.wood is None:
            msg = f"There is no {path} yet: 'tiller stave {args.name} --wood WOOD' begins it."
            raise FileFault(msg)
        gone = [_place(v, args.units == "metric") for v in args.forget_feature]
        called = Path(args.name).stem if args.name.endswith(".toml") else args.name
        write_stave(path, called, new, [_date(v, "--forget") for v in args.forget], gone)
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


LEAST_WIDTH_MM, MOST_WIDTH_MM = 10.0, 110.0
NUMBER = r"([0-9]+(?:\.[0-9]+)?)"
ENDS = f"{NUMBER}(mm|cm|in)?-{NUMBER}(mm|cm|in)?"
PLACE = f"(left|right):([a-z ]+):{ENDS}"


def _place(text: str, metric: bool) -> tuple[str, str, float, float]:
    found = _taken_apart(
        text, PLACE, "--forget-feature", "LIMB:KIND:FROM-TO, such as left:knot:310-340 or left:knot:12in-13.5in,"
    )
    return found[1], found[2], *_ends_mm(found, 3, metric)


def _ends_mm(found: Any, first: int, metric: bool) -> tuple[float, float]:
    """Both ends in mm: each in its own unit, else in the other's, else in those that are meant."""
    usual = "mm" if metric else "in"
    units = (found[first + 1] or found[first + 3] or usual, found[first + 3] or found[first + 1] or usual)
    start, end = (float(found[first + 2 * k]) * UNITS["length"][unit] for k, unit in enumerate(units))
    return start, end


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
    from tiller.errors import TillerError
    from tiller.setup.guided.stave_facts import NUMBERS

    out: dict[str, Any] = {}
    if args.wood is not None:
        out["wood"] = args.wood
    for word, option, value in (
        ("log", "--log", args.log),
        ("rings", "--rings", args.rings),
        ("ring", "--ring", args.ring),
        ("dry mass", "--dry-mass", args.dry_mass),
        ("wanted", "--wanted", args.wanted),
    ):
        limits = NUMBERS[word]
        if value is not None:
            if not limits.low <= value <= limits.high:
                msg = f"{option} is {value:g}: {limits.low:g} to {limits.high:g} {limits.unit} makes sense."
                raise TillerError(msg)
            out[limits.key] = value
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
            text,
            pattern,
            "--feature",
            "LIMB:KIND:FROM-TO, such as left:knot:310-340, left:knot:12in-13.5in or left:knot:310-340:3mm,",
        )
        start, end = _ends_mm(found, 3, args.units == "metric")
        row: dict[str, Any] = {"limb": found[1], "kind": found[2], "from_mm": round(start, 2), "to_mm": round(end, 2)}
        row |= {"raised_mm": float(found[7])} if found[7] else {}
        row |= {"strain_share": float(found[8]) / 100} if found[8] else {}
        features.append(row)
    if features:
        out["features"] = features
    return out


def as_meant(value: float, low: float, high: float, unit: str, units: Units) -> str:
    """A value and its limits in the units that are shown, where these are others."""
    if units.metric or unit not in (" mm", " N"):
        return ""
    value, low, high = (units.length_value(v) if unit == " mm" else units.force_value(v) for v in (value, low, high))
    shown = units.length_unit if unit == " mm" else units.force_unit
    return f" ({value:.4g} {shown}; {low:.3g} to {high:.3g} {shown})"
