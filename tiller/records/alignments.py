"""What the second view of a bow showed, kept in the book: where its string crossed the handle, what was proposed, and what heat left of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import numpy as np

from tiller.bow.sides import SIDES, Pair, Side
from tiller.errors import BookFault
from tiller.mechanics.space.tracking import NO_TWIST, Alignment, Correction, NockTwist
from tiller.quantity import mm
from tiller.records.book import Book
from tiller.records.events import Event

KEPT_SHARE, KEPT_SD = 0.8, 0.2
"""How much of a bend by heat stays, before this shop's own bows of the wood say otherwise (common practice, no source)."""
NEAR_MM = 30.0
"""A stretch that was warmed counts as the proposed one where it comes so near to its place."""
LEAST_ASKED_MM, LEAST_DAYS = 2.0, 0.5
"""Smaller bends say nothing of what stays, nor do pictures of the same hours."""
ALIKE_MOISTURE = 3.0
"""Per cent of moisture (1 sd) over which wood springs back alike (common practice, no source)."""
HAND_SHOCKS = ("none", "some", "hard")


@dataclass(frozen=True)
class Asked:
    """A bend by heat that was proposed: where along the limb, and how far its nock was to go by it (to the right is positive)."""

    at_mm: float
    nock_mm: float


@dataclass(frozen=True, kw_only=True)
class KeptAlignment:
    """One row of the book.

    Attributes:
        upper: the upper limb of that day, which says which side is the right one.
        nocks_mm, nocks_sd_mm: sideways, to the right; NaN where not seen. asked: what was proposed for each limb, None where nothing was.
        twist: of each nock, to the right. hand_shock: one of ``HAND_SHOCKS``, '' where nobody said. moisture_percent: the bow's that day, NaN where not known.
        edge_limb, edge_right, edge_gain: off which edge of which limb wood brings the string over, and by how many mm for each mm; None and NaN where not known.
    """

    at: datetime
    upper: Side
    offset_mm: float
    offset_sd_mm: float
    nocks_mm: Pair[float]
    nocks_sd_mm: Pair[float]
    both_ways: bool
    asked: Pair[Asked | None]
    twist: Pair[NockTwist] = NO_TWIST
    hand_shock: str = ""
    moisture_percent: float = float("nan")
    edge_limb: Side | None = None
    edge_right: bool = False
    edge_gain: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class Stayed:
    """What a bend by heat left: of what was asked of the nock, so much came, by pictures before and after; the sd of that; days between.

    ``moisture_percent``: the bow's before it, NaN where not known. ``scraped``: wood came off between, which counts in it.
    """

    limb: Side
    asked_mm: float
    came_mm: float
    came_sd_mm: float
    days: float
    moisture_percent: float = float("nan")
    scraped: bool = False

    @property
    def share(self) -> float:
        """How much of it stayed."""
        return self.came_mm / self.asked_mm


def held(row: KeptAlignment, upper: Side) -> KeptAlignment:
    """The same with another limb up: what was to the right is to the left."""
    if row.upper == upper:
        return row
    asked = row.asked.each(lambda one: None if one is None else Asked(one.at_mm, -one.nock_mm))
    return replace(
        row,
        upper=upper,
        offset_mm=-row.offset_mm,
        nocks_mm=row.nocks_mm.each(lambda v: -v),
        asked=asked,
        twist=row.twist.each(lambda one: replace(one, turn_rad=-one.turn_rad)),
        edge_right=not row.edge_right,
    )


def kept_of(
    alignment: Alignment,
    correction: Correction,
    at: datetime,
    upper: Side,
    moisture_percent: float = float("nan"),
    hand_shock: str = "",
) -> KeptAlignment:
    """A row of what was found; ``upper``: the upper limb."""
    asked: Pair[Asked | None] = Pair(None, None)
    # a limb that is turned back as well goes sideways by both: its nock does not tell what of the bend stayed
    turned = {turn.limb for turn in correction.turn}
    for heat in (h for h in correction.heat if h.limb not in turned):
        asked = asked.put(heat.limb, Asked(heat.at_mm, heat.nock_mm))
    return KeptAlignment(
        at=at,
        upper=upper,
        offset_mm=alignment.offset_mm,
        offset_sd_mm=alignment.offset_sd_mm,
        nocks_mm=alignment.limbs.each(lambda limb: limb.nock_mm),
        nocks_sd_mm=alignment.limbs.each(lambda limb: limb.nock_sd_mm),
        both_ways=alignment.turned,
        asked=asked,
        twist=alignment.twist,
        hand_shock=hand_shock,
        moisture_percent=moisture_percent,
        edge_limb=correction.edge_limb,
        edge_right=correction.edge_right,
        edge_gain=correction.edge_gain,
    )


COLUMNS = (
    "bow_id", "at", "upper_limb", "offset_mm", "offset_sd_mm", "left_nock_mm", "left_nock_sd_mm", "right_nock_mm", "right_nock_sd_mm", "both_ways",
    "left_heat_at_mm", "left_heat_nock_mm", "right_heat_at_mm", "right_heat_nock_mm", "left_twist_rad", "left_twist_sd_rad", "right_twist_rad", "right_twist_sd_rad",
    "hand_shock", "moisture", "edge_limb", "edge_right", "edge_gain",
)  # fmt: skip


def keep_alignment(book: Book, bow: str, kept: KeptAlignment) -> bool:
    """Puts it into the book; False where the book has no pull of the bow yet, so that it knows nothing of it.

    Raises:
        BookFault: it cannot be written.
    """
    found = book.rows("SELECT id FROM bows WHERE name = ?", (bow,))
    if not found:
        return False
    limbs: list[float | None] = []
    for side in SIDES:
        limbs += [_real(kept.nocks_mm[side]), _real(kept.nocks_sd_mm[side])]
    heats: list[float | None] = []
    for side in SIDES:
        asked = kept.asked[side]
        heats += [None, None] if asked is None else [asked.at_mm, asked.nock_mm]
    values = (
        found[0]["id"],
        kept.at.isoformat(timespec="seconds"),
        str(kept.upper),
        kept.offset_mm,
        kept.offset_sd_mm,
        *limbs,
        int(kept.both_ways),
        *heats,
        *(_real(v) for side in SIDES for v in (kept.twist[side].turn_rad, kept.twist[side].sd_rad)),
        kept.hand_shock,
        _real(kept.moisture_percent / 100),
        str(kept.edge_limb or ""),
        int(kept.edge_right),
        _real(kept.edge_gain),
    )
    marks = ", ".join("?" * len(COLUMNS))
    try:
        with book.writing() as db:
            db.execute(f"INSERT INTO alignments ({', '.join(COLUMNS)}) VALUES ({marks})", values)  # noqa: S608  (names of our own)
    except sqlite3.Error as err:
        msg = f"The book {book.path} could not be written ({err}); what the pictures showed is not in it."
        raise BookFault(msg) from err
    return True


def _real(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _number(value: object) -> float:
    return float(value) if isinstance(value, float | int) else float("nan")


def alignments_of(book: Book, bow: str) -> tuple[KeptAlignment, ...]:
    """What the book holds of a bow, oldest first; a row whose time or upper limb cannot be read is left out."""
    rows = book.rows(
        "SELECT a.* FROM alignments a JOIN bows b ON b.id = a.bow_id WHERE b.name = ? ORDER BY a.at, a.id", (bow,)
    )
    out = []
    for row in rows:
        try:
            at = datetime.fromisoformat(row["at"])
        except ValueError:
            continue
        if at.tzinfo is not None or row["upper_limb"] not in SIDES:
            continue
        asked = [
            None
            if row[f"{side}_heat_at_mm"] is None
            else Asked(_number(row[f"{side}_heat_at_mm"]), _number(row[f"{side}_heat_nock_mm"]))
            for side in SIDES
        ]
        out.append(
            KeptAlignment(
                at=at,
                upper=Side(row["upper_limb"]),
                offset_mm=_number(row["offset_mm"]),
                offset_sd_mm=_number(row["offset_sd_mm"]),
                nocks_mm=Pair(_number(row["left_nock_mm"]), _number(row["right_nock_mm"])),
                nocks_sd_mm=Pair(_number(row["left_nock_sd_mm"]), _number(row["right_nock_sd_mm"])),
                both_ways=bool(row["both_ways"]),
                asked=Pair(asked[0], asked[1]),
                twist=Pair(
                    *(NockTwist(_number(row[f"{s}_twist_rad"]), _number(row[f"{s}_twist_sd_rad"])) for s in SIDES)
                ),
                hand_shock=row["hand_shock"] if row["hand_shock"] in HAND_SHOCKS else "",
                moisture_percent=100 * _number(row["moisture"]),
                edge_limb=Side(row["edge_limb"]) if row["edge_limb"] in SIDES else None,
                edge_right=bool(row["edge_right"]),
                edge_gain=_number(row["edge_gain"]),
            )
        )
    return tuple(out)


def track_words(rows: Sequence[KeptAlignment]) -> str:
    """Where the string crossed the handle when it was looked at last, with marked quantities; '' where nobody looked."""
    if not rows:
        return ""
    last = rows[-1]
    way = "right" if last.offset_mm >= 0 else "left"
    shock = f"; hand shock {last.hand_shock}" if last.hand_shock else ""
    return (
        f"{mm(abs(last.offset_mm))} ± {mm(last.offset_sd_mm, 1)} to the {way} of its middle ({last.at:%Y-%m-%d}){shock}"
    )


def alignment_row_json(row: KeptAlignment) -> dict[str, float | str | bool | None]:
    """One row's keys for the export."""
    out: dict[str, float | str | bool | None] = {
        "at": row.at.isoformat(timespec="seconds"),
        "upper_limb": str(row.upper),
        "string_offset_mm": row.offset_mm,
        "string_offset_sd_mm": row.offset_sd_mm,
        "both_ways_round": row.both_ways,
        "hand_shock": row.hand_shock,
        "moisture_percent": _real(row.moisture_percent),
    }
    for side in SIDES:
        asked = row.asked[side]
        out |= {
            f"{side}_nock_mm": _real(row.nocks_mm[side]),
            f"{side}_nock_sd_mm": _real(row.nocks_sd_mm[side]),
            f"{side}_twist_rad": _real(row.twist[side].turn_rad),
            f"{side}_twist_sd_rad": _real(row.twist[side].sd_rad),
            f"{side}_heat_at_mm": asked.at_mm if asked is not None else None,
            f"{side}_heat_nock_mm": asked.nock_mm if asked is not None else None,
        }
    return out


def pulls_since(book: Book, bow: str, at: datetime | None) -> int:
    """How many pulls the book has of a bow that were taken after a moment; all of them for None."""
    first = at.isoformat(timespec="seconds") if at is not None else ""
    rows = book.rows(
        "SELECT COUNT(*) AS many FROM pulls p JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id WHERE b.name = ? AND p.taken_at > ?",
        (bow, first),
    )
    return int(rows[0]["many"])


def scrapings_of(book: Book, bow: str) -> tuple[datetime, ...]:
    """When wood was noted as scraped off a bow; what cannot be read as a time is left out."""
    rows = book.rows(
        "SELECT c.at FROM scrapings c JOIN pulls p ON p.id = c.pull_id JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id WHERE b.name = ?",
        (bow,),
    )
    out = []
    for row in rows:
        try:
            out.append(datetime.fromisoformat(row["at"]).replace(tzinfo=None))
        except ValueError:
            continue
    return tuple(out)


def outline_twist(book: Book, bow: str, upper: Side, events: Sequence[Event]) -> Pair[NockTwist]:
    """Each limb's twist by the outlines of the bow's last pull, to the right with that limb up; unknown where it was warmed since."""
    rows = book.rows(
        "SELECT t.*, p.taken_at FROM twists t JOIN results r ON r.id = t.result_id JOIN pulls p ON p.id = r.pull_id WHERE r.id = (SELECT r.id FROM results r"
        " JOIN pulls p ON p.id = r.pull_id JOIN sessions s ON s.id = p.session_id JOIN bows b ON b.id = s.bow_id WHERE b.name = ?"
        " ORDER BY p.taken_at DESC, r.id DESC LIMIT 1)",
        (bow,),
    )
    out: Pair[NockTwist] = NO_TWIST
    # a belly that turns towards the rack's camera turns to the right where the left limb is up
    way = 1.0 if upper is Side.LEFT else -1.0
    for row in rows:
        if row["limb"] not in SIDES:
            continue
        warmed = [e for e in events if e.kind == "warmed" and e.limb in ("", row["limb"])]
        if any(e.at.isoformat(timespec="seconds") > row["taken_at"] for e in warmed):
            continue
        turn = 0.5 * (_number(row["rest_rad"]) + _number(row["drawn_rad"]))
        sd = max(_number(row["rest_sd_rad"]), _number(row["drawn_sd_rad"]))
        out = out.put(Side(row["limb"]), NockTwist(way * turn, sd, _number(row["from_mm"])))
    return out


def stayed(
    rows: Sequence[KeptAlignment], events: Sequence[Event], scraped: Sequence[datetime] = ()
) -> tuple[Stayed, ...]:
    """What bends by heat left, from each alignment to the next one between which a limb was noted as warmed; ``scraped``: when wood came off."""
    out = []
    for before, after in pairwise(rows):
        before = held(before, after.upper)
        for side in SIDES:
            asked = before.asked[side]
            warmed = [
                e
                for e in events
                if e.kind == "warmed"
                and e.limb in ("", str(side))
                and before.at < e.at <= after.at
                and asked is not None
                and (e.from_mm is None or e.to_mm is None or e.from_mm - NEAR_MM <= asked.at_mm <= e.to_mm + NEAR_MM)
            ]
            came = after.nocks_mm[side] - before.nocks_mm[side]
            if asked is None or not warmed or abs(asked.nock_mm) < LEAST_ASKED_MM or not np.isfinite(came):
                continue
            sd = float(np.hypot(before.nocks_sd_mm[side], after.nocks_sd_mm[side]))
            days = (after.at - warmed[-1].at).total_seconds() / 86400.0
            out.append(
                Stayed(
                    limb=side, asked_mm=asked.nock_mm, came_mm=came, came_sd_mm=sd, days=days, moisture_percent=before.moisture_percent,
                    scraped=any(before.at < moment <= after.at for moment in scraped),
                )
            )  # fmt: skip
    return tuple(out)


def kept_share(seen: Sequence[Stayed], moisture_percent: float = float("nan")) -> tuple[float, float]:
    """How much of a bend by heat stays, and its sd: common practice, and what this shop's own bows of the wood showed, those as moist most of all."""
    precision, mean = 1 / KEPT_SD**2, KEPT_SHARE / KEPT_SD**2
    for one in seen:
        if one.days < LEAST_DAYS or one.scraped:
            continue
        apart = (one.moisture_percent - moisture_percent) / ALIKE_MOISTURE
        like = float(np.exp(-0.5 * apart**2)) if np.isfinite(apart) else 1.0
        weight = like / ((one.came_sd_mm / one.asked_mm) ** 2 + 0.5 * KEPT_SD**2)
        precision += weight
        mean += weight * one.share
    return float(np.clip(mean / precision, 0.4, 1.2)), float(precision**-0.5)
