"""Interleaved R'G'B'A levels to codes of Y'CbCr, R'G'B' or gray: the other way of `signals`.

Rounded half up, clipped to 0..M: a picture that is drawn here has no excursions worth keeping. Subsampled chroma is the average
that its place asks for: a triangle where it is co-sited, else a box; beyond the picture its edge goes on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Channel, Encoding, Model
from .matrix import Matrix
from .overlay import Siting
from .planes import Plane

Levels = npt.NDArray[np.float32]
_EVERY = Siting()


def code_levels(
    levels: Levels,
    encoding: Encoding,
    planes: Sequence[Plane],
    *,
    matrix: Matrix = Matrix.BT709,
    siting: Siting = _EVERY,
) -> None:
    """Fill planes with the codes of levels.

    levels : float32 [rows, columns, 4], packed rows; alpha is not read
    planes : uint8 | uint16, the encoding's channels; overwritten; further ones are left alone
    siting : of chroma; rows and columns begin on a whole chroma sample of the picture

    Raises: ValueError naming the argument.
    Source: BT.709-6 items 3.2 to 3.4 with any weights; levels by encoding.py.
    """
    channels = encoding.channels()
    rows, columns = levels.shape[:2]
    if levels.ndim != 3 or levels.shape[2] != 4 or levels.dtype != np.float32 or levels.strides[1:] != (16, 4):
        raise ValueError(f"levels must be packed float32 rows [rows, columns, 4], got {levels.dtype} {levels.shape}")
    if len(planes) < len(channels):
        raise ValueError(f"planes must be {len(channels)} of {encoding.model.value}, got {len(planes)}")
    across, down = siting.step
    for plane, channel in zip(planes, channels, strict=False):
        small = channel is Channel.CHROMA
        shape = (-(-rows // down), -(-columns // across)) if small else (rows, columns)
        if plane.shape != shape or plane.dtype.name != encoding.dtype_name or not plane.flags.writeable:
            raise ValueError(f"planes must be writable {encoding.dtype_name} {shape}, got {plane.dtype} {plane.shape}")
    flat = np.lib.stride_tricks.as_strided(levels, (rows, columns * 4), (levels.strides[0], 4))
    weights = _weights(encoding, matrix)
    if encoding.model is Model.RGB:
        for number, plane in enumerate(planes[:3]):
            _single(flat, plane, np.eye(3)[number], weights[0])
        return
    _single(flat, planes[0], weights[1][:3], weights[0])
    if encoding.model is Model.GRAY:
        return
    taps = [np.array([weight for _, weight in siting.taps(axis)]) for axis in (0, 1)]
    reach = np.array([siting.taps(axis)[0][0] for axis in (0, 1)], np.int64)
    lines = np.zeros((2, columns))
    for number in (0, 1):
        _chroma(flat, planes[1 + number], weights[2 + number], taps[0], taps[1], reach, np.array([across, down]), lines)


def _weights(encoding: Encoding, matrix: Matrix) -> list[npt.NDArray[np.float64]]:
    """Numbers of luma (span, zero, M, shift), its weights, and per chroma plane its weights with span, zero, M, shift."""
    top, scale = float(encoding.maximum), float(1 << encoding.bit_shift)
    first = encoding.channels()[0]
    luma = np.array([float(matrix.red), float(matrix.green), float(matrix.blue)])
    found = [np.array([encoding.span(first), encoding.zero(first), top, scale]), luma]
    if encoding.model is Model.YCBCR:
        span, zero = encoding.span(Channel.CHROMA), encoding.zero(Channel.CHROMA)
        for own, most in ((np.array([0, 0, 1.0]), matrix.blue), (np.array([1.0, 0, 0]), matrix.red)):
            found.append(np.concatenate([(own - luma) / float(2 * (1 - most)), [span, zero, top, scale]]))
    return [each.astype(np.float64) for each in found]


@kernel("out")
def _single(levels: Any, out: Any, weight: Any, number: Any) -> None:
    """out = codes of the weighted sum of R', G', B'."""
    for y in range(out.shape[0]):
        read, written = row(levels, y), row(out, y)
        for x in range(written.shape[0]):
            i = np.uint64(4 * x)
            level = read[i] * weight[0] + read[i + np.uint64(1)] * weight[1] + read[i + np.uint64(2)] * weight[2]
            code = min(max(np.floor(level * number[0] + number[1] + 0.5), 0.0), number[2])
            written[x] = int(code * number[3])


@kernel("out", "lines")
def _chroma(levels: Any, out: Any, number: Any, across: Any, down: Any, reach: Any, step: Any, lines: Any) -> None:
    """out = codes of filtered chroma; lines[0] holds one row between rows."""
    rows, columns = levels.shape[0], lines.shape[1]
    line = row(lines, 0)
    for y in range(out.shape[0]):
        written = row(out, y)
        line[:] = 0.0
        for tap in range(down.shape[0]):
            read = row(levels, min(max(y * step[1] + reach[1] + tap, 0), rows - 1))
            for x in range(columns):
                i = np.uint64(4 * x)
                level = read[i] * number[0] + read[i + np.uint64(1)] * number[1] + read[i + np.uint64(2)] * number[2]
                line[x] += level * down[tap]
        for x in range(written.shape[0]):
            level = 0.0
            for tap in range(across.shape[0]):
                level += line[min(max(x * step[0] + reach[0] + tap, 0), columns - 1)] * across[tap]
            code = min(max(np.floor(level * number[3] + number[4] + 0.5), 0.0), number[5])
            written[x] = int(code * number[6])
