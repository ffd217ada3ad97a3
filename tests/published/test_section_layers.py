"""Sections of several layers against sectionproperties' composite analysis (finite elements), against solid ones, and against a worked example.

Worked example: a wood beam 100 mm wide and 150 mm high with a steel plate 12 mm thick under it, E of 10.5 and 210 GPa (the kind of Gere and Timoshenko's
Example 6-1, figures by hand below: transformed-section method, n = 20).
"""

from __future__ import annotations

import numpy as np
import pytest

from tiller.bow.composite import Above, bearing_mm, limb_section
from tiller.bow.section import crowned_section


def above(
    thick: list[float], stiff: list[float], dense: list[float] | None = None, bears: list[float] | None = None
) -> Above:
    ones = [1.0] * len(stiff)
    return Above(np.array(thick)[:, None], tuple(stiff), tuple(dense or ones), tuple(bears or ones))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("radius", "layers", "stiff"),
    [
        (None, [3.0], [1.8]),
        (90.0, [3.5], [2.5]),  # the crown is 2.8 mm high: all of it in the back's layer
        (60.0, [2.0], [0.15]),  # sinew-like; the crown, 4.2 mm, goes through the layer
        (70.0, [1.0, 4.0], [4.0, 0.8]),
    ],
)
def test_against_composite_finite_elements(radius: float | None, layers: list[float], stiff: list[float]) -> None:
    from sectionproperties.analysis import Section
    from sectionproperties.pre import Geometry, Material
    from sectionproperties.pre.geometry import CompoundGeometry
    from shapely import Polygon, box

    width, thick = 44.0, 15.0
    z = np.linspace(-width / 2, width / 2, 801)
    y = np.full_like(z, thick) if radius is None else thick - (radius - np.sqrt(radius**2 - z**2))
    whole = Polygon([(-width / 2, 0.0), (width / 2, 0.0), *zip(z[::-1], y[::-1], strict=True)])
    levels = [thick + 1, *(thick - np.cumsum(layers)), 0.0]
    pieces = []
    for k, share in enumerate([*stiff, 1.0]):
        name = f"layer {k}"
        wood = Material(name, 1000.0 * share, 0.3, 1.0, share, "grey")
        part = whole.intersection(box(-width, levels[k + 1], width, levels[k]))
        for piece in getattr(part, "geoms", [part]):
            pieces.append(Geometry(piece, material=wood))
    geometry = CompoundGeometry(pieces)
    geometry.create_mesh(mesh_sizes=[0.6])
    section = Section(geometry)
    section.calculate_geometric_properties()
    ours = limb_section(width, np.array([thick]), radius, above(layers, stiff))
    axis = section.get_c()[1]
    assert ours.neutral_axis_mm[0] == pytest.approx(axis, rel=3e-4)
    assert ours.second_moment_mm4[0] == pytest.approx(section.get_eic(e_ref=1000.0)[0], rel=5e-4)
    assert ours.to_back_mm[0] == pytest.approx(thick - axis, rel=5e-4)


def test_transformed_section_by_hand() -> None:
    """n = 20: h1 from the top = (15000 x 75 + 20 x 1200 x 156) / (15000 + 24000) = 124.846 mm; second moment by parallel axes."""
    n = 210.0 / 10.5
    area = 100 * 150 + n * 100 * 12
    from_top = (100 * 150 * 75 + n * 100 * 12 * 156) / area
    moment = 100 * 150**3 / 12 + 15000 * (from_top - 75) ** 2 + n * (100 * 12**3 / 12 + 1200 * (156 - from_top) ** 2)
    assert from_top == pytest.approx(124.846, abs=1e-3)
    ours = limb_section(100.0, np.array([162.0]), None, above([12.0], [n]))  # the plate is the back
    assert ours.to_belly_mm[0] == pytest.approx(from_top)
    assert ours.second_moment_mm4[0] == pytest.approx(moment)


def test_layers_of_one_wood_are_solid() -> None:
    for radius in (None, 80.0):
        solid = crowned_section(44.0, 15.0, radius)
        ours = limb_section(44.0, np.array([15.0]), radius, above([1.0, 2.5, 4.0], [1.0, 1.0, 1.0]))
        for name in ("area_mm2", "neutral_axis_mm", "second_moment_mm4", "to_back_mm"):
            assert getattr(ours, name)[0] == pytest.approx(float(getattr(solid, name)), rel=1e-9)


def test_a_stiff_back_draws_the_neutral_axis_to_it_and_a_soft_one_does_not() -> None:
    solid = crowned_section(44.0, 15.0, 90.0)
    stiff = limb_section(44.0, np.array([15.0]), 90.0, above([3.0], [2.0]))
    soft = limb_section(44.0, np.array([15.0]), 90.0, above([3.0], [0.1]))
    assert stiff.to_back_mm[0] < float(solid.to_back_mm) < soft.to_back_mm[0]
    assert stiff.second_moment_mm4[0] > float(solid.second_moment_mm4) > soft.second_moment_mm4[0]


def test_the_layer_that_bears_least_sets_the_limit() -> None:
    usual = bearing_mm(44.0, np.array([15.0]), None, above([3.0], [1.0]))
    assert usual[0] == pytest.approx(7.5)
    weak = bearing_mm(44.0, np.array([15.0]), None, above([3.0], [1.0], bears=[0.5]))
    assert weak[0] == pytest.approx(15.0)  # the back's fibre, 7.5 mm out, bears half
    strong = bearing_mm(44.0, np.array([15.0]), None, above([3.0], [0.2], bears=[10.0]))
    section = limb_section(44.0, np.array([15.0]), None, above([3.0], [0.2]))
    under = 12.0 - section.neutral_axis_mm[0]  # the belly wood's own outermost fibre is under the glue line
    assert strong[0] == pytest.approx(max(section.to_belly_mm[0], under))


def test_a_weight_counts_by_density() -> None:
    ours = limb_section(40.0, np.array([10.0]), None, above([2.0], [1.0], dense=[2.5]))
    assert ours.area_mm2[0] == pytest.approx(40 * 8 + 2.5 * 40 * 2)


def test_layers_thicker_than_the_limb_are_refused() -> None:
    with pytest.raises(ValueError, match="thicker than the limb"):
        limb_section(40.0, np.array([10.0]), None, above([6.0, 4.5], [1.0, 1.0]))
