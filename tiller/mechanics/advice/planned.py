"""What a plan says: where wood comes off, where none does, and what the bow is then."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tiller.mechanics.advice.layers import Layer, layers
from tiller.notes import Note

Limb = str


@dataclass(frozen=True, kw_only=True)
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


Lack = Literal["braced", "draw", "weight", "strained", "doubt"]


@dataclass(frozen=True)
class Missing:
    """What a bow lacks before it may be called done.

    Attributes:
        what: 'braced': no braced pull yet; 'draw': it was not drawn far enough; 'weight': it is off its target; 'strained': a stretch is strained
            more than is wanted; 'doubt': a stretch is not known well enough.
        size: draw to pull to in mm (braced, draw); now over target less one (weight); strain over the wanted one less one (strained); its sd (doubt).
        limb, from_mm, to_mm: the stretch; '' and NaN where none is meant.
    """

    what: Lack
    size: float
    limb: Limb = ""
    from_mm: float = float("nan")
    to_mm: float = float("nan")


@dataclass(frozen=True)
class Doubtful:
    """The stretch that is known worst: its limb and middle, and the sd with which its departure from what is wanted is known."""

    limb: Limb
    at_mm: float
    sd: float


@dataclass(frozen=True)
class Band:
    """How uneven the true bow is expected to be, rms, and the ends between which it is in 80 of 100 bows."""

    expected: float
    low: float
    high: float


@dataclass(frozen=True)
class Showed:
    """What the pull that a plan rests on showed.

    Attributes:
        weight_sd_n: sd of the forecast of the bow's weight.
        braced, drawn_mm: whether it was braced, and how far it was drawn.
        weak: marked weak stretches (limb, from, to), left alone in any case.
    """

    weight_sd_n: float
    braced: bool
    drawn_mm: float
    weak: tuple[tuple[Limb, float, float], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan.

    Attributes:
        zones, left_alone: by limb, in order outward.
        now_n, after_pass_n, final_n: weight at the target draw now, after this pass, and after all of it.
        weight_sd_n, after_pass_sd_n: sd of the weight now and in the end, and after this pass, done by hand to 15 % of its depth.
        now, after_pass, final: departure of the true bow's strain from what is wanted along the working limbs.
        even_strain: level of strain at the end; largest_strain: the largest at the target draw then.
        doubtful: the stretch that is known worst.
        missing: what is lacking before the bow may be called done; empty where it is done.
        even_weight_n: weight that an even tiller would end at (less than the target where a weak spot stands in the way).
        notes: what stands in the way, with the price of each way out, in words.
    """

    zones: tuple[Zone, ...]
    left_alone: tuple[LeftAlone, ...]
    now_n: float
    after_pass_n: float
    final_n: float
    now: Band
    after_pass: Band
    final: Band
    even_strain: float
    largest_strain: float
    even_weight_n: float
    weight_sd_n: float
    after_pass_sd_n: float
    doubtful: Doubtful
    missing: tuple[Missing, ...]
    notes: tuple[Note, ...]

    @property
    def done(self) -> bool:
        """Nothing is lacking."""
        return not self.missing

    @property
    def shaped(self) -> bool:
        """Weight and tiller are as they shall be, as far as this pull tells; a further pull may still be lacking."""
        return all(m.what in ("braced", "draw") for m in self.missing)

    @property
    def layers(self) -> tuple[Layer, ...]:
        """This pass as it is scraped: long layers first, shorter ones that lie in them after."""
        return layers([(z.limb, z.from_mm, z.to_mm, z.pass_mm) for z in self.zones])
