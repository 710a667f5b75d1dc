"""Counts of codes by how quiet the block is that a pixel lies in: coding keeps codes where little happens and moves them elsewhere.

A lossy coder's error grows with the texture that it codes, so what the codes went through before can still be read in even areas
of a frame in which all pixels together show nothing. Noise and coding move every class's codes by their own amount.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .blocks import BLOCK, block_statistics
from .encoding import Encoding
from .planes import Plane, check_codes, readable

Counts = npt.NDArray[np.int64]

EDGES = (0.35, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0)
"""Deviations inside a block, in codes, at which the next class begins."""
CLASSES = len(EDGES) + 1


@kernel("total")
def _count(plane: Any, classes: Any, size: int, bit_shift: int, total: Any) -> None:
    """total[class of the block, code] += 1 for every code of every whole block; int64 [classes, codes], added to."""
    last = total.shape[1] - 1
    for block_y in range(classes.shape[0]):
        which = row(classes, block_y)
        for y in range(block_y * size, block_y * size + size):
            codes = row(plane, y)
            for block_x in range(which.shape[0]):
                counted = row(total, which[block_x])
                for x in range(block_x * size, block_x * size + size):
                    counted[min(np.int64(codes[x]) >> bit_shift, last)] += 1


def counts_by_quiet(
    plane: Plane, encoding: Encoding, deviations: npt.NDArray[np.float64] | None = None, out: Counts | None = None
) -> Counts:
    """How often each code occurs in blocks of each class: int64 [CLASSES, M + 1], the quietest first.

    plane : uint8 | uint16 [rows, columns], any strides, container words of the encoding
    deviations : of its 8 x 8 blocks in codes, as blocks.block_statistics gives them; None measures them
    out : added to, so that frames accumulate; None starts from zero

    Returns out. Raises: ValueError naming the argument and the value.
    """
    checked = check_codes(plane, "plane", encoding, "encoding")
    shape = (CLASSES, encoding.maximum + 1)
    if out is None:
        out = np.zeros(shape, np.int64)
    elif out.dtype != np.int64 or out.shape != shape or not out.flags.c_contiguous:
        raise ValueError(f"out must be a contiguous int64 {list(shape)}, got {out.dtype} {list(out.shape)}")
    blocks = (checked.shape[0] // BLOCK, checked.shape[1] // BLOCK)
    if deviations is None:
        deviations = block_statistics(checked)[1] / (1 << encoding.bit_shift)
    elif deviations.shape != blocks:
        raise ValueError(f"deviations must be {list(blocks)}, got {list(deviations.shape)}")
    if deviations.size:
        classes = np.digitize(deviations, EDGES).astype(np.int64)
        _count(readable(checked), classes, BLOCK, encoding.bit_shift, out)
    return out
