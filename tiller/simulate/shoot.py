"""The true shape of a drawn bow: elastica of both limbs by shooting from the nocks inward.

Unknowns: place and angle of both nocks, tension of both halves of the string, the hook's place across the
rope, the handle's rock. The hook holds the string at its middle and hangs free across the rope. Residuals:
where the handle begins each limb must arrive with the handle's own place and angle; both halves have their
length; no force across the rope; the cradle's torque. Newton with differences; Runge-Kutta of order 4 along the limb.
The measuring side works the other way round (stiffness from seen shapes); nothing is shared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tiller.bow.section import crowned_section
from tiller.bow.units import STANDARD_GRAVITY
from tiller.simulate.bowmaker import BowTruth, LimbTruth

Array = NDArray[np.float64]

AXIS_MM = 20.8
"""Height of the handle's neutral axis over the pivot."""
CRADLE_NMM = 4.0e6
"""Torque per radian with which the cradle resists rocking."""


class NoEquilibriumError(Exception):
    """The bow could not be solved at a draw."""


@dataclass(frozen=True, kw_only=True)
class TrueShape:
    """The bow at one draw.

    Attributes:
        draw_mm: pivot to string; force_n along the rope; tension_n of the left half.
        hook_mm: (2,) string's seat, rack.
        left_mm, right_mm: (n, 2) centrelines from the middle of the handle, rack.
        left_curvature, right_curvature: (n,) 1/m, positive as drawing bends.
        rock_rad: the handle's turn.
    """

    draw_mm: float
    force_n: float
    tension_n: float
    hook_mm: Array
    left_mm: Array
    right_mm: Array
    left_curvature: Array
    right_curvature: Array
    rock_rad: float


@dataclass(frozen=True)
class _Tables:
    s: Array  # from handle end to nock, (k,)
    compliance: Array
    rest: Array
    load: Array
    length: float


def _tables(limb: LimbTruth, density: float, steps: int, handle_mm: float) -> _Tables:
    s = np.linspace(handle_mm, limb.length_mm, 2 * steps + 1)
    area = crowned_section(limb.width_mm, limb.thickness_mm, limb.crown_radius_mm).area_mm2
    load = np.interp(s, limb.s_mm, area) * density * 1e-9 * STANDARD_GRAVITY
    ei = np.interp(s, limb.s_mm, limb.ei_n_m2) * 1e6
    return _Tables(s, 1 / ei, np.interp(s, limb.s_mm, limb.rest_curvature_per_m) * 1e-3, load, limb.length_mm)


def _inward(tables: _Tables, nock: Array, angle: Array, pull: Array) -> tuple[Array, Array, Array, Array]:
    """Integrates (x, y, theta, carried weight and its moment) from nock to handle for a batch of starts.

    Limb coordinates, x outward. theta is the tangent's angle, outward. Returns x, y, theta, bend along s (batch, steps+1),
    outermost first.
    """
    steps = (len(tables.s) - 1) // 2
    h = (tables.s[-1] - tables.s[0]) / steps
    batch = len(angle)
    state = np.column_stack([nock, angle, np.zeros(batch), np.zeros(batch)])  # x y theta W Wx
    xs, ys, ts, bends = [state[:, 0]], [state[:, 1]], [state[:, 2]], []

    def rates(state: Array, i: int) -> tuple[Array, Array]:
        x, y, theta = state[:, 0], state[:, 1], state[:, 2]
        moment = -((nock[:, 0] - x) * pull[:, 1] - (nock[:, 1] - y) * pull[:, 0])
        moment = moment + state[:, 4] - x * state[:, 3]
        bend = tables.rest[i] + moment * tables.compliance[i]
        q = tables.load[i]
        # ds runs inward: d theta / d(inward) = + bend (theta falls outward by bend)
        return np.column_stack([-np.cos(theta), -np.sin(theta), bend, np.full(batch, q), q * x]), bend

    for k in range(steps):
        i = len(tables.s) - 1 - 2 * k
        a, bend = rates(state, i)
        b, _ = rates(state + 0.5 * h * a, i - 1)
        c, _ = rates(state + 0.5 * h * b, i - 1)
        d, _ = rates(state + h * c, i - 2)
        bends.append(bend)
        state = state + h / 6 * (a + 2 * b + 2 * c + d)
        xs.append(state[:, 0])
        ys.append(state[:, 1])
        ts.append(state[:, 2])
    bends.append(rates(state, 0)[1])
    return np.stack(xs, 1), np.stack(ys, 1), np.stack(ts, 1), np.stack(bends, 1)


class Shooter:
    """Solves one bow at growing draws, each started from the one before."""

    def __init__(
        self, bow: BowTruth, steps: int = 64, handle_mm: float | None = None, axis_mm: float = AXIS_MM
    ) -> None:
        self.bow = bow
        self.steps = steps
        handle_mm = bow.handle_mm if handle_mm is None else handle_mm
        self.handle_mm, self.axis_mm = handle_mm, axis_mm
        self.tables = (
            _tables(bow.left, bow.density_kg_m3, steps, handle_mm),
            _tables(bow.right, bow.density_kg_m3, steps, handle_mm),
        )
        self.guess: Array | None = None
        self.string_mm = bow.string_mm
        self.length = bow.string_mm
        self.drawn = 0.0

    def _rest_line(self, k: int, rock: float, pull: Array | None = None) -> tuple[Array, Array]:
        t = self.tables[k]
        sign = (-1.0, 1.0)[k]
        theta0 = sign * rock
        x0 = self.handle_mm * np.cos(theta0) - self.axis_mm * np.sin(theta0)
        y0 = self.handle_mm * np.sin(theta0) + self.axis_mm * np.cos(theta0)
        step = np.diff(t.s)
        theta = theta0 - np.concatenate([[0.0], np.cumsum(0.5 * (t.rest[1:] + t.rest[:-1]) * step)])
        mid = 0.5 * (theta[1:] + theta[:-1])
        line = np.vstack(
            [
                [x0, y0],
                np.array([x0, y0]) + np.cumsum(np.column_stack([np.cos(mid), np.sin(mid)]) * step[:, None], axis=0),
            ]
        )
        return line, theta

    def _residual(
        self, unknowns: Array, draw: float, slack: bool
    ) -> tuple[Array, list[tuple[Array, Array, Array, Array]]]:
        u = np.atleast_2d(unknowns)
        hook = np.column_stack([u[:, 8], np.full(len(u), -draw)])
        out: list[Array] = []
        lines = []
        across = np.zeros(len(u))
        torque = np.zeros(len(u))
        for k in (0, 1):
            sign = (-1.0, 1.0)[k]
            nock, angle = u[:, 3 * k : 3 * k + 2], u[:, 3 * k + 2]
            tension = np.zeros(len(u)) if slack else u[:, 6 + k]
            way = hook * [sign, 1.0] - nock
            far = np.linalg.norm(way, axis=1)
            across += sign * tension * way[:, 0] / far
            pull = tension[:, None] * way / far[:, None]
            x, y, theta, bend = _inward(self.tables[k], nock, angle, pull)
            lines.append((x, y, theta, bend))
            rock = sign * u[:, 9]
            rx = self.handle_mm * np.cos(rock) - self.axis_mm * np.sin(rock)
            ry = self.handle_mm * np.sin(rock) + self.axis_mm * np.cos(rock)
            out += [(x[:, -1] - rx) / 100, (y[:, -1] - ry) / 100, theta[:, -1] - rock]
            out.append(u[:, 6 + k] if slack else (far - 0.5 * self.length) / 100)
            # torque about the pivot that the limb puts on the handle, outward side down positive, mirrored
            torque += -sign * (-(nock[:, 0] * pull[:, 1] - nock[:, 1] * pull[:, 0]))
        out.append(u[:, 8] / 100 if slack else across / 100)
        out.append((torque - CRADLE_NMM * u[:, 9]) / CRADLE_NMM * 30.0)
        return np.column_stack(out), lines

    def _solve(
        self, start: Array, draw: float, slack: bool = False
    ) -> tuple[Array, list[tuple[Array, Array, Array, Array]]]:
        u = start.copy()
        step = np.array([0.01, 0.01, 1e-5, 0.01, 0.01, 1e-5, 0.01, 0.01, 0.01, 1e-6])
        last = np.inf
        for _ in range(24):
            batch = np.vstack([u, u + np.diag(step)])
            r, lines = self._residual(batch, draw, slack)
            size = float(np.max(np.abs(r[0])))
            if not np.isfinite(size) or abs(u[8]) > 150.0:
                break
            if size < 1e-8:
                return u, [tuple(part[0] for part in line) for line in lines]
            jacobian = ((r[1:] - r[0]) / step[:, None]).T
            delta = -np.linalg.solve(jacobian, r[0])
            last = size
            limit = np.max(np.abs(delta) / np.array([60, 60, 0.3, 60, 60, 0.3, 120, 120, 20, 0.05]))
            u = u + delta / max(1.0, float(limit))
        msg = f"no equilibrium at a draw of {draw:.1f} mm (residual {last:.1e})"
        raise NoEquilibriumError(msg)

    def rest(self) -> TrueShape:
        """The bow at rest, its string slack, bent by its own weight only."""
        nocks = []
        for k in (0, 1):
            line, theta = self._rest_line(k, 0.0)
            nocks += [line[-1, 0], line[-1, 1], theta[-1]]
        start = np.array([*nocks, 0.0, 0.0, 0.0, 0.0])
        u, lines = self._solve(start, 300.0, slack=True)
        return self._shape(u, lines, float("nan"), 0.0)

    def taut_draw(self, force_n: float = 4.0) -> float:
        """The smallest draw at which the rope carries ``force_n``."""
        low, high = 20.0, 320.0
        if self.guess is None:
            self.guess = self._first(high)
        high = self.drawn
        while self.at(high).force_n < force_n:
            high += 20.0
        step = 20.0
        draw = high
        while step > 0.2 and draw - step > low:
            kept = (self.guess.copy(), self.drawn)
            try:
                lower = self.at(draw - step).force_n >= force_n
            except NoEquilibriumError:
                lower = False
            if lower:
                draw -= step
            else:
                self.guess, self.drawn = kept
                step *= 0.5
        return draw

    def at(self, draw_mm: float) -> TrueShape:
        """The bow at a draw; call with growing (or slowly changing) draws."""
        if self.guess is None:
            self.guess = self._first(max(draw_mm, 320.0))
        step = 40.0
        while abs(draw_mm - self.drawn) > 1e-9:
            aim = self.drawn + float(np.clip(draw_mm - self.drawn, -step, step))
            try:
                self.guess, _ = self._solve(self.guess, aim)
            except NoEquilibriumError:
                step *= 0.5
                if step < 0.5:
                    raise
                continue
            self.drawn = aim
        u, lines = self._solve(self.guess, draw_mm)
        self.guess = u
        force = 0.0
        for k in (0, 1):
            hook = np.array([u[8] * (-1.0, 1.0)[k], -draw_mm])
            way = hook - u[3 * k : 3 * k + 2]
            force += u[6 + k] * -way[1] / float(np.linalg.norm(way))
        return self._shape(u, lines, draw_mm, force)

    def _first(self, draw: float) -> Array:
        """The bow at a draw from rest: a string just taut, shortened step by step to its length."""
        rest = self.rest()
        tips = (rest.left_mm[-1] * [-1.0, 1.0], rest.right_mm[-1])
        hook = np.array([0.0, -draw])
        taut = sum(float(np.linalg.norm(tip - hook)) for tip in tips)
        u = np.array([tips[0][0], tips[0][1], -0.02, tips[1][0], tips[1][1], -0.02, 2.0, 2.0, 0.0, 0.0])
        self.drawn = draw
        length, step = taut - 0.5, 2.0
        self.length = length
        u, _ = self._solve(u, draw)
        while length > self.string_mm:
            aim = max(self.string_mm, length - step)
            self.length = aim
            try:
                u, _ = self._solve(u, draw)
            except NoEquilibriumError:
                step *= 0.5
                if step < 0.05:
                    raise
                continue
            length, step = aim, min(step * 1.6, 12.0)
        self.length = self.string_mm
        return u

    def _shape(self, u: Array, lines: list[tuple[Array, Array, Array, Array]], draw: float, force: float) -> TrueShape:
        outs, bends = [], []
        for k in (0, 1):
            sign = (-1.0, 1.0)[k]
            x, y, _, bend = lines[k]
            limb = self.bow.left if k == 0 else self.bow.right
            s_line = np.linspace(limb.length_mm, self.handle_mm, len(x))
            rock = sign * u[9]
            s = limb.s_mm
            inner = s < self.handle_mm
            px = np.interp(s, s_line[::-1], x[::-1])
            py = np.interp(s, s_line[::-1], y[::-1])
            px[inner] = s[inner] * np.cos(rock) - self.axis_mm * np.sin(rock)
            py[inner] = s[inner] * np.sin(rock) + self.axis_mm * np.cos(rock)
            outs.append(np.column_stack([sign * px, py]))
            kappa = np.interp(s, s_line[::-1], bend[::-1]) * 1e3
            kappa[inner] = 0.0
            bends.append(kappa)
        return TrueShape(
            draw_mm=draw,
            force_n=float(force),
            tension_n=float(u[6]),
            hook_mm=np.array([u[8], -draw if np.isfinite(draw) else np.nan]),
            left_mm=outs[0],
            right_mm=outs[1],
            left_curvature=bends[0],
            right_curvature=bends[1],
            rock_rad=float(u[9]),
        )
