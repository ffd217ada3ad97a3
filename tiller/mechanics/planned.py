"""What a plan says: where wood comes off, where none does, and what the bow is then."""

from __future__ import annotations

from dataclasses import dataclass

from tiller.mechanics.layers import Layer, layers

Limb = str


@dataclass(frozen=True)
class Zone:
    """A stretch to scrape.

    Attributes:
        limb, from_mm, to_mm: where, along the back from the pivot.
        depth_mm: all that is to come off there in the end; depth_sd_mm its sd.
        pass_mm: how much of it in this pass.
    """

    limb: Limb
    from_mm: float
    to_mm: float
    depth_mm: float
    depth_sd_mm: float
    pass_mm: float


@dataclass(frozen=True)
class LeftAlone:
    """A stretch not to be touched, and why."""

    limb: Limb
    from_mm: float
    to_mm: float
    reason: str


@dataclass(frozen=True)
class Plan:
    """A plan.

    Attributes:
        zones, left_alone: by limb, in order outward.
        now_n, after_pass_n, final_n: weight at the target draw now, after this pass, and after all of it.
        weight_sd_n, after_pass_sd_n: sd of the weight now and in the end, and after this pass, done by hand to 15 % of its depth.
        now_uneven, after_pass_uneven, final_uneven: departure of the strain from even along the working limbs, rms.
        even_strain: level of strain at the end; largest_strain: the largest at the target draw then.
        done: weight and tiller are within what can be told.
        even_weight_n: weight that an even tiller would end at (less than the target where a weak spot stands in the way).
        said: what stands in the way, with the price of each way out, in words.
    """

    zones: tuple[Zone, ...]
    left_alone: tuple[LeftAlone, ...]
    now_n: float
    after_pass_n: float
    final_n: float
    now_uneven: float
    after_pass_uneven: float
    final_uneven: float
    even_strain: float
    largest_strain: float
    even_weight_n: float
    weight_sd_n: float
    after_pass_sd_n: float
    done: bool
    said: tuple[str, ...]

    @property
    def layers(self) -> tuple[Layer, ...]:
        """This pass as it is scraped: long layers first, shorter ones that lie in them after."""
        return layers([(z.limb, z.from_mm, z.to_mm, z.pass_mm) for z in self.zones])
