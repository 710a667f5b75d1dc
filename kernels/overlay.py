"""Guides into pictures: a drawing becomes runs of touched samples once, and the runs are blended into frame after frame.

A blend is target = code * gain + add, with gain = 1 - alpha and add = alpha * zero + span * colour, rounded half up, in the planes'
own depth, range and sampling: Y'CbCr is a linear map of R'G'B', so mixing codes is mixing colours, and no picture has to leave its planes.
In subsampled chroma both alpha and colour are filtered as chroma itself is sampled, so a line's edge mixes luma and chroma alike.
Samples that no shape covers are in no run: they keep their codes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from ._words import BLOCK
from .blending import blend, under_chroma
from .coverage import Drawing, Tables
from .encoding import Channel, Encoding
from .framing import SAMPLING_STEPS
from .matrix import Matrix
from .runs import NOTHING, Gathered, Sparse

__all__ = ["Siting", "Sparse", "blend", "premultiplied", "sparse_planes", "under_chroma"]


@dataclass(frozen=True, slots=True)
class Siting:
    """Where chroma samples lie: `step` luma samples to one, the first on the first luma sample (co-sited) or amid them.

    Source: ITU-T H.273 8.7 (ChromaLocType). 4:2:2 and, by default, 4:2:0 are co-sited across; 4:2:0 is amid down.
    """

    step: tuple[int, int] = (1, 1)
    cosited: tuple[bool, bool] = (True, False)

    @classmethod
    def of(cls, sampling: str, word: str | None) -> Siting:
        """That of a sampling and a word such as 'left', 'topleft' or 'center'.

        Unsaid means co-sited across and amid the rows (common practice); 'bottom' counts as amid.
        """
        word = word or "left"
        return cls(SAMPLING_STEPS[sampling], (word.endswith("left"), word.startswith("top")))

    def taps(self, axis: int) -> list[tuple[int, float]]:
        """Luma samples, from the first one under a chroma sample, and their weights: a triangle where co-sited, else a box."""
        step = self.step[axis]
        if step == 1:
            return [(0, 1.0)]
        if self.cosited[axis]:
            return [(at, (step - abs(at)) / step**2) for at in range(1 - step, step)]
        return [(at, 1 / step) for at in range(step)]


def sparse_planes(
    drawing: Drawing,
    encoding: Encoding | None,
    channels: Sequence[Channel],
    *,
    matrix: Matrix = Matrix.BT709,
    siting: Siting = Siting(),
    floating: bool | None = None,
) -> tuple[Sparse, ...]:
    """The drawing as it falls on each plane of a picture, to be blended into every frame of it.

    encoding : of the planes; None for floating-point planes of levels (black 0, white 1)
    channels : of the planes, in their order; alpha is raised to the drawing's own
    matrix : R'G'B' to Y'CbCr; of no consequence for R'G'B' and for grey drawings
    siting : of the chroma planes; the others have one sample a pixel
    floating : the planes are floating-point: with an encoding they hold code / M. None says: where there is no encoding
    """
    tables = Tables(drawing)
    floating = encoding is None if floating is None else floating
    if encoding is None and not floating:
        raise ValueError("encoding must be given for integer planes, got None")
    subsampled = siting.step != (1, 1)
    full = [number for number, channel in enumerate(channels) if not (subsampled and channel is Channel.CHROMA)]
    reduced = [number for number in range(len(channels)) if number not in full]
    gathered: dict[int, Gathered] = {}
    coefficients = {
        number: _coefficients(encoding, channels, number, matrix, floating) for number in range(len(channels))
    }
    # Words that hold more than a code (an infinity, a negative zero, bits below the code) would not outlive a blend with nothing.
    block = 1 if floating or (encoding is not None and encoding.bit_shift) else BLOCK
    for number in full:
        gathered[number] = Gathered(drawing.height, drawing.width, block=block)
    dense = np.zeros((4, drawing.width), np.float64)
    stretches = tables.stretches()
    for start, end in stretches:
        tables.paint(start, dense)
        for number in full:
            gathered[number].add(range(start, end), dense, coefficients[number])
    if reduced:
        _reduce(tables, stretches, siting, {number: coefficients[number] for number in reduced}, gathered, block)
    shift = encoding.bit_shift if encoding else 0
    bits = 0 if floating or encoding is None else encoding.depth + shift
    return tuple(gathered[number].sparse(bits, shift, floating) for number in range(len(channels)))


def _reduce(
    tables: Tables,
    stretches: Iterable[tuple[int, int]],
    siting: Siting,
    coefficients: dict[int, npt.NDArray[np.float64]],
    gathered: dict[int, Gathered],
    block: int,
) -> None:
    """Runs of subsampled planes: luma rows filtered down and across, once for all chroma rows that see the same ones."""
    (across, down), width, height = siting.step, tables.width, tables.height
    rows, columns = -(-height // down), -(-width // across)
    for number in coefficients:
        gathered[number] = Gathered(rows, columns, block=block)
    kind = np.zeros(height, np.int64)
    for number, (start, end) in enumerate(stretches):
        kind[start:end] = number
    taps = siting.taps(1)
    weights = np.array([weight for _, weight in siting.taps(0)], np.float64)
    reach = siting.taps(0)[0][0]
    line, small = np.zeros((4, width), np.float64), np.zeros((4, columns), np.float64)
    seen: tuple[int, ...] | None = None
    start = 0
    for y in range(rows + 1):
        lines = [min(max(y * down + at, 0), height - 1) for at, _ in taps] if y < rows else []
        looks = tuple(int(kind[each]) for each in lines)
        if looks == seen:
            continue
        if seen is not None:
            for number, each in coefficients.items():
                gathered[number].add(range(start, y), small, each)
        seen, start = looks, y
        small[:] = 0
        for at, (_, weight) in zip(lines, taps, strict=bool(lines)):
            tables.paint(at, line)
            _filter_across(line, across, reach, weights, weight, small)


def _coefficients(
    encoding: Encoding | None, channels: Sequence[Channel], number: int, matrix: Matrix, floating: bool
) -> npt.NDArray[np.float64]:
    """How a plane's sample comes from a colour: float64 [7].

    The weights of R', G' and B', the zero, the half that rounds, and the ends. A full-range chroma code at level 1/2 lies half a code
    beyond the last one, so codes end where they end.
    """
    channel = channels[number]
    zero, span = Fraction(0), Fraction(1)
    if encoding is not None:
        unit = encoding.maximum if floating else 1
        zero, span = Fraction(encoding.zero(channel), unit), Fraction(encoding.span(channel), unit)
    weights: tuple[Fraction | int, ...]
    if channel is Channel.ALPHA:
        weights, zero = (0, 0, 0), span
    elif channel is Channel.LUMA:
        weights = (matrix.red, matrix.green, matrix.blue)
    elif channel is Channel.CHROMA:
        second = channels[:number].count(Channel.CHROMA)  # Cb comes before Cr
        units = [(Fraction(r), Fraction(g), Fraction(b)) for r, g, b in ((1, 0, 0), (0, 1, 0), (0, 0, 1))]
        weights = tuple(matrix.ycbcr(unit)[1 + second] for unit in units)
    else:
        weights = tuple(int(channel is each) for each in (Channel.RED, Channel.GREEN, Channel.BLUE))
    half = Fraction(0) if floating else Fraction(1, 2)
    ends = (-np.inf, np.inf) if floating or encoding is None else (0.0, float(encoding.maximum))
    return np.array([float(span * weight) for weight in weights] + [float(zero), float(half), *ends], np.float64)


def premultiplied(drawing: Drawing, rows: range | None = None) -> npt.NDArray[np.float32]:
    """The drawing by itself: float32 [rows, columns, 4], premultiplied R'G'B' levels and alpha.

    rows : only these; None for all
    """
    rows = range(drawing.height) if rows is None else rows
    tables = Tables(drawing)
    out = np.zeros((len(rows), drawing.width, 4), np.float32)
    dense = np.zeros((4, drawing.width), np.float64)
    for first, last in tables.stretches():
        start, end = max(first, rows.start), min(last, rows.stop)
        if start < end:
            tables.paint(start, dense)
            dense[:, dense[3] < NOTHING] = 0
            out[start - rows.start : end - rows.start] = dense.T
    return out


@kernel("out")
def _filter_across(line: Any, step: Any, reach: Any, weights: Any, weight: Any, out: Any) -> None:
    """Add a dense luma row [4, columns], filtered down to every step-th column, to a dense chroma row; edges repeat."""
    last = line.shape[1] - 1
    for part in range(4):
        source, target = row(line, part), row(out, part)
        for x in range(out.shape[1]):
            total = 0.0
            for tap in range(weights.shape[0]):
                at = min(max(x * step + reach + tap, 0), last)
                total += weights[np.uint64(tap)] * source[np.uint64(at)]
            target[np.uint64(x)] += weight * total
