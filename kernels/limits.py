"""How much of a picture lies outside limits: R', G', B' and luma through EBU R 103's measuring filter, in one pass.

Everything is in luma codes, so that a neutral picture is judged by its very codes. The filter is an average: where a pixel and all
that it averages lie inside, so does the result, and a channel is filtered only in rows that have something of it outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from .encoding import Channel, Encoding, Model
from .limit_rows import any_outside, count, keep_highest, keep_lowest, measured, unmix_row, weigh_row
from .matrix import Matrix
from .planes import Plane, check_codes, readable
from .signals import between

CHANNELS = ("Y'", "R'", "G'", "B'")
ACROSS = (1, 2, 3, 4, 3, 2, 1)
DOWN = (1, 2, 1)
"""The measuring filter. Source: EBU R 103 v3.0."""
GRID = (9, 16)
"""Rows and columns of the areas that excursions are counted in."""

SPAN = 128
"""Columns that are filtered together where something is outside."""

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
    counts, out = np.zeros(8, np.int64), np.zeros((GRID[0], columns), np.int32)
    worst, where = np.zeros((8, columns), np.float32), np.zeros((8, columns), np.int32)
    worst[:4], worst[4:] = np.inf, -np.inf
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
        np.zeros((1, columns), np.uint8), counts, out, worst, where,
    )  # fmt: skip
    found = [_place(worst[each], where[each], each < 4) for each in range(8)]
    areas = np.arange(columns) * GRID[1] // columns
    grid = np.stack([np.bincount(areas, line, GRID[1]) for line in out]).astype(np.int64)
    return Excursions(
        rows * columns, tuple(map(int, counts[:4])), tuple(map(int, counts[4:])), int(grid.sum()),
        tuple(found[:4]), tuple(found[4:]), grid,
    )  # fmt: skip


def _place(codes: npt.NDArray[np.float32], rows: npt.NDArray[np.int32], lowest: bool) -> Place | None:
    """The furthest of every column's furthest and, of several, the first in the order of reading; None where there is none."""
    code = codes.min() if lowest else codes.max()
    if not np.isfinite(code):
        return None
    y, x = min((int(rows[x]), int(x)) for x in np.flatnonzero(codes == code))
    return Place(float(code), y, x)


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


@kernel("ring", "lines", "outside", "counts", "out", "worst", "where")
def _measure(
    luma: Any, cb: Any, cr: Any, left: Any, right: Any, across: Any, upper: Any, lower: Any, down: Any, number: Any,
    kind: Any, ring: Any, lines: Any, outside: Any, counts: Any, out: Any, worst: Any, where: Any,
) -> None:  # fmt: skip
    """ring holds Y', R', G', B' of three rows, each with its edges going on; see excursions.

    counts : below, then above, of each channel; out : pixels outside of every column in each row of areas
    worst, where : the lowest, then the highest, of each channel and column, and its row
    """
    rows, columns = luma.shape
    mixed, reach, every, asked = kind[0], kind[1], kind[2], kind[3]
    least, most = number[6], number[7]
    behind = 1 if reach else 0
    spans = -(-columns // SPAN)
    flags = np.zeros((3, 4, spans), np.uint8)
    some, hot = np.zeros(4, np.uint8), np.zeros((3, 4), np.uint8)  # hot : rows with some
    mask = row(outside, 0)
    for y in range(rows + behind):
        if y < rows:
            slot = y % 3 * 4
            if mixed:
                unmix_row(
                    luma, cb, cr, y, left, right, across, upper[y], lower[y], down[y], number, ring, slot, lines, reach, every, some
                )  # fmt: skip
            else:
                weigh_row(luma, cb, cr, y, number, ring, slot, reach, some)
            for channel in range(4):
                line = row(ring, slot + channel)
                for x in range(reach):
                    line[x] = line[reach]
                    line[reach + columns + x] = line[reach + columns - 1]
                held, hot[y % 3, channel] = hot[y % 3, channel], asked >> channel & 1 and some[channel]
                if hot[y % 3, channel]:
                    for span in range(spans):
                        last = min((span + 1) * SPAN, columns) + 2 * reach  # of all that the filter averages
                        flags[y % 3, channel, span] = any_outside(line[span * SPAN : last], least, most)
                elif held:
                    flags[y % 3, channel] = 0
        at = y - behind
        if at < 0:
            continue
        before, after = max(at - behind, 0) % 3, min(at + behind, rows - 1) % 3
        touched = False
        for channel in range(4):
            end = 0 if hot[before, channel] or hot[at % 3, channel] or hot[after, channel] else spans
            while end < spans:
                first = end
                while end < spans and (
                    flags[before, channel, end] | flags[at % 3, channel, end] | flags[after, channel, end]
                ):
                    end += 1
                if first == end:
                    end += 1
                    continue
                x0, x1 = first * SPAN, min(end * SPAN, columns)
                line = row(ring, at % 3 * 4 + channel)[x0 : x1 + 2 * reach]
                if behind:
                    above, below = row(ring, before * 4 + channel)[x0:], row(ring, after * 4 + channel)[x0:]
                    line = measured(above, line, below, lines, x1 - x0)
                if not touched:
                    mask[:] = 0
                    touched = True
                lows, highs = count(line, least, most, mask[x0:x1])
                counts[channel] += lows
                counts[4 + channel] += highs
                if lows:
                    keep_lowest(line, at, row(worst, channel)[x0:x1], row(where, channel)[x0:x1])
                if highs:
                    keep_highest(line, at, row(worst, 4 + channel)[x0:x1], row(where, 4 + channel)[x0:x1])
        if touched:
            pixels = row(out, at * out.shape[0] // rows)
            for x in range(columns):
                pixels[x] += mask[x]
