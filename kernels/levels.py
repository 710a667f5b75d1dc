"""Floating-point levels (code / M of their encoding) to the target's codes in fixed point."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .encoding import Channel, Encoding, affine_map
from .planes import Plane

_ROWS = 64
"""Rows worked on at a time, so that the float64 values in between stay in the cache."""


def fine_codes(
    levels: Plane, source_encoding: Encoding, target_encoding: Encoding, channel: Channel, bits: int
) -> npt.NDArray[np.int32]:
    """The target's code of every level, times 2^bits, rounded half up: int32 [rows, columns], clipped to 0..M first.

    levels : float16 | float32 [rows, columns], code / M of the source encoding; NaN counts as 0
    bits : 0..15
    """
    gain, offset = affine_map(source_encoding, target_encoding, channel)
    scale, start, most = float(gain * source_encoding.maximum), float(offset), float(target_encoding.maximum)
    fine = np.empty(levels.shape, np.int32)
    for first in range(0, levels.shape[0], _ROWS):
        values = np.nan_to_num(levels[first : first + _ROWS].astype(np.float64), nan=0.0, posinf=np.inf, neginf=-np.inf)
        values = np.clip(values * scale + start, 0.0, most)
        fine[first : first + _ROWS] = np.floor(values * 2.0**bits + 0.5)
    return fine
