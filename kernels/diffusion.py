"""Error diffusion: each pixel's rounding error goes on to the next four, over a whole plane, row after row, left to right.

Source: Floyd, Steinberg, An adaptive algorithm for spatial greyscale (1976): 7/16 right; 3/16, 5/16, 1/16 below.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Channel, Encoding, affine_map
from .levels import fine_codes
from .planes import FLOATING, Plane, adjacent, readable

_FINE = 15
"""Bits below a code."""


def diffuse(
    source: Plane, source_encoding: Encoding, target_encoding: Encoding, channel: Channel, target: Plane
) -> None:
    """target = map(source), clipped to 0..M, with the errors diffused; planes and encodings checked by the caller."""
    written = target if adjacent(target) else np.empty(target.shape, target.dtype)
    read = readable(source)
    if read.dtype in FLOATING:
        fine = fine_codes(read, source_encoding, target_encoding, channel, _FINE)
        _diffuse_fine(fine, written, target_encoding.bit_shift)
    else:
        _diffuse(
            read,
            written,
            _table(source_encoding, target_encoding, channel),
            source_encoding.bit_shift,
            target_encoding.bit_shift,
        )
    if written is not target:
        np.copyto(target, written)


@lru_cache(maxsize=64)
def _table(source: Encoding, target: Encoding, channel: Channel) -> npt.NDArray[np.int32]:
    """The exact target value of every source code at 15 bits below the code, clipped to 0..M: int32 [M + 1]."""
    gain, offset = affine_map(source, target, channel)
    denominator = gain.denominator * offset.denominator
    codes = np.arange(source.maximum + 1, dtype=np.int64)
    exact = codes * (gain.numerator * offset.denominator) + offset.numerator * gain.denominator
    low = exact // denominator  # in two steps, as the whole would run over 64 bits
    fine = (low << _FINE) + (((exact - low * denominator) << _FINE) + denominator // 2) // denominator
    return np.clip(fine, 0, target.maximum << _FINE).astype(np.int32)


@kernel("target")
def _diffuse(source: Any, target: Any, table: Any, bit_shift: int, out_shift: int) -> None:
    """Errors are kept half a code up, 0..2^15 - 1, so that a sum of them is never negative and no result leaves 0..M."""
    columns = source.shape[1]
    last = table.shape[0] - 1
    half = np.int32(1 << (_FINE - 1))
    fraction = np.int32((1 << _FINE) - 1)
    errors = np.full(columns + 2, half)  # errors[x + 1] of the row above
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        left, above_left, above = half, half, errors[1]
        for x in range(columns):
            above_right = errors[x + 2]
            value = table[min(np.int64(read[x]) >> bit_shift, last)]
            value += np.int32(7 * left + 3 * above_right + 5 * above + above_left) >> 4
            left = value & fraction
            errors[x + 1] = left
            above_left, above = above, above_right
            written[x] = np.uint16(value >> _FINE) << out_shift


@kernel("target")
def _diffuse_fine(fine: Any, target: Any, out_shift: int) -> None:
    """As _diffuse, from values at 15 bits below the code instead of from codes: int32 [rows, columns]."""
    columns = fine.shape[1]
    half = np.int32(1 << (_FINE - 1))
    fraction = np.int32((1 << _FINE) - 1)
    errors = np.full(columns + 2, half)
    for y in range(fine.shape[0]):
        read, written = row(fine, y), row(target, y)
        left, above_left, above = half, half, errors[1]
        for x in range(columns):
            above_right = errors[x + 2]
            value = read[x] + np.int32(np.int32(7 * left + 3 * above_right + 5 * above + above_left) >> 4)
            left = np.int32(value & fraction)
            errors[x + 1] = left
            above_left, above = above, above_right
            written[x] = np.uint16(value >> _FINE) << out_shift
