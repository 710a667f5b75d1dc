"""Where labels go: beside the corner of what they name, and over no other label and no mark that matters while there is room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

Area = tuple[float, float, float, float]
"""left, top, right, bottom, pixels; right and bottom exclusive."""

COVERED, CORNER, ADRIFT, LEVEL, UPRIGHT = 1000.0, 4.0, 2.5, 1.5, 0.5
"""What it costs a place to cover another label or a mark, to hide a corner, to lie at no line of its own, and to lie across
another's line; in labels' lengths that it could move away instead."""


@dataclass(slots=True)
class Places:
    """The labels of one picture, each put in its place in turn.

    width, height : of the picture, pixels
    marks : what no label should cover
    outlines : rectangles whose sides are drawn; a label covers as little of them as may be
    """

    width: int
    height: int
    marks: list[Area] = field(default_factory=list)
    outlines: list[Area] = field(default_factory=list)

    def put(
        self, area: Area, size: tuple[int, int], pad: tuple[int, int], *, line: tuple[float, float], low: bool = False
    ) -> tuple[int, int]:
        """Left and top of a label's text, which then counts as a mark.

        area : the rectangle that it names; it goes inside its top left corner, or along its sides where that is taken
        size : columns and rows of the text, no larger than the picture
        pad : free pixels round it, across and down
        line : thickness of the outlines' lines, across and down
        low : it goes inside the bottom left corner
        """
        columns, rows = size
        across, down = pad
        start = self._held(area[0] + across, area[3] - rows - down if low else area[1] + down, size)

        def far(place: tuple[int, int]) -> float:
            return abs(place[0] - start[0]) / (columns + 2 * across) + abs(place[1] - start[1]) / (rows + down)

        def cost(place: tuple[int, int]) -> float:
            left, top = place
            plate = left - across, top - down / 2, left + columns + across, top + rows + down / 2
            covered = sum(COVERED for mark in self.marks if _meet(plate, mark))
            right, bottom = left + columns + across, top + rows + down
            upright = (left == start[0] and area[0] > 0) or self.width > area[2] <= right
            level = (top in (start[1], int(area[1]) + down) and area[1] > 0) or self.height > area[3] <= bottom
            adrift = 0.0 if place == start or upright or level else ADRIFT
            return covered + adrift + sum(_hidden(plate, outline, line) for outline in self.outlines)

        best, least = start, cost(start)
        for place in sorted(self._candidates(area, size, pad, start), key=far):
            if far(place) >= least:
                break
            price = far(place) + cost(place)
            if price < least:
                best, least = place, price
        left, top = best
        self.marks.append((left - across / 2, top - down / 4, left + columns + across / 2, top + rows + down / 4))
        return left, top

    def _held(self, left: float, top: float, size: tuple[int, int]) -> tuple[int, int]:
        """The nearest place inside the picture."""
        return min(max(int(left), 0), self.width - size[0]), min(max(int(top), 0), self.height - size[1])

    def _candidates(
        self, area: Area, size: tuple[int, int], pad: tuple[int, int], start: tuple[int, int]
    ) -> Iterator[tuple[int, int]]:
        """Places along all four sides of the area, and above and below it."""
        columns, rows = size
        across, down = pad
        step = max(1, (rows + down) // 4)
        for left in (start[0], int(area[2]) - columns - across):
            for top in (*range(start[1], -1, -step), *range(start[1], self.height - rows + 1, step)):
                yield self._held(left, top, size)
        for top in (start[1], int(area[1]) + down, int(area[3]) - rows - down):
            for left in range(start[0], max(start[0], int(area[2]) - columns - across) + 1, step):
                yield self._held(left, top, size)


def corner_marks(area: Area, reach: tuple[float, float]) -> list[Area]:
    """The squares that angles of a reach, across and down, take up inside a rectangle's corners."""
    x0, y0, x1, y1 = area
    across, down = reach
    return [
        (left, top, left + across, top + down) for left in (x0, x1 - across) for top in (y0, y1 - down)
    ]  # fmt: skip


def _meet(a: Area, b: Area) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _hidden(plate: Area, outline: Area, line: tuple[float, float]) -> float:
    """What a label hides of a rectangle's lines, which lie just outside it."""
    x0, y0, x1, y1 = outline
    across, down = line
    uprights = [(x0 - across, y0 - down, x0, y1 + down), (x1, y0 - down, x1 + across, y1 + down)]
    levels = [(x0 - across, y0 - down, x1 + across, y0), (x0 - across, y1, x1 + across, y1 + down)]
    met = [[_meet(plate, side) for side in sides] for sides in (uprights, levels)]
    if any(met[0]) and any(met[1]):
        return CORNER
    return UPRIGHT * sum(met[0]) + LEVEL * sum(met[1])


def outline_areas(areas: Iterable[Area], width: int, height: int) -> list[Area]:
    """Rectangles with the sides that lie on the picture's own border moved out of sight: no line is drawn there."""
    far = 2.0 * max(width, height)
    return [
        (x0 if x0 > 0 else -far, y0 if y0 > 0 else -far, x1 if x1 < width else far, y1 if y1 < height else far)
        for x0, y0, x1, y1 in areas
    ]
