"""The legend of an exposure map drawn: a column of zones with their borders' numbers beside it, and marks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..kernels.coverage import Box, Drawing, Layer, Polygon, Stencil
from .legend import PLATE, Legend, Row
from .lettering import lettering
from .zones import Colour, encoded, luminance

_INK = (0.94, 0.94, 0.94)
_DIM = (0.66, 0.66, 0.66)
_LEAST_CAPITALS = 7
"""Rows of a capital letter below which nobody reads it."""
_HEADINGS = {"stops": 1.0, "%": 1.0, "code": 1.15}
"""Columns of numbers, and their widths to that of a negative number."""
_AIR = 1.55
"""Rows of the picture to a row of letters, and what lies between them."""


class _Pen:
    """Shapes of a legend, gathered by colour."""

    def __init__(self, capitals: int) -> None:
        self.capitals = capitals
        self.layers: list[Layer] = []

    def text(self, words: str, left: float, baseline: float, colour: Colour = _INK, *, right: bool = False) -> float:
        """Draw a line; returns where it ends. right : `left` is where it ends."""
        line = lettering(words, self.capitals, edge=0)
        start = left - line.advance if right else left
        place = round(start) - line.start, round(baseline) - line.baseline
        self.layers.append(Layer((Stencil(*place, line.core),), colour))
        return start + line.advance

    def box(self, left: float, top: float, right: float, bottom: float, colour: Colour, opacity: float = 1.0) -> None:
        self.layers.append(Layer((Box(left, top, right, bottom),), colour, opacity))


def _width(words: str, capitals: int) -> float:
    return lettering(words, capitals, edge=0).advance


@dataclass(frozen=True, slots=True)
class _Layout:
    """Sizes in pixels. marks, swatch : widths; numbers : of the three columns; needed : of the whole"""

    capitals: int
    gap: float
    marks: float
    swatch: float
    numbers: tuple[float, ...]
    needed: int


def _lines(legend: Legend) -> float:
    """Rows of letters that a legend has room for."""
    return len(legend.rows) * 2 + len(legend.title) * 1.6 + 3


def _laid_out(legend: Legend, height: int) -> _Layout:
    """Raises: ValueError where the picture is too low for letters that can be read."""
    capitals = int(height / _lines(legend) / _AIR)
    if capitals < _LEAST_CAPITALS:
        raise ValueError(f"a legend of {len(legend.rows)} rows needs {least_height(legend)} lines, got {height}")
    capitals = min(capitals, 64)
    gap = capitals * 0.9
    marks = max((_width(mark.text, capitals) + 2 * gap for mark in legend.marks), default=0)
    swatch = max(_width(row.name, capitals) for row in legend.rows) + 2 * gap
    widest = _width("\N{MINUS SIGN}00.0", capitals)
    numbers = tuple(widest * share + gap for share in _HEADINGS.values())
    title = max(_width(line, capitals) for line in legend.title)
    needed = math.ceil(max(gap + marks + swatch + sum(numbers) + gap, gap * 2 + title))
    return _Layout(capitals, gap, marks, swatch, numbers, needed)


def legend_width(legend: Legend, height: int) -> int:
    """Columns that a legend takes at a height.

    Raises: ValueError where the picture is too low for letters that can be read.
    """
    return _laid_out(legend, height).needed


def least_height(legend: Legend) -> int:
    """Rows below which a legend's letters could not be read."""
    return math.ceil(_LEAST_CAPITALS * _lines(legend) * _AIR)


def draw_legend(
    legend: Legend,
    height: int,
    *,
    picture: tuple[int, int] | None = None,
    at: tuple[int, int] = (0, 0),
    opacity: float = 1.0,
) -> Drawing:
    """A legend of its own, or in a picture.

    height : rows of the legend
    picture : columns and rows of the drawing, None for as many as the legend takes
    at : where its left top corner lies; opacity : of the plate under it

    Raises: ValueError where it is too low for letters that can be read.
    """
    layout = _laid_out(legend, height)
    left, above = at
    pen = _Pen(layout.capitals)
    pen.box(left, above, left + layout.needed, above + height, PLATE, opacity)
    y = above + layout.gap + layout.capitals
    for line in legend.title:
        pen.text(line, left + layout.gap, y)
        y += layout.capitals * 1.9
    first = left + layout.gap + layout.marks
    places = np.cumsum([first + layout.swatch, *layout.numbers])[1:]
    for heading, place in zip(_HEADINGS, places, strict=True):
        pen.text(heading, float(place), y, _DIM, right=True)
    top = y + layout.gap
    each = (above + height - top - layout.gap) / len(legend.rows)
    for number, row in enumerate(legend.rows):
        area = first, top + number * each, first + layout.swatch, top + (number + 1) * each
        _row(pen, row, area, places, last=number == len(legend.rows) - 1)
    _marks(pen, legend, first, top, each)
    size = (layout.needed, height) if picture is None else picture
    return Drawing(*size, tuple(pen.layers))


def _row(pen: _Pen, row: Row, area: tuple[float, float, float, float], places: np.ndarray, *, last: bool) -> None:
    left, top, right, bottom = area
    shown = [_levels(colour) for colour in row.colours]
    pen.box(left, top, right, bottom, shown[-1])
    width = pen.capitals * 0.9
    if row.pattern == "clip":
        _stripes(pen, area, shown[0], width)
    elif row.pattern == "black":
        _dots(pen, area, shown[0], width)
    elif row.pattern == "picture":
        for at in range(1, 4, 2):
            across = left + (right - left) * at / 4
            pen.box(across - width / 4, top, across + width / 4, bottom, shown[0])
    middle = (top + bottom + pen.capitals) / 2
    wide, pad = _width(row.name, pen.capitals), pen.capitals * 0.5
    start = (left + right - wide) / 2
    light = luminance(row.colours[-1])
    if row.pattern:  # letters over a pattern need a ground of their own
        pen.box(start - pad, middle - pen.capitals - pad, start + wide + pad, middle + pad, PLATE)
        light = 0.0
    # Black on white beats white on black from .18 of light on: WCAG 2.1's contrast of both is the same there.
    pen.text(row.name, start, middle, _INK if light < 0.18 else (0.0, 0.0, 0.0))
    if row.border is not None and not last:
        pen.box(right, bottom - 0.5, float(places[-1]), bottom + 0.5, _DIM, 0.5)
        for place, words in zip(places, (row.border.stops, row.border.percent, row.border.code), strict=True):
            pen.box(
                float(place) - _width(words, pen.capitals) - pad,
                bottom - 1,
                float(place) + pad * 0.4,
                bottom + 1,
                PLATE,
            )
            pen.text(words, float(place), bottom + pen.capitals / 2, right=True)


def _stripes(pen: _Pen, area: tuple[float, float, float, float], colour: Colour, width: float) -> None:
    left, top, right, bottom = area
    high, at = bottom - top, left - (bottom - top)
    while at < right:
        corners = []
        for x, y in ((at, bottom), (at + width, bottom), (at + width + high, top), (at + high, top)):
            corners.append((x, y))
        pen.layers.append(Layer((Polygon(_within(corners, left, right)),), colour))
        at += 2 * width


def _within(corners: list[tuple[float, float]], left: float, right: float) -> tuple[tuple[float, float], ...]:
    """A polygon cut at two upright lines (Sutherland and Hodgman)."""
    for side, limit in ((1, left), (-1, right)):
        kept: list[tuple[float, float]] = []
        for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
            inside_a, inside_b = side * (ax - limit) >= 0, side * (bx - limit) >= 0
            if inside_a:
                kept.append((ax, ay))
            if inside_a != inside_b:
                kept.append((limit, ay + (by - ay) * (limit - ax) / (bx - ax)))
        corners = kept or [(limit, ay) for _, ay in corners]
    return tuple(corners)


def _dots(pen: _Pen, area: tuple[float, float, float, float], colour: Colour, width: float) -> None:
    left, top, right, bottom = area
    boxes = []
    y = top + width / 2
    while y < bottom:
        x = left + width / 2
        while x < right:
            boxes.append(Box(x, y, min(x + width / 2, right), min(y + width / 2, bottom)))
            x += width
        y += width
    pen.layers.append(Layer(tuple(boxes), colour))


def _marks(pen: _Pen, legend: Legend, right: float, top: float, each: float) -> None:
    """Marks beside the column, moved apart where they would lie over each other; their arrows stay in place."""
    least = pen.capitals * 1.7
    ordered = sorted(legend.marks, key=lambda mark: mark.at)
    lowest = -math.inf
    for mark in ordered:
        tip = top + mark.at * each
        line = max(tip, lowest + least)
        lowest = line
        reach = pen.capitals * 0.55
        pen.layers.append(
            Layer(
                (Polygon(((right - reach, tip - reach / 1.6), (right, tip), (right - reach, tip + reach / 1.6))),), _INK
            )
        )
        pen.text(mark.text, right - reach - pen.capitals * 0.45, line + pen.capitals / 2, right=True)


def _levels(colour: Colour) -> Colour:
    red, green, blue = encoded(np.asarray(colour))
    return float(red), float(green), float(blue)
