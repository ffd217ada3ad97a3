"""Limbs as beams in space: torsion, sideways bending, what brings the string over the handle's middle."""
