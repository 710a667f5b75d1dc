"""Where the scopes of a page lie: rectangles only, in pixels."""

from __future__ import annotations

from dataclasses import dataclass

from ...kernels.encoding import Model
from .names import CHROMA, LUMA, RGB

LEAST_CAPITALS = 7
"""Rows of a capital letter below which nobody reads it."""
MAGNIFIED = 4
"""How many times the second vectorscope is as large."""


@dataclass(frozen=True, slots=True)
class Area:
    """x1 and y1 exclusive."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def width(self) -> int:
        return self.x1 - self.x0

    @property
    def height(self) -> int:
        return self.y1 - self.y0

    def across(self, *parts: float, gap: int = 0) -> list[Area]:
        """Cut into areas side by side, their widths as the parts are to each other."""
        room, total = self.width - gap * (len(parts) - 1), sum(parts)
        ends = [round(room * sum(parts[:n]) / total) for n in range(len(parts) + 1)]
        return [
            Area(self.x0 + ends[n] + gap * n, self.y0, self.x0 + ends[n + 1] + gap * n, self.y1)
            for n in range(len(parts))
        ]

    def down(self, *parts: float, gap: int = 0) -> list[Area]:
        """The same, below each other."""
        turned = Area(self.y0, self.x0, self.y1, self.x1).across(*parts, gap=gap)
        return [Area(each.y0, each.x0, each.y1, each.x1) for each in turned]

    def inside(self, left: int, top: int, right: int, bottom: int) -> Area:
        """Smaller by margins."""
        return Area(self.x0 + left, self.y0 + top, self.x1 - right, self.y1 - bottom)


@dataclass(frozen=True, slots=True)
class Panel:
    """One scope with its labels.

    kind : 'wave' | 'vector' | 'histogram'
    names : of channels, one plot each side by side; a vectorscope's are Cb and Cr in one plot
    times : how much a vectorscope is magnified
    """

    kind: str
    names: tuple[str, ...]
    area: Area
    times: int = 1


def capitals_for(width: int, height: int) -> int:
    """Rows of a capital letter on a page of a size, 0 where no letter could be read."""
    wanted = round(min(height, width * 0.8) / 84)
    if height < 8 * LEAST_CAPITALS or width < 16 * LEAST_CAPITALS:
        return 0
    return min(max(wanted, LEAST_CAPITALS), 64)


def panels_of(kind: str, area: Area, model: Model, gap: int) -> list[Panel]:
    """The panels of a kind of scope in an area.

    gap : pixels between them

    Raises: ValueError for a vectorscope or a parade of a gray picture.
    """
    if model is Model.GRAY and kind in ("vectorscope", "parade"):
        raise ValueError(f"a gray picture has no {kind}: it has Y' alone")
    if kind == "all":
        return _all(area, model, gap)
    if kind == "waveform":
        return [Panel("wave", (LUMA,), area)]
    if kind == "parade":
        return _parade(area, model, gap)
    if kind == "vectorscope":
        return _vectors(area, gap)
    return _histograms(area, model, gap)


def _parade(area: Area, model: Model, gap: int) -> list[Panel]:
    if model is not Model.YCBCR:
        return [Panel("wave", RGB, area)]
    upper, lower = area.down(1, 1, gap=gap)
    return [Panel("wave", RGB, upper), *_signal(lower, gap)]


def _signal(area: Area, gap: int) -> list[Panel]:
    """Y', Cb and Cr: two panels, for their scales differ."""
    luma, chroma = area.across(1, 1.8, gap=gap)
    return [Panel("wave", (LUMA,), luma), Panel("wave", CHROMA, chroma)]


def _vectors(area: Area, gap: int) -> list[Panel]:
    parts = area.across(1, 1, gap=gap) if area.width > area.height else area.down(1, 1, gap=gap)
    return [Panel("vector", CHROMA, parts[0]), Panel("vector", CHROMA, parts[1], MAGNIFIED)]


def _histograms(area: Area, model: Model, gap: int) -> list[Panel]:
    if model is Model.GRAY:
        return [Panel("histogram", (LUMA,), area)]
    if model is Model.RGB:
        return [Panel("histogram", (name,), part) for name, part in zip(RGB, area.down(1, 1, 1, gap=gap), strict=True)]
    made = []
    for names, column in zip(((LUMA, *CHROMA), RGB), area.across(1, 1, gap=gap), strict=True):
        parts = column.down(1, 1, 1, gap=gap)
        made += [Panel("histogram", (name,), part) for name, part in zip(names, parts, strict=True)]
    return made


def _all(area: Area, model: Model, gap: int) -> list[Panel]:
    if model is Model.GRAY:
        upper, lower = area.down(3, 2, gap=gap)
        return [Panel("wave", (LUMA,), upper), *_histograms(lower, model, gap)]
    if area.width >= 1.35 * area.height:
        side = min(area.height // 2, area.width // 3)
        rows, squares = area.across(area.width - side, side, gap=gap)
        upper, middle, lower = rows.down(1, 1, 1.1, gap=gap)
        vectors = [
            Panel("vector", CHROMA, part, times)
            for part, times in zip(squares.down(1, 1, gap=gap), (1, MAGNIFIED), strict=True)
        ]
    else:
        upper, middle, lower, last = area.down(1, 1, 1.1, 1.5, gap=gap)
        vectors = _vectors(last, gap)
    made = [Panel("wave", (LUMA,), upper)]
    if model is Model.YCBCR:
        left, right = middle.across(1, 1, gap=gap)
        made += [Panel("wave", RGB, left), Panel("wave", CHROMA, right)]
    else:
        made.append(Panel("wave", RGB, middle))
    rows_of = (RGB,) if model is Model.RGB else ((LUMA, RGB[0]), (RGB[1], RGB[2]))
    for names, row in zip(rows_of, lower.down(*[1] * len(rows_of), gap=gap), strict=True):
        parts = row.across(*[1] * len(names), gap=gap)
        made += [Panel("histogram", (name,), part) for name, part in zip(names, parts, strict=True)]
    return [*made, *vectors]
