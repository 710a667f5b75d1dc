"""v210, 10-bit 4:2:2 with three samples in a 32-bit word, to planes and back.

Six pixels are four words, each of three samples from the lowest bits upwards, the two highest bits 0:

    Cb0 Y0 Cr0    Y1 Cb2 Y2    Cr2 Y3 Cb4    Y4 Cr4 Y5

with chroma numbered by the luma sample that it lies on.
Source: Apple, Uncompressed Y'CbCr Video in QuickTime Files (TN2162), 'v210'.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ._jit import kernel, row
from .planes import Plane, adjacent

GROUP = 6
"""Pixels that share words."""
WORDS = 4
"""Words to a group."""
_MASK = 1023


def words_to(columns: int) -> int:
    """32-bit words that a row of so many pixels takes at least, without padding."""
    return -(-columns // GROUP) * WORDS


def unpack(packed: Plane, luma: Plane, blue: Plane, red: Plane) -> None:
    """Fill three planes with the samples of v210 words.

    packed : uint32 [rows, words], rows may be longer than the pixels need
    luma : uint16 [rows, columns], overwritten; blue, red (Cb, Cr) : uint16 [rows, ceil(columns / 2)], overwritten
    Raises: ValueError naming the argument and its shape or type.
    """
    _check(packed, luma, blue, red)
    _unpack(packed, luma, blue, red)


def pack(luma: Plane, blue: Plane, red: Plane, packed: Plane) -> None:
    """Fill v210 words with the samples of three planes; of a last group that is not full, samples beyond the picture are 0.

    Shapes and types as for `unpack`; codes over 1,023 lose their upper bits. Words beyond the last group stay as they are.
    Raises: ValueError naming the argument and its shape or type.
    """
    _check(packed, luma, blue, red)
    _pack(luma, blue, red, packed)


def _check(packed: Plane, luma: Plane, blue: Plane, red: Plane) -> None:
    for name, plane, kind in (
        ("packed", packed, np.uint32),
        ("luma", luma, np.uint16),
        ("blue", blue, np.uint16),
        ("red", red, np.uint16),
    ):
        if not isinstance(plane, np.ndarray) or plane.ndim != 2 or plane.dtype != kind:
            raise ValueError(f"{name} must be {np.dtype(kind)} [rows, columns], got {_form(plane)}")
        if not adjacent(plane):
            raise ValueError(f"{name} must be aligned, with neighbouring columns adjacent")
    rows, columns = luma.shape
    if packed.shape[0] != rows or packed.shape[1] < words_to(columns):
        raise ValueError(
            f"packed must be [{rows}, {words_to(columns)} or more] for luma {luma.shape}, got {packed.shape}"
        )
    for name, plane in (("blue", blue), ("red", red)):
        if plane.shape != (rows, (columns + 1) // 2):
            raise ValueError(f"{name} must be {(rows, (columns + 1) // 2)} for luma {luma.shape}, got {plane.shape}")


def _form(plane: Any) -> str:
    return f"{plane.dtype} {plane.shape}" if isinstance(plane, np.ndarray) else type(plane).__name__


@kernel("luma", "blue", "red")
def _unpack(packed: Any, luma: Any, blue: Any, red: Any) -> None:
    """By a row of samples in their order, Cb Y Cr Y: both steps of it are loops that the compiler vectorises."""
    columns = luma.shape[1]
    words = (2 * columns + columns % 2 + 2) // 3  # the last pixel of an odd width has both chroma samples
    line = np.empty(3 * words, np.uint16)
    for y in range(luma.shape[0]):
        read, ys, us, vs = row(packed, y), row(luma, y), row(blue, y), row(red, y)
        for k in range(words):
            word = read[k]
            line[3 * k] = word & np.uint32(_MASK)
            line[3 * k + 1] = (word >> np.uint32(10)) & np.uint32(_MASK)
            line[3 * k + 2] = (word >> np.uint32(20)) & np.uint32(_MASK)
        for k in range(columns // 2):
            us[k] = line[4 * k]
            ys[2 * k] = line[4 * k + 1]
            vs[k] = line[4 * k + 2]
            ys[2 * k + 1] = line[4 * k + 3]
        if columns % 2:
            k = columns // 2
            us[k], ys[2 * k], vs[k] = line[4 * k], line[4 * k + 1], line[4 * k + 2]


@kernel("packed")
def _pack(luma: Any, blue: Any, red: Any, packed: Any) -> None:
    """The same way back; the line is 0 beyond the picture."""
    columns = luma.shape[1]
    words = -(-columns // GROUP) * WORDS
    line = np.zeros(3 * words, np.uint16)
    for y in range(luma.shape[0]):
        written, ys, us, vs = row(packed, y), row(luma, y), row(blue, y), row(red, y)
        for k in range(columns // 2):
            line[4 * k] = us[k]
            line[4 * k + 1] = ys[2 * k]
            line[4 * k + 2] = vs[k]
            line[4 * k + 3] = ys[2 * k + 1]
        if columns % 2:
            k = columns // 2
            line[4 * k], line[4 * k + 1], line[4 * k + 2] = us[k], ys[2 * k], vs[k]
        for k in range(words):
            first, second, third = np.uint32(line[3 * k]), np.uint32(line[3 * k + 1]), np.uint32(line[3 * k + 2])
            written[k] = (
                (first & np.uint32(_MASK))
                | ((second & np.uint32(_MASK)) << np.uint32(10))
                | ((third & np.uint32(_MASK)) << np.uint32(20))
            )
