"""Codes of the other model: R'G'B' of Y'CbCr planes, and Y'CbCr of R'G'B' planes, in the same depth and range.

Both are one linear map of codes, so no levels lie in between. Rounded half up, held to 0..M: what lies beyond the codes of a model is
counted at its ends. Single precision: a code may differ from the exact one where that lies within .01 of a half.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Channel, Encoding, Model
from .matrix import Matrix
from .planes import Plane, check_codes, readable
from .signals import between


def crossed(encoding: Encoding) -> Encoding:
    """The encoding that the codes of `cross_codes` have: the other model's, without a shift.

    Raises: ValueError for a gray picture.
    """
    if encoding.model is Model.GRAY:
        raise ValueError("model must be ycbcr or rgb, got gray")
    return replace(encoding, model=Model.RGB if encoding.model is Model.YCBCR else Model.YCBCR, bit_shift=0)


def cross_codes(
    planes: Sequence[Plane],
    encoding: Encoding,
    out: Sequence[Plane],
    *,
    matrix: Matrix = Matrix.BT709,
    step: tuple[int, int] = (1, 1),
    place: tuple[int, int] = (0, 0),
    rows: range | None = None,
) -> None:
    """Fill three planes, a sample of each for every pixel, with codes of `crossed(encoding)`.

    planes : uint8 | uint16 [rows, columns], the encoding's channels, any row stride; further planes are ignored
    out : three planes of crossed(encoding)'s words, overwritten
    step, place : of chroma samples, as signals.rgba_levels has them; chroma is interpolated linearly
    rows : of the picture that are wanted, None for all; out has as many

    Raises: ValueError naming the argument.
    Source: ITU-R BT.709-6 items 3.2 to 3.4 with any weights; codes by encoding.py.
    """
    made, channels = crossed(encoding), encoding.channels()
    if len(planes) < 3 or len(out) != 3:
        raise ValueError(f"planes and out must be 3 of {encoding.model.value}, got {len(planes)} and {len(out)}")
    read = [readable(check_codes(plane, "planes", encoding, "encoding")) for plane in planes[:3]]
    high, columns = read[0].shape
    rows = range(high) if rows is None else rows
    if rows.step != 1 or not 0 <= rows.start <= rows.stop <= high:
        raise ValueError(f"rows must lie in 0..{high}, got {rows}")
    step = step if encoding.model is Model.YCBCR else (1, 1)
    for plane, channel in zip(read, channels, strict=True):
        across, down = step if channel is Channel.CHROMA else (1, 1)
        if plane.shape != (-(-high // down), -(-columns // across)):
            raise ValueError(f"planes must fit {high} x {columns} at steps {step}, got {plane.shape}")
    for plane in out:
        fits = plane.shape == (len(rows), columns) and plane.dtype.name == made.dtype_name
        if not fits or not plane.flags.writeable or plane.strides[1:] != (plane.itemsize,):
            raise ValueError(
                f"out must be writable {made.dtype_name} [{len(rows)}, {columns}], got {plane.dtype} {plane.shape}"
            )
    if not len(rows) or not columns:
        return
    left, right, share = between(columns, step[0], place[0], read[1].shape[1])
    upper, lower, fall = (part[rows.start : rows.stop] for part in between(high, step[1], place[1], read[1].shape[0]))
    _cross(
        read[0][rows.start : rows.stop], read[1], read[2], left, right, share, upper, lower, fall,
        _coefficients(encoding, made, matrix), int(step == (1, 1)), made.maximum,
        np.zeros((3, columns), np.float32), np.zeros((2, read[1].shape[1]), np.float32), *out,
    )  # fmt: skip


@lru_cache(maxsize=32)
def _coefficients(encoding: Encoding, made: Encoding, matrix: Matrix) -> npt.NDArray[np.float32]:
    """Three rows: what a word of each plane adds to a code, and the constant, the half that rounds among it; float32 [12]."""
    units = [(Fraction(r), Fraction(g), Fraction(b)) for r, g, b in ((1, 0, 0), (0, 1, 0), (0, 0, 1))]
    turn = matrix.rgb if encoding.model is Model.YCBCR else matrix.ycbcr
    columns = [turn(unit) for unit in units]
    found: list[Fraction] = []
    for number, channel in enumerate(made.channels()):
        constant = Fraction(made.zero(channel)) + Fraction(1, 2)
        for column, source in zip(columns, encoding.channels(), strict=True):
            gain = column[number] * made.span(channel) / encoding.span(source)
            found.append(gain / (1 << encoding.bit_shift))
            constant -= gain * encoding.zero(source)
        found.append(constant)
    return np.array([float(each) for each in found], np.float32)


@kernel("lines", "small", "first_out", "second_out", "third_out")
def _cross(
    first: Any, second: Any, third: Any, left: Any, right: Any, share: Any, upper: Any, lower: Any, fall: Any, number: Any,
    full: int, last: int, lines: Any, small: Any, first_out: Any, second_out: Any, third_out: Any,
) -> None:  # fmt: skip
    """lines holds a row of each plane, small a row of chroma between rows; see cross_codes."""
    a, b, c = row(lines, 0), row(lines, 1), row(lines, 2)
    between_b, between_c = row(small, 0), row(small, 1)
    top = np.float32(last)
    for y in range(first.shape[0]):
        read = row(first, y)
        above_b, above_c = row(second, upper[y]), row(third, upper[y])
        for x in range(read.shape[0]):
            a[x] = np.float32(read[x])
        if full:
            for x in range(read.shape[0]):
                b[x] = np.float32(above_b[x])
                c[x] = np.float32(above_c[x])
        else:
            below_b, below_c, down = row(second, lower[y]), row(third, lower[y]), fall[y]
            for x in range(between_b.shape[0]):
                high, low = np.float32(above_b[x]), np.float32(below_b[x])
                between_b[x] = high + (low - high) * down
                high, low = np.float32(above_c[x]), np.float32(below_c[x])
                between_c[x] = high + (low - high) * down
            for x in range(read.shape[0]):
                i, j, part = np.uint64(left[x]), np.uint64(right[x]), share[x]
                b[x] = between_b[i] + (between_b[j] - between_b[i]) * part
                c[x] = between_c[i] + (between_c[j] - between_c[i]) * part
        for plane in range(3):
            written = row(first_out, y) if plane == 0 else row(second_out, y) if plane == 1 else row(third_out, y)
            of_a, of_b, of_c, constant = (
                number[4 * plane],
                number[4 * plane + 1],
                number[4 * plane + 2],
                number[4 * plane + 3],
            )
            for x in range(written.shape[0]):
                code = a[x] * of_a + b[x] * of_b + c[x] * of_c + constant
                code = code if code > np.float32(0) else np.float32(0)
                code = code if code < top else top
                written[x] = np.int32(code)
