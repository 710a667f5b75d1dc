"""How much of each pixel a shape covers: exact areas of boxes and polygons, stencils of text, painted layer over layer.

A pixel (x, y) is the unit square from (x, y) to (x + 1, y + 1). The area under straight edges is a sum of trapezoids, so nothing is
sampled and nothing depends on tile or thread. One row at a time: rows that the same upright edges cross are alike, which is what
makes the sparse form (overlay.py) cheap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import inline, kernel, row

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle, edges in pixels, fractions welcome."""

    x0: float
    y0: float
    x1: float
    y1: float


@dataclass(frozen=True, slots=True)
class Polygon:
    """A simple polygon: corners (x, y) in order around it, either way round."""

    corners: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Stencil:
    """Coverage made elsewhere (text): float32 [rows, columns], 0..1, its top left pixel at (x, y)."""

    x: int
    y: int
    coverage: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Shapes in one paint. Where shapes of one layer meet, their coverage adds up to 1 at most.

    colour : R'G'B' levels, 0..1
    opacity : 0..1
    """

    shapes: tuple[Box | Polygon | Stencil, ...]
    colour: tuple[float, float, float]
    opacity: float = 1.0

    def __post_init__(self) -> None:
        if not 0 <= self.opacity <= 1:
            raise ValueError(f"opacity must be 0..1, got {self.opacity}")
        if not all(0 <= level <= 1 for level in self.colour):
            raise ValueError(f"colour must hold levels 0..1, got {self.colour}")


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """Layers from the lowest to the topmost over a picture of width x height pixels; what reaches beyond it is cut off."""

    width: int
    height: int
    layers: tuple[Layer, ...]


class Tables:
    """A drawing as the arrays that the row kernel reads."""

    def __init__(self, drawing: Drawing) -> None:
        self.width, self.height = drawing.width, drawing.height
        boxes: list[tuple[float, float, float, float]] = []
        corners: list[tuple[float, float]] = []
        polygons, stencils, samples = [0], [], [np.zeros(0, np.float32)]
        paints, ends = [], []
        self._upright: list[tuple[float, float]] = []
        self._uneven: list[tuple[int, int]] = []
        length = 0
        for layer in drawing.layers:
            for shape in layer.shapes:
                if isinstance(shape, Box):
                    x0, x1 = _clamp(shape.x0, drawing.width), _clamp(shape.x1, drawing.width)
                    y0, y1 = _clamp(shape.y0, drawing.height), _clamp(shape.y1, drawing.height)
                    if x0 < x1 and y0 < y1:
                        boxes.append((x0, y0, x1, y1))
                        self._upright.append((y0, y1))
                elif isinstance(shape, Polygon):
                    inside = clipped(shape.corners, 0, drawing.width)
                    if len(inside) > 2:
                        corners += inside
                        polygons.append(len(corners))
                        low, high = min(y for _, y in inside), max(y for _, y in inside)
                        self._uneven.append((int(np.floor(low)), int(np.ceil(high))))
                else:
                    rows, columns = shape.coverage.shape
                    stencils.append((shape.x, shape.y, columns, rows, length))
                    samples.append(np.ascontiguousarray(shape.coverage, np.float32).ravel())
                    length += rows * columns
                    self._uneven.append((shape.y, shape.y + rows))
            paints.append((*layer.colour, layer.opacity))
            ends.append((len(boxes), len(polygons) - 1, len(stencils)))
        self.paints = np.array(paints, np.float64).reshape(-1, 4)
        self.ends = np.array(ends, np.int64).reshape(-1, 3)
        self.boxes = np.array(boxes, np.float64).reshape(-1, 4)
        self.corners = np.array(corners, np.float64).reshape(-1, 2)
        self.polygons = np.array(polygons, np.int64)
        self.stencils = np.array(stencils, np.int64).reshape(-1, 5)
        self.samples = np.concatenate(samples)
        self._cover = np.zeros(self.width + 2, np.float64)

    def stretches(self) -> list[tuple[int, int]]:
        """First and last-but-one row of stretches of rows that look alike, from the top to the bottom."""
        cuts = {0, self.height}
        for low, high in self._upright:
            cuts.update((int(np.floor(low)), int(np.ceil(low)), int(np.floor(high)), int(np.ceil(high))))
        for first, end in self._uneven:
            cuts.update(range(max(first, 0), min(end, self.height) + 1))
        rows = sorted(cut for cut in cuts if 0 <= cut <= self.height)
        return list(pairwise(rows))

    def paint(self, y: int, out: Floats) -> None:
        """Row y of the finished drawing: premultiplied R'G'B' and alpha, float64 [4, width], overwritten."""
        _paint_row(
            y, self.paints, self.ends, self.boxes, self.corners, self.polygons, self.stencils, self.samples, self._cover, out
        )  # fmt: skip


def _clamp(edge: float, most: int) -> float:
    return min(max(float(edge), 0.0), float(most))


def clipped(
    corners: Sequence[tuple[float, float]],
    left: float,
    right: float,
    top: float = -np.inf,
    bottom: float = np.inf,
) -> list[tuple[float, float]]:
    """A polygon's part inside an upright rectangle. Source: Sutherland and Hodgman 1974."""
    points = [(float(x), float(y)) for x, y in corners]
    for axis, limit, sign in ((0, left, 1), (0, right, -1), (1, top, 1), (1, bottom, -1)):
        kept: list[tuple[float, float]] = []
        for a, b in zip(points, points[1:] + points[:1], strict=True):
            inside_a, inside_b = sign * (a[axis] - limit), sign * (b[axis] - limit)
            if inside_a >= 0:
                kept.append(a)
            if (inside_a < 0 < inside_b) or (inside_b < 0 < inside_a):
                part = inside_a / (inside_a - inside_b)
                met = (a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part)
                kept.append((limit, met[1]) if axis == 0 else (met[0], limit))
        points = kept
    return points


@inline
def _overlap(low: float, high: float, pixel: float) -> float:
    return max(min(high, pixel + 1.0) - max(low, pixel), 0.0)


@inline
def _under_edge(ax: float, ay: float, bx: float, by: float, y: float, cover: Any) -> None:
    """Add one edge's signed share of row y to the differences from pixel to pixel.

    To the right of the edge a pixel gains the height that the edge crosses in this row; the pixels it runs through gain
    the trapezoid to the right of it. Summed up from left to right, the edges of a polygon leave its coverage.
    """
    sign = 1.0
    if ay > by:
        ax, ay, bx, by, sign = bx, by, ax, ay, -1.0
    top, bottom = max(ay, y), min(by, y + 1.0)
    if top >= bottom:
        return
    slope = (bx - ax) / (by - ay)
    left, right = ax + (top - ay) * slope, ax + (bottom - ay) * slope
    if left > right:
        left, right = right, left
    left, right = max(left, min(ax, bx)), min(right, max(ax, bx))
    first, last = int(left), int(right)
    rise = sign * (bottom - top)
    for pixel in range(first, last + 1):
        low, high = max(left, float(pixel)), min(right, pixel + 1.0)
        share = rise if first == last else rise * ((high - low) / (right - left))
        inside = share * (pixel + 1.0 - 0.5 * (low + high))
        cover[np.uint64(pixel)] += inside
        cover[np.uint64(pixel + 1)] += share - inside


@kernel("cover", "out")
def _paint_row(
    y: Any, paints: Any, ends: Any, boxes: Any, corners: Any, polygons: Any, stencils: Any, samples: Any, cover: Any, out: Any
) -> None:  # fmt: skip
    """Coverage of one row, layer by layer, each painted over what lies below it.

    cover : float64 [width + 2], zero before and after
    """
    red, green, blue, alpha = row(out, 0), row(out, 1), row(out, 2), row(out, 3)
    width = out.shape[1]
    for x in range(width):
        i = np.uint64(x)
        red[i] = 0.0
        green[i] = 0.0
        blue[i] = 0.0
        alpha[i] = 0.0
    box = polygon = stencil = 0
    for layer in range(paints.shape[0]):
        lowest, highest = width, 0
        summed = polygon < ends[layer, 1]
        if summed:  # first, while cover holds differences
            lowest, highest = 0, width
            while polygon < ends[layer, 1]:
                first, end = polygons[polygon], polygons[polygon + 1]
                area = 0.0
                for k in range(first, end):
                    m = first if k + 1 == end else k + 1
                    area += corners[k, 0] * corners[m, 1] - corners[m, 0] * corners[k, 1]
                for k in range(first, end):
                    m = first if k + 1 == end else k + 1
                    if area > 0:  # clockwise on the screen: turn it round, so that the inside counts up
                        _under_edge(corners[m, 0], corners[m, 1], corners[k, 0], corners[k, 1], float(y), cover)
                    else:
                        _under_edge(corners[k, 0], corners[k, 1], corners[m, 0], corners[m, 1], float(y), cover)
                polygon += 1
            total = 0.0
            for x in range(width):
                total += cover[np.uint64(x)]
                cover[np.uint64(x)] = max(total, 0.0)
            cover[np.uint64(width)] = 0.0
            cover[np.uint64(width + 1)] = 0.0
        while box < ends[layer, 0]:
            share = _overlap(boxes[box, 1], boxes[box, 3], float(y))
            if share > 0.0:
                x0, x1 = boxes[box, 0], boxes[box, 2]
                first, end = int(x0), int(np.ceil(x1))
                for x in range(first, end):
                    cover[np.uint64(x)] += share * _overlap(x0, x1, float(x))
                lowest, highest = min(lowest, first), max(highest, end)
            box += 1
        while stencil < ends[layer, 2]:
            line = y - stencils[stencil, 1]
            if 0 <= line < stencils[stencil, 3]:
                columns, left = stencils[stencil, 2], stencils[stencil, 0]
                start = stencils[stencil, 4] + line * columns
                first, end = max(left, 0), min(left + columns, width)
                for x in range(first, end):
                    cover[np.uint64(x)] += samples[np.uint64(start + x - left)]
                if first < end:
                    lowest, highest = min(lowest, first), max(highest, end)
            stencil += 1
        opacity = paints[layer, 3]
        for x in range(lowest, highest):
            i = np.uint64(x)
            share = min(cover[i], 1.0) * opacity
            cover[i] = 0.0
            if share > 0.0:
                rest = 1.0 - share
                red[i] = red[i] * rest + paints[layer, 0] * share
                green[i] = green[i] * rest + paints[layer, 1] * share
                blue[i] = blue[i] * rest + paints[layer, 2] * share
                alpha[i] = alpha[i] * rest + share
