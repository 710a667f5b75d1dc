"""Runs of a drawing into planes, in place: over opaque and premultiplied pictures, and over straight alpha."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import types
from numba.extending import overload

from ._jit import fetch, kernel, row
from ._words import blend_block, carried, high, low, plus
from .planes import FLOATING, INTEGER, Plane, adjacent, check_plane, readable
from .runs import LAST, Sparse

AHEAD = 16
"""Rows by which the memory of short runs is asked for in advance."""

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
    else:
        tables = (
            sparse.profile, sparse.first, sparse.left, sparse.right, sparse.start, sparse.gain, sparse.add, sparse.rest,
        )  # fmt: skip
        if alpha is None and not sparse.floating and not sparse.bit_shift:
            _blend(plane, *origin, *tables)
        else:
            under = OPAQUE if alpha is None else readable(alpha)
            last = (1 << sparse.bits - sparse.bit_shift) - 1
            _blend_each(plane, under, *origin, sparse.bit_shift, last, *tables)


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


@kernel("plane")
def _blend(
    plane: Any, top: Any, beside: Any, profile: Any, first: Any, left: Any, right: Any, start: Any, gain: Any, add: Any, rest: Any,
) -> None:  # fmt: skip
    """target = (code * gain + add:rest) >> 16 over every run that meets the plane."""
    width = plane.shape[1]
    end_row = min(plane.shape[0], profile.shape[0] - top)
    for y in range(max(0, -top), end_row):
        if y + AHEAD < end_row:  # a short run costs little but the wait for its memory
            which = profile[np.uint64(y + AHEAD + top)]
            if which >= 0:
                for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
                    x = left[np.uint64(run)] - beside
                    if start[np.uint64(run)] >= 0 and 0 <= x < width:
                        fetch(plane, y + AHEAD, x)
        which = profile[np.uint64(y + top)]
        if which < 0:
            continue
        line = row(plane, y)
        for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
            r = np.uint64(run)
            begin = left[r] - beside
            x, end, at = max(begin, 0), min(right[r] - beside, width), start[r]
            if at < 0:
                i = np.uint64(-1 - at)
                factor, whole, part = gain[i], add[i], rest[i]
                for k in range(np.uint64(x), np.uint64(max(end, x))):
                    code = np.uint16(line[k])
                    carry = carried(plus(low(code, factor), part), part)
                    line[k] = plus(plus(high(code, factor), whole), carry)
            else:
                at += x - begin
                while x + 8 <= end:
                    blend_block(line, np.uint64(x), gain, add, rest, np.uint64(at))
                    x += 8
                    at += 8
                while x < end:
                    i = np.uint64(at)
                    code = np.uint16(line[np.uint64(x)])
                    carry = carried(plus(low(code, gain[i]), rest[i]), rest[i])
                    line[np.uint64(x)] = plus(plus(high(code, gain[i]), add[i]), carry)
                    x += 1
                    at += 1


@kernel("plane")
def _blend_each(
    plane: Any, alpha: Any, top: Any, beside: Any, bit_shift: Any, last: Any, profile: Any, first: Any, left: Any, right: Any,
    start: Any, gain: Any, add: Any, rest: Any,
) -> None:  # fmt: skip
    """As _blend, sample by sample, for all that takes more than a multiplication and an addition of words."""
    width = plane.shape[1]
    for y in range(max(0, -top), min(plane.shape[0], profile.shape[0] - top)):
        which = profile[np.uint64(y + top)]
        if which < 0:
            continue
        line, under = row(plane, y), row(alpha, min(y, alpha.shape[0] - 1))
        for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
            r = np.uint64(run)
            begin = left[r] - beside
            at = start[r]
            for x in range(max(begin, 0), min(right[r] - beside, width)):
                i = np.uint64(-1 - at if at < 0 else at + x - begin)
                line[np.uint64(x)] = _mixed(line[np.uint64(x)], under, x, gain, add, rest, i, bit_shift, last)


def _mixed(value: Any, under: Any, x: Any, gain: Any, add: Any, rest: Any, i: Any, bits: Any, last: Any) -> Any:
    """A sample after the blend. Which of four forms: levels where gains are floating, straight alpha where there is any."""
    form = _form(gain.dtype.kind == "f", under.dtype != np.bool_)
    return form(value, under, x, gain, add, rest, i, bits, last)


@overload(_mixed)  # type: ignore[untyped-decorator]
def _mixed_by_type(value: Any, under: Any, x: Any, gain: Any, add: Any, rest: Any, i: Any, bits: Any, last: Any) -> Any:
    return _form(isinstance(gain.dtype, types.Float), not isinstance(under.dtype, types.Boolean))


def _form(floating: bool, straight: bool) -> Any:
    if floating:
        return _levels_over_straight if straight else _levels
    return _codes_over_straight if straight else _codes


def _codes(value: Any, under: Any, x: Any, gain: Any, add: Any, rest: Any, i: Any, bits: Any, last: Any) -> Any:
    """Codes in the high bits of their words."""
    code = np.int64(value) >> bits
    return ((code * np.int64(gain[i]) + (np.int64(add[i]) << 16) + np.int64(rest[i])) >> 16) << bits


def _levels(value: Any, under: Any, x: Any, gain: Any, add: Any, rest: Any, i: Any, bits: Any, last: Any) -> Any:
    """Nothing is rounded or clipped."""
    return value * gain[i] + add[i]


def _codes_over_straight(
    value: Any, under: Any, x: Any, gain: Any, add: Any, rest: Any, i: Any, bits: Any, last: Any
) -> Any:
    """Codes are linear in levels and the weights sum to the divisor, so codes mix as levels do, whatever black is."""
    keep, added = np.int64(gain[i]), (np.int64(add[i]) << 16) + np.int64(rest[i])
    if keep == LAST and added == LAST:  # what fills a run up to a block
        return np.int64(value)
    weight = keep * (np.int64(under[np.uint64(x)]) >> bits)
    total = (65536 - keep) * last + weight
    summed = (added - 32768) * last + weight * (np.int64(value) >> bits)  # without the half that rounds
    return (2 * summed + total) // (2 * total) << bits


def _levels_over_straight(
    value: Any, under: Any, x: Any, gain: Any, add: Any, rest: Any, i: Any, bits: Any, last: Any
) -> Any:
    weight = gain[i] * under[np.uint64(x)]
    total = np.float32(1) - gain[i] + weight
    return (add[i] + weight * value) / total if total > 0 else value
