"""The loops behind the banding index.

Windows are counted by runs. A run of equal flat pixels in one row lies in the windows of the columns around it as a trapezoid, so one
vector addition of a ready profile counts the whole run, where counting pixel by pixel takes an addition for each. The counts are kept as
one line of columns for every code, so that the contrasts of a run are contiguous too, and codes that occur nowhere in the window's rows
are passed over.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ._jit import inline, kernel, row
from ._words import plus
from .banding_blocks import CONTRASTS, COUNTS, STEPS, count_in, count_out, put_contrasts, raise_contrasts

WORDS = 8
"""Columns looked at together for whether a run begins among them."""


@kernel("target")
def ten_bits(source: Any, bit_shift: int, depth: int, target: Any) -> None:
    """target = the codes in 10 bits; of fewer than 10, the mean of a pixel, its right, lower and lower right neighbour, rounded down.

    source : uint8 | uint16 [rows, columns], 2 x 2 at least; at an edge the pixel itself stands for the neighbour
    target : uint16, the same shape
    """
    rows, columns = source.shape
    if depth >= 10:
        down = depth - 10
        half = (1 << down) >> 1
        for y in range(rows):
            line, out = row(source, y), row(target, y)
            for x in range(columns):
                out[x] = ((int(line[x]) >> bit_shift) + half) >> down
        return
    up = 10 - depth
    for y in range(rows):
        line, below, out = row(source, y), row(source, min(y + 1, rows - 1)), row(target, y)
        right, lower_right = line[1:], below[1:]
        if depth == 8 and bit_shift == 0:  # a sum of four codes is the mean of four, two bits deeper
            for x in range(columns - 1):
                out[x] = plus(plus(line[x], right[x]), plus(below[x], lower_right[x]))
        else:
            for x in range(columns - 1):
                upper = (int(line[x]) >> bit_shift) + (int(right[x]) >> bit_shift)
                lower = (int(below[x]) >> bit_shift) + (int(lower_right[x]) >> bit_shift)
                out[x] = ((upper + lower) << up) >> 2
        last = columns - 1
        out[last] = (((int(line[last]) >> bit_shift) + (int(below[last]) >> bit_shift)) << up) >> 1


@kernel("lines", "target")
def flat_places(image: Any, least: int, lines: Any, target: Any) -> None:
    """target = 1 where more than `least` pixels of the 7 x 7 around equal both the pixel to the right and the one below, else 0.

    image : uint16 [rows, columns]; at the edges the missing neighbour counts as equal, and nothing lies outside
    lines : uint8 [9, columns + 6], zeros: a ring of eight rows of equalities, and the sums of seven of them, three columns in
    target : uint8 [rows, columns]
    """
    rows, columns = image.shape
    enough = np.uint8(least)
    sums = row(lines, 8)
    middle = sums[3:]
    second, third, fourth, fifth, sixth, seventh = sums[1:], sums[2:], sums[3:], sums[4:], sums[5:], sums[6:]
    for y in range(rows + 3):
        new, gone = row(lines, y & 7), row(lines, (y + 1) & 7)
        if y < rows:
            line, below = row(image, y), row(image, min(y + 1, rows - 1))
            right = line[1:]
            for x in range(columns - 1):
                new[x] = (line[x] == right[x]) & (line[x] == below[x])
            new[columns - 1] = line[columns - 1] == below[columns - 1]
        else:
            for x in range(columns):
                new[x] = 0
        for x in range(columns):
            middle[x] = np.uint8(np.uint8(middle[x] + new[x]) - gone[x])
        if y >= 3:
            out = row(target, y - 3)
            for x in range(columns):
                left = np.uint8(np.uint8(sums[x] + second[x]) + np.uint8(third[x] + fourth[x]))
                out[x] = np.uint8(left + np.uint8(np.uint8(fifth[x] + sixth[x]) + seventh[x])) > enough


def _mode(a: Any, b: Any, c: Any) -> Any:
    """The value that two of three share, else the smallest."""
    least = min(a, b, c)
    pair = b if b == c else least
    return a if (a == b) | (a == c) else pair


mode = inline(_mode)


@kernel("lines", "target")
def filter_by_mode(image: Any, lines: Any, target: Any) -> None:
    """target = the image through a mode of three along the rows, then along the columns; the first and last rows stay as they are.

    image, target : uint16 [rows, columns]; lines : uint16 [3, columns], overwritten
    """
    rows, columns = image.shape
    for y in range(rows):
        line, out = row(image, y), row(lines, y % 3)
        centre, right, inner = line[1:], line[2:], out[1:]
        for x in range(columns - 2):
            inner[x] = mode(line[x], centre[x], right[x])
        out[0], out[columns - 1] = line[0], line[columns - 1]
        if y == 0 or y == rows - 1:
            same = row(target, y)
            for x in range(columns):
                same[x] = line[x]
        if y > 1:
            done = row(target, y - 1)
            above, between, below = row(lines, (y - 2) % 3), row(lines, (y - 1) % 3), row(lines, y % 3)
            for x in range(columns):
                done[x] = mode(above[x], between[x], below[x])


@kernel("line", "changes", "begun", "runs", "first")
def find_runs(image: Any, flat: Any, line: Any, changes: Any, words: Any, begun: Any, runs: Any, first: Any) -> None:
    """The runs of equal flat pixels in each row: (first column, the one after its last, code), row after row.

    image : uint16 [rows, columns]; flat : uint8 [rows, columns]
    line : uint16 [columns + 1], begun : uint16 [columns + 2], overwritten
    changes : uint8 [8 n], n 8 > columns, zeros, overwritten; words : uint64 [n], the same memory
    runs : uint16 [3, rows * columns + 1]
    first : int64 [rows + 1], the place in runs of each row's first run
    """
    rows, columns = image.shape
    starts, ends, values = row(runs, 0), row(runs, 1), row(runs, 2)
    before, after, inner = line[:columns], line[1:columns], changes[1:columns]
    count = 0
    for y in range(rows):
        codes, mask = row(image, y), row(flat, y)
        for x in range(columns):
            line[x] = codes[x] + 1 if mask[x] else 0
        for x in range(columns - 1):
            inner[x] = before[x] != after[x]
        first[y] = count
        number = 1
        begun[0] = 0
        for word in range(words.size):
            if words[word]:
                for x in range(word * WORDS, word * WORDS + WORDS):
                    begun[number] = x  # overwritten by the next where it begins no run: no branch to guess
                    number += changes[x]
        begun[number] = columns
        for each in range(number):
            value = line[begun[each]]
            starts[count], ends[count], values[count] = begun[each], begun[each + 1], value - 1
            count += value != 0
    first[rows] = count


def _count_run(start: int, length: int, counting: bool, side: int, profiles: Any, counts: Any) -> None:
    """Count a run into the windows that it lies in, or out of them.

    profiles : uint16 [longest run, longest + side and zeros to whole blocks]; a longer run is counted as several
    counts : uint16, one code's line of columns, reach of them before the first
    """
    longest = profiles.shape[0]
    while length > 0:
        piece = min(length, longest)
        profile = row(profiles, piece - 1)
        for block in range(0, piece + side - 1, COUNTS):
            if counting:
                count_in(counts, start + block, profile, block)
            else:
                count_out(counts, start + block, profile, block)
        start += piece
        length -= piece


count_run = inline(_count_run)


def _run_of(starts: Any, ends: Any, values: Any, entry: int) -> Any:
    """First column, the one after the last, and code, in numbers that can be subtracted."""
    return np.int64(starts[entry]), np.int64(ends[entry]), np.int64(values[entry])


run_of = inline(_run_of)


@kernel("present", "histograms", "found")
def contrasts(
    runs: Any,
    first: Any,
    reach: int,
    steps: int,
    profiles: Any,
    weights: Any,
    present: Any,
    histograms: Any,
    found: Any,
) -> int:
    """The contrasts of all pixels that can have one, row after row, into found; returns how many.

    runs, first : of find_runs
    reach : pixels of the window to each side; profiles : of the runs, see count_run
    steps : a multiple of 4; weights : float32 [codes, steps], 0 for a step that is not visible at the code
    present : int64 [codes + 2 steps], zeros, and so again afterwards: flat pixels of each code in the window's rows
    histograms : uint16 [codes + 2 steps, columns + 2 reach and a few], the same: flat pixels of each code in each column's window
    found : float32 [rows * columns and a few]
    """
    rows = first.size - 1
    starts, ends, values = row(runs, 0), row(runs, 1), row(runs, 2)
    number = 0
    for y in range(-reach, rows + reach + 1):  # until all is counted out again
        for counting in (True, False):
            changed = y + reach if counting else y - reach - 1
            if changed < 0 or changed >= rows:
                continue
            for entry in range(first[changed], first[changed + 1]):
                start, end, code = run_of(starts, ends, values, entry)
                code += steps
                present[code] += end - start if counting else start - end
                count_run(start, end - start, counting, 2 * reach + 1, profiles, row(histograms, code))
        if y < 0 or y >= rows:
            continue
        for entry in range(first[y], first[y + 1]):
            start, end, code = run_of(starts, ends, values, entry)
            weight = row(weights, code)
            code += steps
            begun = False
            for lowest in range(1, steps + 1, STEPS):
                near = 0
                for step in range(lowest, lowest + STEPS):
                    near |= present[code + step] | present[code - step]
                if near == 0:
                    continue
                for x in range(0, end - start, CONTRASTS):
                    if begun:
                        raise_contrasts(found, number + x, histograms, code, start + reach + x, lowest, weight)
                    else:
                        put_contrasts(found, number + x, histograms, code, start + reach + x, lowest, weight)
                begun = True
            if begun:
                number += end - start
    return number
