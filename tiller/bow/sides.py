"""Left and right, as the camera sees the bow: which limb, and a thing of both."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

T = TypeVar("T")
U = TypeVar("U")


class Side(StrEnum):
    """A limb. It is written as 'left' or 'right' in files, and reads so."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def sign(self) -> float:
        """The way outward along the rack's x: -1 to the left, +1 to the right."""
        return -1.0 if self is Side.LEFT else 1.0

    @property
    def index(self) -> int:  # type: ignore[override]
        """Its place where an array's axis is the limbs: left first."""
        return 0 if self is Side.LEFT else 1

    @property
    def other(self) -> Side:
        """The limb across the handle."""
        return Side.RIGHT if self is Side.LEFT else Side.LEFT


SIDES = (Side.LEFT, Side.RIGHT)


@dataclass(frozen=True)
class Pair(Generic[T]):
    """The same thing of both limbs; ``pair[side]`` is one of them, and it unpacks as left, right."""

    left: T
    right: T

    def __getitem__(self, at: Side | int) -> T:
        """That limb's; by its side, or by its place where it goes along an array's axis."""
        side = SIDES[at] if isinstance(at, int) else Side(at)
        return self.left if side is Side.LEFT else self.right

    def __iter__(self) -> Iterator[T]:
        """Left, right."""
        yield self.left
        yield self.right

    def each(self, make: Callable[[T], U]) -> Pair[U]:
        """Something made of each."""
        return Pair(make(self.left), make(self.right))

    def put(self, side: Side, value: T) -> Pair[T]:
        """The pair with another thing on that side."""
        return Pair(value, self.right) if Side(side) is Side.LEFT else Pair(self.left, value)

    def items(self) -> Iterator[tuple[Side, T]]:
        """Each with its side."""
        return zip(SIDES, self, strict=True)


def both(found: Mapping[Side, T]) -> Pair[T]:
    """A pair of what was found for each side."""
    return Pair(found[Side.LEFT], found[Side.RIGHT])


def of_sides(make: Callable[[Side], T]) -> Pair[T]:
    """Something made for each side."""
    return Pair(make(Side.LEFT), make(Side.RIGHT))
