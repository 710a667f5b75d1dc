"""Counts into what is seen of them: spread over the pixels of a scope by area, made bright through a logarithm, laid on a canvas.

A count's cell is a rectangle of the scope, a pixel wide and high at least. What a pixel gets is the part of the cell that it covers,
so neither cells smaller nor cells larger than pixels make patterns of their own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import inline, kernel, row

Levels = npt.NDArray[np.float32]
REFERENCE = 400
"""Pixels along a side of a scope at which a density is what it is: brightness does not change with the size of the scope."""


def column_density(counts: Any, size: tuple[int, int], cells: tuple[float, float]) -> Levels:
    """Of a waveform: what share of its column each pixel holds, float32 [rows, columns], highest codes on top.

    counts : uint32 [columns of the waveform, codes]
    size : columns and rows of the scope
    cells : where the first counter begins and where the last one ends, in scopes' heights from the bottom: 0 and 1 fill it

    Raises: ValueError for a scope without pixels, or cells that do not go up.
    """
    columns, rows = _sized(size)
    totals = counts.sum(1, dtype=np.float64)
    weight = np.where(totals > 0, rows / REFERENCE / np.maximum(totals, 1), 0.0)
    across = columns / counts.shape[0]
    return _density(counts, (columns, rows), (0.0, across), _placed(cells, counts.shape[1], rows), weight * across)


def area_density(counts: Any, size: tuple[int, int], cells: tuple[float, float]) -> Levels:
    """Of a vectorscope: what share of the picture each pixel holds, float32 [rows, columns], Cb to the right, Cr upwards.

    counts : uint32 [codes of Cb, codes of Cr]; size, cells : as column_density has them, cells both ways

    Raises: ValueError as column_density does.
    """
    columns, rows = _sized(size)
    total = float(counts.sum(dtype=np.float64))
    share = columns * rows / REFERENCE**2 / max(total, 1.0)
    across, up = _placed(cells, counts.shape[0], columns), _placed(cells, counts.shape[1], rows)
    return _density(counts, (columns, rows), across, up, np.full(counts.shape[0], share))


def _sized(size: tuple[int, int]) -> tuple[int, int]:
    if size[0] < 1 or size[1] < 1:
        raise ValueError(f"size must be 1 or more both ways, got {size}")
    return size


def _placed(cells: tuple[float, float], count: int, pixels: int) -> tuple[float, float]:
    """Pixel where the first cell begins, and pixels to a cell."""
    if not cells[0] < cells[1]:
        raise ValueError(f"cells must go up, got {cells}")
    return cells[0] * pixels, (cells[1] - cells[0]) * pixels / count


def _density(
    counts: Any, size: tuple[int, int], across: tuple[float, float], up: tuple[float, float], weight: Any
) -> Levels:
    out = np.zeros((size[1], size[0]), np.float32)
    _spread(np.ascontiguousarray(counts, np.uint32), np.array([*across, *up]), weight, out)
    return out


def brightness(density: Levels, faint: float, full: float) -> Levels:
    """Density to brightness, 0..1: its logarithm, so that a single pixel and a flat wall are both seen.

    faint : density that is about to be seen; full : from which on brightness is 1

    Raises: ValueError where they do not go up.
    """
    if not 0 < faint < full:
        raise ValueError(f"faint and full must go up, got {faint} and {full}")
    shown: Levels = np.log1p(density * np.float32(1 / faint))
    shown *= np.float32(1 / np.log1p(full / faint))
    np.minimum(shown, np.float32(1), out=shown)
    return shown


def bars(counts: Any, size: tuple[int, int], cells: tuple[float, float], least: float) -> Levels:
    """Of a histogram: 1 up to the rarest code under each pixel column, .5 from there to the commonest; 0 above, float32.

    counts : [codes]; size, cells : as column_density has them, cells to the right
    least : share of the samples that lies at the bottom; all of them lie at the top, and heights go by the logarithm

    Raises: ValueError naming the argument.
    """
    columns, rows = _sized(size)
    if not 0 < least < 1:
        raise ValueError(f"least must be above 0 and below 1, got {least}")
    start, width = _placed(cells, len(counts), columns)
    share = counts / max(float(counts.sum()), 1.0)
    with np.errstate(divide="ignore"):
        height = np.clip(1 - np.log(share) / np.log(least), 0, None) * rows
    first = np.clip(np.floor((np.arange(columns) - start) / width + 1e-9), 0, len(counts) - 1).astype(np.int64)
    last = np.clip(np.ceil((np.arange(columns) + 1 - start) / width - 1e-9), first + 1, len(counts)).astype(np.int64)
    spans = np.stack([first, last], 1).ravel()
    ended = np.append(height, 0.0)  # reduceat takes no end beyond the last entry
    highest, lowest = (each.reduceat(ended, spans)[::2] for each in (np.maximum, np.minimum))
    inside = (np.arange(columns) + 1 > start) & (np.arange(columns) < start + width * len(counts))
    below = rows - np.arange(rows)[:, None]  # a pixel's top, counted from the bottom
    covered = [np.clip(edge * inside - below + 1, 0, 1) for edge in (highest, lowest)]
    return ((covered[0] + covered[1]) / 2).astype(np.float32)


def lay(canvas: Levels, shown: Levels, tint: tuple[float, float, float], at: tuple[int, int]) -> None:
    """Add a trace to a canvas as light is added: what is there stays, and two traces make a brighter one.

    canvas : float32 [rows, columns, 4], overwritten; shown : brightness, 0..1; at : column and row of its left top corner

    Raises: ValueError where it does not lie on the canvas.
    """
    left, top = at
    part = canvas[top : top + shown.shape[0], left : left + shown.shape[1]]
    rows, columns = part.shape[:2]
    if (rows, columns) != shown.shape or canvas.strides[1:] != (16, 4):
        raise ValueError(f"shown must fit a packed canvas of {canvas.shape} at {at}, got {shown.shape}")
    flat = np.lib.stride_tricks.as_strided(part, (rows, columns * 4), (part.strides[0], 4))
    _lay(flat, shown, np.array(tint, np.float32))


def mix(under: Any, made: Any, share: float, out: Any, bit_shift: int = 0, alpha: Any = None) -> None:
    """out = a share of what was made, over what lies under it; rounded half up where they are codes.

    under, made, out : planes of one shape; out may be under
    bit_shift : of the codes in their words
    alpha : of a straight picture, 0..1, under each sample; colours then mix by what each adds to the result
    """
    part: Any = share if alpha is None else share / np.maximum(share + (1 - share) * alpha, 1e-12)
    if share == 1:
        out[...] = made
        return
    mixed = under + (made.astype(np.float64) - under) * part
    if out.dtype.kind != "f":
        mixed = np.floor(mixed / (1 << bit_shift) + 0.5) * (1 << bit_shift)
    out[...] = mixed if share else under


class Touched:
    """A premultiplied picture, float32 [rows, columns, 4], that is laid over one canvas after another: what of it is there."""

    def __init__(self, drawn: Levels) -> None:
        flat = drawn.reshape(-1, 4)
        self._places = np.flatnonzero(flat[:, 3])
        self._drawn = flat[self._places]
        self._keep = 1 - self._drawn[:, 3:]

    def lay(self, canvas: Levels) -> None:
        """Over a canvas of the picture's size, whose rows lie one after another."""
        flat = canvas.reshape(-1, 4)
        flat[self._places] = flat[self._places] * self._keep + self._drawn


@inline
def _grown(start: float, size: float, by: float, most: int) -> tuple[float, float]:
    """Both ends of a cell that grows on each side; one that lies within the scope stays within it."""
    low, high = start - by, start + size + by
    if start >= -1e-9 and start + size <= most + 1e-9:
        if low < 0.0:
            low, high = 0.0, min(high - low, float(most))
        elif high > most:
            low, high = max(low - (high - most), 0.0), float(most)
    return low, high


@kernel("canvas")
def _lay(canvas: Any, shown: Any, tint: Any) -> None:
    """canvas = 1 - (1 - canvas) (1 - shown tint), of R', G', B'."""
    red, green, blue, one = tint[0], tint[1], tint[2], np.float32(1)
    for y in range(shown.shape[0]):
        read, written = row(shown, y), row(canvas, y)
        for x in range(read.shape[0]):
            light = read[x]
            if light > 0:
                i = np.uint64(4 * x)
                written[i] = one - (one - written[i]) * (one - light * red)
                written[i + np.uint64(1)] = one - (one - written[i + np.uint64(1)]) * (one - light * green)
                written[i + np.uint64(2)] = one - (one - written[i + np.uint64(2)]) * (one - light * blue)


@kernel("out")
def _spread(counts: Any, place: Any, weight: Any, out: Any) -> None:
    """out += every count over the pixels that its cell covers.

    place : pixel where the first cell begins and pixels to a cell, to the right and then upwards
    """
    rows, columns = out.shape
    start_x, wide, start_y, high = place[0], place[1], place[2], place[3]
    # What cells grow by on each side to be a pixel wide and high.
    aside, above = max(0.5 - wide / 2, 0.0), max(0.5 - high / 2, 0.0)
    area = (wide + 2 * aside) * (high + 2 * above)
    for i in range(counts.shape[0]):
        left, right = _grown(start_x + i * wide, wide, aside, columns)
        first_x, end_x = max(int(np.floor(left)), 0), min(int(np.ceil(right)), columns)
        if first_x >= end_x or weight[i] == 0.0:
            continue
        read = row(counts, i)
        for j in range(read.shape[0]):
            if read[j] == 0:
                continue
            low, top = _grown(start_y + j * high, high, above, rows)
            first_y, end_y = max(int(np.floor(low)), 0), min(int(np.ceil(top)), rows)
            share = read[j] * weight[i] / area
            for y in range(first_y, end_y):
                part = share * (min(top, y + 1.0) - max(low, float(y)))
                written = row(out, rows - 1 - y)
                for x in range(first_x, end_x):
                    written[np.uintp(x)] += np.float32(part * (min(right, x + 1.0) - max(left, float(x))))
