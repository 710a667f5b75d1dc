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

from ._jit import fetch, kernel, row
from ._words import BLOCK, blend_block, carried, high, low, plus
from .coverage import Drawing, Floats, Tables
from .encoding import Channel, Encoding
from .matrix import Matrix
from .planes import FLOATING, INTEGER, Plane, adjacent, check_plane

UNIFORM = 48
"""Alike samples in a row from which on they are stored as one; below, a run is stored sample by sample."""

LAST = 65535
"""The largest gain below 1, in 65536ths. With an add of as many 65536ths it leaves every code as it is."""

AHEAD = 16
"""Rows by which the memory of short runs is asked for in advance."""

NOTHING = 2.0**-17
"""Coverage below this is none: it would round to a gain of 1."""


@dataclass(frozen=True, slots=True)
class Siting:
    """Where chroma samples lie: `step` luma samples to one, the first on the first luma sample (co-sited) or amid them.

    Source: ITU-T H.273 8.7 (ChromaLocType). 4:2:2 and, by default, 4:2:0 are co-sited across; 4:2:0 is amid down.
    """

    step: tuple[int, int] = (1, 1)
    cosited: tuple[bool, bool] = (True, False)

    def taps(self, axis: int) -> list[tuple[int, float]]:
        """Luma samples, from the first one under a chroma sample, and their weights: a triangle where co-sited, else a box."""
        step = self.step[axis]
        if step == 1:
            return [(0, 1.0)]
        if self.cosited[axis]:
            return [(at, (step - abs(at)) / step**2) for at in range(1 - step, step)]
        return [(at, 1 / step) for at in range(step)]


@dataclass(frozen=True, slots=True, eq=False)
class Sparse:
    """A drawing as it falls on one plane.

    bits : that a word must hold; 0 for floating planes
    profile : int32 [rows], which profile of runs a row has; -1 for an untouched row
    first : int64 [profiles + 1], where a profile's runs begin
    left, right : int64 [runs], columns, right one exclusive
    start : int64 [runs], where a run's blends begin; ~start for a run with a single one
    gain, add, rest : how codes are blended. For integer planes uint16: gain in 65536ths, add in codes and rest in 65536ths of a
        code, the half that rounds included; target = (code * gain + add:rest) >> 16. For floating planes float32, without rest
    """

    rows: int
    columns: int
    bits: int
    bit_shift: int
    floating: bool
    profile: npt.NDArray[np.int32]
    first: npt.NDArray[np.int64]
    left: npt.NDArray[np.int64]
    right: npt.NDArray[np.int64]
    start: npt.NDArray[np.int64]
    gain: npt.NDArray[Any]
    add: npt.NDArray[Any]
    rest: npt.NDArray[Any]

    def touched(self) -> npt.NDArray[np.bool_]:
        """Which samples a blend may change: bool [rows, columns]."""
        mask = np.zeros((self.rows, self.columns), bool)
        idle = self.gain == 1 if self.floating else (self.gain == LAST) & (self.add == 0) & (self.rest == LAST)
        for y, profile in enumerate(self.profile):
            if profile >= 0:
                for run in range(self.first[profile], self.first[profile + 1]):
                    left, right, start = self.left[run], self.right[run], self.start[run]
                    mask[y, left:right] |= True if start < 0 else ~idle[start : start + right - left]
        return mask


class _Gathered:
    """Runs of one plane while they are found."""

    def __init__(self, rows: int, columns: int, *, block: int) -> None:
        self._block = block
        self.profile = np.full(rows, -1, np.int32)
        self.columns = columns
        self.runs: list[npt.NDArray[np.int64]] = []
        self.blends: list[npt.NDArray[np.float64]] = []
        self.counts = [0]
        self.length = 0
        self._runs = np.zeros((3, columns), np.int64)
        self._blends = np.zeros((2, (columns + 2) * BLOCK), np.float64)  # room for every run filled up to a block

    def add(self, rows: range, dense: Floats, coefficients: npt.NDArray[np.float64]) -> None:
        """The runs of one dense row [4, columns], which `rows` share."""
        runs, samples = _find_runs(dense, coefficients, UNIFORM, self._block, self._runs, self._blends)
        if not runs:
            return
        found = self._runs[:, :runs].copy()
        found[2] = np.where(found[2] < 0, found[2] - self.length, found[2] + self.length)  # ~(i + n) is ~i - n
        self.profile[rows.start : rows.stop] = len(self.counts) - 1
        self.runs.append(found)
        self.blends.append(self._blends[:, :samples].copy())
        self.counts.append(self.counts[-1] + runs)
        self.length += samples

    def sparse(self, bits: int, bit_shift: int, floating: bool) -> Sparse:
        runs = np.concatenate(self.runs, 1) if self.runs else np.zeros((3, 0), np.int64)
        gain, add = np.concatenate(self.blends, 1) if self.blends else np.zeros((2, 0), np.float64)
        left, right, start = (np.ascontiguousarray(part) for part in runs)
        blends: tuple[npt.NDArray[Any], ...]
        if floating:
            blends = np.float32(1) - gain.astype(np.float32), add.astype(np.float32), np.zeros(0, np.float32)
        else:
            words = np.minimum(np.round((1 - gain) * 65536), LAST)
            sums = np.where(gain > 0, np.round(add * 65536), LAST).astype(np.int64)
            blends = words.astype(np.uint16), (sums >> 16).astype(np.uint16), (sums & LAST).astype(np.uint16)
        return Sparse(
            len(self.profile), self.columns, bits, bit_shift, floating, self.profile, np.array(self.counts, np.int64),
            left, right, start, *blends,
        )  # fmt: skip


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
    gathered: dict[int, _Gathered] = {}
    coefficients = {
        number: _coefficients(encoding, channels, number, matrix, floating) for number in range(len(channels))
    }
    # Words that hold more than a code (an infinity, a negative zero, bits below the code) would not outlive a blend with nothing.
    block = 1 if floating or (encoding is not None and encoding.bit_shift) else BLOCK
    for number in full:
        gathered[number] = _Gathered(drawing.height, drawing.width, block=block)
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
    gathered: dict[int, _Gathered],
    block: int,
) -> None:
    """Runs of subsampled planes: luma rows filtered down and across, once for all chroma rows that see the same ones."""
    (across, down), width, height = siting.step, tables.width, tables.height
    rows, columns = -(-height // down), -(-width // across)
    for number in coefficients:
        gathered[number] = _Gathered(rows, columns, block=block)
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


def blend(plane: Plane, sparse: Sparse, *, origin: tuple[int, int] = (0, 0)) -> None:
    """Blend the drawing into a plane, in place. Two renders agree, and tiles join: only absolute places count.

    plane : uint8 | uint16 codes as the sparse form's encoding says, or float16 | float32 levels; a tile of the plane or all of it
    origin : the plane's top left sample in the whole plane, row and column
    Raises: ValueError naming the argument.
    """
    _check(plane, sparse)
    if not plane.size:
        return
    if plane.dtype == np.float16:
        levels = plane.astype(np.float32)
        blend(levels, sparse, origin=origin)
        plane[...] = levels
    elif not adjacent(plane):
        packed = np.ascontiguousarray(plane)
        blend(packed, sparse, origin=origin)
        plane[...] = packed
    else:
        loop = _blend_levels if sparse.floating else _blend_shifted if sparse.bit_shift else _blend
        loop(
            plane, origin[0], origin[1], sparse.bit_shift, sparse.profile, sparse.first, sparse.left, sparse.right,
            sparse.start, sparse.gain, sparse.add, sparse.rest,
        )  # fmt: skip


def _check(plane: Any, sparse: Sparse) -> None:
    check_plane(plane, "plane", FLOATING if sparse.floating else INTEGER)
    if plane.itemsize * 8 < sparse.bits:
        raise ValueError(f"plane is {plane.dtype}, too small for words of {sparse.bits} bits")
    if not plane.flags.writeable:
        raise ValueError("plane is read-only")


@kernel("runs", "blends")
def _find_runs(dense: Any, coefficients: Any, uniform: Any, block: Any, runs: Any, blends: Any) -> Any:
    """Stretches of covered samples in a dense row as runs (left, right, start or ~start) and their blends (alpha, add).

    Runs that are stored sample by sample are filled up to whole blocks with samples of alpha 0, which stay as they are.
    Returns how many runs and how many blends.
    """
    red, green, blue, alpha = row(dense, 0), row(dense, 1), row(dense, 2), row(dense, 3)
    lefts, rights, starts = row(runs, 0), row(runs, 1), row(runs, 2)
    alphas, adds = row(blends, 0), row(blends, 1)
    width = dense.shape[1]
    count = length = x = 0
    while x < width:
        if alpha[np.uint64(x)] < NOTHING:
            x += 1
            continue
        begin, first = x, length  # of the run that is open
        while x < width and alpha[np.uint64(x)] >= NOTHING:
            i = np.uint64(x)
            end = x + 1
            while (
                end < width
                and alpha[np.uint64(end)] == alpha[i]
                and red[np.uint64(end)] == red[i]
                and green[np.uint64(end)] == green[i]
                and blue[np.uint64(end)] == blue[i]
            ):
                end += 1
            # Alpha is kept to 16 bits, and the colour with it, so that full coverage gives the colour's very code.
            share = np.floor(alpha[i] * 65536.0 + 0.5) / 65536.0
            colour = coefficients[0] * red[i] + coefficients[1] * green[i] + coefficients[2] * blue[i]
            code = colour / alpha[i] + coefficients[3]
            add = min(max(code, coefficients[5]), coefficients[6]) * share + coefficients[4]
            single = end - x >= uniform
            if single and begin < x:
                lefts[np.uint64(count)], rights[np.uint64(count)], starts[np.uint64(count)] = begin, x, first
                count += 1
            for _ in range(1 if single else end - x):
                alphas[np.uint64(length)] = share
                adds[np.uint64(length)] = add
                length += 1
            if single:
                lefts[np.uint64(count)], rights[np.uint64(count)], starts[np.uint64(count)] = x, end, -length
                count += 1
                begin, first = end, length
            x = end
        if begin < x:
            right = begin + (x - begin + block - 1) // block * block
            if right > width:
                right = x
            for _ in range(x, right):
                alphas[np.uint64(length)] = 0.0
                adds[np.uint64(length)] = 0.0
                length += 1
            lefts[np.uint64(count)], rights[np.uint64(count)], starts[np.uint64(count)] = begin, right, first
            count += 1
    return count, length


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


@kernel("plane")
def _blend(
    plane: Any, top: Any, beside: Any, bit_shift: Any, profile: Any, first: Any, left: Any, right: Any, start: Any,
    gain: Any, add: Any, rest: Any,
) -> None:  # fmt: skip
    """target = (code * gain + add:rest) >> 16 over every run that meets the plane."""
    width = plane.shape[1]
    end_row = min(plane.shape[0], profile.shape[0] - top)
    for y in range(max(0, -top), end_row):
        if y + AHEAD < end_row:  # a short run costs little but the wait for its memory
            which = profile[np.uint64(y + AHEAD + top)]
            if which >= 0:
                for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
                    x = left[np.uint64(run)] - beside
                    if start[np.uint64(run)] >= 0 and 0 <= x < width:
                        fetch(plane, y + AHEAD, x)
        which = profile[np.uint64(y + top)]
        if which < 0:
            continue
        line = row(plane, y)
        for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
            r = np.uint64(run)
            begin = left[r] - beside
            x, end, at = max(begin, 0), min(right[r] - beside, width), start[r]
            if at < 0:
                i = np.uint64(-1 - at)
                factor, whole, part = gain[i], add[i], rest[i]
                for k in range(np.uint64(x), np.uint64(max(end, x))):
                    code = np.uint16(line[k])
                    carry = carried(plus(low(code, factor), part), part)
                    line[k] = plus(plus(high(code, factor), whole), carry)
            else:
                at += x - begin
                while x + 8 <= end:
                    blend_block(line, np.uint64(x), gain, add, rest, np.uint64(at))
                    x += 8
                    at += 8
                while x < end:
                    i = np.uint64(at)
                    code = np.uint16(line[np.uint64(x)])
                    carry = carried(plus(low(code, gain[i]), rest[i]), rest[i])
                    line[np.uint64(x)] = plus(plus(high(code, gain[i]), add[i]), carry)
                    x += 1
                    at += 1


@kernel("plane")
def _blend_shifted(
    plane: Any, top: Any, beside: Any, bit_shift: Any, profile: Any, first: Any, left: Any, right: Any, start: Any,
    gain: Any, add: Any, rest: Any,
) -> None:  # fmt: skip
    """As _blend, for codes in the high bits of their words."""
    width = plane.shape[1]
    bits = np.int64(bit_shift)
    for y in range(max(0, -top), min(plane.shape[0], profile.shape[0] - top)):
        which = profile[np.uint64(y + top)]
        if which < 0:
            continue
        line = row(plane, y)
        for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
            r = np.uint64(run)
            begin = left[r] - beside
            at = start[r]
            for x in range(max(begin, 0), min(right[r] - beside, width)):
                i = np.uint64(-1 - at if at < 0 else at + x - begin)
                code = np.int64(line[np.uint64(x)]) >> bits
                mixed = (code * np.int64(gain[i]) + (np.int64(add[i]) << 16) + np.int64(rest[i])) >> 16
                line[np.uint64(x)] = mixed << bits


@kernel("plane")
def _blend_levels(
    plane: Any, top: Any, beside: Any, bit_shift: Any, profile: Any, first: Any, left: Any, right: Any, start: Any,
    gain: Any, add: Any, rest: Any,
) -> None:  # fmt: skip
    """target = level * gain + add, for floating-point levels: nothing is rounded or clipped."""
    width = plane.shape[1]
    for y in range(max(0, -top), min(plane.shape[0], profile.shape[0] - top)):
        which = profile[np.uint64(y + top)]
        if which < 0:
            continue
        line = row(plane, y)
        for run in range(first[np.uint64(which)], first[np.uint64(which + 1)]):
            r = np.uint64(run)
            begin = left[r] - beside
            at = start[r]
            for x in range(max(begin, 0), min(right[r] - beside, width)):
                i = np.uint64(-1 - at if at < 0 else at + x - begin)
                line[np.uint64(x)] = line[np.uint64(x)] * gain[i] + add[i]
