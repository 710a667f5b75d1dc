"""Which codes a picture uses: counts of codes, and what the counts say of floors, ceilings, excursions and walls."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Channel, Encoding
from .planes import Plane, check_codes, readable
from .tally import quantile, share_above, share_below

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


@dataclass(frozen=True, slots=True)
class Wall:
    """Codes piled up where a range ends.

    code : where; end : 'codes' (0 or M), 'reserved' (the edge of the codes kept for timing) or 'nominal' (black or white)
    share : of all samples, 0..1
    """

    code: int
    end: str
    share: float


def floor(histogram: Counts, share: float = 1e-4) -> int:
    """The lowest code at or below which at least `share` of the samples lie: the floor, a few stray samples aside.

    Raises: ValueError where the histogram is empty.
    """
    return quantile(histogram, share)


def ceiling(histogram: Counts, share: float = 1e-4) -> int:
    """The highest code at or above which at least `share` of the samples lie.

    Raises: ValueError where the histogram is empty.
    """
    return len(histogram) - 1 - quantile(histogram[::-1], share)


def excursions(histogram: Counts, encoding: Encoding, channel: Channel) -> tuple[float, float]:
    """Shares of the samples under black and over white (under and over the nominal ends, for chroma), 0..1 each."""
    return share_below(histogram, encoding.black(channel)), share_above(histogram, encoding.white(channel))


def walls(histogram: Counts, encoding: Encoding, channel: Channel, *, least: float = 5e-4) -> tuple[Wall, ...]:
    """The ends at which codes pile up, lowest first.

    A pile is at least `least` of the samples at one code, more than four times its mean neighbour on the inner side (as
    many neighbours as an 8-bit code has codes, four at least), with less than a tenth of it beyond.
    """
    total = int(histogram.sum())
    if not total:
        return ()
    low, high = encoding.reserved
    ends = [
        (0, "codes", 1),
        (low.stop, "reserved", 1),
        (encoding.black(channel), "nominal", 1),
        (encoding.white(channel), "nominal", -1),
        (high.start - 1, "reserved", -1),
        (encoding.maximum, "codes", -1),
    ]
    found: dict[int, Wall] = {}
    reach = max(encoding.unit, 4)
    for code, end, inward in ends:
        here = int(histogram[code])
        inner = histogram[code + 1 : code + 1 + reach] if inward > 0 else histogram[max(code - reach, 0) : code]
        beyond = int(histogram[:code].sum() if inward > 0 else histogram[code + 1 :].sum())
        if here / total >= least and here > 4 * float(inner.mean()) and beyond < 0.1 * here and code not in found:
            found[code] = Wall(code, end, here / total)
    return tuple(found[code] for code in sorted(found))


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
