"""Means and deviations of small blocks: what a picture holds in connected areas, as against single pixels.

Coding noise, ringing beside edges and sensor noise push single pixels past a range's limits in recordings that are
right. They nearly cancel over a block, so a block whose mean lies past a limit is a part of the scene that was coded
there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .planes import readable

BLOCK = 8
"""Side of a block in pixels: noise of sigma codes leaves sigma / 8 in a mean, and a distant face still fills a few."""


@kernel("means", "deviations")
def _blocks(plane: Any, size: int, means: Any, deviations: Any) -> None:
    """means, deviations = of every whole size x size block; float64 [rows // size, columns // size], overwritten."""
    for block_y in range(means.shape[0]):
        mean_row = row(means, block_y)
        deviation_row = row(deviations, block_y)
        for block_x in range(means.shape[1]):
            mean_row[block_x] = 0.0
            deviation_row[block_x] = 0.0
        for y in range(block_y * size, block_y * size + size):
            codes = row(plane, y)
            for block_x in range(means.shape[1]):
                total = 0
                squares = 0
                for x in range(block_x * size, block_x * size + size):
                    code = int(codes[x])
                    total += code
                    squares += code * code
                mean_row[block_x] += total
                deviation_row[block_x] += squares
        for block_x in range(means.shape[1]):
            mean = mean_row[block_x] / (size * size)
            variance = deviation_row[block_x] / (size * size) - mean * mean
            mean_row[block_x] = mean
            deviation_row[block_x] = max(variance, 0.0) ** 0.5


def block_statistics(
    plane: npt.NDArray[Any], size: int = BLOCK
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Mean and standard deviation, in codes, of every whole block of a plane.

    plane : uint8 | uint16 [rows, columns], any row stride
    Returns: float64 [rows // size, columns // size] each; empty where the plane is smaller than a block.
    Raises: ValueError where the plane is not two-dimensional codes or the size is below 2.
    """
    if plane.ndim != 2 or plane.dtype not in (np.uint8, np.uint16):
        raise ValueError(f"plane must be uint8 or uint16 [rows, columns], got {plane.dtype} {plane.shape}")
    if size < 2:
        raise ValueError(f"size must be at least 2 pixels, got {size}")
    shape = plane.shape[0] // size, plane.shape[1] // size
    means, deviations = np.empty(shape), np.empty(shape)
    if means.size:
        _blocks(readable(plane), size, means, deviations)
    return means, deviations
