"""The modulus by tapping, on simulated sounds: noise, a hum, a room's resonances, supports off the nodes, tapers that the calipers do not tell, density and
stiffness that change along the piece.

The truth's frequencies come of finite differences of their own (Euler-Bernoulli with shear by Southwell's rule), not of the measuring side's elements.

    python -m tests.bench.tap [--staves 100]
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from tiller.mechanics.wood.hearing import Rung, heard_modulus
from tiller.mechanics.wood.ringing import Bar

Array = NDArray[np.float64]

RATE_HZ = 44100.0


@dataclass(frozen=True)
class Tapped:
    """A stave, its recording, and its true modulus (the mean along it)."""

    bar: Bar
    sound: Array
    modulus_gpa: float


def true_modes(s_m: Array, ei: Array, ga: Array, mu: Array, spring: tuple[Array, Array], count: int) -> Array:
    """Frequencies, Hz, of a free beam on two soft springs, by central differences of bending and of shear apart, joined by 1/f^2 = 1/f_b^2 + 1/f_s^2."""
    n, h = len(s_m), float(s_m[1] - s_m[0])
    second = np.zeros((n - 2, n))
    for k in range(n - 2):
        second[k, k : k + 3] = np.array([1.0, -2.0, 1.0]) / h**2
    weights = np.full(n, h)
    weights[[0, -1]] = 0.5 * h
    mass = np.diag(mu * weights)
    hold = np.zeros((n, n))
    for at, stiff in zip(*spring, strict=True):
        k = int(np.argmin(np.abs(s_m - at)))
        hold[k, k] += stiff
    # the two lowest are the bounce and the rocking on the springs
    values, shapes = eigh(second.T @ np.diag(ei[1:-1] * h) @ second + hold, mass, subset_by_index=[2, count + 1])
    out = []
    for value, shape in zip(values, shapes.T, strict=True):
        # Southwell: the shear part of the same shape, its strain energy from the bending moment's slope
        moment = ei * np.gradient(np.gradient(shape, h), h)
        shear = np.gradient(moment, h)
        soft = float(np.sum(shear[2:-2] ** 2 / ga[2:-2]) * h)
        out.append(np.sqrt(value / (1.0 + soft / float(np.sum(moment[2:-2] ** 2 / ei[2:-2]) * h))) / (2 * np.pi))
    return np.array(out)


def tapped(seed: int, knock: bool = False) -> Tapped:
    """One at random; ``knock``: what is heard is the bench."""
    rng = np.random.default_rng(seed)
    length = float(rng.uniform(0.5, 1.9))
    modulus = float(rng.uniform(7.0, 17.0))
    density = float(rng.uniform(500, 900))
    thick0 = float(rng.uniform(12, 40)) * (0.6 if length < 0.8 else 1.0)
    width0 = float(rng.uniform(30, 60))
    n = 241
    s = np.linspace(0, length, n)

    def rough(sd: float, waves: int) -> Array:
        knots = rng.normal(0, sd, waves)
        return np.interp(s, np.linspace(0, length, waves), knots)

    thick = thick0 * (1 + rng.uniform(-0.12, 0.12) * (s / length - 0.5) + rough(0.012, 14))
    width = width0 * (1 + rng.uniform(-0.2, 0.2) * (s / length - 0.5) + rough(0.01, 14))
    local = modulus * (1 + rough(0.03, 6))
    dense = density * (1 + rough(0.02, 6))
    area, second = width * thick * 1e-6, width * thick**3 / 12 * 1e-12
    ratio = float(rng.uniform(0.05, 0.09))
    supports = length * (np.array([0.2242, 0.7758]) + rng.normal(0, 0.03, 2))
    mass = float(np.sum(dense * area) * (s[1] - s[0]))
    soft = mass * (2 * np.pi * rng.uniform(4, 14)) ** 2 / 2
    modes = true_modes(
        s, 1e9 * local * second, 1e9 * ratio * modulus * area * 5 / 6, dense * area, (supports, np.full(2, soft)), 4
    )
    seconds = 9.0
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sound = rng.normal(0, 0.004, len(t)) + 0.006 * np.sin(2 * np.pi * 50 * t) + 0.003 * np.sin(2 * np.pi * 150 * t + 1)
    room = rng.uniform(60, 900, 4)
    for start in np.arange(1.0, seconds - 1.0, 1.7) + rng.normal(0, 0.1, 5):
        after = t - start
        on = after >= 0
        x = after[on]
        hit = rng.uniform(0.5, 1.0)
        if knock:
            partials = rng.uniform(90, 1800, 5)
            for f in partials:
                sound[on] += (
                    0.3 * hit * rng.uniform(0.3, 1) * np.exp(-x * rng.uniform(60, 160)) * np.sin(2 * np.pi * f * x)
                )
        else:
            for k, f in enumerate(modes):
                damping = np.pi * f / rng.uniform(35, 110)
                loud = hit * rng.uniform(0.25, 1.0) / (1 + 0.6 * k)
                sound[on] += loud * np.exp(-damping * x) * np.sin(2 * np.pi * f * x)
        for f in room:
            sound[on] += 0.05 * hit * np.exp(-x * 25) * np.sin(2 * np.pi * f * x + f)
        sound[on] += 0.4 * hit * np.exp(-x * 900) * rng.normal(0, 1, len(x))
    places = np.linspace(0, length, 8)
    bar = Bar(
        s_mm=1e3 * places * (1 + rng.normal(0, 0.0005)),
        width_mm=np.interp(places, s, width) + rng.normal(0, 0.3, 8),
        thickness_mm=np.interp(places, s, thick) + rng.normal(0, 0.15, 8),
        crown_mm=None,
        mass_kg=mass + rng.normal(0, 0.002),
        shear_ratio=0.068,
    )
    return Tapped(bar, sound / np.max(np.abs(sound)), float(np.mean(local)))


def main() -> None:
    """Runs them and prints the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--staves", type=int, default=100)
    given = parser.parse_args()
    off, z, silent, false = [], [], 0, 0
    for seed in range(given.staves):
        one = tapped(seed)
        found: Rung = heard_modulus(one.sound, RATE_HZ, one.bar)
        if not np.isfinite(found.modulus_gpa):
            silent += 1
            print(seed, found.why_not[:70], flush=True)
            continue
        off.append(found.modulus_gpa / one.modulus_gpa - 1)
        z.append((found.modulus_gpa - one.modulus_gpa) / found.sd_gpa)
        if abs(off[-1]) > 0.06:
            print(seed, f"{100 * off[-1]:+.1f} % ± {100 * found.sd_gpa / found.modulus_gpa:.1f}", flush=True)
    for seed in range(given.staves // 2):
        one = tapped(5000 + seed, knock=True)
        false += bool(np.isfinite(heard_modulus(one.sound, RATE_HZ, one.bar).modulus_gpa))
    print(
        f"modulus: {100 * np.sqrt(np.mean(np.square(off))):.1f} % rms, worst {100 * np.max(np.abs(off)):.1f} %, {100 * np.mean(np.abs(z) <= 1):.0f} and"
        f" {100 * np.mean(np.abs(z) <= 2):.0f} % within 1 and 2 sd; nothing told of {silent} of {given.staves};"
        f" {false} of {given.staves // 2} knocks on the bench taken for a stave"
    )


if __name__ == "__main__":
    main()
