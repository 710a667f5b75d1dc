"""A window that moves: keyframes in time, eased between, exact at every moment."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from itertools import pairwise

from .framing import Picture, Wanted, Window, exact_size, place_at


class Ease(Enum):
    """How a window goes from one key to the next. t is the part of the time between them that has passed."""

    SMOOTH = "smooth"
    """3 t^2 - 2 t^3: starts and ends at rest."""
    LINEAR = "linear"
    """t: at one speed."""
    HOLD = "hold"
    """0 until the next key: a cut."""

    def apply(self, part: Fraction) -> Fraction:
        if self is Ease.SMOOTH:
            return part * part * (3 - 2 * part)
        return part if self is Ease.LINEAR else Fraction(0)


@dataclass(frozen=True, slots=True)
class Key:
    """Where a window is at one time.

    time : seconds from the first frame
    x, y : its middle, 0..1 across and down the picture
    part : its size as a part of what was asked for: of the largest that fits, or of its size in pixels
    ease : how it leaves for the next key

    Raises: ValueError naming the field and the value.
    """

    time: Fraction
    x: Fraction
    y: Fraction
    part: Fraction = Fraction(1)
    ease: Ease = Ease.SMOOTH

    def __post_init__(self) -> None:
        if self.time < 0:
            raise ValueError(f"time must not be negative, got {float(self.time):g}")
        for name in ("x", "y"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be 0..1, got {float(getattr(self, name)):g}")
        if not 0 < self.part <= 1:
            raise ValueError(f"part must be above 0 and at most 1, got {float(self.part):g}")


@dataclass(frozen=True, slots=True)
class WindowPath:
    """Keys in the order of time. Before the first and after the last the window rests.

    Raises: ValueError for no keys, or for times that do not rise.
    """

    keys: tuple[Key, ...]

    def __post_init__(self) -> None:
        if not self.keys:
            raise ValueError("a path needs at least one key")
        for number, (key, following) in enumerate(pairwise(self.keys), start=1):
            if following.time <= key.time:
                raise ValueError(
                    f"times must rise from key to key, but key {number} is at {float(key.time):g} s "
                    f"and key {number + 1} at {float(following.time):g} s"
                )

    @property
    def zooms(self) -> bool:
        """True where the window's size changes on the way."""
        return len({key.part for key in self.keys}) > 1

    def window(self, wanted: Wanted, picture: Picture, time: Fraction) -> Window:
        """The window at a time.

        A key that would push the window over the picture's edge counts as the nearest place inside, so that the way
        between two keys stays inside too and arrives without a jolt.

        Raises: ValueError where the window is larger than the picture.
        """
        x, y, part = self._at(exact_size(wanted, picture), picture, time)
        return place_at(wanted, picture, (x, y), part)

    def held_in(self, wanted: Wanted, picture: Picture) -> list[int]:
        """Numbers, from 1, of the keys that lie too near the edge for the window and count as further in."""
        size = exact_size(wanted, picture)
        return [number for number, key in enumerate(self.keys, 1) if _inside(key, size, picture)[:2] != (key.x, key.y)]

    def _at(
        self, size: tuple[Fraction, Fraction], picture: Picture, time: Fraction
    ) -> tuple[Fraction, Fraction, Fraction]:
        following = bisect_right([key.time for key in self.keys], time)
        before = self.keys[max(following - 1, 0)]
        here = _inside(before, size, picture)
        if following in (0, len(self.keys)):
            return here
        there = _inside(self.keys[following], size, picture)
        gone = before.ease.apply((time - before.time) / (self.keys[following].time - before.time))
        x, y, part = (a + (b - a) * gone for a, b in zip(here, there, strict=True))
        return x, y, part


def _inside(key: Key, size: tuple[Fraction, Fraction], picture: Picture) -> tuple[Fraction, Fraction, Fraction]:
    across = size[0] * key.part / picture.width / 2
    down = size[1] * key.part / picture.height / 2
    return min(max(key.x, across), 1 - across), min(max(key.y, down), 1 - down), key.part
