"""Where everything stands on a contact sheet: pure geometry, no pictures and no text, only their proportions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

PAGE_WIDTH = 2240
NARROWEST = 1920
MARGIN = 72
GAP = 48
"""Between neighbours, pixels."""

TITLE_HEIGHT = 60
TITLE_GAP = 36
TOP = MARGIN + TITLE_HEIGHT + TITLE_GAP
"""Where the frame begins."""

LABEL_GAP = 12
LABEL_HEIGHT = 68
"""Two lines under a picture."""
NOTE_HEIGHT = 34
"""One line at the foot."""

LABEL_WIDTH = 340
"""A label may make its place wider than a narrow picture, up to this; a longer one is shortened."""

FRAME_HEIGHT = 1500
"""The highest that the frame is drawn, so that an upright one leaves a page that fits a screen."""

LONGEST_PAGE = 1.15 * PAGE_WIDTH
"""Pixels without the notes; longer only where the crops find no room otherwise."""

SHOWN_ON = math.sqrt(2)
"""Width to height of what the page is shown on: paper laid across, a little less wide than a screen."""

SAME_SCALE = 1.7
"""Crops whose heights differ by no more than this keep their scale to one another; others are drawn equally high."""


@dataclass(frozen=True, slots=True)
class Box:
    """Whole pixels of the page."""

    x: int
    y: int
    width: int
    height: int

    @property
    def right(self) -> int:
        return self.x + self.width

    @property
    def bottom(self) -> int:
        return self.y + self.height

    def overlaps(self, other: Box) -> bool:
        return self.x < other.right and other.x < self.right and self.y < other.bottom and other.y < self.bottom


@dataclass(frozen=True, slots=True)
class Item:
    """A crop to be placed.

    width, height : of its picture, pixels of its own
    label : pixels that its label would like to have across
    """

    width: int
    height: int
    label: int


@dataclass(frozen=True, slots=True)
class Layout:
    """The page and what stands on it; crops and labels in the order that they were given."""

    width: int
    height: int
    title: Box
    frame: Box
    frame_label: Box
    crops: tuple[Box, ...]
    labels: tuple[Box, ...]
    notes: Box

    def with_notes(self, lines: int) -> Layout:
        """The same page, longer by so many lines at its foot."""
        notes = Box(self.notes.x, self.notes.y + (GAP if lines else 0), self.notes.width, lines * NOTE_HEIGHT)
        return replace(self, height=notes.bottom + MARGIN, notes=notes)

    def boxes(self) -> tuple[Box, ...]:
        return (self.title, self.frame, self.frame_label, *self.crops, *self.labels, self.notes)


@dataclass(frozen=True, slots=True)
class _Row:
    """Neighbours: their pictures' sizes, and the widths that they take with their labels."""

    sizes: tuple[tuple[float, float], ...]
    cells: tuple[float, ...]


def arrange(frame: tuple[int, int], items: Sequence[Item]) -> Layout:
    """The best of many arrangements: crops beside the frame or below it, in one row or several.

    frame : its width and height
    Best is where frame and crops are largest on a page that is shown whole on a screen or on paper.
    """
    found = list(_arrangements(frame, items, LONGEST_PAGE)) or list(_arrangements(frame, items, math.inf))
    return max(found, key=_merit)


def _arrangements(frame: tuple[int, int], items: Sequence[Item], longest: float) -> Iterator[Layout]:
    ratio = frame[0] / frame[1]
    whole = PAGE_WIDTH - 2 * MARGIN
    widest = max(min(whole, FRAME_HEIGHT * ratio), 1.0)
    if not items:
        yield _page(_framed(widest, ratio), (0.0, 0.0), [])
        return
    units, least = _units(items), NARROWEST - 2.0 * MARGIN
    for rows in range(1, len(items) + 1):
        for step in range(100, 29, -2):
            size = _framed(widest * step / 100, ratio)
            taken = max(size[0], LABEL_WIDTH) + GAP
            places = [(whole - taken, size[1], (taken, 0.0))]
            # Below it, the crops share both sides with the frame (an upright one aside): a block, not a heap.
            if step == 100 or size[0] >= least:
                down = size[1] + LABEL_GAP + LABEL_HEIGHT // 2 + GAP
                places.append(
                    (max(size[0], least), longest - TOP - down - LABEL_GAP - LABEL_HEIGHT - MARGIN, (0.0, down))
                )
            for width, height, corner in places:
                placed = _rows(units, items, rows, (width, height), size)
                if placed:
                    yield _page(size, corner, placed)


def _framed(width: float, ratio: float) -> tuple[float, float]:
    return width, max(width / ratio, 1.0)


def _units(items: Sequence[Item]) -> list[tuple[float, float]]:
    """Sizes as parts of the height of the highest: to one scale where that leaves none tiny, else equally high."""
    highest = max(item.height for item in items)
    one_scale = highest <= SAME_SCALE * min(item.height for item in items)
    heights = [item.height / highest if one_scale else 1.0 for item in items]
    return [(height * item.width / item.height, height) for item, height in zip(items, heights, strict=True)]


def _rows(
    units: Sequence[tuple[float, float]],
    items: Sequence[Item],
    count: int,
    room: tuple[float, float],
    frame: tuple[float, float],
) -> list[_Row]:
    """Crops as large as the room allows in so many rows; empty where they do not fit."""
    between = LABEL_GAP + LABEL_HEIGHT + GAP
    tallest = min((room[1] - (count - 1) * between) / count, frame[1])
    most_wide = min(room[0], frame[0])
    if tallest < 1 or room[0] < LABEL_WIDTH:
        return []

    def cells(height: float) -> list[float]:
        return [
            max(_fitted(unit, height, most_wide)[0], min(item.label, LABEL_WIDTH, room[0]))
            for unit, item in zip(units, items, strict=True)
        ]

    low, high = 1.0, tallest
    if not _fits(cells(low), count, room[0]):
        return []
    for _ in range(24):
        middle = (low + high) / 2
        if _fits(cells(middle), count, room[0]):
            low = middle
        else:
            high = middle
    widths = cells(low)
    sizes = [_fitted(unit, low, most_wide) for unit in units]
    spans = _shared_out(widths, count, room[0])
    return [_Row(tuple(sizes[start:end]), tuple(widths[start:end])) for start, end in spans]


def _fitted(unit: tuple[float, float], height: float, most_wide: float) -> tuple[float, float]:
    """A picture at the common height, or lower where it would be too wide."""
    scale = min(height, most_wide / unit[0])
    return max(unit[0] * scale, 1.0), max(unit[1] * scale, 1.0)


def _fits(widths: Sequence[float], count: int, room: float) -> bool:
    rows, used = 1, -float(GAP)
    for width in widths:
        if width > room:
            return False
        if used + GAP + width > room:
            rows, used = rows + 1, -float(GAP)
        used += GAP + width
    return rows <= count


def _shared_out(widths: Sequence[float], count: int, room: float) -> list[tuple[int, int]]:
    """Beginnings and ends of at most `count` rows, in order, whose widest is as narrow as can be."""
    low, high = max(widths), room
    for _ in range(24):
        middle = (low + high) / 2
        low, high = (low, middle) if _fits(widths, count, middle) else (middle, high)
    rows, start, used = [], 0, -float(GAP)
    for at, width in enumerate(widths):
        if used + GAP + width > high:
            rows.append((start, at))
            start, used = at, -float(GAP)
        used += GAP + width
    return [*rows, (start, len(widths))]


def _page(frame: tuple[float, float], corner: tuple[float, float], rows: Sequence[_Row]) -> Layout:
    shown = Box(MARGIN, TOP, round(frame[0]), round(frame[1]))
    frame_label = Box(shown.x, shown.bottom + LABEL_GAP, max(shown.width, LABEL_WIDTH), LABEL_HEIGHT // 2)
    crops: list[Box] = []
    labels: list[Box] = []
    x, y = MARGIN + round(corner[0]), TOP + round(corner[1])
    right, bottom = max(shown.right, frame_label.right), frame_label.bottom
    for row in rows:
        base = y + max(round(height) for _, height in row.sizes)
        at = 0.0
        for (width, height), cell in zip(row.sizes, row.cells, strict=True):
            crops.append(Box(x + round(at), base - round(height), round(width), round(height)))
            labels.append(Box(x + round(at), base + LABEL_GAP, round(cell), LABEL_HEIGHT))
            right = max(right, crops[-1].right, labels[-1].right)
            at += cell + GAP
        bottom = max(bottom, base + LABEL_GAP + LABEL_HEIGHT)
        y = base + LABEL_GAP + LABEL_HEIGHT + GAP
    width = max(right + MARGIN, NARROWEST if rows else NARROWEST // 2)
    across = width - 2 * MARGIN
    foot = Box(MARGIN, bottom, across, 0)
    title = Box(MARGIN, MARGIN, across, TITLE_HEIGHT)
    return Layout(width, foot.bottom + MARGIN, title, shown, frame_label, tuple(crops), tuple(labels), foot)


def _merit(layout: Layout) -> float:
    """How large frame and crops (by their geometric mean) are where the page is shown whole on SHOWN_ON."""
    page = max(layout.width, layout.height * SHOWN_ON) ** 2
    merit = math.log(layout.frame.width * layout.frame.height / page)
    if layout.crops:
        merit += sum(math.log(box.width * box.height / page) for box in layout.crops) / len(layout.crops)
    return merit
