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


@kernel("total")
def _count(plane: Any, bit_shift: int, total: Any) -> None:
    """total[code] += 1 for every code of the plane."""
    last = total.shape[0] - 1
    for y in range(plane.shape[0]):
        read = row(plane, y)
        for x in range(read.shape[0]):
            total[min(np.int64(read[x]) >> bit_shift, last)] += 1
