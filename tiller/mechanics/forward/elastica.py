"""The whole bow as an elastica in the plane: shape, tensions and force at many draws at once.

Each limb is a chain of straight segments with bending at its nodes (second order in the segment's length),
integrated from the nock inward: there the moment is known to vanish, and the bending at every further node follows
from what lies outboard, without iteration. Unknown per draw are both nock segments' angles, the string's pull on both
nocks, the hook's place across the rope and the handle's rock: eight numbers for eight conditions (each limb
arrives at the handle with the handle's angle; each pull is along its half of the string; each half has its length; no
force across the rope; the cradle's torque). Newton on all draws together. From a neighbour's solution ``relax`` is quicker.

Where a tip is bent back, the string lies along it without friction: seen as one piece, string and limb beyond the point where the string leaves them
carry no moment there, so the limb is as if it were nocked at that point, unbent beyond, and the string as much shorter. That point is where the line
from the hook is tangent to the limb; it is found anew until it stays.

Limb coordinates as in ``statics``: x outward from the pivot, y up; drawing bends the tip down; lengths mm, forces N.
The string is held by the hook, at its middle unless the bow says otherwise, and hangs free across the rope; it may stretch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.mechanics.fit.contact import leaves_at
from tiller.mechanics.forward.chain import WholeBow, coarser, rest_nocks, taut_length_mm
from tiller.mechanics.forward.relax import Limbs, Relaxed, relax
from tiller.mechanics.forward.solved import NoEquilibriumError, Solved
from tiller.quantity import mm

Array = NDArray[np.float64]

TOLERANCE = 1e-8
"""Largest residual of a solution, in rad, 100 N, 100 mm and 100 N m."""
RELAXED = 1e-7
"""The same for a solution from a neighbour: 0.01 mN, 10 nm."""
NEAR = 1e-3
SETTLED, CONTACT_ROUNDS = 0.01, 40
"""The point where the string leaves the limb is known to this, in segments, after so many rounds at most."""


@dataclass(frozen=True)
class _Inward:
    """Both limbs integrated inward: cosine and sine of every segment's angle (n, ..., 2), outermost last; moments at the nodes
    (n, ..., 2) over the segment's length, the limb's own weight at rest not taken off; the angle at the root (..., 2); the share of each segment inboard
    of where the string leaves the limb."""

    cosine: Array
    sine: Array
    moments: Array
    root_angle: Array
    share: Array | None = None

    def reached(self, step_mm: Array) -> tuple[Array, Array, Array]:
        """From root to where the string leaves the limb along x and y, and the angle at the root."""
        if self.share is not None:
            return (
                step_mm * (self.share * self.cosine).sum(axis=0),
                step_mm * (self.share * self.sine).sum(axis=0),
                self.root_angle,
            )
        return step_mm * self.cosine.sum(axis=0), step_mm * self.sine.sum(axis=0), self.root_angle


class _Tables:
    """Both limbs' numbers node by node, broadcast against lanes (variants, m, 2)."""

    def __init__(self, bow: WholeBow) -> None:
        both = (bow.left, bow.right)
        self.bow = bow
        self.n = len(bow.left.rest_angle)
        self.h = np.array([c.step_mm for c in both])
        ei = [np.atleast_2d(c.ei_nmm2) for c in both]
        rows = max(len(e) for e in ei)
        stacked = np.stack([np.broadcast_to(e, (rows, self.n + 1)) for e in ei], axis=-1)
        weight = np.ones(self.n + 1)
        weight[0] = 0.5
        # turn per moment at each node, (n + 1, rows, 2)
        self.soft = np.ascontiguousarray((self.h * weight[None, :, None] / stacked).transpose(1, 0, 2))
        self.weight = weight
        self.jump = np.stack([np.diff(c.rest_angle, prepend=c.root_angle) for c in both], axis=-1)
        self.load = np.stack([c.load_n_mm * c.step_mm for c in both], axis=-1)
        self.outboard = np.cumsum(self.load[::-1], axis=0)[::-1] - 0.5 * self.load
        self.root = np.array([c.root_mm for c in both])
        self.root_angle = np.array([c.root_angle for c in both])
        # moment of the limb's own weight at rest, about each node
        gone = np.stack([np.cos(c.rest_angle) for c in both], axis=-1) * self.h * self.outboard
        self.own = np.concatenate([np.cumsum(gone[::-1], axis=0)[::-1], np.zeros((1, 2))])
        self.softer = self.soft * self.h
        self.bias = self.jump[:, None, :] + self.soft[:-1] * self.own[:-1, None, :]
        self.leaves: Array | None = None
        self.share: Array | None = None
        self.lies: Array | float = 0.0

    def leave(self, leaves: Array | None) -> None:
        """The string leaves the limbs there, (m, 2) in segments from the root; None = at the nocks."""
        self.leaves, self.share, self.lies = leaves, None, 0.0
        if leaves is not None:
            self.share = np.clip(leaves - np.arange(self.n)[:, None, None], 0.0, 1.0)
            self.lies = self.h * (self.n - leaves)

    def limbs(self) -> Limbs:
        """The same numbers for ``relax``."""
        stiff = np.ascontiguousarray(1.0 / self.soft[:-1].transpose(1, 2, 0))
        offset = stiff * self.jump.T + self.own[:-1].T
        share = None if self.share is None else np.ascontiguousarray(self.share.transpose(1, 2, 0))
        return Limbs(
            stiff_nmm=stiff,
            offset_nmm=offset,
            outboard_n=np.ascontiguousarray(self.outboard.T),
            step_mm=self.h,
            root_angle=self.root_angle,
            share=share,
        )

    def inward(self, angle: Array, pull_x: Array, pull_y: Array) -> _Inward:
        """Every segment's angle and every node's moment, from the nock to the root, for lanes (..., 2).

        Every operation writes into memory that is there already, and cosine and sine come of one call: with a few
        dozen lanes the calls are what costs.
        """
        shape = np.broadcast_shapes(angle.shape, pull_x.shape, pull_y.shape)
        theta = np.empty((2, *shape))
        np.add(angle, 0.5 * np.pi, out=theta[0])
        theta[1] = angle
        load = np.empty((self.n, 2, *shape))
        outboard = self.outboard.reshape(self.n, *(1,) * (len(shape) - 1), 2)
        share = self.share
        if share is None:
            np.subtract(outboard, pull_y, out=load[:, 0])
            load[:, 1] = pull_x
        else:
            share = share.reshape(self.n, *(1,) * (len(shape) - 2), *share.shape[1:])
            np.subtract(outboard, share * pull_y, out=load[:, 0])
            np.multiply(share, pull_x, out=load[:, 1])
        way, moments = np.empty_like(load), np.empty((self.n, *shape))
        moment, turn, lever = np.zeros(shape), np.empty(shape), np.empty((2, *shape))
        up, along = lever
        inward = (way[::-1], load[::-1], moments[::-1], self.softer[-2::-1], self.bias[::-1])
        for step, force, kept, soft, bias in zip(*inward, strict=True):
            np.sin(theta, out=step)
            np.multiply(step, force, out=lever)
            np.add(moment, up, out=turn)
            moment = np.add(turn, along, out=kept)
            np.multiply(soft, moment, out=turn)
            np.subtract(turn, bias, out=turn)
            np.add(theta, turn, out=theta)
        return _Inward(way[:, 0], way[:, 1], moments, theta[1], share)


_SIGN = np.array([-1.0, 1.0])
_STEPS = np.array([1e-6, 1e-4, 1e-4, 1e-6, 1e-4, 1e-4, 1e-4, 1e-7])
_SHIFT = np.array([[0.0, 1e-6, 0, 0], [0, 0, 1e-4, 0], [0, 0, 0, 1e-4]])[:, :, None, None]
_VARIED = np.vstack([np.zeros(8), np.diag(_STEPS)])[:, None, :]
_LEFT_OF, _RIGHT_OF = [0, 1, 2, 3, 0, 0, 0, 0, 0], [0, 0, 0, 0, 1, 2, 3, 0, 0]
_MOST = np.array([0.25, 80.0, 80.0, 0.25, 80.0, 80.0, 15.0, 0.05])


def _residual(
    tables: _Tables, u: Array, reached: tuple[Array, Array, Array], draw: Array, string: Array | None
) -> Array:
    """Conditions (..., m, 8) for unknowns (..., m, 8) whose limbs reached (x, y, root angle), (..., m, 2)."""
    x, y, theta = reached
    rest = _balance(tables, u, x, y, draw, string)
    return np.concatenate([theta - tables.root_angle - _SIGN * u[..., 7:8], rest], axis=-1)


def _balance(tables: _Tables, u: Array, x: Array, y: Array, draw: Array, string: Array | None) -> Array:
    """The six conditions (..., m, 6) beside the limbs' angles at the handle.

    Without a string's length: both halves are alike and the string pulls straight across, as when braced.
    """
    pull_x, pull_y = u[..., [1, 4]], u[..., [2, 5]]
    rock = _SIGN * u[..., 7:8]
    c, s = np.cos(rock), np.sin(rock)
    root = tables.root
    nock_x = c * root[:, 0] - s * root[:, 1] + x
    nock_y = s * root[:, 0] + c * root[:, 1] + y
    way_x, way_y = _SIGN * u[..., 6:7] - nock_x, -draw[:, None] - nock_y
    far = np.sqrt(way_x**2 + way_y**2)
    e_x, e_y = way_x / far, way_y / far
    tension = pull_x * e_x + pull_y * e_y
    across = pull_x * e_y - pull_y * e_x
    if string is None:
        whole = far + tables.lies
        lengths = np.stack([whole[..., 0] - whole[..., 1], np.sum(pull_y, axis=-1)], axis=-1)
    else:
        half = 0.5 * string[:, None]
        if tables.bow.hook_off_mm:
            half = half - _SIGN * tables.bow.hook_off_mm
        lengths = far - half * (1 + tension / tables.bow.string_ea_n)
        if tables.share is not None:
            lengths = lengths + tables.lies
    torque = np.sum(_SIGN * (nock_x * pull_y - nock_y * pull_x), axis=-1)
    if tables.bow.pivot_mm:
        torque = torque - tables.bow.pivot_mm * np.sum(pull_y, axis=-1)
    if np.isinf(tables.bow.cradle_nmm):
        cradle = u[..., 7]
    else:
        cradle = (torque - tables.bow.cradle_nmm * u[..., 7]) * 1e-5
    sideways = np.sum(_SIGN * pull_x, axis=-1) * 0.01
    return np.concatenate([across * 0.01, lengths * 0.01, sideways[..., None], cradle[..., None]], axis=-1)


def _conditions(
    tables: _Tables, u: Array, draw: Array, string: Array | None, slopes: bool
) -> tuple[Array, Array | None, _Inward]:
    """Residual (m, 8) and, if wanted, its Jacobian (m, 8, 8) by differences; and what they come of."""
    limb = u[:, :6].reshape(-1, 2, 3)
    if not slopes:
        found = tables.inward(limb[..., 0], limb[..., 1], limb[..., 2])
        return _residual(tables, u, found.reached(tables.h), draw, string), None, found
    many = tables.inward(*(limb[None, ..., j] + _SHIFT[j] for j in range(3)))
    # nine variants: none, three of the left limb, three of the right, hook, rock
    nine = [np.stack([v[_LEFT_OF, :, 0], v[_RIGHT_OF, :, 1]], axis=-1) for v in many.reached(tables.h)]
    varied = u + _VARIED
    r = _residual(tables, varied, (nine[0], nine[1], nine[2]), draw, string)
    share = None if many.share is None else many.share[:, 0]
    found = _Inward(many.cosine[:, 0], many.sine[:, 0], many.moments[:, 0], many.root_angle[0], share)
    return r[0], ((r[1:] - r[0]) / _STEPS[:, None, None]).transpose(1, 2, 0), found


def _newton(
    tables: _Tables,
    start: Array,
    draw: Array,
    string: Array | None,
    rounds: int = 30,
    tolerance: float = TOLERANCE,
) -> tuple[Array, NDArray[np.bool_], _Inward]:
    """Unknowns (m, 8), which of them converged, and the limbs at these. Near the solution the slopes are not worked out anew."""
    u = start.copy()
    slopes = np.empty((0, 8, 8))
    last = np.inf
    for turn in range(rounds):
        near = last < NEAR
        residual, new, limbs = _conditions(tables, u, draw, string, not near)
        slopes = slopes if new is None else new
        size = np.max(np.abs(residual), axis=-1)
        done = size < tolerance
        if np.all(done) or turn + 1 == rounds or not np.all(np.isfinite(size[~done])):
            break
        largest = float(np.max(size))
        if near and largest > 0.3 * last:  # the old slopes do not do any more
            last = np.inf
            continue
        last = largest
        try:
            delta = -np.linalg.solve(slopes, residual[..., None])[..., 0]
        except np.linalg.LinAlgError:
            break
        limit = np.maximum(1.0, np.max(np.abs(delta) / _MOST, axis=-1, keepdims=True))
        u = np.where(done[:, None], u, u + delta / limit)
    return u, done, limbs


def _first(tables: _Tables, draw: float, string: float) -> Array:
    """Unknowns (1, 8) at one draw: from a string that is just taut, shortened little by little."""
    bow = tables.bow
    taut = taut_length_mm(bow, draw)
    nocks = rest_nocks(bow)
    u = np.zeros((1, 8))
    for k, chain in enumerate((bow.left, bow.right)):
        way = np.array([0.0, -draw]) - nocks[k]
        u[0, 3 * k] = chain.rest_angle[-1]
        u[0, 3 * k + 1 : 3 * k + 3] = 3.0 * way / np.linalg.norm(way)
    at = np.array([draw])
    length = taut
    step = 0.002 * taut
    before: tuple[Array, float] | None = None
    for _ in range(300):
        aim = max(string, length - step)
        guess = u
        if before is not None and length < before[1]:
            guess = u + (u - before[0]) * (length - aim) / (before[1] - length)
        found, good, _ = _newton(tables, guess, at, np.array([aim]), 12, NEAR)
        if good[0]:
            before, u, length = (u, length) if length < taut else None, found, aim
            if length <= string:
                return u
            step *= 1.8
        else:
            step *= 0.4
            if step < 1e-6 * taut:
                break
    msg = f"no equilibrium at a draw of {mm(draw, 1)} with a string of {mm(string)}"
    raise NoEquilibriumError(msg)


_COARSE = 16
_ROUTE = 8


def solve_draws(bow: WholeBow, string_mm: float, draws_mm: Array, start: Solved | None = None) -> Solved:
    """The bow at many draws, in any order.

    Args:
        bow: with one EI per limb (or a batch as long as the draws, with ``start``).
        string_mm: length of the unstretched string between the nocks.
        draws_mm: (m,) at all of which the string must be taut.
        start: the solution of a neighbouring bow or string at the same draws; without it the way there is made on
            a coarser chain.

    Raises:
        NoEquilibriumError: names the draw that could not be solved, or at which the string is slack.
    """
    draws = np.asarray(draws_mm, dtype=float)
    string = np.full(len(draws), float(string_mm))
    tables = _Tables(bow)
    solved = _clear(bow, tables, draws, string, start)
    return solved if _is_clear(solved) else _lying(tables, solved, draws, string)


def _is_clear(solved: Solved) -> bool:
    """Whether the limbs' last points turn the same way as the others, seen from the hook: then the string touches nothing (cheap, for every solution)."""
    end = solved.points_mm[:, :, -3:]
    x, y = end[..., 0] - _SIGN[:, None] * solved.hook_x_mm[:, None, None], end[..., 1] + solved.draw_mm[:, None, None]
    turn = x[..., :-1] * y[..., 1:] - y[..., :-1] * x[..., 1:]
    return bool(np.all(1.5 * turn[..., 1] - 0.5 * turn[..., 0] <= 0.0))


def _clear(bow: WholeBow, tables: _Tables, draws: Array, string: Array, start: Solved | None) -> Solved:
    """The bow as if the string were clear of the limbs wherever it runs."""
    string_mm = float(string[0])
    nearest = float(np.min(draws))
    if start is None and string_mm >= taut_length_mm(bow, nearest):
        msg = f"the string is slack at a draw of {mm(nearest)}: it goes taut only further out."
        raise NoEquilibriumError(msg)
    if start is not None and start.angle.shape == (len(draws), 2, tables.n):
        quick = _relaxed(tables, start, draws, string)
        if quick is not None:
            return _solved(tables, quick.unknowns, _seen_inward(tables, quick), draws, string, quick.angle)
    guess = start.unknowns if start is not None else _route(bow, float(string_mm), draws)
    u, good, limbs = _newton(tables, guess, draws, string)
    if not np.all(good) and start is None:
        raise _no_way(draws[~good])
    if not np.all(good):  # too far from where it started: go there from the beginning, where that is possible
        if np.ndim(bow.left.ei_nmm2) > 1 or np.ndim(bow.right.ei_nmm2) > 1:
            raise _no_way(draws[~good])
        return _clear(bow, tables, draws, string, None)
    return _solved(tables, u, limbs, draws, string)


def _relaxed(tables: _Tables, start: Solved, draws: Array, string: Array | None) -> Relaxed | None:
    """The bow from a neighbour's shape; None where that is too far."""
    quick = relax(
        tables.limbs(),
        start.unknowns,
        start.angle,
        lambda u, x, y: _balance(tables, u, x, y, draws, string),
        RELAXED,
    )
    return quick if quick.converged else None


def _tangent(solved: Solved) -> Array:
    hook = np.stack(
        [_SIGN * solved.hook_x_mm[:, None], np.broadcast_to(-solved.draw_mm[:, None], (len(solved.draw_mm), 2))],
        axis=-1,
    )
    return leaves_at(solved.points_mm, hook)


def _lying(tables: _Tables, solved: Solved, draws: Array, string: Array | None) -> Solved:
    """The bow with the string lying along its limbs where it would run through them, from the solution without that.

    Raises:
        NoEquilibriumError: the point where the string leaves a limb does not settle.
    """
    leaves = solved.leaves
    step = 1.0
    last = np.inf
    for _ in range(CONTACT_ROUNDS):
        wanted = _tangent(solved)
        change = wanted - leaves
        largest = float(np.max(np.abs(change)))
        if largest < SETTLED:
            tables.leave(None)
            return solved
        step = 0.5 * step if largest > 0.9 * last else step
        last = largest
        leaves = leaves + max(step, 0.1) * change
        tables.leave(leaves)
        strings = np.full(len(draws), np.nan) if string is None else string
        quick = _relaxed(tables, solved, draws, string)
        if quick is not None:
            solved = _solved(tables, quick.unknowns, _seen_inward(tables, quick), draws, strings, quick.angle)
            continue
        u, good, limbs = _newton(tables, solved.unknowns, draws, string)
        if not np.all(good):
            break
        solved = _solved(tables, u, limbs, draws, strings)
    tables.leave(None)
    msg = f"where the string lies along the limbs at a draw of {mm(draws[0])} cannot be found"
    raise NoEquilibriumError(msg)


def brace(bow: WholeBow, brace_mm: float) -> tuple[float, Solved]:
    """String length (mm, unstretched) that braces the bow at that height, and the bow so.

    Raises:
        NoEquilibriumError: that height cannot be had.
    """
    nocks = rest_nocks(bow)
    apart = float(np.hypot(nocks[0, 0] + nocks[1, 0], nocks[0, 1] - nocks[1, 1]))
    length = 0.965 * apart
    tables = _Tables(bow)
    near = solve_draws(bow, length, np.array([brace_mm + 150.0]))
    near = solve_draws(bow, length, np.array([brace_mm + 60.0]), near)
    u, height = near.unknowns, brace_mm
    if np.any(near.touching_mm > 0):
        tables.leave(near.leaves)
    good = np.array([False])
    for offset in (
        0.0,
        20.0,
        -20.0,
        40.0,
        -40.0,
    ):  # a height at which the straight string is found, then on to the wanted one
        height = brace_mm + offset
        found, good, there = _newton(tables, u, np.array([height]), None, 20)
        if good[0] and np.all(found[:, [1, 4]] < 0.0):
            u, limbs = found, there
            break
    step = 10.0
    while good[0] and abs(height - brace_mm) > 1e-9 and step > 0.3:
        aim = height + float(np.clip(brace_mm - height, -step, step))
        found, fine, there = _newton(tables, u, np.array([aim]), None, 15)
        if fine[0]:
            u, height, limbs = found, aim, there
        else:
            step *= 0.5
    if not good[0] or abs(height - brace_mm) > 1e-9:
        msg = f"no string braces this bow at {mm(brace_mm)}"
        raise NoEquilibriumError(msg)
    solved = _solved(tables, u, limbs, np.array([brace_mm]), np.array([np.nan]))
    if not _is_clear(solved):
        solved = _lying(tables, solved, np.array([brace_mm]), None)
    string = float(_unstretched(bow, solved)[0])
    return string, replace(solved, string_mm=np.array([string]))


def string_lengths(bow: WholeBow, brace_mm: float, braced: Solved) -> Array:
    """Unstretched lengths (b,) that brace each bow of a batch, started from one like them (repeated b times).

    Raises:
        NoEquilibriumError: one of them cannot be braced so.
    """
    tables = _Tables(bow)
    if np.any(braced.touching_mm > 0):
        tables.leave(braced.leaves)
    height = np.full(len(braced.unknowns), brace_mm)
    u, good, limbs = _newton(tables, braced.unknowns, height, None)
    if not np.all(good):
        msg = f"no string braces this bow at {mm(brace_mm)}"
        raise NoEquilibriumError(msg)
    solved = _solved(tables, u, limbs, height, np.full(len(u), np.nan))
    return _unstretched(bow, solved if _is_clear(solved) else _lying(tables, solved, height, None))


def _unstretched(bow: WholeBow, solved: Solved) -> Array:
    """What the string of each solution (m,) measures without its tension."""
    hook = np.stack(
        [_SIGN * solved.hook_x_mm[:, None], np.broadcast_to(-solved.draw_mm[:, None], (len(solved.draw_mm), 2))],
        axis=-1,
    )
    far = (np.linalg.norm(solved.leaves_mm - hook, axis=-1) + solved.touching_mm).sum(axis=1)
    return np.asarray(far / (1 + np.mean(solved.tension_n, axis=1) / bow.string_ea_n), dtype=float)


def _no_way(draws: Array) -> NoEquilibriumError:
    return NoEquilibriumError(f"no equilibrium at a draw of {mm(draws[0], 1)}")


def _route(bow: WholeBow, string: float, draws: Array) -> Array:
    """Unknowns (m, 8) near the solution, by a few draws on a coarse chain and a curve through them."""
    small = _Tables(coarser(bow, _COARSE))
    low, high = float(np.min(draws)), float(np.max(draws))
    far = max(high, low + 1.0)
    stops = np.linspace(low, far, _ROUTE if high > low else 2)
    # begin where the string is well bent: near the straight string the way is steep
    u = _first(small, float(stops[-1]), string)
    at = float(stops[-1])
    passed, found = [at], [u[0]]
    for stop in stops[-2::-1]:
        step = at - float(stop)
        while at > stop + 1e-9:
            aim = max(float(stop), at - step)
            guess = u
            if len(found) > 1 and passed[-2] > at:
                guess = u + (u - found[-2]) * (at - aim) / (passed[-2] - at)
            new, good, _ = _newton(small, guess, np.array([aim]), np.array([string]), 14, NEAR)
            if not good[0]:
                step *= 0.5
                if step < 0.05:
                    raise _no_way(np.array([aim]))
                continue
            u, at = new, aim
            passed.append(at)
            found.append(u[0])
    values, where = np.array(found[::-1]), np.array(passed[::-1])
    return np.column_stack([np.interp(draws, where, values[:, j]) for j in range(8)])


def _seen_inward(tables: _Tables, quick: Relaxed) -> _Inward:
    """A relaxed solution in the order in which the shooting goes."""
    return _Inward(
        quick.cosine.transpose(2, 0, 1),
        quick.sine.transpose(2, 0, 1),
        (quick.moment_nmm / tables.h[:, None]).transpose(2, 0, 1),
        tables.root_angle + _SIGN * quick.unknowns[:, 7:8],
        tables.share,
    )


def _solved(
    tables: _Tables, u: Array, limbs: _Inward, draws: Array, string: Array, angle: Array | None = None
) -> Solved:
    m, n = len(u), tables.n
    limb = u[:, :6].reshape(m, 2, 3)
    moments = np.concatenate([limbs.moments * tables.h, np.zeros((1, m, 2))]) - tables.own[:, None, :]
    rock = _SIGN * u[:, 7:8]
    c, s = np.cos(rock), np.sin(rock)
    root = np.stack(
        [c * tables.root[:, 0] - s * tables.root[:, 1], s * tables.root[:, 0] + c * tables.root[:, 1]], axis=-1
    )
    step = np.stack([limbs.cosine, limbs.sine], axis=-1) * tables.h[:, None]
    points = np.concatenate([np.zeros((1, m, 2, 2)), np.cumsum(step, axis=0)]) + root
    points = points.transpose(1, 2, 0, 3)
    turn = tables.soft * moments  # (n + 1, m, 2)
    bend = turn / (tables.h * tables.weight[:, None, None])
    energy = 0.5 * np.sum(turn * moments, axis=(0, 2))
    hook = np.stack([_SIGN * u[:, 6:7], np.broadcast_to(-draws[:, None], (m, 2))], axis=-1)
    leaves, leaves_mm = np.full((m, 2), float(n)), points[:, :, -1]
    if tables.leaves is not None:
        leaves = tables.leaves
        whole = np.minimum(leaves.astype(int), n - 1)
        start = np.take_along_axis(points, whole[..., None, None], axis=2)[:, :, 0]
        end = np.take_along_axis(points, whole[..., None, None] + 1, axis=2)[:, :, 0]
        leaves_mm = start + (leaves - whole)[..., None] * (end - start)
    way = hook - leaves_mm
    far = np.linalg.norm(way, axis=-1)
    tension = np.sum(limb[..., 1:] * way, axis=-1) / far
    return Solved(
        draw_mm=draws.copy(),
        string_mm=string.copy(),
        force_n=-np.sum(limb[..., 2], axis=-1),
        tension_n=tension,
        hook_x_mm=u[:, 6].copy(),
        rock_rad=u[:, 7].copy(),
        points_mm=points,
        bend_per_mm=bend.transpose(1, 2, 0),
        moment_nmm=moments.transpose(1, 2, 0),
        energy_nmm=energy,
        touching_mm=tables.h * (n - leaves),
        leaves=leaves,
        leaves_mm=leaves_mm,
        unknowns=u,
        angle=np.arctan2(limbs.sine, limbs.cosine).transpose(1, 2, 0) if angle is None else angle,
    )
