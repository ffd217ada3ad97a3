"""Free beams: published roots, Timoshenko's correction as ASTM E1876 prints it, OpenSees, and a cantilever's closed form.

Blevins, Formulas for Natural Frequency and Mode Shape, Table 8-1 (free-free: 4.73004074, 7.85320462, 10.9956078, 14.1371655; from memory);
ASTM E1876 (modulus from the flexural frequency of a bar; from memory); OpenSees' elasticTimoshenkoBeam; Wood Handbook, Table 9-1 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from tiller.mechanics.wood.ringing import Bar, deflected_modulus_gpa, deflected_sd, free_modes

ROOTS = (4.73004074, 7.85320462, 10.9956078, 14.1371655)


def uniform_frequency_hz(
    modulus_gpa: float, width_mm: float, thickness_mm: float, length_mm: float, mass_kg: float
) -> float:
    """First frequency of an even isotropic bar, by ASTM E1876 (eq. 1 turned round, Poisson's ratio 0.3; from memory)."""
    ratio, nu = thickness_mm / length_mm, 0.3
    t1 = (
        1
        + 6.585 * (1 + 0.0752 * nu + 0.8109 * nu**2) * ratio**2
        - 0.868 * ratio**4
        - 8.340
        * (1 + 0.2023 * nu + 2.173 * nu**2)
        * ratio**4
        / (1 + 6.338 * (1 + 0.1408 * nu + 1.536 * nu**2) * ratio**2)
    )
    e = modulus_gpa * 1e9
    b, t, length = 1e-3 * width_mm, 1e-3 * thickness_mm, 1e-3 * length_mm
    return float(np.sqrt(e * b * (t / length) ** 3 / (0.9465 * mass_kg * t1)))


def bar(
    length: float = 1000.0,
    width: tuple[float, float] = (40.0, 40.0),
    thick: tuple[float, float] = (15.0, 15.0),
    ratio: float = 1e4,
) -> Bar:
    return Bar(
        s_mm=np.array([0.0, length]),
        width_mm=np.array(width),
        thickness_mm=np.array(thick),
        crown_mm=None,
        mass_kg=0.45,
        shear_ratio=ratio,
    )


def test_slender_beams_have_the_printed_roots() -> None:
    one = bar(thick=(0.5, 0.5))
    stiff = 1e9 * 40e-3 * 0.5e-3**3 / 12
    per_length = 0.45 / 1.0
    expected = np.array(ROOTS) ** 2 / (2 * np.pi) * np.sqrt(stiff / per_length)
    assert free_modes(one) == pytest.approx(expected, rel=3e-5)
    # the roots themselves: cos x cosh x = 1
    assert np.cos(ROOTS) * np.cosh(ROOTS) == pytest.approx(1.0, abs=2e-2)


def test_the_error_falls_with_the_fourth_power_of_the_step(monkeypatch: pytest.MonkeyPatch) -> None:
    off = []
    for elements in (8, 16, 32):
        monkeypatch.setattr("tiller.mechanics.wood.ringing.ELEMENTS", elements)
        one = bar(thick=(0.5, 0.5))
        fine = ROOTS[2] ** 2 / (2 * np.pi) * np.sqrt(1e9 * 40e-3 * 0.5e-3**3 / 12 / 0.45)
        off.append(free_modes(one)[2] / fine - 1)
    assert np.log2(off[0] / off[1]) == pytest.approx(4.0, abs=0.35)
    assert np.log2(off[1] / off[2]) == pytest.approx(4.0, abs=0.4)


@pytest.mark.parametrize("thick", [10.0, 30.0, 60.0])
def test_shear_and_rotary_inertia_as_the_standard_corrects_them(thick: float) -> None:
    """Isotropic, Poisson's ratio 0.3: G / E = 1 / 2.6. Slender bars agree to a part in ten thousand, one of L / t = 17 to a part in a thousand."""
    one = bar(thick=(thick, thick), ratio=1 / 2.6)
    assert free_modes(one)[0] == pytest.approx(
        uniform_frequency_hz(1.0, 40.0, thick, 1000.0, 0.45), rel=1e-3 * thick / 60 + 1e-4
    )


def test_a_tapered_stave_of_wood_against_opensees() -> None:
    ops = pytest.importorskip("openseespy.opensees")
    length, n, ratio = 1.7, 200, 0.07
    one = bar(1000 * length, (48.0, 20.0), (32.0, 14.0), ratio)
    s = np.linspace(0, length, n + 1)
    mid = 0.5 * (s[1:] + s[:-1])
    width, thick = np.interp(mid, [0, length], [0.048, 0.020]), np.interp(mid, [0, length], [0.032, 0.014])
    area, second = width * thick, width * thick**3 / 12
    density = 0.45 / float(np.sum(area) * length / n)
    ops.wipe()
    ops.model("basic", "-ndm", 2, "-ndf", 3)
    for k, x in enumerate(s):
        ops.node(k, float(x), 0.0)
    ops.geomTransf("Linear", 1)
    half = np.zeros(n + 1)
    turn = np.zeros(n + 1)
    for k in range(n):
        ops.element(
            "ElasticTimoshenkoBeam",
            k,
            k,
            k + 1,
            1e9,
            ratio * 1e9,
            float(area[k]),
            float(second[k]),
            float(area[k] * 5 / 6),
            1,
        )
        for end in (k, k + 1):
            half[end] += 0.5 * density * area[k] * length / n
            turn[end] += 0.5 * density * second[k] * length / n
    for k in range(n + 1):
        ops.mass(k, float(half[k]), float(half[k]), float(turn[k]))
    values = np.array(ops.eigen("-fullGenLapack", 9))
    ops.wipe()
    bending = np.sort(np.sqrt(values[values > 1.0]) / (2 * np.pi))
    mine = free_modes(one, 3)
    for f in mine:
        assert np.min(np.abs(bending / f - 1)) < 2e-3


def test_the_modulus_by_deflection() -> None:
    """A lath of 600 mm span, 30 x 10 mm, 19.62 N: F L^3 / (48 E I) for 12 GPa is 2.943 mm (by hand), shear adds F L / (4 kappa G A)."""
    slender = 19.62 * 600**3 / (48 * 12e3 * 30 * 1000 / 12)
    assert slender == pytest.approx(2.943, abs=5e-4)
    shear = 19.62 * 600 / (4 * 5 / 6 * 0.07 * 12e3 * 300)
    assert deflected_modulus_gpa(600, 30, 10, 19.62, slender + shear, 0.07) == pytest.approx(12.0)
    # thickness counts three times
    assert deflected_sd(600, 30, 10, 2.943, (0.0, 0.0, 0.1, 0.0)) == pytest.approx(0.03)
    with pytest.raises(ValueError, match="more than nothing"):
        deflected_modulus_gpa(600, 30, 10, 0.0, 2.0, 0.07)
