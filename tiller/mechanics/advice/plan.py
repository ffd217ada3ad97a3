"""Where to take wood off, how deep, and how much of it in this pass.

A bow of a given weight at a given draw carries a known moment at every station (weight times the moment per unit of force,
which hangs only a little on how stiff the bow is). For a level of even strain every station of the working limb then has one
thickness; where the limb is thicker the difference is to come off, where it is thinner (a weak spot) nothing is, and
the strain there stays above even. The level is the one at which the bow, so thinned, has that weight: too low a level
leaves it too heavy. Of all even tillers of that weight it is the one that takes least wood. Removal is from the belly: EI
falls as the crowned section's second moment.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import SIDES, Pair, Side
from tiller.mechanics.advice.evidence import Doubt, believed
from tiller.mechanics.advice.layers import depth_at, layers
from tiller.mechanics.advice.plan_notes import (
    EVEN_ENOUGH,
    WEAK_TOLERANCE,
    Standing,
    choice,
    of_standing,
    over_limit,
    thin,
    uneven_left,
)
from tiller.mechanics.advice.planned import Band, Doubtful, LeftAlone, Missing, Plan, Showed, Zone
from tiller.mechanics.advice.thinning import (
    NEAR_WEAK_MM,
    SEGMENTS,
    Aim,
    LimbWood,
    Shop,
    State,
    inside,
    near_features,
)
from tiller.mechanics.forward.belief import BowBelief, bow_from
from tiller.mechanics.forward.chain import WholeBow
from tiller.mechanics.forward.elastica import solve_draws
from tiller.mechanics.forward.solved import NoEquilibriumError, Solved, at_rows
from tiller.notes import Note, halt
from tiller.quantity import mm, newton

Array = NDArray[np.float64]
Limb = str

ZONE_MM = 60.0
"""Zones are about this long; none is shorter than a scraper works."""
SHORTEST_MM = 40.0
LEAST_DEPTH_MM = 0.03
"""A light stroke of a scraper (common practice, no source); less is not worth chalking."""
RESERVE = 0.3
"""Share of the excess weight that a pass leaves for the passes to come, since wood cannot be put back."""
LEAST_RESERVE = 0.008
"""Both: common practice, no source; tried on the virtual bowyer's bows."""
PASS_CAP = 0.07
"""No place is thinned by more than this share of its thickness in one pass (common practice, no source)."""
COMMON_CAP = 0.03
"""Nor does all of it lose more than this in one pass: a hand errs by a fifth, and what it errs by on one limb alone strains that limb by twice as
much more or less than the other (chosen by tests.bench.course)."""
WAIT = 0.65
"""Where the cap holds a stiff stretch back, the rest waits for it until this share of the excess weight is left."""
LAST_PASS, LAST_RESERVE = 0.04, 0.15
"""With this little excess weight left, a pass leaves only this share of it (common practice, no source)."""
EVENING = 0.8
"""Of what evening out asks for, a pass takes this share (tried in the course of tillering with the independent rig's errors, tests.bench.course)."""
LOW_QUANTILE = 0.2
DONE_WEIGHT, DONE_SD, AT_WEIGHT = 0.01, 0.025, 0.006
"""A bow this near to its weight has it (common practice, no source)."""
ENOUGH_DRAWN = 0.75
"""A pull to less than this share of the draw tells little of evenness: the map's sd goes as the inverse of the bend (common practice, no source)."""
DONE_SHARE = 0.9
"""A bow is judged when it was braced and drawn to so much of its draw (common practice, no source)."""
DONE_OVER, DONE_SURE, DONE_DOUBT = 0.05, 0.8, 0.04
"""No stretch may be strained by so much over what is wanted with this certainty, none be known worse than that (common practice, no source)."""
SURE_SD = NormalDist().inv_cdf(DONE_SURE)
HAND_SD = 0.15
"""Relative sd of the depth that a hand takes off (common practice, no source)."""


def make_plan(belief: BowBelief, wood: Pair[LimbWood], crown_mm: float | None, aim: Aim, showed: Showed) -> Plan:
    """Plans the next pass and what is left after it.

    ``belief``, ``wood``, ``crown_mm``: the bow as it is.

    Raises:
        NoEquilibriumError: the target draw, brace height or weight cannot be had.
    """
    weight_sd_n, weak, braced, drawn_mm = showed.weight_sd_n, showed.weak, showed.braced, showed.drawn_mm
    shop = Shop(belief, wood, crown_mm, aim)
    spared = _weak_places(belief, weak)
    none = Pair(np.zeros(len(belief.left.s_mm)), np.zeros(len(belief.right.s_mm)))
    string = shop.string(none)
    bow = bow_from(belief, segments=SEGMENTS)
    first = solve_draws(bow, string, np.linspace(aim.brace_mm + 60.0, aim.draw_mm, 4))
    shop, now, doubt, beyond = _acted_on(shop, shop.drawn(none, string, at_rows(first, -1)), string)
    now_band = _band(shop, now, doubt)
    standing = _standing(shop, now, doubt, weight_sd_n, braced, drawn_mm)
    notes = of_standing(standing, now, aim, now_band.expected)
    final, level, even_weight, hands_off = now, shop.level_of(now), now.weight_n, standing.hands_off
    if not hands_off:
        final, level, even_weight, over = _final(shop, string, now, aim, notes)
        notes += choice(over, even_weight)
        if over > 2 * WEAK_TOLERANCE:
            final, hands_off = now, True
    passed, left = now, _spared(shop, weak)
    zones: tuple[Zone, ...] = ()
    if not hands_off:
        # the string for the thinned bow is a little other than that for the bow as it is
        final, level = shop.for_weight(final.weight_n, shop.string(final.removal), final)
        passed = _this_pass(shop, string, now, final, _reserve(now, final, doubt, aim, weight_sd_n, drawn_mm))
        zones, more = _zones(shop, final, level, passed, spared)
        left = (*left, *more)
        zones, passed, final = _as_zones_come(shop, zones, spared, now, final)
    final_band = _band(shop, final, doubt)
    strained = [shop.limiting(k, final) * np.exp(np.maximum(beyond[k], 0.0)) for k in (0, 1)]
    largest, warned = _strained(shop, strained)
    notes = [
        *thin(shop, final),
        *notes,
        *warned,
        *uneven_left(now_band.expected, final_band.expected),
        *over_limit(aim, now, _rising(shop, bow, first, strained), largest, bool(zones), standing.under),
    ]
    return Plan(
        zones=zones,
        left_alone=left,
        now_n=now.weight_n,
        after_pass_n=passed.weight_n,
        final_n=final.weight_n,
        now=now_band,
        after_pass=_band(shop, passed, doubt),
        final=final_band,
        even_strain=level,
        largest_strain=largest,
        even_weight_n=even_weight,
        weight_sd_n=weight_sd_n,
        after_pass_sd_n=float(np.hypot(weight_sd_n, HAND_SD * (now.weight_n - passed.weight_n))),
        doubtful=_doubtful(shop, doubt),
        missing=standing.missing,
        notes=tuple(notes),
    )


def _standing(shop: Shop, now: State, doubt: Doubt, weight_sd_n: float, braced: bool, drawn_mm: float) -> Standing:
    aim = shop.aim
    missing = _stretches_missing(shop, now, doubt)
    near = abs(now.weight_n / aim.weight_n - 1) < max(DONE_WEIGHT, min(0.7 * weight_sd_n / aim.weight_n, DONE_SD))
    if not near:
        missing.append(Missing("weight", now.weight_n / aim.weight_n - 1.0))
    shaped = not missing
    far_enough = drawn_mm >= DONE_SHARE * aim.draw_mm
    if not braced:
        missing.append(Missing("braced", aim.draw_mm if far_enough else DONE_SHARE * aim.draw_mm))
    elif not far_enough:
        missing.append(Missing("draw", DONE_SHARE * aim.draw_mm))
    under = now.weight_n < (1 + AT_WEIGHT) * aim.weight_n
    return Standing(missing=tuple(missing), near=near, under=under, shaped=shaped)


def _reserve(now: State, final: State, doubt: Doubt, aim: Aim, weight_sd_n: float, drawn_mm: float) -> float:
    """Weight (N) over the final one that this pass leaves."""
    excess = now.weight_n - final.weight_n
    reserve = max(RESERVE * excess, min(max(LEAST_RESERVE * final.weight_n, weight_sd_n), excess))
    if excess < LAST_PASS * final.weight_n:
        reserve = LAST_RESERVE * excess
    if drawn_mm < ENOUGH_DRAWN * aim.draw_mm:  # evening out what cannot be seen yet will cost weight
        reserve = max(reserve, min(_rms(doubt) * final.weight_n, excess))
    return max(reserve, now.weight_n * (1.0 - COMMON_CAP) ** 3 - final.weight_n)


def _as_zones_come(
    shop: Shop, zones: tuple[Zone, ...], spared: Pair[NDArray[np.bool_]], now: State, final: State
) -> tuple[tuple[Zone, ...], State, State]:
    """Zones, the bow after this pass, and in the end: what is promised is what the zones come to, not what the smooth curve would.

    A weak stretch is not chalked now; in the end, when it is weak no longer, it takes its own part: where it is too short for a zone, as well.
    """
    later = tuple(
        np.where(mask & ~inside(limb.s_mm, [(z.from_mm, z.to_mm) for z in zones if z.limb == side]), r, 0.0)
        for side, limb, mask, r in zip(SIDES, shop.limbs, spared, final.removal, strict=True)
    )
    aimed = final.weight_n
    final = _carried_out(shop, zones, [z.depth_mm for z in zones], now, Pair(later[0], later[1]))
    if final.weight_n < aimed:
        # zones that get the weight's own part only make up for others: never under the target
        less = (now.weight_n - aimed) / (now.weight_n - final.weight_n)
        zones = tuple(replace(z, depth_mm=less * z.depth_mm, pass_mm=less * z.pass_mm) for z in zones)
        zones = tuple(z for z in zones if z.depth_mm >= LEAST_DEPTH_MM)
        later = tuple(less * r for r in later)
        final = _carried_out(shop, zones, [z.depth_mm for z in zones], now, Pair(later[0], later[1]))
    zones = _layered(zones)
    return zones, _carried_out(shop, zones, [z.pass_mm for z in zones], now), final


def _strained(shop: Shop, strained: list[Array]) -> tuple[float, list[Note]]:
    """The largest strain at the target in the end, and what is reported of places that bear less.

    What a map shows over even may be true, however little it is acted on: against the wood's limit it counts whole.

    Args:
        strained: (n,) by limb, at the target in the end.
    """
    largest = float(max(np.max(strained[k][shop.working[k]]) for k in (0, 1)))
    notes = []
    for k, side in enumerate(SIDES):
        share = shop.wood[k].strain_share
        weaker = shop.working[k] & (share < 1.0) & (strained[k] > share * shop.aim.working_strain)
        if np.any(weaker):
            at = int(np.argmax(np.where(weaker, strained[k] / share, 0.0)))
            notes.append(
                halt(
                    "plan.weak-place-overstrained",
                    f"at {mm(shop.limbs[k].s_mm[at])} on the {side} limb, a place that bow.toml trusts with {100 * share[at]:.0f} % of the working"
                    f" strain, the strain at the target would reach {100 * strained[k][at]:.2f} %: a shorter draw or less weight would keep it under.",
                )
            )
    return largest, notes


def _rising(shop: Shop, bow: WholeBow, curve: Solved, strained: list[Array]) -> tuple[Array, Array]:
    """Draws (m,), and the largest strain at each over that at the last: every place is strained as it is bent."""
    most = np.zeros(len(curve.draw_mm))
    for k, chain in enumerate((bow.left, bow.right)):
        work = shop.working[k]
        bent = np.array(
            [np.interp(shop.limbs[k].s_mm[work], chain.s_mm, row) for row in np.asarray(curve.bend_per_mm)[:, k]]
        )
        most = np.maximum(most, np.max(bent / np.maximum(bent[-1], 1e-9) * strained[k][work], axis=1))
    return curve.draw_mm, most / most[-1]


def _acted_on(shop: Shop, seen: State, string_mm: float) -> tuple[Shop, State, Doubt, Pair[Array]]:
    """The bow as it is acted on: its departures from even as far as they are believed, its weight as measured; its state at the target;
    how far its true strain may be from that; and the log of the measured strain over the one acted on, (n,) by limb."""
    none = seen.removal.each(np.zeros_like)
    level = shop.level_of(seen)
    logs = seen.over_wanted.each(np.log)
    *beliefs, doubt = believed(
        Pair(shop.limbs[0].s_mm, shop.limbs[1].s_mm),
        logs,
        Pair(shop.limbs[0].cov, shop.limbs[1].cov),
        Pair(shop.working[0], shop.working[1]),
    )
    limbs, beyond = [], []
    for k in (0, 1):
        off = np.where(shop.working[k], logs[k] - np.log(level) - beliefs[k].departure, 0.0)
        beyond.append(off)
        limbs.append(replace(shop.limbs[k], log_ei=shop.limbs[k].log_ei + off))
    state = seen
    for _ in range(2):  # evening out a map must not change the bow's weight
        belief = replace(shop.belief, left=limbs[0], right=limbs[1])
        shop = Shop(belief, shop.wood, shop.crown, shop.aim)
        state = shop.drawn(none, string_mm, state.solved)
        gap = float(np.log(seen.weight_n / state.weight_n))
        limbs = [replace(limb, log_ei=limb.log_ei + gap) for limb in limbs]
    return shop, state, doubt, Pair(beyond[0], beyond[1])


def _departures(shop: Shop, state: State) -> Array:
    """Log of the strain over what is wanted, (n,) both working limbs one after the other."""
    logs = np.concatenate([np.log(state.over_wanted[k][shop.working[k]]) for k in (0, 1)])
    return np.asarray(logs - np.median(logs), dtype=float)


def _band(shop: Shop, state: State, doubt: Doubt) -> Band:
    """How uneven the true bow is expected to be: what is believed of it, and what is not known."""
    return Band(*doubt.unevenness(_departures(shop, state)))


def _rms(doubt: Doubt) -> float:
    """How far the true departures are from those that are believed."""
    return float(np.sqrt(np.mean(np.diag(doubt.cov) + np.diag(doubt.rest_cov))))


def _doubtful(shop: Shop, doubt: Doubt) -> Doubtful:
    places = [
        (side, float(s))
        for side, limb, work in zip(SIDES, shop.limbs, shop.working, strict=True)
        for s in limb.s_mm[work]
    ]
    sd = doubt.stretch_sd()
    at = int(np.argmax(sd))
    return Doubtful(*places[at], float(sd[at]))


def _stretches_missing(shop: Shop, now: State, doubt: Doubt) -> list[Missing]:
    """Of each limb the stretch that is most surely strained too much, and the one that is known worst, where they stand in the way of being done."""
    over = doubt.stretches @ _departures(shop, now)
    sd = doubt.stretch_sd()
    sure = over - DONE_OVER - SURE_SD * sd
    out = []
    start = 0
    for k, side in enumerate(SIDES):
        s = shop.limbs[k].s_mm[shop.working[k]]
        mine = slice(start, start + len(s))
        start += len(s)
        for what, size, by, most in (
            ("strained", over[mine], sure[mine], 0.0),
            ("doubt", sd[mine], sd[mine], DONE_DOUBT),
        ):
            at = int(np.argmax(by))
            if by[at] > most:
                low, high = max(s[0], s[at] - 0.5 * ZONE_MM), min(s[-1], s[at] + 0.5 * ZONE_MM)
                out.append(
                    Missing(
                        "strained" if what == "strained" else "doubt", float(size[at]), side, float(low), float(high)
                    )
                )
    return out


def _layered(zones: tuple[Zone, ...]) -> tuple[Zone, ...]:
    """The zones with what the layers of this pass come to: less than a stroke is left standing."""
    laid = layers([(z.limb, z.from_mm, z.to_mm, z.pass_mm) for z in zones])
    return tuple(replace(z, pass_mm=depth_at(laid, z.limb, 0.5 * (z.from_mm + z.to_mm))) for z in zones)


def _weak_places(belief: BowBelief, weak: tuple[tuple[Limb, float, float], ...]) -> Pair[NDArray[np.bool_]]:
    """Stations of weak stretches, and a little to either side: not chalked as long as they are weak."""
    out = []
    for side, limb in zip(SIDES, (belief.left, belief.right), strict=True):
        out.append(inside(limb.s_mm, [(a - NEAR_WEAK_MM, b + NEAR_WEAK_MM) for name, a, b in weak if name == side]))
    return Pair(out[0], out[1])


def _carried_out(
    shop: Shop, zones: tuple[Zone, ...], depths: list[float], now: State, besides: Pair[Array] | None = None
) -> State:
    """The bow after these depths came off these zones, and ``besides`` elsewhere, with the string that braces it then."""
    removal = [np.zeros_like(r) for r in now.removal] if besides is None else [besides[0], besides[1]]
    for zone, depth in zip(zones, depths, strict=True):
        k = Side(zone.limb).index
        s = shop.limbs[k].s_mm
        removal[k] = np.where((s >= zone.from_mm) & (s < zone.to_mm), depth, removal[k])
    both = Pair(removal[0], removal[1])
    return shop.drawn(both, shop.string(both), now.solved)


def _this_pass(shop: Shop, string: float, now: State, final: State, reserve: float) -> State:
    """The bow after this pass: evener first, lighter as far as reserve and cap allow."""

    def capped(weight_n: float) -> tuple[State, bool]:
        state, _ = shop.for_weight(weight_n, string, now)
        caps = [PASS_CAP * w.thickness_mm for w in shop.wood]
        over = any(bool(np.any(r > cap)) for r, cap in zip(state.removal, caps, strict=True))
        # evening out goes on over several passes, each by a map that errs anew; the weight's own part comes off everywhere
        common = 1.0 - (weight_n / now.weight_n) ** (1 / 3)
        eased = [
            EVENING * r + (1.0 - EVENING) * np.where(r > 0, common * w.thickness_mm, 0.0)
            for r, w in zip(state.removal, shop.wood, strict=True)
        ]
        cut = [np.minimum(np.minimum(r, cap), f) for r, cap, f in zip(eased, caps, final.removal, strict=True)]
        return shop.drawn(Pair(cut[0], cut[1]), string, state.solved), over

    light = final.weight_n + reserve
    state, over = capped(light)
    heavy = final.weight_n + WAIT * (now.weight_n - final.weight_n)
    if not over or light >= heavy:
        return state
    # where the cap holds back the stiff stretches, the others wait for them, but not for ever
    best: State | None = None
    for _ in range(3):
        middle = 0.5 * (light + heavy)
        state, over = capped(middle)
        light, heavy = (middle, heavy) if over else (light, middle)
        best = best if over else state
    return best or capped(heavy)[0]


def _final(shop: Shop, string: float, now: State, aim: Aim, notes: list[Note]) -> tuple[State, float, float, float]:
    """The bow at the end, its level of strain, the weight that an even tiller would end at, and by how much a weak spot is over."""
    final, level = shop.for_weight(aim.weight_n, string, now)
    over, where = _most(shop, final, level)
    if over <= WEAK_TOLERANCE:
        return final, level, final.weight_n, over
    even, _ = _all_even(shop, string, final, aim.weight_n)
    loss = 100 * (1 - even.weight_n / aim.weight_n)
    notes.append(
        halt(
            "plan.weak-spot",
            f"a weak spot stands in the way, {where}: with the weight kept it is strained {100 * over:.0f} % more than is wanted; made as wanted, the bow"
            f" would end at {newton(even.weight_n)}, {loss:.0f} % under its weight.",
        )
    )
    return final, level, even.weight_n, over


def _smooth(shop: Shop, k: int, values: Array) -> Array:
    s = shop.limbs[k].s_mm
    near = (np.abs(s[:, None] - s[None, :]) <= 30.0).astype(float) * shop.working[k][None, :]
    return np.asarray(near @ values / np.maximum(near.sum(axis=1), 1e-9), dtype=float)


def _most(shop: Shop, state: State, level: float) -> tuple[float, str]:
    """By how much the most strained 60 mm stretch is strained over the level, and where it is."""
    worst, where = 0.0, "nowhere"
    for k, side in enumerate(SIDES):
        smooth = np.where(shop.working[k], _smooth(shop, k, state.over_wanted[k]), 0.0)
        at = int(np.argmax(smooth))
        if smooth[at] / level - 1.0 > worst:
            worst = float(smooth[at]) / level - 1.0
            where = f"about {mm(shop.limbs[k].s_mm[at])} from the pivot on the {side} limb"
    return worst, where


def _over(shop: Shop, state: State, level: float) -> float:
    return _most(shop, state, level)[0]


def _all_even(shop: Shop, string: float, state: State, weight_n: float) -> tuple[State, float]:
    """The heaviest bow, up to ``weight_n``, whose weak spots are no more than a little over even; its level of strain."""
    low, high, level = 0.5 * weight_n, weight_n, 0.0
    for _ in range(7):
        mid = 0.5 * (low + high)
        state, level = shop.for_weight(mid, string, state)
        low, high = (low, mid) if _over(shop, state, level) > EVEN_ENOUGH else (mid, high)
    return shop.for_weight(low, string, state)


def _runs(wanted: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of each unbroken run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wanted, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _spared(shop: Shop, weak: tuple[tuple[Limb, float, float], ...]) -> tuple[LeftAlone, ...]:
    """Weak stretches, and what was not seen well enough."""
    left: list[LeftAlone] = []
    for k, side in enumerate(SIDES):
        limb, wood = shop.limbs[k], shop.wood[k]
        step = float(limb.s_mm[1] - limb.s_mm[0])
        unseen = shop.working[k] & wood.leave
        for kind, a, b in wood.features:
            if shop.working[k].any() and b > wood.from_mm and a < wood.to_mm:
                left.append(LeftAlone(side, a, b, f"{kind}, by bow.toml"))
        unseen &= ~near_features(limb.s_mm, wood)
        for name, a, b in weak:
            if name == side:
                left.append(
                    LeftAlone(
                        side,
                        a,
                        b,
                        "weak: strained more than is wanted already; its own part of the weight comes off later",
                    )
                )
                unseen &= ~((limb.s_mm >= a - NEAR_WEAK_MM) & (limb.s_mm <= b + NEAR_WEAK_MM))
        for first, last in _runs(unseen):
            a, b = float(limb.s_mm[first]) - 0.5 * step, float(limb.s_mm[last]) + 0.5 * step
            if b - a >= SHORTEST_MM:
                left.append(LeftAlone(side, a, b, "not seen well enough to say"))
    return tuple(left)


def _zones(
    shop: Shop,
    final: State,
    level: float,
    passed: State,
    spared: Pair[NDArray[np.bool_]],
) -> tuple[tuple[Zone, ...], tuple[LeftAlone, ...]]:
    """Zones to chalk, those of weak stretches later, and stretches that are strained more than is wanted already."""
    zones: list[Zone] = []
    left: list[LeftAlone] = []
    for k, side in enumerate(SIDES):
        limb, wood = shop.limbs[k], shop.wood[k]
        step = float(limb.s_mm[1] - limb.s_mm[0])
        free = shop.working[k] & ~shop.leave[k]
        runs = [(run, False) for run in _runs(free & ~spared[k])] + [(run, True) for run in _runs(free & spared[k])]
        for (first, last), later in sorted(runs):
            start, end = float(limb.s_mm[first]) - 0.5 * step, float(limb.s_mm[last]) + 0.5 * step
            if end - start < SHORTEST_MM:
                continue
            for a, b in pairwise(np.linspace(start, end, max(1, round((end - start) / ZONE_MM)) + 1)):
                within = (limb.s_mm >= a) & (limb.s_mm < b)
                share = within / np.count_nonzero(within)
                thick = float(share @ wood.thickness_mm)
                depth, now = float(share @ final.removal[k]), float(share @ passed.removal[k])
                # hardly a place of the zone may lose more in this pass than it is to lose in the end
                now = 0.0 if later else min(now, float(np.quantile(final.removal[k][within], LOW_QUANTILE)))
                sd = 0.5 * thick * float(np.sqrt(share @ limb.cov @ share + shop.belief.level_sd**2))
                if depth < LEAST_DEPTH_MM:
                    if not later and float(share @ shop.even_removal(k, final.moment[k], level)) < -LEAST_DEPTH_MM:
                        reason = "strained more than is wanted, though not enough to be called weak"
                        left.append(LeftAlone(side, float(a), float(b), reason))
                    continue
                zones.append(
                    Zone(
                        limb=side,
                        from_mm=float(a),
                        to_mm=float(b),
                        depth_mm=depth,
                        depth_sd_mm=sd,
                        pass_mm=now if now >= LEAST_DEPTH_MM else 0.0,
                    )
                )
    return tuple(zones), tuple(left)


__all__ = ["Aim", "LeftAlone", "LimbWood", "NoEquilibriumError", "Plan", "Zone", "make_plan"]
