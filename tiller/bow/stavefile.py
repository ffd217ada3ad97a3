"""``stave.toml``: what a stave is, from the log to the rack: wood, log, dates, rings, features, weigh-ins."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import numpy as np

from tiller.bow.bowfile import FEATURES, Bow, Feature
from tiller.bow.section import crowned_section
from tiller.bow.sides import SIDES, Side
from tiller.bow.tomlcheck import Keys, Table, load_toml
from tiller.bow.tomlwrite import with_keys, with_rows
from tiller.bow.wood.moisture import DRIEST, WETTEST, modulus_at
from tiller.bow.wood.shrinkage import SATURATION
from tiller.bow.wood.woods import Wood
from tiller.quantity import mm, mm_span

STEPS = ("felled", "split", "ends_sealed", "bark_off", "roughed_out")
WOOD_OFF = ("split", "bark_off", "roughed_out")
"""Steps after which a stave weighs less without having lost water."""
SLIP_UP, SLIP_DOWN = 1.2, 0.4
"""From one weigh-in to the next no stave gains or loses by more than these factors: a slip of the point."""
WETTEST_OFFCUT = 200.0
BACKS = ("outer ring", "chased ring")
STAVE_KEYS: Keys = {
    "name": None, "wood": None, "log_diameter_mm": None, "felled": None, "split": None, "ends_sealed": None, "bark_off": None, "roughed_out": None,
    "rings": None, "ring_mm": None, "back": None, "dry_mass_kg": None, "wanted_moisture": None, "tree": None, "place": None, "length_mm": None, "crown_radius_mm": None,
    "modulus": {"gpa": None, "sd_gpa": None, "moisture_percent": None},
    "weighings": {"on": None, "mass_kg": None},
    "offcut": {"on": None, "wet_g": None, "dry_g": None, "stave_kg": None},
    "shop": {"temperature_c": None, "humidity_percent": None},
    "features": {"limb": None, "kind": None, "from_mm": None, "to_mm": None, "raised_mm": None, "leave_alone": None, "strain_share": None},
}  # fmt: skip
RISKY_LOG_MM, GOOD_LOG_MM, WIDE_SHARE = 76.0, 102.0, 0.5
"""Logs under about 3 in across are risky, 4 to 7 in comfortable; so is a limb wider than half its log (common practice, no source)."""
SEAL_DAYS, BARK_DAYS = 2, 60
"""Ends are sealed within a day or two; bark left on through a warm season brings insects (common practice, no source)."""


@dataclass(frozen=True)
class Weighing:
    """The stave's mass on a day."""

    on: date
    mass_kg: float


@dataclass(frozen=True)
class Offcut:
    """A piece that was weighed, dried in an oven until it lost no more, and weighed again; the stave's mass on that day."""

    on: date
    wet_g: float
    dry_g: float
    stave_kg: float

    @property
    def moisture(self) -> float:
        """Per cent of the dry mass on that day."""
        return 100.0 * (self.wet_g - self.dry_g) / self.dry_g


@dataclass(frozen=True)
class StaveFeature:
    """A feature with its limb and, for a knot, how high it stands."""

    limb: Side
    feature: Feature
    raised_mm: float


MOVED_SD, BEYOND_SD = 0.3, 0.05
"""A change by moisture is itself known to this share of it, and what green wood is over fibre saturation to that (common practice, no source)."""


@dataclass(frozen=True)
class OwnModulus:
    """A modulus that was measured on a piece, with its sd, and how moist the piece was, None where nobody knows."""

    gpa: float
    sd_gpa: float
    moisture_percent: float | None

    def at(self, wood: Wood | None, moisture_percent: float | None) -> float:
        """The modulus at another moisture; as measured where one of both is not known."""
        if self.moisture_percent is None or moisture_percent is None or wood is None:
            return self.gpa
        low, high = DRIEST, WETTEST
        then, now = (float(np.clip(m, low, high)) for m in (self.moisture_percent, moisture_percent))
        return self.gpa * modulus_at(wood, now) / modulus_at(wood, then)

    def sd_at(self, wood: Wood | None, moisture_percent: float | None) -> float:
        """Its sd there: the more it is brought over, the less surely."""
        there = self.at(wood, moisture_percent)
        beyond = [m is not None and m > WETTEST for m in (self.moisture_percent, moisture_percent)]
        parts = (self.sd_gpa / self.gpa, MOVED_SD * (there / self.gpa - 1.0), BEYOND_SD if any(beyond) else 0.0)
        return there * float(np.sqrt(sum(p * p for p in parts)))


@dataclass(frozen=True, kw_only=True)
class Stave:
    """A stave as written down; None and empty where nothing is.

    Attributes:
        wanted_moisture: at or under which it may be tillered, %.
        temperature_c, humidity: of the shop's air; humidity 0 to 1.
        modulus: measured on this very piece. tree: what the tree is called, the same for all staves of it; place: where it grew.
        length_mm: of the stave; crown_radius_mm: of the back, by the log's end.
    """

    name: str
    wood: str
    log_diameter_mm: float | None
    dates: dict[str, date]
    rings: int | None
    ring_mm: float | None
    back: str
    weighings: tuple[Weighing, ...]
    offcut: Offcut | None
    dry_mass_kg: float | None
    temperature_c: float | None
    humidity: float | None
    wanted_moisture: float
    features: tuple[StaveFeature, ...]
    modulus: OwnModulus | None = None
    tree: str = ""
    place: str = ""
    length_mm: float | None = None
    crown_radius_mm: float | None = None

    @property
    def back_radius_mm(self) -> float | None:
        """Radius of the back's crown: measured on the log's end, else half the log; None where neither is known, or the back is a chased ring."""
        if self.back != BACKS[0]:
            return None
        return self.crown_radius_mm or (0.5 * self.log_diameter_mm if self.log_diameter_mm is not None else None)


def _date(table: Table, key: str) -> date | None:
    value = table.data.get(key)
    if value is None:
        return None
    if not isinstance(value, date) or isinstance(value, datetime):
        raise table.fault(key, "a date such as 2026-03-14 (without quotes)")
    return value


def _must_date(table: Table, key: str) -> date:
    value = _date(table, key)
    if value is None:
        raise table.fault(key, "a date such as 2026-03-14 (without quotes)")
    return value


def _optional(table: Table, key: str, low: float, high: float, unit: str = "") -> float | None:
    return table.number(key, low, high, unit) if key in table.data else None


def _dates(top: Table, today: date | None) -> dict[str, date]:
    dates: dict[str, date] = {}
    for key in STEPS:
        on = _date(top, key)
        if on is not None:
            dates[key] = on
    felled, roughed = dates.get("felled"), dates.get("roughed_out")
    for key, on in dates.items():
        if felled is not None and on < felled:
            raise top.fault(key, f"a day on or after the felling ({felled})")
    for key in ("split", "bark_off"):
        if roughed is not None and key in dates and roughed < dates[key]:
            raise top.fault("roughed_out", f"a day on or after {key.replace('_', ' ')} ({dates[key]})")
    for key, on in dates.items():
        if today is not None and on > today:
            raise top.fault(key, f"a day not after today ({today})")
    return dates


def _within(row: Table, on: date, felled: date | None, today: date | None) -> None:
    """Refuses a day ``on`` before the felling or after today."""
    if felled is not None and on < felled:
        raise row.fault("on", f"a day on or after the felling ({felled})")
    if today is not None and on > today:
        raise row.fault("on", f"a day not after today ({today})")


def _weighing(row: Table, dates: dict[str, date], today: date | None, before: Weighing | None) -> Weighing:
    felled = dates.get("felled")
    found = Weighing(_must_date(row, "on"), row.number("mass_kg", 0.05, 60, "kg"))
    _within(row, found.on, felled, today)
    if before is not None and found.on <= before.on:
        raise row.fault("on", f"a day after the weigh-in before it ({before.on})")
    lighter = before is not None and any(before.on <= dates[s] <= found.on for s in WOOD_OFF if s in dates)
    least = 0.0 if lighter else SLIP_DOWN  # what came off then was wood
    if before is not None and not least < found.mass_kg / before.mass_kg < SLIP_UP:
        raise row.fault(
            "mass_kg", f"a mass near that of {before.on}, {before.mass_kg:g} kg (is the point in its place?)"
        )
    return found


def _offcut(table: Table, felled: date | None, today: date | None) -> Offcut:
    offcut = Offcut(
        _must_date(table, "on"),
        table.number("wet_g", 0.5, 5000, "g"),
        table.number("dry_g", 0.5, 5000, "g"),
        table.number("stave_kg", 0.05, 60, "kg"),
    )
    if not offcut.dry_g < offcut.wet_g:
        raise table.fault("dry_g", "less than the wet piece")
    if offcut.moisture > WETTEST_OFFCUT:
        raise table.fault(
            "dry_g", f"at least a third of the wet piece: no wood holds more than {WETTEST_OFFCUT:g} % of water"
        )
    _within(table, offcut.on, felled, today)
    return offcut


def parse_stave(data: dict[str, object], file: str = "stave.toml", today: date | None = None) -> Stave:
    """A checked stave from parsed TOML.

    Args:
        today: no day may lie after it; None = that is not checked.

    Raises:
        KeyFault: a key is missing or wrong, dates are out of order, a weigh-in leaps. (One that rises a little is reported later.)
    """
    top = Table(file, "", data)
    dates = _dates(top, today)
    felled = dates.get("felled")
    rows = top.tables("weighings", 0) if "weighings" in data else []
    weighings: list[Weighing] = []
    for row in rows:
        weighings.append(_weighing(row, dates, today, weighings[-1] if weighings else None))
    offcut = _offcut(top.table("offcut"), felled, today) if "offcut" in data else None
    shop = top.table("shop") if "shop" in data else None
    features: list[StaveFeature] = []
    for row in top.tables("features", 0) if "features" in data else []:
        features.append(_feature(row))
    humidity = shop.number("humidity_percent", 5, 95, "%") / 100 if shop is not None else None
    return Stave(
        name=top.text("name"),
        wood=top.text("wood"),
        log_diameter_mm=_optional(top, "log_diameter_mm", 30, 2000, "mm"),
        dates=dates,
        rings=top.whole("rings", 1, 1000) if "rings" in data else None,
        ring_mm=_optional(top, "ring_mm", 0.1, 30, "mm"),
        back=top.text("back", allowed=BACKS) if "back" in data else BACKS[0],
        weighings=tuple(weighings),
        offcut=offcut,
        dry_mass_kg=_optional(top, "dry_mass_kg", 0.02, 60, "kg"),
        temperature_c=shop.number("temperature_c", 0, 50, "C") if shop is not None else None,
        humidity=humidity,
        wanted_moisture=top.number("wanted_moisture", 4, SATURATION, "%", default=10.0),
        features=tuple(features),
        modulus=_modulus(top.table("modulus")) if "modulus" in data else None,
        tree=top.text("tree") if "tree" in data else "",
        place=top.text("place") if "place" in data else "",
        length_mm=_optional(top, "length_mm", 300, 6000, "mm"),
        crown_radius_mm=_optional(top, "crown_radius_mm", 15, 2000, "mm"),
    )


def _modulus(table: Table) -> OwnModulus:
    gpa = table.number("gpa", 1, 40, "GPa")
    moisture = _optional(table, "moisture_percent", 0, WETTEST_OFFCUT, "%")
    return OwnModulus(gpa, table.number("sd_gpa", 0.01, 20, "GPa", default=0.05 * gpa), moisture)


def _feature(row: Table) -> StaveFeature:
    kind = row.text("kind", allowed=tuple(FEATURES))
    side = row.text("limb", allowed=SIDES)
    a, b = row.number("from_mm", 0, 2000, "mm"), row.number("to_mm", 0, 2000, "mm")
    if b <= a:
        raise row.fault("to_mm", f"a place further out than from_mm ({a:g})")
    leave = row.data.get("leave_alone", FEATURES[kind])
    if not isinstance(leave, bool):
        raise row.fault("leave_alone", "true or false")
    share = row.number("strain_share", 0.2, 1.0, default=0.8 if kind == "cut ring" else 1.0)
    raised = row.number("raised_mm", 0.0, 30.0, "mm", default=0.0)
    return StaveFeature(Side(side), Feature(kind, a, b, leave, share), raised)


def read_stave(path: Path) -> Stave:
    """The stave written down in that file.

    Raises:
        FileFault, KeyFault: the file is missing, no TOML, or says something that cannot be.
    """
    return parse_stave(load_toml(path), str(path))


@dataclass(frozen=True)
class Crown:
    """The back of a limb of some width from a log: height of the crown, share of the width that carries, and the shift of the axis.

    Attributes:
        sagitta_mm: height of the middle over the edges.
        bearing_share: share of the width whose surface is strained by 90 % of the middle's or more.
        stiffness_share: bending stiffness over that of a flat back of the same thickness.
    """

    sagitta_mm: float
    bearing_share: float
    stiffness_share: float


def crown_of(log_diameter_mm: float, width_mm: float, thickness_mm: float) -> Crown:
    """What the log's roundness does to a limb.

    Raises:
        ValueError: the log is too small for that width or thickness.
    """
    radius = 0.5 * log_diameter_mm
    section = crowned_section(width_mm, thickness_mm, radius)
    flat = crowned_section(width_mm, thickness_mm, None)
    reach = float(section.to_back_mm)
    # the surface falls by R - sqrt(R2 - z2); it bears as long as that is under a tenth of the distance to the axis
    drop = 0.1 * reach
    z = np.sqrt(max(radius**2 - (radius - drop) ** 2, 0.0))
    return Crown(
        float(radius - np.sqrt(radius**2 - (0.5 * width_mm) ** 2)),
        float(min(1.0, 2 * z / width_mm)),
        float(section.second_moment_mm4 / flat.second_moment_mm4),
    )


def log_words(stave: Stave, width_mm: float, thickness_mm: float) -> list[str]:
    """What the log says to a limb of that width, in plain words; empty where its diameter is not known."""
    if stave.log_diameter_mm is None:
        return []
    if stave.back != BACKS[0]:
        return ["a chased ring's crown is not the log's: measure it across the limb, for crown_radius_mm in bow.toml."]
    if stave.log_diameter_mm < width_mm:
        return [f"a log of {mm(stave.log_diameter_mm)} gives no limb of {mm(width_mm)}: make it narrower."]
    try:
        crown = crown_of(stave.log_diameter_mm, width_mm, thickness_mm)
    except ValueError as err:
        return [
            f"a log of {mm(stave.log_diameter_mm)} is too small for a limb {mm(width_mm)} wide and {mm(thickness_mm)} thick: {err}."
        ]
    out = [
        f"crown {mm(crown.sagitta_mm, 1)} high over {mm(width_mm)} of width, {mm(thickness_mm)} thick; {100 * crown.bearing_share:.0f} % of the width carry the tension;"
        f" {100 * crown.stiffness_share:.0f} % of the stiffness of a flat back."
    ]
    if stave.log_diameter_mm < RISKY_LOG_MM or width_mm > WIDE_SHARE * stave.log_diameter_mm:
        out.append(
            f"the log was small for a limb {mm(width_mm)} wide (a log under about 3 in across, or a limb wider than half of it, is risky, common practice):"
            f" {100 * crown.bearing_share:.0f} % of the width carry all of the tension; make it narrower, or keep the strain low."
        )
    elif stave.log_diameter_mm < GOOD_LOG_MM:
        out.append(
            "the log was on the small side (4 to 7 in across is comfortable, common practice): keep the limb narrow or the strain low."
        )
    return out


def onto_bow(text: str, bow: Bow, stave: Stave, moisture: float | None) -> str:
    """bow.toml with what the stave knows and the bow's file does not say: crown, moisture, features.

    Raises:
        ValueError: a feature lies beyond the limb's end.
    """
    top: dict[str, float] = {}
    if bow.crown_radius_mm is None and stave.back_radius_mm is not None:
        top["crown_radius_mm"] = round(stave.back_radius_mm, 1)
    if bow.modulus_gpa is None and stave.modulus is not None and stave.modulus.moisture_percent is not None:
        now = bow.moisture_percent if bow.moisture_percent is not None else moisture
        top["modulus_gpa"] = round(stave.modulus.at(bow.table_wood, now), 2)
    if bow.moisture_percent is None and moisture is not None:
        top["moisture_percent"] = round(moisture, 1)
    if top:
        text = with_keys(text, top)
    for noted in stave.features:
        limb, feature = bow.limb(noted.limb), noted.feature
        if feature.to_mm > limb.length_mm:
            msg = f"the {feature.kind} from {mm_span(feature.from_mm, feature.to_mm)} lies beyond the {noted.limb} limb's nock at {mm(limb.length_mm)}: measure it from the pivot along the back."
            raise ValueError(msg)
        if any(
            o.kind == feature.kind and o.from_mm < feature.to_mm and feature.from_mm < o.to_mm for o in limb.features
        ):
            continue
        row = {
            "kind": feature.kind,
            "from_mm": round(feature.from_mm, 1),
            "to_mm": round(feature.to_mm, 1),
            "leave_alone": feature.leave_alone,
            "strain_share": feature.strain_share,
        }
        text = with_rows(text, ("limbs", noted.limb, "features"), [row])
    return text
