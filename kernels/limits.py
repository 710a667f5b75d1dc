"""How much of a picture lies outside limits: R', G', B' and luma through EBU R 103's measuring filter, in one pass.

Everything is in luma codes, so that a neutral picture is judged by its very codes. The filter is an average: where a pixel and all
that it averages lie inside, so does the result, and only rows with something outside are filtered at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import inline, kernel, row
from .encoding import Channel, Encoding, Model
from .matrix import Matrix
from .planes import Plane, check_codes, readable
from .signals import between

CHANNELS = ("Y'", "R'", "G'", "B'")
ACROSS = (1, 2, 3, 4, 3, 2, 1)
DOWN = (1, 2, 1)
"""The measuring filter. Source: EBU R 103 v3.0."""
GRID = (9, 16)
"""Rows and columns of the areas that excursions are counted in."""

_REACH = len(ACROSS) // 2


@dataclass(frozen=True, slots=True)
class Place:
    """A code, filtered where the picture is, and the row and column of its sample."""

    code: float
    y: int
    x: int


@dataclass(frozen=True, slots=True)
class Excursions:
    """What lies outside in one picture.

    samples : of the picture
    below, above : samples outside the limits, of Y', R', G', B'
    area : pixels that are outside in any of them
    lowest, highest : of what is outside, the furthest of each channel; None where nothing is
    grid : pixels outside by area of the picture, int64 [GRID]
    """

    samples: int
    below: tuple[int, ...]
    above: tuple[int, ...]
    area: int
    lowest: tuple[Place | None, ...]
    highest: tuple[Place | None, ...]
    grid: npt.NDArray[np.int64]

    @property
    def share(self) -> float:
        """Of the picture's area."""
        return self.area / self.samples


def excursions(
    planes: Sequence[Plane],
    encoding: Encoding,
    limits: tuple[int, int],
    *,
    matrix: Matrix = Matrix.BT709,
    step: tuple[int, int] = (1, 1),
    place: tuple[int, int] = (0, 0),
    filtered: bool = True,
    channels: Sequence[int] = (0, 1, 2, 3),
) -> Excursions:
    """Measure a picture.

    planes : uint8 | uint16, the encoding's channels; further ones are ignored
    limits : the lowest and the highest code allowed, in the encoding's own numbers
    step, place : of chroma samples, as signals.rgba_levels has them; chroma is interpolated linearly
    filtered : through the measuring filter; the edge of the picture goes on beyond it
    channels : numbers of CHANNELS that are looked at

    Raises: ValueError naming the argument.
    """
    needed = encoding.channels()
    if len(planes) < len(needed):
        raise ValueError(f"planes must be {len(needed)} of {encoding.model.value}, got {len(planes)}")
    if not 0 <= limits[0] < limits[1] <= encoding.maximum:
        raise ValueError(f"limits must go up within 0..{encoding.maximum}, got {limits}")
    read = [readable(check_codes(plane, "planes", encoding, "encoding")) for plane in planes[: len(needed)]]
    rows, columns = read[0].shape
    across, down = step if encoding.model is Model.YCBCR else (1, 1)
    for plane, channel in zip(read, needed, strict=True):
        shape = (-(-rows // down), -(-columns // across)) if channel is Channel.CHROMA else (rows, columns)
        if plane.shape != shape:
            raise ValueError(f"planes must fit {rows} x {columns} at steps {step}, got {plane.shape}")
    three = read * 3 if len(read) == 1 else read
    reach = _REACH if filtered else 0
    wide = columns + 2 * reach
    counts, grid = np.zeros(9, np.int64), np.zeros(GRID, np.int64)
    worst = np.zeros((8, 3), np.float64)
    worst[:4, 0], worst[4:, 0] = np.inf, -np.inf
    numbers = np.array([*_numbers(encoding, matrix), *limits], np.float32)
    kinds = np.array(
        [
            encoding.model is Model.YCBCR,
            reach,
            across if place[0] == 0 or across == 1 else 0,
            sum(1 << each for each in set(channels)),
        ],
        np.int64,
    )
    _measure(
        *three, *between(columns, across, place[0], three[1].shape[1]), *between(rows, down, place[1], three[1].shape[0]),
        numbers, kinds, np.zeros((12, wide), np.float32), np.zeros((7, max(wide, three[1].shape[1])), np.float32),
        np.zeros((1, columns), np.uint8), counts, worst, grid,
    )  # fmt: skip
    found = [None if not np.isfinite(value) else Place(float(value), int(y), int(x)) for value, y, x in worst]
    return Excursions(
        rows * columns, tuple(map(int, counts[:4])), tuple(map(int, counts[4:8])), int(counts[8]),
        tuple(found[:4]), tuple(found[4:]), grid,
    )  # fmt: skip


def _numbers(encoding: Encoding, matrix: Matrix) -> list[float]:
    """Words to codes; then of Y'CbCr the neutral code and what chroma codes add to R', G', B'; of R'G'B' the weights of luma."""
    word = 1 / (1 << encoding.bit_shift)
    if encoding.model is not Model.YCBCR:
        return [word, 0, float(matrix.red), float(matrix.green), float(matrix.blue), 0]
    scale = encoding.span(Channel.LUMA) / encoding.span(Channel.CHROMA)
    zero, one = Fraction(0), Fraction(1)
    _, green_of_blue, blue_of_blue = matrix.rgb((zero, one, zero))
    red_of_red, green_of_red, _ = matrix.rgb((zero, zero, one))
    weights = [float(each) * scale for each in (red_of_red, green_of_blue, green_of_red, blue_of_blue)]
    return [word, encoding.zero(Channel.CHROMA), *weights]


@kernel("ring", "lines", "outside", "counts", "worst", "grid")
def _measure(
    luma: Any, cb: Any, cr: Any, left: Any, right: Any, across: Any, upper: Any, lower: Any, down: Any, number: Any,
    kind: Any, ring: Any, lines: Any, outside: Any, counts: Any, worst: Any, grid: Any,
) -> None:  # fmt: skip
    """ring holds Y', R', G', B' of three rows, each with its edges going on; see excursions."""
    rows, columns = luma.shape
    mixed, reach, every, asked = kind[0], kind[1], kind[2], kind[3]
    least, most = number[6], number[7]
    behind = 1 if reach else 0
    flags = np.zeros(3, np.uint8)
    for y in range(rows + behind):
        if y < rows:
            slot = y % 3 * 4
            if mixed:
                _unmix_row(
                    luma,
                    cb,
                    cr,
                    y,
                    left,
                    right,
                    across,
                    upper[y],
                    lower[y],
                    down[y],
                    number,
                    ring,
                    slot,
                    lines,
                    reach,
                    every,
                )
            else:
                _weigh_row(luma, cb, cr, y, number, ring, slot, reach)
            flag = 0
            for channel in range(4):
                line = row(ring, slot + channel)
                for x in range(reach):
                    line[x] = line[reach]
                    line[reach + columns + x] = line[reach + columns - 1]
                if asked >> channel & 1:
                    flag |= _any_outside(line, least, most)
            flags[y % 3] = flag
        at = y - behind
        if at < 0:
            continue
        before, after = max(at - 1, 0) % 3, min(at + 1, rows - 1) % 3
        if not (flags[at % 3] or (behind and (flags[before] or flags[after]))):
            continue
        mask = row(outside, 0)
        mask[:] = 0
        for channel in range(4):
            if not asked >> channel & 1:
                continue
            line = row(ring, at % 3 * 4 + channel)
            if behind:
                line = _filter(row(ring, before * 4 + channel), line, row(ring, after * 4 + channel), lines, columns)
            _count(line, at, channel, least, most, mask, counts, worst)
        for x in range(columns):
            if mask[x]:
                counts[8] += 1
                grid[at * grid.shape[0] // rows, x * grid.shape[1] // columns] += 1


@inline
def _unmix_row(
    luma: Any, cb: Any, cr: Any, y: Any, left: Any, right: Any, across: Any, above: Any, below: Any, fall: Any, number: Any,
    ring: Any, slot: Any, lines: Any, reach: Any, every: Any,
) -> None:  # fmt: skip
    """Y', R', G', B' of one row, in luma codes."""
    word, neutral = number[0], number[1]
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
    lumas = row(luma, y)
    # Cut where the picture begins, so that indices are plain counters: the compiler then vectorises.
    level, red = row(ring, slot)[reach:], row(ring, slot + 1)[reach:]
    green, blue = row(ring, slot + 2)[reach:], row(ring, slot + 3)[reach:]
    red_of_red, green_of_blue, green_of_red, blue_of_blue = number[2], number[3], number[4], number[5]
    for x in range(lumas.shape[0]):
        level[x] = np.float32(lumas[x]) * word
    for x in range(lumas.shape[0]):
        red[x] = level[x] + red_of_red * wide_red[x]
    for x in range(lumas.shape[0]):
        green[x] = level[x] + green_of_blue * wide_blue[x] + green_of_red * wide_red[x]
    for x in range(lumas.shape[0]):
        blue[x] = level[x] + blue_of_blue * wide_blue[x]


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
def _any_outside(line: Any, least: Any, most: Any) -> Any:
    bad = np.int32(0)
    for x in range(line.shape[0]):
        bad |= np.int32(line[x] < least) | np.int32(line[x] > most)
    return bad != 0


@inline
def _weigh_row(red: Any, green: Any, blue: Any, y: Any, number: Any, ring: Any, slot: Any, reach: Any) -> None:
    """The same of a row of R'G'B' or gray."""
    word, of_red, of_blue = number[0], number[2], number[4]
    for channel, plane in enumerate((red, green, blue)):
        read, written = row(plane, y), row(ring, slot + 1 + channel)[reach:]
        for x in range(read.shape[0]):
            written[x] = np.float32(read[x]) * word
    level, reds = row(ring, slot)[reach:], row(ring, slot + 1)[reach:]
    greens, blues = row(ring, slot + 2)[reach:], row(ring, slot + 3)[reach:]
    for x in range(red.shape[1]):
        level[x] = greens[x] + of_red * (reds[x] - greens[x]) + of_blue * (blues[x] - greens[x])


@inline
def _filter(above: Any, line: Any, below: Any, lines: Any, columns: Any) -> Any:
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
def _count(line: Any, y: Any, channel: Any, least: Any, most: Any, mask: Any, counts: Any, worst: Any) -> None:
    if not _any_outside(line[: mask.shape[0]], least, most):
        return
    for x in range(mask.shape[0]):
        if line[x] < least:
            counts[channel] += 1
            mask[x] = 1
            if line[x] < worst[channel, 0]:
                worst[channel, 0], worst[channel, 1], worst[channel, 2] = line[x], y, x
        elif line[x] > most:
            counts[4 + channel] += 1
            mask[x] = 1
            if line[x] > worst[4 + channel, 0]:
                worst[4 + channel, 0], worst[4 + channel, 1], worst[4 + channel, 2] = line[x], y, x
