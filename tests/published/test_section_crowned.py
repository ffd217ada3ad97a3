"""Section of a limb with a crowned back against the general-purpose package sectionproperties (finite elements),
and against the rectangle's formulas b h, b h^3 / 12.
"""

import numpy as np
import pytest

from tiller.bow.section import crowned_section, sagitta_mm


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("width", "thickness", "radius"), [(43.0, 16.0, 90.0), (20.0, 11.0, 60.0), (48.0, 14.0, 300.0)]
)
def test_against_finite_elements(width: float, thickness: float, radius: float) -> None:
    from sectionproperties.analysis import Section
    from sectionproperties.pre import Geometry
    from shapely import Polygon

    z = np.linspace(-width / 2, width / 2, 401)
    y = thickness - (radius - np.sqrt(radius**2 - z**2))
    outline = [(-width / 2, 0.0), (width / 2, 0.0), *zip(z[::-1], y[::-1], strict=True)]
    geometry = Geometry(Polygon(outline))
    geometry.create_mesh(mesh_sizes=[2.0])
    section = Section(geometry)
    section.calculate_geometric_properties()
    ours = crowned_section(width, thickness, radius)
    assert ours.area_mm2 == pytest.approx(section.get_area(), rel=2e-5)
    assert ours.neutral_axis_mm == pytest.approx(section.get_c()[1], rel=2e-5)
    assert ours.second_moment_mm4 == pytest.approx(section.get_ic()[0], rel=5e-5)
    assert ours.to_back_mm == pytest.approx(thickness - section.get_c()[1], rel=2e-5)


def test_rectangle() -> None:
    ours = crowned_section(40.0, 15.0)
    assert ours.area_mm2 == pytest.approx(40 * 15)
    assert ours.second_moment_mm4 == pytest.approx(40 * 15**3 / 12)
    assert ours.to_back_mm == ours.to_belly_mm == pytest.approx(7.5)


def test_flat_is_the_limit_of_a_large_radius() -> None:
    flat = crowned_section(40.0, 15.0).second_moment_mm4
    gaps = [float(flat - crowned_section(40.0, 15.0, r).second_moment_mm4) for r in (500.0, 1000.0, 2000.0)]
    assert gaps[0] > gaps[1] > gaps[2] > 0
    assert gaps[0] / gaps[1] == pytest.approx(2.0, rel=0.03)  # the sagitta goes as 1 / R


def test_sagitta_and_refusals() -> None:
    assert sagitta_mm(60.0, 50.0) == pytest.approx(50 - 40)  # 3-4-5 triangle
    with pytest.raises(ValueError, match="cannot come from a back"):
        sagitta_mm(100.0, 40.0)
    with pytest.raises(ValueError, match="higher than the limb"):
        crowned_section(80.0, 3.0, 41.0)
    with pytest.raises(ValueError, match="positive and finite"):
        crowned_section(40.0, float("nan"))
