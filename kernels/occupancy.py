"""Which codes a picture uses: counts of codes, and what the counts say of floors, ceilings, excursions and walls."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Encoding
from .planes import Plane, check_codes, readable

Counts = npt.NDArray[np.int64]


def counts(plane: Plane, encoding: Encoding, out: Counts | None = None) -> Counts:
    """How often each code occurs: int64 [M + 1].

    plane : uint8 | uint16 [rows, columns], any strides, container words of the encoding; a word over the last code counts as the
        last code, as `rescale` reads it
    out : int64 [M + 1], added to, so that the planes of many frames accumulate; None starts from zero

    Returns out. Raises: ValueError naming the argument and the value.
    """
    checked = check_codes(plane, "plane", encoding, "encoding")
    size = encoding.maximum + 1
    if out is None:
        out = np.zeros(size, np.int64)
    elif out.dtype != np.int64 or out.shape != (size,) or not out.flags.c_contiguous or not out.flags.writeable:
        raise ValueError(f"out must be a writable, contiguous int64 [{size}], got {out.dtype} {list(out.shape)}")
    if checked.size:
        _count(readable(checked), encoding.bit_shift, out)
    return out


_TABLES = 8
"""Tables counted into in turn: neighbours of one code would otherwise wait for each other's store."""
_APART = 80
"""Entries between the tables, so that one code's counters do not fall on the same lines of the cache."""


@kernel("total")
def _count(plane: Any, bit_shift: int, total: Any) -> None:
    """total[code] += 1 for every code of the plane."""
    size = total.shape[0]
    last = size - 1
    stride = size + _APART
    table = np.zeros(_TABLES * stride, np.uint32)
    first, second, third, fourth = table[:stride], table[stride:], table[2 * stride :], table[3 * stride :]
    fifth, sixth, seventh, eighth = table[4 * stride :], table[5 * stride :], table[6 * stride :], table[7 * stride :]
    for y in range(plane.shape[0]):
        read = row(plane, y)
        width = read.shape[0]
        bits = np.uint64(0)  # the last code is all ones: words without a bit above it are codes
        for x in range(width):
            bits |= np.uint64(read[x])
        if np.int64(bits) <= last and bit_shift == 0:
            whole = width - width % _TABLES
            for x in range(0, whole, _TABLES):
                # Unsigned places: a signed one costs a test for counting from the end.
                first[np.uintp(read[x])] += np.uint32(1)
                second[np.uintp(read[x + 1])] += np.uint32(1)
                third[np.uintp(read[x + 2])] += np.uint32(1)
                fourth[np.uintp(read[x + 3])] += np.uint32(1)
                fifth[np.uintp(read[x + 4])] += np.uint32(1)
                sixth[np.uintp(read[x + 5])] += np.uint32(1)
                seventh[np.uintp(read[x + 6])] += np.uint32(1)
                eighth[np.uintp(read[x + 7])] += np.uint32(1)
        else:
            whole = 0
        for x in range(whole, width):
            first[min(np.int64(read[x]) >> bit_shift, last)] += np.uint32(1)
    for lane in range(_TABLES):
        for code in range(size):
            total[code] += np.int64(table[lane * stride + code])
