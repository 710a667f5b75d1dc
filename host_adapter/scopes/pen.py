"""Shapes of a page, gathered as layers: boxes, lines, text with or without a dark edge; labels moved apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from ...kernels.coverage import Box, Drawing, Layer, Polygon, Stencil
from ..lettering import lettering

Colour = tuple[float, float, float]
PAGE = (0.145, 0.145, 0.145)
PLOT = (0.06, 0.06, 0.06)
RESERVED = (0.21, 0.19, 0.18)
INK = (0.9, 0.9, 0.89)
DIM = (0.64, 0.64, 0.63)
LINE = (0.8, 0.8, 0.79)
"""Neutral throughout but for the reserved codes, so that nothing tints the eye beside a picture."""


def width_of(text: str, capitals: int) -> float:
    """Columns of a line of text."""
    return lettering(text, capitals, edge=0).advance


@dataclass(slots=True)
class Pen:
    """capitals : rows of a capital letter; thick : pixels of a line"""

    capitals: int
    thick: int = 1
    layers: list[Layer] = field(default_factory=list)

    def text(
        self, words: str, x: float, baseline: float, colour: Colour = INK, *, align: float = 0.0, edged: bool = False
    ) -> None:
        """A line of text. align : 0 begins at x, 1 ends there, .5 has its middle there"""
        edge = max(self.capitals * 0.22, 1.0) if edged else 0.0
        line = lettering(words, self.capitals, edge=edge)
        place = round(x - line.advance * align) - line.start, round(baseline) - line.baseline
        if edged:
            self.layers.append(Layer((Stencil(*place, line.edge),), PLOT, 0.75))
        self.layers.append(Layer((Stencil(*place, line.core),), colour))

    def box(self, x0: float, y0: float, x1: float, y1: float, colour: Colour, opacity: float = 1.0) -> None:
        self.layers.append(Layer((Box(x0, y0, x1, y1),), colour, opacity))

    def upright(self, x: float, y0: float, y1: float, colour: Colour, opacity: float, dash: float = 0.0) -> None:
        """A line down; dash : its length, 0 for none."""
        left = round(x - self.thick / 2)
        self._dashed([(left, at, left + self.thick, end) for at, end in _dashes(y0, y1, dash)], colour, opacity)

    def level(self, y: float, x0: float, x1: float, colour: Colour, opacity: float, dash: float = 0.0) -> None:
        """A line across."""
        top = round(y - self.thick / 2)
        self._dashed([(at, top, end, top + self.thick) for at, end in _dashes(x0, x1, dash)], colour, opacity)

    def _dashed(self, boxes: list[tuple[float, float, float, float]], colour: Colour, opacity: float) -> None:
        self.layers.append(Layer(tuple(Box(*each) for each in boxes), colour, opacity))

    def outline(
        self, corners: Sequence[tuple[float, float]], colour: Colour, opacity: float, *, close: bool = True
    ) -> None:
        """Lines from corner to corner, and back to the first."""
        ends = [*corners[1:], corners[0]] if close else corners[1:]
        shapes = []
        for (ax, ay), (bx, by) in zip(corners, ends, strict=False):
            length = ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
            if length:
                dx, dy = (ay - by) / length * self.thick / 2, (bx - ax) / length * self.thick / 2
                shapes.append(Polygon(((ax + dx, ay + dy), (bx + dx, by + dy), (bx - dx, by - dy), (ax - dx, ay - dy))))
        self.layers.append(Layer(tuple(shapes), colour, opacity))

    def diamond(self, x: float, y: float, reach: float, colour: Colour, opacity: float = 1.0) -> None:
        """The outline of a square on its corner."""
        self.outline([(x, y - reach), (x + reach, y), (x, y + reach), (x - reach, y)], colour, opacity)

    def drawing(self, width: int, height: int) -> Drawing:
        return Drawing(width, height, tuple(self.layers))


def _dashes(start: float, end: float, dash: float) -> list[tuple[float, float]]:
    if not dash:
        return [(start, end)]
    made, at = [], start
    while at < end:
        made.append((at, min(at + dash, end)))
        at += 1.7 * dash
    return made


def moved_apart(places: Sequence[float], least: float, low: float, high: float) -> list[float] | None:
    """Places in order, moved so that neighbours are `least` apart within low and high; None where they do not fit."""
    if (len(places) - 1) * least > high - low:
        return None
    out: list[float] = []
    for number, place in enumerate(places):
        out.append(max(place, low + number * least, out[-1] + least if out else low))
    limit = high
    for number in reversed(range(len(out))):
        out[number] = min(out[number], limit)
        limit = out[number] - least
    return out
