"""Runs of a drawing into planes, in place: over opaque and premultiplied pictures, and over straight alpha."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import types
from numba.extending import overload

from ._jit import fetch, fetch_table, inline, kernel, row
from ._words import blend_block, blend_four_blocks, blend_two_blocks, carried, high, low, plus
from .planes import FLOATING, INTEGER, Plane, adjacent, check_plane, readable
from .runs import LAST, WIDE, Sparse

AHEAD = 64
"""Rows of runs by which memory is asked for in advance."""

OPAQUE = np.zeros((1, 1), np.bool_)
"""Stands for an alpha plane where there is none, or where colours are multiplied by it already."""


def blend(plane: Plane, sparse: Sparse, *, origin: tuple[int, int] = (0, 0), alpha: Plane | None = None) -> None:
    """Blend the drawing into a plane, in place. Two renders agree, and tiles join: only absolute places count.

    Over straight alpha the drawing of coverage a and colour d makes (a d + (1 - a) alpha colour) / (a + (1 - a) alpha) of a colour,
    which is rounded once; the divisor is what blending the alpha plane makes of alpha. Where that is opaque, the result is the same
    as without it, to the code. Source: T. Porter and T. Duff, Compositing Digital Images, SIGGRAPH 1984 ('over', divided by its alpha).

    plane : uint8 | uint16 codes as the sparse form's encoding says, or float16 | float32 levels; a tile of the plane or all of it
    origin : the plane's top left sample in the whole plane, row and column
    alpha : where the picture's alpha is straight and the plane is one of colour: alpha at the plane's samples, as it is before it is
        blended itself, in the plane's type (codes in words of the same form, or levels); see under_chroma
    Raises: ValueError naming the argument.
    """
    _check(plane, sparse)
    if alpha is not None and (getattr(alpha, "shape", None), getattr(alpha, "dtype", None)) != (
        plane.shape,
        plane.dtype,
    ):
        raise ValueError(f"alpha must have the plane's shape {plane.shape} and type {plane.dtype}")
    if not plane.size:
        return
    if plane.dtype == np.float16:
        levels = plane.astype(np.float32)
        blend(levels, sparse, origin=origin, alpha=None if alpha is None else alpha.astype(np.float32))
        plane[...] = levels
    elif not adjacent(plane):
        packed = np.ascontiguousarray(plane)
        blend(packed, sparse, origin=origin, alpha=alpha)
        plane[...] = packed
    elif alpha is None and not sparse.floating and not sparse.bit_shift:
        _blend(plane, *origin, sparse.runs, sparse.blends)
    else:
        under = OPAQUE if alpha is None else readable(alpha)
        last = (1 << sparse.bits - sparse.bit_shift) - 1
        _blend_each(plane, under, *origin, sparse.bit_shift, last, sparse.runs, sparse.blends)


def under_chroma(alpha: Plane, step: tuple[int, int], bit_shift: int = 0) -> Plane:
    """Alpha at the samples of subsampled chroma: the mean over the pixels that a sample lies under, rounded half up.

    alpha : uint8 | uint16 | float16 | float32 [rows, columns], whose first pixel is the first under a chroma sample; at the
        right and the bottom edge, where a chroma sample may lie under fewer pixels, the last one repeats
    step : pixels to a chroma sample, across and down; with (1, 1) alpha is returned itself
    """
    if step == (1, 1):
        return alpha
    (across, down), (rows, columns) = step, alpha.shape
    floating = alpha.dtype.kind == "f"
    wide = (alpha if floating else alpha >> bit_shift).astype(np.float32 if floating else np.int64)
    padded = np.pad(wide, ((0, -rows % down), (0, -columns % across)), "edge")
    blocks = padded.reshape(padded.shape[0] // down, down, padded.shape[1] // across, across)
    total, count = blocks.sum(axis=(1, 3)), across * down
    mean = total / np.float32(count) if floating else (2 * total + count) // (2 * count) << bit_shift
    return np.asarray(mean.astype(alpha.dtype))


def _check(plane: Any, sparse: Sparse) -> None:
    check_plane(plane, "plane", FLOATING if sparse.floating else INTEGER)
    if plane.itemsize * 8 < sparse.bits:
        raise ValueError(f"plane is {plane.dtype}, too small for words of {sparse.bits} bits")
    if not plane.flags.writeable:
        raise ValueError("plane is read-only")


@inline
def _rows_and_columns(run: Any, top: Any, beside: Any, rows: Any, columns: Any) -> Any:
    """Where a run meets a plane, and where it begins across: first and last row, first and last column, last ones exclusive."""
    begin = np.int64(run[2]) - beside
    y, end = max(np.int64(run[0]) - top, 0), min(np.int64(run[1]) - top, rows)
    return y, end, max(begin, 0), min(np.int64(run[3]) - beside, columns), begin


@inline
def _ask(plane: Any, run: Any, top: Any, beside: Any, blends: Any) -> None:
    """Ask for the memory of a run and of its blends."""
    y0, y1, x, x1, _ = _rows_and_columns(run, top, beside, plane.shape[0], plane.shape[1])
    if x >= x1 or y0 >= y1:
        return
    for at in range(run[4], run[4] + 3 * (run[3] - run[2]), 64 // blends.itemsize):
        fetch_table(blends, at)
    for y in range(y0, y1):
        fetch(plane, y, x1 - 1)
    while x < x1:
        for y in range(y0, y1):
            fetch(plane, y, x)
        x += 64 // plane.itemsize


@kernel("plane")
def _blend(plane: Any, top: Any, beside: Any, runs: Any, blends: Any) -> None:
    """target = (code * gain + add:rest) >> 16 over every run that meets the plane."""
    asked = ahead = 0
    for number in range(runs.shape[0]):
        while ahead < AHEAD and asked < runs.shape[0]:  # most runs cost little but the wait for their memory
            run = row(runs, asked)
            if run[4] >= 0:
                _ask(plane, run, top, beside, blends)
            ahead += run[1] - run[0]
            asked += 1
        run = row(runs, number)
        ahead -= run[1] - run[0]
        y0, y1, x, x1, begin = _rows_and_columns(run, top, beside, plane.shape[0], plane.shape[1])
        at, many, apart = np.int64(run[4]) + x - begin, np.uint64(run[3] - run[2]), 1
        if run[4] < 0:  # the same blends for all
            at, many, apart = -1 - np.int64(run[4]), np.uint64(WIDE), 0
        while x + 32 <= x1:
            for y in range(y0, y1):
                blend_four_blocks(row(plane, y), np.uint64(x), blends, np.uint64(at), many)
            x += 32
            at += 32 * apart
        while x + 16 <= x1:
            for y in range(y0, y1):
                blend_two_blocks(row(plane, y), np.uint64(x), blends, np.uint64(at), many)
            x += 16
            at += 16 * apart
        while x + 8 <= x1:
            for y in range(y0, y1):
                blend_block(row(plane, y), np.uint64(x), blends, np.uint64(at), many)
            x += 8
            at += 8 * apart
        while x < x1:
            i = np.uint64(at)
            factor, whole, part = blends[i], blends[i + many], blends[i + many + many]
            for y in range(y0, y1):
                line = row(plane, y)
                code = np.uint16(line[np.uint64(x)])
                carry = carried(plus(low(code, factor), part), part)
                line[np.uint64(x)] = plus(plus(high(code, factor), whole), carry)
            x += 1
            at += apart


@kernel("plane")
def _blend_each(
    plane: Any, alpha: Any, top: Any, beside: Any, bit_shift: Any, last: Any, runs: Any, blends: Any
) -> None:  # fmt: skip
    """As _blend, sample by sample, for all that takes more than a multiplication and an addition of words."""
    for number in range(runs.shape[0]):
        run = row(runs, number)
        y0, y1, x0, x1, begin = _rows_and_columns(run, top, beside, plane.shape[0], plane.shape[1])
        start = np.int64(run[4])
        many = WIDE if start < 0 else np.int64(run[3] - run[2])
        for y in range(y0, y1):
            line, under = row(plane, y), row(alpha, min(y, alpha.shape[0] - 1))
            for x in range(x0, x1):
                i = -1 - start if start < 0 else start + x - begin
                line[np.uint64(x)] = _mixed(line[np.uint64(x)], under, x, blends, i, many, bit_shift, last)


def _mixed(value: Any, under: Any, x: Any, blends: Any, i: Any, many: Any, bits: Any, last: Any) -> Any:
    """A sample after the blend. Which of four forms: levels where gains are floating, straight alpha where there is any."""
    form = _form(blends.dtype.kind == "f", under.dtype != np.bool_)
    return form(value, under, x, blends, i, many, bits, last)


@overload(_mixed)  # type: ignore[untyped-decorator]
def _mixed_by_type(value: Any, under: Any, x: Any, blends: Any, i: Any, many: Any, bits: Any, last: Any) -> Any:
    return _form(isinstance(blends.dtype, types.Float), not isinstance(under.dtype, types.Boolean))


def _form(floating: bool, straight: bool) -> Any:
    if floating:
        return _levels_over_straight if straight else _levels
    return _codes_over_straight if straight else _codes


@inline
def _added(blends: Any, i: Any, many: Any) -> Any:
    """What is added to a sample, in 65536ths of a code."""
    return (np.int64(blends[i + many]) << 16) + np.int64(blends[i + 2 * many])


def _codes(value: Any, under: Any, x: Any, blends: Any, i: Any, many: Any, bits: Any, last: Any) -> Any:
    """Codes in the high bits of their words."""
    code = np.int64(value) >> bits
    return ((code * np.int64(blends[i]) + _added(blends, i, many)) >> 16) << bits


def _levels(value: Any, under: Any, x: Any, blends: Any, i: Any, many: Any, bits: Any, last: Any) -> Any:
    """Nothing is rounded or clipped."""
    return value * blends[i] + blends[i + many]


def _codes_over_straight(value: Any, under: Any, x: Any, blends: Any, i: Any, many: Any, bits: Any, last: Any) -> Any:
    """Codes are linear in levels and the weights sum to the divisor, so codes mix as levels do, whatever black is."""
    keep, added = np.int64(blends[i]), _added(blends, i, many)
    if keep == LAST and added == LAST:  # what fills a run up to a block
        return np.int64(value)
    weight = keep * (np.int64(under[np.uint64(x)]) >> bits)
    total = (65536 - keep) * last + weight
    summed = (added - 32768) * last + weight * (np.int64(value) >> bits)  # without the half that rounds
    return (2 * summed + total) // (2 * total) << bits


def _levels_over_straight(value: Any, under: Any, x: Any, blends: Any, i: Any, many: Any, bits: Any, last: Any) -> Any:
    weight = blends[i] * under[np.uint64(x)]
    total = np.float32(1) - blends[i] + weight
    return (blends[i + many] + weight * value) / total if total > 0 else value
