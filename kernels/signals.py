"""Codes of Y'CbCr, R'G'B' or gray to interleaved R'G'B'A levels: what hosts of floating-point pictures are fed with.

Levels are exact to float32 and never clipped. Chroma that is subsampled is interpolated linearly between the places of its samples and
held beyond the outermost ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Channel, Encoding, Model
from .matrix import Matrix
from .planes import Plane, check_codes, readable

Levels = npt.NDArray[np.float32]


def rgba_levels(
    planes: Sequence[Plane],
    encoding: Encoding,
    out: Levels,
    *,
    matrix: Matrix = Matrix.BT709,
    step: tuple[int, int] = (1, 1),
    place: tuple[int, int] = (0, 0),
) -> None:
    """Levels (black 0, white 1) of codes, alpha 1.

    planes : uint8 | uint16 [rows, columns], the encoding's channels, any row stride; further planes are ignored
    encoding : of the codes
    out : float32 [rows, columns, 4], overwritten; any row stride, negative ones too, each row packed
    matrix : of Y'CbCr
    step : luma samples to a chroma sample, across and down
    place : of a chroma sample among its luma samples, across and down: 0 on the first, 1 amid them, 2 on the last

    Raises: ValueError naming the argument.
    Source: the inverse of ITU-R BT.709-6 items 3.2 and 3.3 with any weights; levels by encoding.py.
    """
    channels = encoding.channels()
    if len(planes) < len(channels):
        raise ValueError(f"planes must be {len(channels)} of {encoding.model.value}, got {len(planes)}")
    read = [readable(check_codes(plane, "planes", encoding, "encoding")) for plane in planes[: len(channels)]]
    rows, columns = read[0].shape
    if out.shape != (rows, columns, 4) or out.dtype != np.float32 or out.strides[1:] != (16, 4):
        raise ValueError(f"out must be packed float32 rows [{rows}, {columns}, 4], got {out.dtype} {out.shape}")
    if not out.flags.writeable:
        raise ValueError("out is read-only")
    target = np.lib.stride_tricks.as_strided(out, (rows, columns * 4), (out.strides[0], 4))
    for plane, channel in zip(read, channels, strict=True):
        across, down = step if channel is Channel.CHROMA else (1, 1)
        if plane.shape != (-(-rows // down), -(-columns // across)):
            raise ValueError(f"planes must fit {rows} x {columns} at steps {step}, got {plane.shape}")
    if encoding.model is not Model.YCBCR:
        three = read * 3 if len(read) == 1 else read
        _interleave(*three, target, _scale_of(encoding, channels[0]))
    elif step == (1, 1):
        _unmix(*read, target, _numbers(encoding, matrix))
    else:
        left, right, across_share = between(columns, step[0], place[0], read[1].shape[1])
        upper, lower, down_share = between(rows, step[1], place[1], read[1].shape[0])
        _unmix_between(
            *read, target, left, right, across_share, upper, lower, down_share, _numbers(encoding, matrix),
            np.zeros((2, read[1].shape[1]), np.float32),
        )  # fmt: skip


def _scale_of(encoding: Encoding, channel: Channel) -> Levels:
    """Gain and offset from words to levels."""
    gain = Fraction(1, encoding.span(channel) << encoding.bit_shift)
    return np.array([float(gain), float(encoding.zero(channel) << encoding.bit_shift)], np.float32)


def _numbers(encoding: Encoding, matrix: Matrix) -> Levels:
    """Luma's gain and zero, chroma's, then what blue and red chroma add to red, green and blue."""
    none, one = Fraction(0), Fraction(1)
    _, green_of_blue, blue_of_blue = matrix.rgb((none, one, none))
    red_of_red, green_of_red, _ = matrix.rgb((none, none, one))
    weights = [float(red_of_red), float(green_of_blue), float(green_of_red), float(blue_of_blue)]
    return np.concatenate(
        [_scale_of(encoding, Channel.LUMA), _scale_of(encoding, Channel.CHROMA), np.array(weights, np.float32)]
    )


def between(
    count: int, step: int, place: int, samples: int
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], Levels]:
    """For each luma sample the two chroma samples that it lies between, and the share of the second."""
    at = (np.arange(count) * 2 - place * (step - 1)) / (2 * step)
    first = np.floor(at).astype(np.int64)
    share = (at - first).astype(np.float32)
    return first.clip(0, samples - 1), (first + 1).clip(0, samples - 1), share


@kernel("target")
def _interleave(red: Any, green: Any, blue: Any, target: Any, scale: Any) -> None:
    """target = ((red, green, blue) - zero) * gain, 1."""
    gain, zero = scale[0], scale[1]
    for y in range(red.shape[0]):
        reds, greens, blues, written = row(red, y), row(green, y), row(blue, y), row(target, y)
        for x in range(reds.shape[0]):
            i = np.uint64(4 * x)
            written[i] = (np.float32(reds[x]) - zero) * gain
            written[i + np.uint64(1)] = (np.float32(greens[x]) - zero) * gain
            written[i + np.uint64(2)] = (np.float32(blues[x]) - zero) * gain
            written[i + np.uint64(3)] = np.float32(1)


@kernel("target")
def _unmix(luma: Any, cb: Any, cr: Any, target: Any, number: Any) -> None:
    """R'G'B' of Y'CbCr with a chroma sample for every luma sample."""
    for y in range(luma.shape[0]):
        lumas, blues, reds, written = row(luma, y), row(cb, y), row(cr, y), row(target, y)
        for x in range(lumas.shape[0]):
            level = (np.float32(lumas[x]) - number[1]) * number[0]
            blue = (np.float32(blues[x]) - number[3]) * number[2]
            red = (np.float32(reds[x]) - number[3]) * number[2]
            i = np.uint64(4 * x)
            written[i] = level + number[4] * red
            written[i + np.uint64(1)] = level + number[5] * blue + number[6] * red
            written[i + np.uint64(2)] = level + number[7] * blue
            written[i + np.uint64(3)] = np.float32(1)


@kernel("target", "line")
def _unmix_between(
    luma: Any, cb: Any, cr: Any, target: Any, left: Any, right: Any, across: Any, upper: Any, lower: Any, down: Any,
    number: Any, line: Any,
) -> None:  # fmt: skip
    """R'G'B' of Y'CbCr with chroma interpolated; line holds one row of both chroma planes between rows."""
    blue_line, red_line = row(line, 0), row(line, 1)
    for y in range(luma.shape[0]):
        lumas, written, fall = row(luma, y), row(target, y), down[y]
        blue_above, blue_below, red_above, red_below = (
            row(cb, upper[y]), row(cb, lower[y]), row(cr, upper[y]), row(cr, lower[y]),
        )  # fmt: skip
        for x in range(blue_line.shape[0]):
            high, low = np.float32(blue_above[x]) - number[3], np.float32(blue_below[x]) - number[3]
            blue_line[x] = (high + (low - high) * fall) * number[2]
            high, low = np.float32(red_above[x]) - number[3], np.float32(red_below[x]) - number[3]
            red_line[x] = (high + (low - high) * fall) * number[2]
        for x in range(lumas.shape[0]):
            level = (np.float32(lumas[x]) - number[1]) * number[0]
            first, second, share = np.uint64(left[x]), np.uint64(right[x]), across[x]
            blue = blue_line[first] + (blue_line[second] - blue_line[first]) * share
            red = red_line[first] + (red_line[second] - red_line[first]) * share
            i = np.uint64(4 * x)
            written[i] = level + number[4] * red
            written[i + np.uint64(1)] = level + number[5] * blue + number[6] * red
            written[i + np.uint64(2)] = level + number[7] * blue
            written[i + np.uint64(3)] = np.float32(1)
