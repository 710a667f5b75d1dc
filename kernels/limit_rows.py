"""One row of a picture on its way through limits: Y', R', G', B' out of planes, EBU R 103's filter, and what lies outside.

Loops over whole rows without a branch, each over few arrays, which is what the compiler makes vectors of.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ._jit import inline, row


@inline
def unmix_row(
    luma: Any, cb: Any, cr: Any, y: Any, left: Any, right: Any, across: Any, above: Any, below: Any, fall: Any, number: Any,
    ring: Any, slot: Any, lines: Any, reach: Any, every: Any, some: Any,
) -> None:  # fmt: skip
    """Y', R', G', B' of one row, in luma codes; some : uint8 [4], whether one of each lies outside."""
    word, neutral, least, most = number[0], number[1], number[6], number[7]
    blue_line, red_line = row(lines, 0), row(lines, 1)
    first, second = row(cb, above), row(cb, below)
    for x in range(cb.shape[1]):
        high, low = np.float32(first[x]), np.float32(second[x])
        blue_line[x] = (high + (low - high) * fall) * word - neutral
    first, second = row(cr, above), row(cr, below)
    for x in range(cr.shape[1]):
        high, low = np.float32(first[x]), np.float32(second[x])
        red_line[x] = (high + (low - high) * fall) * word - neutral
    wide_blue, wide_red = row(lines, 2), row(lines, 3)
    _widen(blue_line, wide_blue, left, right, across, every)
    _widen(red_line, wide_red, left, right, across, every)
    # Cut where the picture begins, so that indices are plain counters: the compiler then vectorises.
    level, red = row(ring, slot)[reach:], row(ring, slot + 1)[reach:]
    green, blue = row(ring, slot + 2)[reach:], row(ring, slot + 3)[reach:]
    some[0] = _to_codes(row(luma, y), word, level, least, most)
    some[1] = _with_one(level, number[2], wide_red, red, left.shape[0], least, most)
    some[2] = _with_two(level, number[3], wide_blue, number[4], wide_red, green, left.shape[0], least, most)
    some[3] = _with_one(level, number[5], wide_blue, blue, left.shape[0], least, most)


@inline
def _to_codes(words: Any, word: Any, codes: Any, least: Any, most: Any) -> Any:
    """codes = words * word; whether one lies outside, as in all of these."""
    bad = np.int32(0)
    for x in range(words.shape[0]):
        code = np.float32(words[x]) * word
        codes[x] = code
        bad |= np.int32(code < least) | np.int32(code > most)
    return bad


@inline
def _with_one(level: Any, weight: Any, chroma: Any, codes: Any, columns: Any, least: Any, most: Any) -> Any:
    bad = np.int32(0)
    for x in range(columns):
        code = level[x] + weight * chroma[x]
        codes[x] = code
        bad |= np.int32(code < least) | np.int32(code > most)
    return bad


@inline
def _with_two(
    level: Any, weight: Any, chroma: Any, second: Any, other: Any, codes: Any, columns: Any, least: Any, most: Any
) -> Any:
    bad = np.int32(0)
    for x in range(columns):
        code = level[x] + weight * chroma[x] + second * other[x]
        codes[x] = code
        bad |= np.int32(code < least) | np.int32(code > most)
    return bad


@inline
def _widen(line: Any, wide: Any, left: Any, right: Any, across: Any, every: Any) -> None:
    """Chroma of a row at every luma sample; every : 1 and 2 for a sample at each or every second one, which need no search."""
    if every == 1:
        for x in range(left.shape[0]):
            wide[x] = line[x]
        return
    if every != 2:
        for x in range(left.shape[0]):
            one, two = line[np.uint64(left[x])], line[np.uint64(right[x])]
            wide[x] = one + (two - one) * across[x]
        return
    half = left.shape[0] // 2
    for x in range(half - 1):
        wide[2 * x] = line[x]
        wide[2 * x + 1] = (line[x] + line[x + 1]) * np.float32(0.5)
    for x in range(2 * max(half - 1, 0), left.shape[0]):
        one, two = line[left[x]], line[right[x]]
        wide[x] = one + (two - one) * across[x]


@inline
def any_outside(line: Any, least: Any, most: Any) -> Any:
    bad = np.int32(0)
    for x in range(line.shape[0]):
        bad |= np.int32(line[x] < least) | np.int32(line[x] > most)
    return bad != 0


@inline
def weigh_row(
    red: Any, green: Any, blue: Any, y: Any, number: Any, ring: Any, slot: Any, reach: Any, some: Any
) -> None:  # fmt: skip
    """The same of a row of R'G'B' or gray."""
    word, of_red, of_blue, least, most = number[0], number[2], number[4], number[6], number[7]
    for channel, plane in enumerate((red, green, blue)):
        some[1 + channel] = _to_codes(row(plane, y), word, row(ring, slot + 1 + channel)[reach:], least, most)
    level, reds = row(ring, slot)[reach:], row(ring, slot + 1)[reach:]
    greens, blues = row(ring, slot + 2)[reach:], row(ring, slot + 3)[reach:]
    for x in range(red.shape[1]):
        level[x] = greens[x] + of_red * (reds[x] - greens[x]) + of_blue * (blues[x] - greens[x])
    some[0] = any_outside(level[: red.shape[1]], least, most)


@inline
def measured(above: Any, line: Any, below: Any, lines: Any, columns: Any) -> Any:
    """ACROSS is two averages of four, one after the other."""
    down, once, twice = row(lines, 4), row(lines, 5), row(lines, 6)
    for x in range(columns + 6):
        down[x] = above[x] + np.float32(2) * line[x] + below[x]
    one, two, three = down[1:], down[2:], down[3:]
    for x in range(columns + 3):
        once[x] = down[x] + one[x] + two[x] + three[x]
    one, two, three = once[1:], once[2:], once[3:]
    for x in range(columns):
        twice[x] = (once[x] + one[x] + two[x] + three[x]) * np.float32(1 / 64)
    return twice


@inline
def count(line: Any, least: Any, most: Any, mask: Any) -> Any:
    """How many samples of a row lie below and above; mask : uint8, 1 where one does."""
    below = above = np.int32(0)
    for x in range(mask.shape[0]):
        under, over = np.int32(line[x] < least), np.int32(line[x] > most)
        below += under
        above += over
        mask[x] |= under | over
    return below, above


@inline
def keep_lowest(line: Any, y: Any, lowest: Any, rows: Any) -> None:
    """lowest, rows : float32, int32 [columns], the lowest of each column so far and the first row that had it."""
    at = np.int32(y)
    for x in range(lowest.shape[0]):
        lower = line[x] < lowest[x]
        lowest[x] = line[x] if lower else lowest[x]
        rows[x] = at if lower else rows[x]


@inline
def keep_highest(line: Any, y: Any, highest: Any, rows: Any) -> None:
    """As keep_lowest."""
    at = np.int32(y)
    for x in range(highest.shape[0]):
        higher = line[x] > highest[x]
        highest[x] = line[x] if higher else highest[x]
        rows[x] = at if higher else rows[x]
