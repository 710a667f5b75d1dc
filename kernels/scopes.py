"""What scopes are drawn from: counts of codes by place. Drawing them is the callers' part."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Encoding
from .planes import Plane, check_codes, readable

Traces = npt.NDArray[np.uint32]

_APART = 32
"""Columns between pixels that are counted in turn: neighbours mostly fall on one counter and would wait for each other's store."""
_STRIP = 8 * _APART
_BESIDE = 16
"""Counters that are left unused after each column's: at a distance of a power of two the same code of all columns would share a
place in the cache."""
_NEAR = 1 << 14
"""Counters that stay in a fast cache; a picture is counted in upright parts that touch no more."""
LARGEST = 1 << 12
"""Counters along a side of a vectorscope; more would take more memory than a picture."""


def waveform_counts(
    plane: Plane, encoding: Encoding, columns: int, *, drop: int = 0, out: Traces | None = None
) -> Traces:
    """How often each code occurs in each column of a waveform: uint32 [columns, (M + 1) >> drop].

    plane : uint8 | uint16 [rows, width], any strides, container words of the encoding; a word over the last code counts as the
        last code, as `rescale` reads it
    columns : of the waveform, 1..width; pixel x is counted in column x columns // width
    drop : low bits of a code that are left out, so that 2^drop neighbouring codes share a counter; 0..depth
    out : added to, so that several frames accumulate (a counter holds 2^32 - 1); None starts from zero

    Returns out. Raises: ValueError naming the argument and the value.
    """
    checked = check_codes(plane, "plane", encoding, "encoding")
    width = checked.shape[1]
    if not 1 <= columns <= max(width, 1):
        raise ValueError(f"columns must be 1..{max(width, 1)} for a plane of that width, got {columns}")
    if not 0 <= drop <= encoding.depth:
        raise ValueError(f"drop must be 0..{encoding.depth} bits, got {drop}")
    shape = columns, (encoding.maximum + 1) >> drop
    if out is None:
        out = np.zeros(shape, np.uint32)
    elif out.dtype != np.uint32 or out.shape != shape or not out.flags.c_contiguous or not out.flags.writeable:
        raise ValueError(f"out must be a writable, contiguous uint32 {list(shape)}, got {out.dtype} {list(out.shape)}")
    if checked.size:
        column = np.arange(width, dtype=np.int64) * columns // width
        read, apart = readable(checked), shape[1] + _BESIDE
        part = max(_NEAR // shape[1] * width // columns // _STRIP, 1) * _STRIP
        counted = np.zeros((min(part * columns // width + 2, columns), apart), np.uint32)
        for left in range(0, width, part):
            cut = slice(left, left + part)
            start, end = column[left], column[cut][-1] + 1
            first = ((column[cut] - start) * apart).astype(np.uint64)
            _waveform(read[:, cut], first, encoding.maximum, encoding.bit_shift, drop, counted.reshape(-1))
            out[start:end] += counted[: end - start, : shape[1]]
            counted[: end - start] = 0
    return out


def vector_counts(cb: Plane, cr: Plane, encoding: Encoding, *, drop: int = 0, out: Traces | None = None) -> Traces:
    """How often each pair of chroma codes occurs: uint32 [(M + 1) >> drop, (M + 1) >> drop], of Cb and then of Cr.

    cb, cr : uint8 | uint16 [rows, columns], of one shape, any strides, container words of the encoding; a word over the last code
        counts as the last code
    drop : low bits of a code that are left out, 0..depth; 12 bits may be left at most
    out : added to; None starts from zero

    Returns out. Raises: ValueError naming the argument and the value.
    """
    blue, red = check_codes(cb, "cb", encoding, "encoding"), check_codes(cr, "cr", encoding, "encoding")
    if blue.shape != red.shape or blue.dtype != red.dtype:
        raise ValueError(f"cb and cr must be alike, got {blue.dtype} {blue.shape} and {red.dtype} {red.shape}")
    if not 0 <= drop <= encoding.depth or (encoding.maximum + 1) >> drop > LARGEST:
        raise ValueError(f"drop must be {max(encoding.depth - 12, 0)}..{encoding.depth} bits, got {drop}")
    side = (encoding.maximum + 1) >> drop
    if out is None:
        out = np.zeros((side, side), np.uint32)
    elif out.dtype != np.uint32 or out.shape != (side, side) or not out.flags.c_contiguous or not out.flags.writeable:
        raise ValueError(f"out must be a writable, contiguous uint32 {[side] * 2}, got {out.dtype} {list(out.shape)}")
    if blue.size:
        _vectors(readable(blue), readable(red), encoding.maximum, encoding.bit_shift, drop, side, out.reshape(-1))
    return out


@kernel("counters")
def _vectors(cb: Any, cr: Any, last: int, bit_shift: int, drop: int, side: int, counters: Any) -> None:
    """counters[(cb >> drop) * side + (cr >> drop)] += 1 for every sample."""
    width = cb.shape[1]
    top, shift, low, across = np.uint64(last), np.uint64(bit_shift), np.uint64(drop), np.uint64(side)
    for y in range(cb.shape[0]):
        blues, reds = row(cb, y), row(cr, y)
        bits = np.uint64(0)
        for x in range(width):
            bits |= np.uint64(blues[x]) | np.uint64(reds[x])
        whole = width - width % _STRIP if bits <= top and bit_shift == 0 else 0
        for left in range(0, whole, _STRIP):
            for near in range(left, left + _APART):
                for lane in range(8):
                    place = np.uintp(near + lane * _APART)
                    first = (np.uint64(blues[place]) >> low) * across
                    counters[first + (np.uint64(reds[place]) >> low)] += np.uint32(1)
        for x in range(whole, width):
            first = (min(np.uint64(blues[x]) >> shift, top) >> low) * across
            counters[first + (min(np.uint64(reds[x]) >> shift, top) >> low)] += np.uint32(1)


@kernel("counters")
def _waveform(plane: Any, first: Any, last: int, bit_shift: int, drop: int, counters: Any) -> None:
    """counters[first[x] + code >> drop] += 1 for every pixel; first[x] is where the counters of its column begin."""
    width = plane.shape[1]
    top, shift, low = np.uint64(last), np.uint64(bit_shift), np.uint64(drop)
    for y in range(plane.shape[0]):
        read = row(plane, y)
        bits = np.uint64(0)  # the last code is all ones: words without a bit above it are codes
        for x in range(width):
            bits |= np.uint64(read[x])
        whole = width - width % _STRIP if bits <= top and bit_shift == 0 else 0
        for left in range(0, whole, _STRIP):
            for near in range(left, left + _APART):
                for lane in range(8):
                    place = np.uintp(near + lane * _APART)
                    counters[first[place] + (np.uint64(read[place]) >> low)] += np.uint32(1)
        for x in range(whole, width):
            code = min(np.uint64(read[x]) >> shift, top)
            counters[first[x] + (code >> low)] += np.uint32(1)
