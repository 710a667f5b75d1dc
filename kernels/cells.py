"""Cells: areas of the scene, many pixels large, whose borders fall anywhere between pixels.

Two pictures of other sizes are compared over them without resampling either, and noise, ringing and small misplacements
nearly cancel in their means.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .planes import adjacent

Grid = npt.NDArray[np.float64]
"""float64 [frames, rows, columns] of cells, or of one frame [rows, columns]."""
Edges = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cells:
    """One channel of one recording on the common grid, codes in units of M.

    means, lows, highs : Grid; NaN where a cell lies outside the picture
    """

    means: Grid
    lows: Grid
    highs: Grid


@kernel("means")
def _means(plane: Any, x_edges: Any, y_edges: Any, means: Any) -> None:
    """means = area means of the plane between the edges, in samples; overwritten."""
    for i in range(means.shape[0]):
        top, bottom = y_edges[i], y_edges[i + 1]
        first, last = int(np.floor(top)), int(np.ceil(bottom))
        sums = row(means, i)
        for j in range(sums.shape[0]):
            sums[j] = 0.0
        for y in range(first, last):
            share = min(bottom, y + 1.0) - max(top, float(y))
            line = row(plane, y)
            for j in range(sums.shape[0]):
                left, right = x_edges[j], x_edges[j + 1]
                start, stop = int(np.floor(left)), int(np.ceil(right))
                total = 0.0
                for x in range(start, stop):
                    total += float(line[x])
                total -= float(line[start]) * (left - start) + float(line[stop - 1]) * (stop - right)
                sums[j] += share * total
        for j in range(sums.shape[0]):
            sums[j] /= (bottom - top) * (x_edges[j + 1] - x_edges[j])


@kernel("lows", "highs")
def _ends(plane: Any, x_edges: Any, y_edges: Any, lows: Any, highs: Any) -> None:
    """lows, highs = the smallest and the largest sample that a cell touches; overwritten."""
    for i in range(lows.shape[0]):
        first, last = int(np.floor(y_edges[i])), int(np.ceil(y_edges[i + 1]))
        low_row, high_row = row(lows, i), row(highs, i)
        for j in range(low_row.shape[0]):
            low_row[j], high_row[j] = np.inf, -np.inf
        for y in range(first, last):
            line = row(plane, y)
            for j in range(low_row.shape[0]):
                low, high = low_row[j], high_row[j]
                for x in range(int(np.floor(x_edges[j])), int(np.ceil(x_edges[j + 1]))):
                    value = float(line[x])
                    low, high = min(low, value), max(high, value)
                low_row[j], high_row[j] = low, high


def cell_means(plane: npt.NDArray[Any], x_edges: Edges, y_edges: Edges) -> Grid:
    """Area means: float64 [len(y_edges) - 1, len(x_edges) - 1] of a plane of any real type [rows, columns].

    x_edges, y_edges : ascending, in samples (a sample's own area is from its index to the next); fractions welcome
    Raises: ValueError where edges leave the plane or do not ascend.
    """
    checked, x, y = _checked(plane, x_edges, y_edges)
    means = np.empty((len(y) - 1, len(x) - 1))
    _means(checked, x, y, means)
    return means


def cell_ends(plane: npt.NDArray[Any], x_edges: Edges, y_edges: Edges) -> tuple[Grid, Grid]:
    """The smallest and the largest sample of each cell, those counted in that it only touches. Arguments as cell_means."""
    checked, x, y = _checked(plane, x_edges, y_edges)
    lows, highs = np.empty((len(y) - 1, len(x) - 1)), np.empty((len(y) - 1, len(x) - 1))
    _ends(checked, x, y, lows, highs)
    return lows, highs


def _checked(plane: npt.NDArray[Any], x_edges: Edges, y_edges: Edges) -> tuple[npt.NDArray[Any], Edges, Edges]:
    if plane.ndim != 2:
        raise ValueError(f"plane must be [rows, columns], got shape {plane.shape}")
    found = []
    for name, edges, size in (("x_edges", x_edges, plane.shape[1]), ("y_edges", y_edges, plane.shape[0])):
        checked = np.ascontiguousarray(edges, np.float64)
        if len(checked) < 2 or checked[0] < 0 or checked[-1] > size or not (np.diff(checked) > 0).all():
            raise ValueError(f"{name} must ascend within 0 to {size}, got {checked[:1]} to {checked[-1:]}")
        found.append(checked)
    return plane if adjacent(plane) else np.ascontiguousarray(plane), found[0], found[1]


@kernel("target")
def _through(source: Any, table: Any, target: Any) -> None:
    """target = table[source]; words over the table's end count as its last."""
    last = table.shape[0] - 1
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        for x in range(read.shape[0]):
            written[x] = table[min(int(read[x]), last)]


def through(source: npt.NDArray[Any], table: npt.NDArray[np.uint16], out: npt.NDArray[Any]) -> None:
    """Every code of a plane through a table.

    source : uint8 | uint16 [rows, columns]; table : uint16 [codes]; out : the same shape, overwritten, wide enough
    """
    _through(source if adjacent(source) else np.ascontiguousarray(source), table, out)
