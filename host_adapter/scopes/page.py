"""A page of scopes: what is drawn once, and the traces of one frame after another on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...kernels.encoding import Encoding, Model
from ...kernels.matrix import Matrix
from ...kernels.overlay import premultiplied
from ...kernels.traces import Touched, area_density, bars, brightness, column_density, lay
from .layout import Area, capitals_for, panels_of
from .measure import Measured, Wanted
from .names import RGB
from .pen import DIM, PAGE, Colour, Pen, width_of
from .plots import Look, Plot, draw_panel

WAVE = (0.0006, 0.04)
"""Density that is about to be seen, and that is seen at full: of a column in a 400th of its height."""
VECTOR = (1.5e-6, 2e-3)
"""The same of a picture in a 400th of both sides."""

NEUTRAL: Colour = (0.9, 0.9, 0.88)
TINTS: dict[str, Colour] = dict(zip(RGB, ((1.0, 0.46, 0.42), (0.56, 0.88, 0.52), (0.5, 0.66, 1.0)), strict=True))
PAIR: tuple[Colour, Colour] = ((1.0, 0.7, 0.34), (0.36, 0.66, 1.0))
"""Of two recordings over each other; where both are, their light adds up to nearly white."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One recording on a page.

    matrix : of its Y'CbCr, or what R'G'B' is turned into Y'CbCr by
    title : what is written over its scopes; '' for nothing
    levels : its codes stand for floating-point levels
    """

    encoding: Encoding
    model: Model
    matrix: Matrix
    title: str = ""
    levels: bool = False


@dataclass(frozen=True, slots=True)
class _Group:
    """Recordings that share plots."""

    members: tuple[int, ...]
    plots: tuple[Plot, ...]


class Page:
    """kind : of scopes.names.KINDS; over : traces of all recordings in the same plots, else side by side

    size : columns and rows; curve : levels that people look for, by what they are
    matrix : targets are those of the first recording's

    Raises: ValueError for a kind that a recording has not.
    """

    def __init__(
        self, kind: str, size: tuple[int, int], shown: Sequence[Shown], *, curve: Mapping[str, float] | None = None,
        over: bool = False,
    ) -> None:  # fmt: skip
        self.size, self.shown, self.over = size, tuple(shown), over
        self.capitals = capitals_for(*size)
        self._gap = max(self.capitals, min(size) // 60, 1)
        thick = max(1, round(self.capitals / 11))
        below, above = Pen(self.capitals, thick), Pen(self.capitals, thick)
        below.box(0, 0, *size, PAGE)
        margin = self._gap if self.capitals else max(self._gap // 2, 1)
        page = Area(0, 0, *size).inside(margin, margin, margin, margin)
        members = [tuple(range(len(shown)))] if over else [(number,) for number in range(len(shown))]
        areas = page.across(*[1] * len(members), gap=2 * self._gap)
        self._groups, self._heads = [], []
        encodings = tuple(each.encoding for each in shown)
        for own, area in zip(members, areas, strict=True):
            head, body = self._headed(own, area, above)
            self._heads.append(head)
            first = shown[own[0]]
            model = Model.GRAY if any(shown[number].model is Model.GRAY for number in own) else first.model
            if over and any(shown[number].model is not model for number in own):
                model = Model.RGB if model is not Model.GRAY else model
            sides = tuple(dict.fromkeys(replace(encodings[number], model=first.encoding.model) for number in own))
            # Side by side they have one scale too: what is level in both is equal.
            look = Look(encodings, sides, first.levels, first.matrix, curve or {})
            plots: list[Plot] = []
            for panel in panels_of(kind, body, model, self._gap):
                plots += draw_panel(panel, look, below, above)
            self._groups.append(_Group(own, tuple(plots)))
        self._under = premultiplied(below.drawing(*size))
        self._above = Touched(premultiplied(above.drawing(*size)))

    def _headed(self, own: tuple[int, ...], area: Area, above: Pen) -> tuple[list[tuple[int, float, float]], Area]:
        """Titles of the recordings over an area; returns where their notes begin, and what is left of the area."""
        titles = [(number, self.shown[number].title) for number in own if self.shown[number].title]
        capitals = self.capitals
        if not capitals or not titles:
            return [], area
        y = area.y0 + capitals
        heads: list[tuple[int, float, float]] = []
        for number, title in titles:
            left = float(area.x0)
            if self.over:
                above.box(left, y - capitals, left + 2 * capitals, y, PAIR[number])
                left += 2.8 * capitals
            words = fitted(title, capitals, area.x1 - left)
            if words:
                above.text(words, left, y)
                heads.append((number, left + width_of(words, capitals) + 1.5 * capitals, y))
            y += round(capitals * 1.9)
        return heads, Area(area.x0, round(y - capitals * 0.4), area.x1, area.y1)

    def wanted(self, number: int) -> Wanted:
        """The counts that a recording's plots are drawn from."""
        (group,) = (group for group in self._groups if number in group.members)
        waves = {plot.name: plot.area.width for plot in group.plots if plot.kind == "wave"}
        rows = max((plot.area.height for plot in group.plots if plot.kind == "wave"), default=1)
        histograms = tuple(plot.name for plot in group.plots if plot.kind == "histogram")
        return Wanted(waves, rows, any(plot.kind == "vector" for plot in group.plots), histograms)

    def draw(self, measured: Sequence[Measured], notes: Sequence[str] = ()) -> Any:
        """One frame of every recording: levels R'G'B'A, float32 [rows, columns, 4], alpha 1.

        notes : of this frame, written after the titles
        """
        canvas = self._under.copy()
        for group in self._groups:
            for plot in group.plots:
                for number in group.members:
                    self._trace(canvas, plot, measured[number], PAIR[number] if self.over else None)
        self._above.lay(canvas)
        if notes and any(notes):
            pen = Pen(self.capitals)
            for head, group in zip(self._heads, self._groups, strict=True):
                right = max((plot.area.x1 for plot in group.plots), default=self.size[0])
                for number, left, y in head:
                    words = fitted(notes[number], self.capitals, right - left)
                    if words:
                        pen.text(words, left, y, DIM)
            if pen.layers:
                rows = range(
                    min(self.size[1], max(round(y) for head in self._heads for _, _, y in head) + 2 * self.capitals)
                )
                Touched(premultiplied(pen.drawing(*self.size), rows)).lay(canvas[: rows.stop])
        return canvas

    def _trace(self, canvas: Any, plot: Plot, measured: Measured, tint: Colour | None) -> None:
        area, cells = plot.area, plot.scale.cells(measured.encoding)
        size = area.width, area.height
        if plot.kind == "wave":
            shown = brightness(column_density(measured.waves[plot.name], size, cells), *WAVE)
        elif plot.kind == "vector":
            faint, full = (limit / plot.times**1.5 for limit in VECTOR)
            shown = brightness(area_density(measured.vectors, size, cells), faint, full)
        else:
            shown = bars(measured.histograms[plot.name], size, cells, plot.least)
            shown *= np.float32(0.6 if tint is None else 0.5)
        lay(canvas, shown, tint or TINTS.get(plot.name, NEUTRAL), (area.x0, area.y0))


def fitted(text: str, capitals: int, room: float) -> str:
    """A text cut to the room that it has, with an ellipsis; nothing where there is none."""
    if width_of(text, capitals) <= room:
        return text
    for end in range(len(text) - 1, 3, -1):
        cut = text[:end].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
        if width_of(cut, capitals) <= room:
            return cut
    return ""
