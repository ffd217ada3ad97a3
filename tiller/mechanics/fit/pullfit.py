"""Stiffness of both limbs from all pictures of a pull together.

Model. A limb's tangent angle in picture f is that at rest, turned by the root's angle and bent by
the moment over the stiffness:

    theta_f(s) = theta_0(s) - beta_f - int_{s0}^{s} c_f M_f / EI ds',     P_f(s) = P_f(s0) + int (cos, sin) theta_f ds'

M_f comes from the measured string, hook and force (statics.py) and the change of the limb's own
weight's moment against rest; c_f is the force's factor, 1 within ``RATE_SD`` on the way up (wood
relaxes while it is held) and free on the way down (hysteresis). What is fitted is log EI(s), beta_f,
the root's height and c_f; the residual is the measured place across the limb. A static offset b(s)
of every station, common to all pictures (grain, knots, edge bias), is projected out: only changes
count, so a crook or a knot is no bend. Gauss-Newton with Student weights; M_f is taken from the
seen lines, which know the lever arms to a millimetre. The posterior covariance of log EI is that of the linearised
problem, scaled for noise that neighbouring stations share.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiller.bow.sides import Pair, Side
from tiller.mechanics.fit.contact import held_at
from tiller.mechanics.fit.prior import StiffnessPrior
from tiller.mechanics.fit.statics import string_moment, string_tensions, weight_moment

Array = NDArray[np.float64]

RATE_SD = 0.006
"""Wood relaxes by about one per cent in a hold: the force's factor on the way up (common practice, no source)."""
DOWN_LOG = 0.055
DOWN_SD = 0.06
"""On the way down the force is some 5 per cent less than the bend would need (hysteresis; common practice, no source)."""
LEAST_HEIGHT_MM = 8.0
"""Where the hook hangs less than this under the nocks the string runs as good as straight and the rope's force
says nothing about its tension; such a picture is not used."""
LEVER_SD = 0.005
"""Relative sd of a lever arm, from the board's and the bow plane's place (common practice, no source)."""
HEIGHT_SD_MM = 1.2
ROOT_SD_RAD = 0.05
ROOT_SD_MM = 5.0
NOISE_MARGIN = 1.5
STATED = 0.765
"""Edges err alike over neighbouring stations and pictures by more than the residuals show, hence the margin in the fit; limbs are made more evenly than
the wide priors allow, hence the factor on what is stated. Both so that stated and actual scatter agree over the independent rig's nine recordings
(68 and 72 % of bends and stiffnesses within 1 sd, 95 and 97 % within 2)."""
ALIKE_MM = 60.0
"""Errors of neighbouring stations are followed as far as they hang together, at most this far: the splines' own reach, and what a hard shadow shifts an
edge over. (Independent rig: with 40 mm a pull with such a shadow stated 0.85 of its scatter; 80 to 160 mm say the same as 60.)"""
SCATTER_ROUNDS = 99
"""The scatter is judged this many times and then kept, so that the rounds come to an end."""
FREEDOM = 5.0
"""Degrees of freedom of the Student weights."""


@dataclass(frozen=True, kw_only=True)
class LimbData:
    """Measured centrelines of one limb in m pictures.

    Attributes:
        sign: -1 left, +1 right.
        s_mm: (n,) stations; nock_s_mm: where the string sits.
        rest_mm: (n, 2) rest line in limb coordinates (x outward), its end without the string's drag; rest_seen_mm: as seen, None = alike.
        points_mm: (m, n, 2) lines in limb coordinates; offset_mm, sd_mm: (m, n) measured place across them, NaN where not seen.
        mass_per_mm_kg: (n,).
        prior: of log EI on the nodes.
    """

    sign: int
    s_mm: Array
    nock_s_mm: float
    rest_mm: Array
    points_mm: Array
    offset_mm: Array
    sd_mm: Array
    mass_per_mm_kg: Array
    prior: StiffnessPrior
    rest_seen_mm: Array | None = None


@dataclass(frozen=True)
class Pulls:
    """What the pictures have in common: (m,) each.

    Attributes:
        hook_mm: (m, 2) rack, NaN where unknown or at rest.
        force_n: NaN where unknown; 0 at rest.
        force_sd_n: its sd.
        rest: picture taken at rest.
        down: picture taken on the way down.
    """

    hook_mm: Array
    force_n: Array
    force_sd_n: Array
    rest: NDArray[np.bool_]
    down: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class LimbFit:
    """Fitted limb.

    Attributes:
        s_mm: (n,) nodes.
        log_ei: (n,) log of EI in N mm2; cov: (n, n) its covariance.
        moment_nmm: (m, n) moment in each picture (string and change of own weight, force factor included).
        bend_per_mm: (m, n) curvature change from rest; bend_rel_sd: (m, n) its relative sd.
        line_mm: (m, n, 2) fitted lines, limb coordinates; root_angle_rad: (m,).
        residual_mm: (m, n) measured minus fitted, static offset taken out; NaN where not seen.
        noise: factor between the stated and the actual scatter of neighbouring stations.
        share_mm: length over which neighbouring stations share their noise.
        nock_mm: (m, 2) nock, limb coordinates.
        force_cov: (m, n) covariance of each picture's log force factor with log EI, NaN where a picture was not used.
    """

    s_mm: Array
    log_ei: Array
    cov: Array
    moment_nmm: Array
    bend_per_mm: Array
    bend_rel_sd: Array
    line_mm: Array
    root_angle_rad: Array
    residual_mm: Array
    noise: float
    share_mm: float
    nock_mm: Array
    force_cov: Array


@dataclass(frozen=True, kw_only=True)
class PullFit:
    """Both limbs and the force's factor in each picture (m,); factor_sd is NaN where a picture was not used.

    ``converged`` is false where log EI still moved by more than 0.003 in the last round.
    """

    left: LimbFit
    right: LimbFit
    factor: Array
    factor_sd: Array
    rounds: int
    converged: bool

    def limb(self, side: Side) -> LimbFit:
        """One limb."""
        return Pair(self.left, self.right)[side]


def _angles(line: Array) -> Array:
    step = np.diff(line, axis=-2)
    return np.unwrap(np.arctan2(step[..., 1], step[..., 0]), axis=-1)


def _integrate(values: Array, step: Array) -> Array:
    """Trapezoid integral from the first node to every node, along the last axis."""
    pieces = 0.5 * (values[..., 1:] + values[..., :-1]) * step
    return np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(pieces, axis=-1)], axis=-1)


def _shape(rest: Array, root: Array, turn: Array, s: Array) -> Array:
    """Lines (m, n, 2) from root points (m, 2) and turns (m, n) of the rest line's tangent at the nodes."""
    step = np.diff(s)
    theta = _angles(rest)[None, :] + 0.5 * (turn[:, 1:] + turn[:, :-1])
    pieces = np.stack([np.cos(theta) * step, np.sin(theta) * step], axis=-1)
    return np.concatenate([root[:, None, :], root[:, None, :] + np.cumsum(pieces, axis=1)], axis=1)


END_MM = 40.0
"""Beyond its last station a limb goes on as this much of its end leads."""


def nock_of(line: Array, s: Array, nock_s_mm: float) -> Array:
    """The nock (..., 2): the line continued beyond its last station in the direction of its last ``END_MM``."""
    back = min(int(np.searchsorted(s, s[-1] - END_MM + 1e-6)), len(s) - 2)
    tangent = line[..., -1, :] - line[..., back, :]
    tangent = tangent / np.linalg.norm(tangent, axis=-1, keepdims=True)
    return np.asarray(line[..., -1, :] + (nock_s_mm - s[-1]) * tangent, dtype=float)


def string_holds(limb: LimbData, lines_mm: Array, pulls: Pulls) -> tuple[Array, Array]:
    """Where the string leaves a limb, (m, 2) limb coordinates and (m,) along it, for its lines (m, n, 2)."""
    nock = nock_of(lines_mm, limb.s_mm, limb.nock_s_mm)
    return held_at(lines_mm, limb.s_mm, nock, limb.nock_s_mm, pulls.hook_mm * [float(limb.sign), 1.0])


def _moments(data: Pair[LimbData], lines: list[Array], pulls: Pulls) -> list[Array]:
    # a string that lies along a tip that is bent back pulls where it leaves the limb, and bends nothing beyond
    held = [string_holds(data[k], lines[k], pulls) for k in (0, 1)]
    tension = string_tensions(
        pulls.hook_mm, held[0][0] * [data[0].sign, 1.0], held[1][0] * [data[1].sign, 1.0], pulls.force_n
    )
    out = []
    for k, limb in enumerate(data):
        own = weight_moment(limb.rest_mm, limb.mass_per_mm_kg, limb.s_mm)
        rows = []
        for f in range(len(pulls.rest)):
            change = weight_moment(lines[k][f], limb.mass_per_mm_kg, limb.s_mm) - own
            if pulls.rest[f]:
                rows.append(np.zeros_like(own))
            elif np.isfinite(tension[f, k]):
                hook = pulls.hook_mm[f] * [limb.sign, 1.0]
                pulled = string_moment(lines[k][f], held[k][0][f], hook, float(tension[f, k]))
                rows.append(np.where(limb.s_mm <= held[k][1][f], pulled, 0.0) + change)
            else:
                rows.append(np.full_like(own, np.nan))
        out.append(np.array(rows))
    return out


def every(data: LimbData, step: int) -> LimbData:
    """The limb on every ``step``-th station: a quick first look."""
    prior = data.prior
    return replace(
        data,
        s_mm=data.s_mm[::step],
        rest_mm=data.rest_mm[::step],
        points_mm=data.points_mm[:, ::step],
        offset_mm=data.offset_mm[:, ::step],
        sd_mm=data.sd_mm[:, ::step],
        mass_per_mm_kg=data.mass_per_mm_kg[::step],
        prior=StiffnessPrior(
            s_mm=prior.s_mm[::step],
            log_ei=prior.log_ei[::step],
            cov=prior.cov[::step, ::step],
            log_h=prior.log_h[::step],
            cov_h=prior.cov_h[::step, ::step],
            cross=prior.cross[::step, ::step],
        ),
    )


def forces_that_bend(left: LimbData, right: LimbData, hook_mm: Array, rest: NDArray[np.bool_]) -> Array:
    """The force (m,) in N at which limbs of the prior's stiffness turn as far as the pictures show; 0 at rest, NaN without a hook.

    Where there was no scale: the level is the prior's, what bends how far against what else is the pictures'.
    """
    data = Pair(left, right)
    m = len(rest)
    unit = Pulls(hook_mm, np.where(rest, 0.0, 1.0), np.zeros(m), rest, np.zeros(m, dtype=bool))
    nothing = Pulls(hook_mm, np.where(rest, 0.0, 1e-9), np.zeros(m), rest, np.zeros(m, dtype=bool))
    lines = [d.points_mm for d in data]
    turned, expected = np.zeros(m), np.zeros(m)
    for d, with_unit, with_none in zip(data, _moments(data, lines, unit), _moments(data, lines, nothing), strict=True):
        seen = _turned(d)
        by_rope = _integrate((with_unit - with_none) / np.exp(d.prior.log_ei), np.diff(d.s_mm))[:, -3]
        by_weight = _integrate(with_none / np.exp(d.prior.log_ei), np.diff(d.s_mm))[:, -3]
        turned, expected = turned + seen - by_weight, expected + by_rope
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(rest, 0.0, turned / expected)


def _turned(d: LimbData) -> Array:
    """How far the limb as a whole is bent (m,), rad: the turn of its end against that of its root."""
    turned = _angles(d.rest_mm)[None] - _angles(d.points_mm)
    return np.asarray(np.mean(turned[:, -4:], axis=1) - np.mean(turned[:, :4], axis=1), dtype=float)


@dataclass(kw_only=True)
class _State:
    """Where the fit stands: what it was given, and what each round changes. Lists are by limb, left first.

    Attributes:
        use: (u,) pictures that are used; factor_sd: (m,) prior sd of the log of the force's factor.
        beta_seen, root_seen: roots' angles (m,) and places (m, 2) as they were seen.
        moments, lines, log_ei, beta, root, log_factor: as fitted so far.
        weights, noise: (m, n) Student weights and actual over stated scatter; share: stations that share one error; residuals: (m, n).
    """

    data: Pair[LimbData]
    pulls: Pulls
    usable: NDArray[np.bool_]
    use: NDArray[np.intp]
    factor_sd: Array
    beta_seen: list[Array]
    root_seen: list[Array]
    moments: list[Array]
    lines: list[Array]
    log_ei: list[Array]
    beta: list[Array]
    root: list[Array]
    log_factor: Array
    weights: list[Array]
    noise: list[Array]
    share: list[float]
    residuals: list[Array]

    @property
    def columns(self) -> tuple[int, int, int]:
        """First column of each limb's log EI, and of the pictures' unknowns (five each: both roots' angles, both heights, force)."""
        left, right = (len(d.s_mm) for d in self.data)
        return 0, left, left + right

    @property
    def total(self) -> int:
        """How many unknowns there are."""
        return self.columns[2] + 5 * len(self.use)

    def picture_columns(self, which: int) -> NDArray[np.intp]:
        """Columns (u,) of one of the five unknowns of each picture."""
        return self.columns[2] + 5 * np.arange(len(self.use)) + which


def fit_pull(
    left: LimbData, right: LimbData, pulls: Pulls, rounds: int = 14, start: Pair[Array] | None = None
) -> PullFit:
    """Fits both limbs to all pictures with a known force and hook, and those at rest.

    Args:
        start: log EI of both limbs to start from; None = the prior's, its level from the limbs' turn.

    Raises:
        ValueError: fewer than two pictures with a force.
    """
    state = _begin(Pair(left, right), pulls, start)
    prior_precision = [np.linalg.inv(d.prior.cov) for d in state.data]
    hess = np.eye(state.total)
    done = judged = 0
    # scatter is judged only once the shapes agree, else a poor start would make the data worthless
    converged = settled = False
    for round_ in range(rounds):
        hess, grad = np.zeros((state.total, state.total)), np.zeros(state.total)
        state.residuals = []
        for k in (0, 1):
            _add_limb(state, k, hess, grad)
        for k, d in enumerate(state.data):
            a, n = state.columns[k], len(d.s_mm)
            hess[a : a + n, a : a + n] += prior_precision[k]
            grad[a : a + n] += prior_precision[k] @ (d.prior.log_ei - state.log_ei[k])
        _add_picture_priors(state, hess, grad)
        worst = _step(state, np.asarray(np.linalg.solve(hess, grad), dtype=float))
        done = round_ + 1
        settled = settled or worst < 0.1 or round_ >= 5
        _reweigh(state, settled, settled and judged < SCATTER_ROUNDS)
        judged += settled
        converged = settled and worst < 3e-3 and judged >= 2
        if converged:
            break
    cov = np.asarray(STATED**2 * np.linalg.inv(hess), dtype=float)
    f_sd = np.full(len(pulls.rest), np.nan)
    f_sd[state.use] = np.sqrt(np.diag(cov)[state.picture_columns(4)])
    return PullFit(
        left=_limb_fit(state, 0, cov),
        right=_limb_fit(state, 1, cov),
        factor=np.exp(state.log_factor),
        factor_sd=f_sd,
        rounds=done,
        converged=converged,
    )


def _begin(data: Pair[LimbData], pulls: Pulls, start: Pair[Array] | None) -> _State:
    """What is used, and where the fit starts."""
    nocks = [nock_of(d.points_mm, d.s_mm, d.nock_s_mm) for d in data]
    height = np.minimum(nocks[0][:, 1], nocks[1][:, 1]) - pulls.hook_mm[:, 1]
    with np.errstate(invalid="ignore"):
        known = np.isfinite(pulls.force_n) & np.all(np.isfinite(pulls.hook_mm), axis=1) & (height > LEAST_HEIGHT_MM)
    usable = pulls.rest | known
    drawn = usable & ~pulls.rest
    if np.count_nonzero(drawn) < 2 or not np.any(pulls.rest):
        msg = "at least two drawn pictures with force and hook, and one at rest, are needed"
        raise ValueError(msg)
    m = len(pulls.rest)
    log_ei = [d.prior.log_ei.copy() for d in data] if start is None else [log.copy() for log in start]
    lines = [d.points_mm.copy() for d in data]
    moments = _moments(data, lines, pulls)
    # level of EI: the turn of the whole limb that was seen over the one expected
    for k, d in enumerate(data if start is None else ()):
        turned = _turned(d)
        expected_turn = _integrate(np.nan_to_num(moments[k]) / np.exp(log_ei[k]), np.diff(d.s_mm))[:, -3]
        big = drawn & (expected_turn > 0.3 * np.max(expected_turn[drawn]))
        ratio = float(np.median(expected_turn[big] / np.maximum(turned[big], 1e-3)))
        log_ei[k] = log_ei[k] + np.log(np.clip(ratio, 0.05, 20.0))
    relative = np.where(drawn, np.nan_to_num(pulls.force_sd_n / np.maximum(np.abs(pulls.force_n), 1e-6), nan=0.0), 0.0)
    # a string that runs nearly straight through the hook: its tension hangs on a few mm of height
    slack = np.where(drawn, HEIGHT_SD_MM / np.maximum(np.nan_to_num(height, nan=1.0), 1.0), 0.0)
    factor_sd = np.sqrt(
        np.where(pulls.down, DOWN_SD, RATE_SD) ** 2 + np.minimum(relative, 0.5) ** 2 + np.minimum(slack, 1.0) ** 2
    )
    root = [d.points_mm[:, 0, :].copy() for d in data]
    beta = [np.zeros(m) for _ in data]
    for k, d in enumerate(data):
        a0 = _angles(d.rest_mm)
        for f in range(m):
            beta[k][f] = -float(np.median((_angles(d.points_mm[f]) - a0)[:12]))
    return _State(
        data=data,
        pulls=pulls,
        usable=usable,
        use=np.flatnonzero(usable),
        factor_sd=factor_sd,
        beta_seen=[b.copy() for b in beta],
        root_seen=[r.copy() for r in root],
        moments=moments,
        lines=lines,
        log_ei=log_ei,
        beta=beta,
        root=root,
        log_factor=np.where(pulls.down, DOWN_LOG, 0.0),
        weights=[np.ones_like(d.offset_mm) for d in data],
        noise=[np.ones(d.offset_mm.shape) for d in data],
        share=[1.0, 1.0],
        residuals=[],
    )


def _bend(state: _State, k: int, unseen: float) -> Array:
    """Curvature change (m, n) that the moments make in a limb; ``unseen`` in pictures that are not used."""
    bend = np.exp(state.log_factor)[:, None] * state.moments[k] / np.exp(state.log_ei[k])[None, :]
    return np.where(state.usable[:, None], bend, unseen)


def _add_limb(state: _State, k: int, hess: Array, grad: Array) -> None:
    """One limb's part of the normal equations; its line and residuals are made anew."""
    d, use = state.data[k], state.use
    step = np.diff(d.s_mm)
    bend = _bend(state, k, 0.0)
    turn = -state.beta[k][:, None] - _integrate(bend, step)
    state.lines[k] = _shape(d.rest_mm, state.root[k], turn, d.s_mm)
    theta = np.concatenate([_angles(state.lines[k])[:, :1], _angles(state.lines[k])], axis=1)
    normal = np.stack([-np.sin(theta), np.cos(theta)], axis=-1)
    target = d.points_mm + d.offset_mm[..., None] * _limb_normals(d.points_mm)
    res = np.sum((target - state.lines[k]) * normal, axis=-1)
    seen = np.isfinite(res) & state.usable[:, None]
    stated = np.nan_to_num(d.sd_mm, nan=1.0) * state.noise[k]
    precision = np.where(seen, state.weights[k] / stated**2 / state.share[k], 0.0)
    # project the static offset out: weighted mean over pictures at each station
    mean_w = precision[use].sum(axis=0)
    safe = np.where(mean_w > 0, mean_w, 1.0)
    values = np.where(seen, res, 0.0)
    static = (precision[use] * values[use]).sum(axis=0) / safe
    state.residuals.append(np.where(seen, res - static, np.nan))
    left_over = values[use] - static
    w = precision[use]
    jac_log, own = _jacobians(state.lines[k][use], theta[use], bend[use], step)
    jac_log -= (np.einsum("fi,fij->ij", w, jac_log) / safe[:, None])[None]
    sw = np.sqrt(w)
    a, n = state.columns[k], len(d.s_mm)
    flat = (jac_log * sw[..., None]).reshape(-1, n)
    hess[a : a + n, a : a + n] += flat.T @ flat
    grad[a : a + n] += flat.T @ (left_over * sw).reshape(-1)
    # per picture columns: only their own rows before projection; the projection couples pictures
    cols = [state.picture_columns(which) for which in (k, 2 + k, 4)]
    for ca, ja in zip(cols, own, strict=True):
        # with log EI: sum_f' (ja - its mean part) W (jac_log - mean)
        block = np.matmul((w * ja)[:, None, :], jac_log)[:, 0]
        hess[np.ix_(ca, np.arange(a, a + n))] += block
        hess[np.ix_(np.arange(a, a + n), ca)] += block.T
        grad[ca] += np.sum(w * ja * left_over, axis=1)
        for cb, jb in zip(cols, own, strict=True):
            diag = np.sum(w * ja * jb, axis=1)
            hess[ca, cb] += diag
            hess[np.ix_(ca, cb)] -= (w * ja / safe) @ (w * jb).T


def _jacobians(line: Array, theta: Array, bend: Array, step: Array) -> tuple[Array, tuple[Array, Array, Array]]:
    """d place across / d parameter in the pictures that are used (u, n): (u, n, n) for log EI, then root's angle, root's height, force.

    An angle change dphi at node j (all beyond turned) moves node i by dphi n_i . (k x (P_i - P_j)).
    """
    n = theta.shape[1]
    cell = np.zeros(n)
    cell[:-1] += 0.5 * step
    cell[1:] += 0.5 * step
    along = np.stack([np.cos(theta), np.sin(theta)], axis=-1)
    own_arm = np.sum(along * line, axis=-1)
    arm = own_arm[..., None] - np.matmul(along, line.transpose(0, 2, 1))
    jac_beta = -arm[..., 0].copy()
    arm *= np.tri(n, n, -1)
    by_node = bend * cell
    jac_fac = -np.matmul(arm, by_node[..., None])[..., 0]
    jac_log = np.multiply(arm, by_node[:, None, :], out=arm)  # d(-bend)/dlogEI = +bend
    return jac_log, (jac_beta, np.cos(theta), jac_fac)


def _add_picture_priors(state: _State, hess: Array, grad: Array) -> None:
    """Weak priors of each picture: force, root turned by a few degrees and moved by a few mm from where it was seen."""
    for row, f in enumerate(int(f) for f in state.use):
        col = state.columns[2] + 5 * row
        expected = DOWN_LOG if state.pulls.down[f] else 0.0
        hess[col + 4, col + 4] += 1 / state.factor_sd[f] ** 2
        grad[col + 4] += (expected - state.log_factor[f]) / state.factor_sd[f] ** 2
        for j in (0, 1):
            hess[col + j, col + j] += 1 / ROOT_SD_RAD**2
            grad[col + j] += (state.beta_seen[j][f] - state.beta[j][f]) / ROOT_SD_RAD**2
            hess[col + 2 + j, col + 2 + j] += 1 / ROOT_SD_MM**2
            grad[col + 2 + j] += (state.root_seen[j][f, 1] - state.root[j][f, 1]) / ROOT_SD_MM**2


def _step(state: _State, change: Array) -> float:
    """Takes a step; the largest change of log EI that was asked for."""
    for k in (0, 1):
        a, n = state.columns[k], len(state.data[k].s_mm)
        state.log_ei[k] = state.log_ei[k] + np.clip(change[a : a + n], -0.7, 0.7)
        state.beta[k][state.use] += change[state.picture_columns(k)]
        state.root[k][state.use, 1] += change[state.picture_columns(2 + k)]
    state.log_factor[state.use] += np.clip(change[state.picture_columns(4)], -0.3, 0.3)
    return float(np.max(np.abs(change[: state.columns[2]])))


def _reweigh(state: _State, settled: bool, judge: bool) -> None:
    """Student weights by the residuals; the scatter is judged anew where that is asked for."""
    for k, d in enumerate(state.data):
        z = state.residuals[k] / d.sd_mm
        noise = state.noise[k] if settled else np.maximum(state.noise[k], 3.0)
        state.weights[k] = np.where(np.isfinite(z), (FREEDOM + 1) / (FREEDOM + (np.nan_to_num(z) / noise) ** 2), 1.0)
        if judge:
            scale, state.share[k] = _scatter(z[state.use], len(state.use), float(np.median(np.diff(d.s_mm))))
            state.noise[k][state.use] = NOISE_MARGIN * scale


def _limb_fit(state: _State, k: int, cov: Array) -> LimbFit:
    """One limb's result out of the covariance of all unknowns."""
    d = state.data[k]
    m, a, n = len(state.pulls.rest), state.columns[k], len(d.s_mm)
    rel, shared = np.full((m, n), np.nan), np.full((m, n), np.nan)
    for row, f in enumerate(int(f) for f in state.use):
        col = state.columns[2] + 5 * row + 4
        shared[f] = cov[col, a : a + n]
        rel[f] = np.sqrt(
            np.maximum(np.diag(cov)[a : a + n] - 2 * cov[col, a : a + n] + cov[col, col], 0.0) + LEVER_SD**2
        )
    return LimbFit(
        s_mm=d.s_mm,
        log_ei=state.log_ei[k],
        cov=np.asarray(cov[a : a + n, a : a + n], dtype=float),
        moment_nmm=np.exp(state.log_factor)[:, None] * state.moments[k],
        bend_per_mm=_bend(state, k, float("nan")),
        bend_rel_sd=rel,
        line_mm=state.lines[k],
        root_angle_rad=state.beta[k],
        residual_mm=state.residuals[k],
        noise=float(np.median(state.noise[k][state.use])),
        share_mm=state.share[k] * float(np.median(np.diff(d.s_mm))),
        nock_mm=nock_of(state.lines[k], d.s_mm, d.nock_s_mm),
        force_cov=shared,
    )


def _limb_normals(lines: Array) -> Array:
    tangent = np.gradient(lines, axis=1)
    tangent = tangent / np.linalg.norm(tangent, axis=-1, keepdims=True)
    return np.stack([-tangent[..., 1], tangent[..., 0]], axis=-1)


def _scatter(z: Array, pictures: int, spacing: float) -> tuple[Array, float]:
    """Actual over stated scatter of each value, and how many stations share one independent error.

    The first, (m, n), is a robust scale of the place along the limb (over all pictures and 30 mm to either
    side) times one of the picture: where clutter, string or glare disturb, values are trusted less. The
    second is 1 + 2 sum of the autocorrelation, over lags as far as it goes or ``ALIKE_MM``, at least 1.
    """
    finite = z[np.isfinite(z)]
    if len(finite) < 20:
        return np.ones_like(z), 1.0
    loss = np.sqrt(pictures / max(1, pictures - 1.5))
    size = max(0.5, 1.4826 * float(np.median(np.abs(finite))) * loss)
    reach = max(1, int(round(30 / spacing)))
    padded = np.pad(z, ((0, 0), (reach, reach)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)
    flat = np.abs(windows).transpose(1, 0, 2).reshape(z.shape[1], -1)
    ordered = np.sort(flat, axis=1)
    count = np.sum(np.isfinite(flat), axis=1)
    # between the 68 % quantile and the median: feels disturbances that spoil a third of the values
    index = np.clip((0.68 * count).astype(int), 0, flat.shape[1] - 1)
    along = np.where(count > 5, ordered[np.arange(len(ordered)), index], size / loss) * loss
    along = np.maximum(np.nan_to_num(along, nan=size), 0.7 * size)
    scaled = np.abs(z) / along[None, :]
    rows = np.sort(scaled, axis=1)
    per_row = np.sum(np.isfinite(scaled), axis=1)
    middle = rows[np.arange(len(rows)), np.clip((0.68 * per_row).astype(int), 0, rows.shape[1] - 1)]
    across = np.clip(np.where(per_row > 10, np.nan_to_num(middle, nan=1.0), 1.0), 0.8, 5.0)
    total = 1.0
    scale = along[None, :] * across[:, None]
    clipped = np.clip(z / scale, -3, 3)
    power = np.nanmean(clipped * clipped)
    for lag in range(1, max(2, int(ALIKE_MM / spacing)) + 1):
        rho = float(np.nanmean(clipped[:, lag:] * clipped[:, :-lag]) / power)
        if not np.isfinite(rho) or rho <= 0.05:
            break
        total += 2 * rho
    return scale, total
