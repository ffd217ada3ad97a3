"""What a limb's layers are made of beside the woods of the table: bamboo and backings.

Values are orders of size for a first forecast; the pull measures the limb's stiffness. All are from memory, source beside each; strains are what a
backing is trusted with in use, three quarters of its breaking strain where that is what the source gives (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

from tiller.bow.wood.moisture import modulus_at, strain_at
from tiller.bow.wood.woods import find_wood


@dataclass(frozen=True)
class Material:
    """A layer's material along the limb: modulus, the strain that it bears, density, and where that comes from."""

    name: str
    modulus_gpa: float
    strain: float
    density_kg_m3: float
    source: str


MATERIALS = (
    Material("bamboo", 20.0, 0.0115, 900.0, "Janssen, Mechanical Properties of Bamboo (1991), outer culm wall (from memory)"),
    Material("sinew", 1.5, 0.06, 1100.0, "tendon: Bennett, Ker, Dimery and Alexander, J. Zoology 209 (1986) (from memory)"),
    Material("rawhide", 0.8, 0.08, 1100.0, "common practice, no source"),
    Material("horn", 3.5, 0.04, 1300.0, "keratin of horn, in compression: Kitchener and Vincent, J. Materials Science 22 (1987) (from memory)"),
    Material("silk", 6.0, 0.03, 1200.0, "silk cloth in glue, common practice, no source"),
    Material("linen", 10.0, 0.012, 1200.0, "flax cloth in glue, common practice, no source"),
    Material("glass", 41.0, 0.021, 1950.0, "unidirectional E-glass in epoxy: Daniel and Ishai, Engineering Mechanics of Composite Materials, Table A.4 (from memory)"),
)  # fmt: skip


def plain_name(name: str) -> str:
    """A name as it is compared: small letters, single spaces."""
    return " ".join(name.lower().split())


def find_material(name: str, moisture: float | None) -> Material | None:
    """The backing or the table's wood of that name, or None."""
    wanted = plain_name(name)
    for material in MATERIALS:
        if material.name == wanted:
            return material
    wood = find_wood(name)
    if wood is None:
        return None
    strain, _ = strain_at(wood, moisture)
    return Material(wood.name, modulus_at(wood, moisture), strain, wood.density_kg_m3, wood.source)
