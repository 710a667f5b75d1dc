"""The sum of the largest of many values, without sorting them: the value at the edge is found by its bits, then what the others have
over it is added up."""

from __future__ import annotations

from typing import Any

import numpy as np

from ._jit import inline, kernel


def _last_bin(tally: Any, bins: int, wanted: int) -> Any:
    """The bin in which the wanted-th value from above lies, and which one it is among that bin's; the tally is zeros afterwards."""
    found = bins - 1
    while tally[found] < wanted:
        wanted -= tally[found]
        found -= 1
    for entry in range(tally.size):
        tally[entry] = 0
    return found, wanted


last_bin = inline(_last_bin)


@kernel("tally", "some")
def largest(values: Any, wanted: int, tally: Any, some: Any) -> int:
    """The value of which `wanted` are as large or larger.

    values : uint32, the bits of positive float32, which are ordered as their values are; wanted : 1..their number
    tally : int64 [4 * 4,096], zeros, and so again afterwards; some : uint32 as long as values and one more, overwritten
    """
    bins = tally.size >> 2
    for k in range(0, values.size - 3, 4):  # four tallies: the same count twice in a row has to wait
        tally[values[k] >> 19] += 1
        tally[bins + (values[k + 1] >> 19)] += 1
        tally[2 * bins + (values[k + 2] >> 19)] += 1
        tally[3 * bins + (values[k + 3] >> 19)] += 1
    for k in range(values.size & ~3, values.size):
        tally[values[k] >> 19] += 1
    for entry in range(bins):
        tally[entry] += tally[bins + entry] + tally[2 * bins + entry] + tally[3 * bins + entry]
    upper, wanted = last_bin(tally, bins, wanted)
    held = 0
    for k in range(values.size):
        value = values[k]
        some[held] = value  # overwritten by the next where it is not wanted: no branch to guess
        held += value >> 19 == upper
    for k in range(held):
        tally[some[k] >> 9 & 0x3FF] += 1
    middle, wanted = last_bin(tally, 1024, wanted)
    for k in range(held):
        tally[some[k] & 0x1FF] += some[k] >> 9 & 0x3FF == middle
    lower, wanted = last_bin(tally, 512, wanted)
    return int(upper << 19 | middle << 9 | lower)


def _over(value: Any, limit: Any) -> Any:
    difference = value - limit
    return difference if difference > np.float32(0) else np.float32(0)


over = inline(_over)


@kernel()
def excess(values: Any, edge: float) -> float:
    """The sum of what values have over an edge; float32 [any]."""
    limit = np.float32(edge)
    a = b = c = d = 0.0
    for k in range(0, values.size - 3, 4):  # four sums, so that none waits for the last
        a += over(values[k], limit)
        b += over(values[k + 1], limit)
        c += over(values[k + 2], limit)
        d += over(values[k + 3], limit)
    for k in range(values.size & ~3, values.size):
        a += over(values[k], limit)
    return a + b + c + d
