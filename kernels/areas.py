"""Rectangles in recorded pixels over exact fractions, and what is measured out inside one: safe areas and grids."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from .encoding import round_half_away

MOST_PARTS = 100
"""Parts that a rectangle is divided into: more could not be told apart."""


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle in recorded pixels, edges as exact fractions; x1 and y1 are exclusive."""

    x0: Fraction
    y0: Fraction
    x1: Fraction
    y1: Fraction

    @property
    def width(self) -> Fraction:
        return self.x1 - self.x0

    @property
    def height(self) -> Fraction:
        return self.y1 - self.y0

    @property
    def area(self) -> Fraction:
        return self.width * self.height

    @property
    def whole(self) -> bool:
        """True where every edge lies between two pixels."""
        return all(edge.denominator == 1 for edge in (self.x0, self.y0, self.x1, self.y1))

    def within(self, other: Rect) -> bool:
        return other.x0 <= self.x0 and other.y0 <= self.y0 and self.x1 <= other.x1 and self.y1 <= other.y1

    def common(self, other: Rect) -> Rect | None:
        """What both cover; None where they have no area in common."""
        x0, y0 = max(self.x0, other.x0), max(self.y0, other.y0)
        x1, y1 = min(self.x1, other.x1), min(self.y1, other.y1)
        return Rect(x0, y0, x1, y1) if x0 < x1 and y0 < y1 else None

    def pixels(self) -> tuple[int, int, int, int]:
        """x, y, width, height.

        Raises: ValueError where an edge cuts through a pixel.
        """
        if not self.whole:
            raise ValueError(f"rect must have whole edges, got {self}")
        return int(self.x0), int(self.y0), int(self.width), int(self.height)


def rect(x: Fraction | int, y: Fraction | int, width: Fraction | int, height: Fraction | int) -> Rect:
    """A rectangle of its corner and size."""
    return Rect(Fraction(x), Fraction(y), Fraction(x) + width, Fraction(y) + height)


ACTION_SAFE = Fraction(93, 100)
TITLE_SAFE = Fraction(90, 100)
"""Parts of width and height that are safe for action and for titles. Source: SMPTE ST 2046-1:2009; ITU-R BT.1848-1;
EBU R 95 v1.1, all for 16:9; inside windows of other ratios the same parts are common practice."""


def safe_area(part: Fraction, within: Rect) -> Rect:
    """The safe area inside a rectangle of whole pixels: the same whole number of pixels in from opposite edges, one left at least.

    part : of width and height that is safe, above 0 and at most 1
    Raises: ValueError for any other part.
    """
    if not 0 < part <= 1:
        raise ValueError(f"part must be above 0 and at most 1, got {float(part):g}")
    across, down = (
        min(round_half_away(side * (1 - part) / 2), (int(side) - 1) // 2) for side in (within.width, within.height)
    )
    return Rect(within.x0 + across, within.y0 + down, within.x1 - across, within.y1 - down)


def divisions(count: int, start: Fraction, end: Fraction) -> Iterator[Fraction]:
    """The places that divide a length into equal parts, the ends left out.

    Raises: ValueError for less than one part, or more than a person could tell apart.
    """
    if not 1 <= count <= MOST_PARTS:
        raise ValueError(f"count must be 1..{MOST_PARTS}, got {count}")
    return (start + (end - start) * number / count for number in range(1, count))
