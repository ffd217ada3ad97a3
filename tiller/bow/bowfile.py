"""``bow.toml``: what the bowyer wrote down about the bow."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tiller.bow.composite import LEAST_BELLY_MM, Above
from tiller.bow.section import sagitta_mm
from tiller.bow.sides import SIDES, Pair, Side
from tiller.bow.target import TARGET_KEYS, Target, parse_target
from tiller.bow.tomlcheck import Keys, Table, load_toml
from tiller.bow.wood.materials import MATERIALS, find_material, plain_name
from tiller.bow.wood.moisture import DRIEST, WETTEST, modulus_at, strain_at
from tiller.bow.wood.woods import UNKNOWN_DENSITY_KG_M3, Wood, find_wood

TIP_SHARE = 0.845
"""Where the stiff tip begins, as a share of the limb (common practice, no source), where bow.toml says nothing."""
ASSUMED_MODULUS_GPA = 11.0
"""Only a starting point where nothing is known of the wood; the level is found by the pull."""
DENSE = 1200.0
"""Density of a backing of which nothing is known, kg/m3 (common practice, no source)."""
DEFAULT_FADE_MM = 60.0
"""Length of the fade between stiff handle and working limb (common practice, no source)."""


CALIPER_SD_MM = 0.15
"""A caliper reading over a rasped limb repeats to about this (common practice, no source)."""


@dataclass(frozen=True)
class Station:
    """Caliper reading at one place of a limb: s_mm along the back from the pivot."""

    s_mm: float
    width_mm: float
    thickness_mm: float


FEATURES = {"knot": True, "pin knots": True, "check": True, "cut ring": True, "wiggle": False, "twist": False}
"""Features of a stave, and whether such a place is left alone where the bowyer says nothing (common practice, no source)."""
CUT_RING_SHARE = 0.8
"""Share of the working strain that a back with a cut-through ring is trusted with (common practice, no source)."""


@dataclass(frozen=True)
class Feature:
    """Something in the wood, along the back from the pivot.

    Attributes:
        leave_alone: no wood is to come off there.
        strain_share: share of the working strain that the place may bear.
    """

    kind: str
    from_mm: float
    to_mm: float
    leave_alone: bool
    strain_share: float


@dataclass(frozen=True)
class Thick:
    """A layer's thickness at one place: s_mm along the back from the pivot."""

    s_mm: float
    thickness_mm: float


@dataclass(frozen=True)
class LimbLayer:
    """A layer over the belly's.

    Attributes:
        material: its name; modulus_gpa, density_kg_m3, strain: the bowyer's own or the table's, what it bears along the limb.
        thickness: at one place or several, linear between.
    """

    material: str
    modulus_gpa: float
    density_kg_m3: float
    strain: float
    thickness: tuple[Thick, ...]


@dataclass(frozen=True, kw_only=True)
class Limb:
    """One limb as written down.

    Attributes:
        length_mm: along the back from the pivot to the nock.
        handle_mm: stiff part from the pivot.
        fade_mm: length of the fade beyond the stiff part.
        stations: caliper readings in order of s.
        features: knots and the like.
        tip_mm: length of the stiff tip, from the nock; None where the file has none.
        layers: those over the belly's wood, the back's first; the belly's is what the calipers leave.
        caliper_sd_mm: how sure the stations' thicknesses are.
    """

    length_mm: float
    handle_mm: float
    fade_mm: float
    stations: tuple[Station, ...]
    features: tuple[Feature, ...] = ()
    tip_mm: float | None = None
    layers: tuple[LimbLayer, ...] = ()
    caliper_sd_mm: float = CALIPER_SD_MM

    @property
    def working_from_mm(self) -> float:
        """Where the working limb begins (end of the fade)."""
        return self.handle_mm + self.fade_mm

    @property
    def working_to_mm(self) -> float:
        """Where the working limb ends (the stiff tip begins)."""
        return TIP_SHARE * self.length_mm if self.tip_mm is None else self.length_mm - self.tip_mm

    def _along(self, s_mm: ArrayLike, values: list[float]) -> NDArray[np.float64]:
        at = [st.s_mm for st in self.stations]
        return np.asarray(np.interp(np.asarray(s_mm, dtype=float), at, values), dtype=float)

    def width_at(self, s_mm: ArrayLike) -> NDArray[np.float64]:
        """Width between the stations, linear; the end values hold outside them."""
        return self._along(s_mm, [st.width_mm for st in self.stations])

    def thickness_at(self, s_mm: ArrayLike) -> NDArray[np.float64]:
        """Thickness between the stations, linear; the end values hold outside them."""
        return self._along(s_mm, [st.thickness_mm for st in self.stations])


@dataclass(frozen=True)
class BowString:
    """The string on the bow during the pull: kind 'long' or 'braced', length between the nock loops."""

    kind: str
    length_mm: float


@dataclass(frozen=True, kw_only=True)
class Bow:
    """A bow as written down in ``bow.toml``.

    Attributes:
        modulus_gpa: the bowyer's own figure, None where the file has none.
        crown_radius_mm: radius of the back across the limb, None where the back is taken as flat.
        upper_limb: which limb, as the camera sees it, is the bow's upper one.
        moisture_percent: the wood's moisture, None where it was not measured.
    """

    name: str
    wood: str
    modulus_gpa: float | None
    crown_radius_mm: float | None
    upper_limb: Side
    left: Limb
    right: Limb
    string: BowString
    target: Target
    moisture_percent: float | None = None

    def limb(self, side: Side) -> Limb:
        """The limb on that side of the picture."""
        return Pair(self.left, self.right)[side]

    def above(self, side: Side, s_mm: ArrayLike) -> Above | None:
        """A limb's layers over the belly's wood at these places (n,); None where it is of one piece."""
        limb = self.limb(side)
        if not limb.layers:
            return None
        wood = self.table_wood
        modulus = self.known_modulus_gpa or ASSUMED_MODULUS_GPA
        density = wood.density_kg_m3 if wood else UNKNOWN_DENSITY_KG_M3
        bears = self.target.working_strain or strain_at(wood, self.moisture_percent)[0]
        at = np.asarray(s_mm, dtype=float)
        thick = np.array(
            [np.interp(at, [t.s_mm for t in y.thickness], [t.thickness_mm for t in y.thickness]) for y in limb.layers]
        )
        return Above(
            thick,
            tuple(y.modulus_gpa / modulus for y in limb.layers),
            tuple(y.density_kg_m3 / density for y in limb.layers),
            tuple(y.strain / bears for y in limb.layers),
        )

    @property
    def known_modulus_gpa(self) -> float | None:
        """The belly's wood's modulus: the bowyer's own or the table's at its moisture, None where neither is known."""
        wood = self.table_wood
        return self.modulus_gpa or (modulus_at(wood, self.moisture_percent) if wood else None)

    @property
    def table_wood(self) -> Wood | None:
        """The wood's row in the table, None where it has none."""
        return find_wood(self.wood)


_LIMB: Keys = {
    "length_mm": None,
    "handle_mm": None,
    "fade_mm": None,
    "tip_mm": None,
    "caliper_sd_mm": None,
    "stations": {"s_mm": None, "width_mm": None, "thickness_mm": None},
    "layers": {
        "material": None,
        "modulus_gpa": None,
        "density_kg_m3": None,
        "strain": None,
        "thickness_mm": None,
        "thickness": {"s_mm": None, "thickness_mm": None},
    },
    "features": {"kind": None, "from_mm": None, "to_mm": None, "leave_alone": None, "strain_share": None},
}
BOW_KEYS: Keys = {
    "name": None,
    "wood": None,
    "modulus_gpa": None,
    "crown_radius_mm": None,
    "moisture_percent": None,
    "upper_limb": None,
    "limbs": {"left": _LIMB, "right": _LIMB},
    "string": {"kind": None, "length_mm": None},
    "target": TARGET_KEYS,
}
"""Every key that ``bow.toml`` may hold."""


def _station(table: Table) -> Station:
    return Station(
        table.number("s_mm", 0, 2000, "mm"),
        table.number("width_mm", 4, 120, "mm"),
        table.number("thickness_mm", 2, 80, "mm"),
    )


def _feature(table: Table, length: float) -> Feature:
    kind = table.text("kind", allowed=tuple(FEATURES))
    low = table.number("from_mm", 0, length, "mm")
    high = table.number("to_mm", 0, length, "mm")
    if high <= low:
        raise table.fault("to_mm", f"more than from_mm ({low:g} mm)")
    share = table.number("strain_share", 0.2, 1.0, default=CUT_RING_SHARE if kind == "cut ring" else 1.0)
    return Feature(kind, low, high, table.flag("leave_alone", FEATURES[kind]), share)


MOST_LAYERS = 8
ADDS_UP_MM, ADDS_UP = 0.5, 0.04
"""Layers add up to the calipers to this, or to that share of them."""


def _layer(table: Table, moisture: float | None) -> LimbLayer:
    """A layer that is not the belly's."""
    own = table.has("modulus_gpa") and table.has("strain")
    name = "own" if own and not table.has("material") else table.text("material")
    known = find_material(name, moisture)
    if known is None and not own:
        names = ", ".join(m.name for m in MATERIALS)
        raise table.fault("material", f"a wood of the table, one of {names}, or modulus_gpa and strain beside it")
    return LimbLayer(
        name,
        table.number("modulus_gpa", 0.1, 200, "GPa", default=known.modulus_gpa if known else None),
        table.number("density_kg_m3", 100, 3000, "kg/m3", default=known.density_kg_m3 if known else DENSE),
        table.number("strain", 0.002, 0.2, "(a share: 0.01 is 1 %)", default=known.strain if known else None),
        _thicknesses(table),
    )


def _thicknesses(table: Table) -> tuple[Thick, ...]:
    if table.has("thickness"):
        rows = table.tables("thickness", 2)
        out = [Thick(row.number("s_mm", 0, 2000, "mm"), row.number("thickness_mm", 0.05, 60, "mm")) for row in rows]
        for (before, after), row in zip(pairwise(out), rows[1:], strict=True):
            if after.s_mm <= before.s_mm:
                raise row.fault("s_mm", f"more than in the row before it ({before.s_mm:g} mm)")
        return tuple(out)
    return (Thick(0.0, table.number("thickness_mm", 0.05, 60, "mm")),)


def _layers(table: Table, wood: str, stations: tuple[Station, ...], moisture: float | None) -> tuple[LimbLayer, ...]:
    """The layers over the belly's, checked against the calipers."""
    rows = table.tables("layers", 2)
    if len(rows) > MOST_LAYERS:
        raise table.fault("layers", f"at most {MOST_LAYERS} of them")
    belly = rows[-1]
    if belly.has("material") and plain_name(belly.text("material")) != plain_name(wood):
        raise belly.fault("material", f"\"{wood}\": the last layer is the belly's, of the bow's own wood")
    for name in ("modulus_gpa", "density_kg_m3", "strain"):
        if belly.has(name):
            raise belly.fault(name, "nothing: the belly's is the bow's own wood, given once for the bow")
    out = tuple(_layer(row, moisture) for row in rows[:-1])
    own = _thicknesses(belly) if belly.has("thickness") or belly.has("thickness_mm") else None
    for s in sorted({st.s_mm for st in stations} | {t.s_mm for y in out for t in y.thickness}):
        over = sum(float(np.interp(s, *_columns(y.thickness))) for y in out)
        there = float(np.interp(s, [st.s_mm for st in stations], [st.thickness_mm for st in stations]))
        if over > there - LEAST_BELLY_MM + 1e-6:
            what = f"layers that leave at least {LEAST_BELLY_MM:g} mm of the belly's wood: at {s:g} mm they come to {over:.2f} of {there:.2f} mm"
            raise table.fault("layers", what)
    for st in stations:
        if own is None:
            break
        over = sum(float(np.interp(st.s_mm, *_columns(y.thickness))) for y in out)
        whole = over + float(np.interp(st.s_mm, *_columns(own)))
        if abs(whole - st.thickness_mm) > max(ADDS_UP_MM, ADDS_UP * st.thickness_mm):
            what = f"layers that add up to the calipers: at {st.s_mm:g} mm they come to {whole:.1f} mm, the station says {st.thickness_mm:g} mm"
            raise table.fault("layers", what)
    return out


def _columns(thickness: tuple[Thick, ...]) -> tuple[list[float], list[float]]:
    return [t.s_mm for t in thickness], [t.thickness_mm for t in thickness]


def _limb(table: Table, wood: str, moisture: float | None) -> Limb:
    length = table.number("length_mm", 200, 1500, "mm")
    handle = table.number("handle_mm", 0, 0.5 * length, "mm")
    fade = table.number("fade_mm", 0, 0.5 * length - min(handle, 0.4 * length), "mm", default=DEFAULT_FADE_MM)
    rows = table.tables("stations", 2)
    stations = tuple(_station(row) for row in rows)
    for before, after, row in zip(stations, stations[1:], rows[1:], strict=False):
        if after.s_mm <= before.s_mm:
            raise row.fault("s_mm", f"more than the station before it ({before.s_mm:g} mm)")
    if stations[-1].s_mm > length:
        raise rows[-1].fault("s_mm", f"at most the limb's length_mm ({length:g} mm)")
    features = tuple(_feature(row, length) for row in table.tables("features", 0)) if table.has("features") else ()
    tip = table.number("tip_mm", 0, 0.4 * (length - handle - fade), "mm") if table.has("tip_mm") else None
    layers = _layers(table, wood, stations, moisture) if table.has("layers") else ()
    return Limb(
        length_mm=length,
        handle_mm=handle,
        fade_mm=fade,
        stations=stations,
        features=features,
        tip_mm=tip,
        layers=layers,
        caliper_sd_mm=table.number("caliper_sd_mm", 0.02, 5.0, "mm", default=CALIPER_SD_MM),
    )


def _moisture(top: Table) -> float | None:
    if not top.has("moisture_percent"):
        return None
    unit = "% of the dry mass (over fibre saturation, about 25, no strain limit is known: let it dry)"
    return top.number("moisture_percent", DRIEST, WETTEST, unit)


def parse_bow(data: dict[str, object], file: str = "bow.toml") -> Bow:
    """A checked bow from parsed TOML.

    Raises:
        KeyFault: a key is missing or wrong.
    """
    top = Table(file, "", data)
    name, wood = top.text("name"), top.text("wood")
    modulus = top.number("modulus_gpa", 1, 40, "GPa") if top.has("modulus_gpa") else None
    crown = top.number("crown_radius_mm", 10, 2000, "mm") if top.has("crown_radius_mm") else None
    upper = top.text("upper_limb", allowed=SIDES)
    limbs = top.table("limbs")
    moisture = _moisture(top)
    left, right = (_limb(limbs.table(side), wood, moisture) for side in SIDES)
    if crown is not None:
        for side, limb in (("left", left), ("right", right)):
            for i, st in enumerate(limb.stations):
                if st.width_mm > 2 * crown:
                    row = limbs.table(side).tables("stations", 2)[i]
                    raise row.fault("width_mm", f"at most twice the crown_radius_mm ({2 * crown:g} mm)")
                if float(sagitta_mm(st.width_mm, crown)) >= 0.8 * st.thickness_mm:
                    row = limbs.table(side).tables("stations", 2)[i]
                    raise row.fault(
                        "thickness_mm",
                        f"well over the crown's own height there ({float(sagitta_mm(st.width_mm, crown)):.1f} mm at crown_radius_mm {crown:g})",
                    )
    string = top.table("string")
    return Bow(
        name=name,
        wood=wood,
        modulus_gpa=modulus,
        crown_radius_mm=crown,
        upper_limb=Side(upper),
        left=left,
        right=right,
        string=BowString(
            string.text("kind", allowed=("long", "braced")),
            string.number("length_mm", 200, 4000, "mm"),
        ),
        target=parse_target(top.table("target")),
        moisture_percent=moisture,
    )


def read_bow(path: Path) -> Bow:
    """The bow written down in that file.

    Raises:
        FileFault: the file is missing or no TOML.
        KeyFault: a key is missing or wrong.
    """
    return parse_bow(load_toml(path), str(path))
