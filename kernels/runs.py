"""A drawing on one plane as runs of touched samples: what is kept of it, and how runs are found in a row and joined down the rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from ._words import BLOCK
from .coverage import Floats

UNIFORM = 48
"""Alike samples in a row from which on they are stored as one; below, a run is stored sample by sample."""

TALL = 16
"""Rows of a run at most. Bands of so many rows are drawn column by column: then much memory is waited for at once, and little enough
to stay near meanwhile."""

WIDE = 4 * BLOCK
"""Blends that are stored of a run whose samples are blended alike: one for each sample that is drawn at once."""

LAST = 65535
"""The largest gain below 1, in 65536ths. With an add of as many 65536ths it leaves every code as it is."""

NOTHING = 2.0**-17
"""Coverage below this is none: it would round to a gain of 1."""


@dataclass(frozen=True, slots=True, eq=False)
class Sparse:
    """A drawing as it falls on one plane.

    bits : that a word must hold; 0 for floating planes
    runs : int32 [runs, 5], stretches of touched samples that some rows share: top, bottom, left and right (bottom and right
        exclusive) and where its blends begin; ~start for a run whose samples are blended alike. In bands of TALL rows
    blends : how codes are blended, run after run in the order of first use: a gain for each column (or WIDE times the same), then as
        many adds, then rests. For integer planes uint16: gain in 65536ths, add in codes and rest in 65536ths of a code, the half that
        rounds included; target = (code * gain + add:rest) >> 16. For floating planes float32, without rests
    """

    rows: int
    columns: int
    bits: int
    bit_shift: int
    floating: bool
    runs: npt.NDArray[np.int32]
    blends: npt.NDArray[Any]

    def touched(self) -> npt.NDArray[np.bool_]:
        """Which samples a blend may change: bool [rows, columns]."""
        mask = np.zeros((self.rows, self.columns), bool)
        idle = (1,) if self.floating else (LAST, 0, LAST)
        for top, bottom, left, right, start in self.runs.tolist():
            many = right - left
            parts = self.blends[start : start + many * len(idle)].reshape(-1, many) if start >= 0 else None
            changes = (
                True if parts is None else np.any([part != each for part, each in zip(parts, idle, strict=False)], 0)
            )
            mask[top:bottom, left:right] |= changes
        return mask


class Gathered:
    """Runs of one plane while they are found."""

    def __init__(self, rows: int, columns: int, *, block: int) -> None:
        self.rows, self.columns, self._block = rows, columns, block
        self._runs = np.zeros((64, 5), np.int32)
        self._blends = np.zeros((2, 1024), np.float64)
        self._count = self._length = 0
        self._open = np.zeros(0, np.int64)  # numbers of the runs that the row above had
        self._found = np.zeros((3, columns), np.int64)
        self._fresh = np.zeros((2, (columns + 2) * BLOCK), np.float64)  # room for every run filled up to blocks

    def add(self, rows: range, dense: Floats, coefficients: npt.NDArray[np.float64]) -> None:
        """The runs of one dense row [4, columns], which `rows` share; rows come from the top down."""
        count, samples = _find_runs(dense, coefficients, UNIFORM, self._block, self._found, self._fresh)
        while self._count + count > len(self._runs):
            self._runs = np.concatenate([self._runs, np.zeros_like(self._runs)])
        while self._length + samples > self._blends.shape[1]:
            self._blends = np.concatenate([self._blends, np.zeros_like(self._blends)], 1)
        numbers = np.zeros(count, np.int64)
        self._count, self._length = _join(
            self._found,
            self._fresh,
            rows.start,
            rows.stop,
            self._open,
            numbers,
            self._runs,
            self._blends,
            self._count,
            self._length,
        )
        self._open = numbers

    def sparse(self, bits: int, bit_shift: int, floating: bool) -> Sparse:
        gain, add = self._blends[:, : self._length]
        blends: npt.NDArray[Any]
        if floating:
            blends = np.stack([np.float32(1) - gain.astype(np.float32), add.astype(np.float32)])
        else:
            words = np.minimum(np.round((1 - gain) * 65536), LAST)
            sums = np.where(gain > 0, np.round(add * 65536), LAST).astype(np.int64)
            blends = np.stack([words, sums >> 16, sums & LAST]).astype(np.uint16)
        runs = _in_bands(self._runs[: self._count])
        return Sparse(self.rows, self.columns, bits, bit_shift, floating, runs, _packed(runs, blends))


def _in_bands(runs: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
    """Runs cut where a band of TALL rows ends: band after band, and in each from left to right."""
    first, last = runs[:, 0] // TALL, (runs[:, 1] - 1) // TALL
    parts = last - first + 1
    cut = np.repeat(runs, parts, 0)
    band = np.repeat(first, parts) + np.arange(len(cut)) - np.repeat(np.cumsum(parts) - parts, parts)
    cut[:, 0] = np.maximum(cut[:, 0], band * TALL)
    cut[:, 1] = np.minimum(cut[:, 1], (band + 1) * TALL)
    return np.ascontiguousarray(cut[np.lexsort((cut[:, 0], cut[:, 2], band))])


def _packed(runs: npt.NDArray[np.int32], blends: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Blends [parts, blends] run after run, those of equal runs once; `runs` are told where theirs begin now."""
    places: dict[bytes, int] = {}
    kept, length = [np.zeros(0, blends.dtype)], 0
    for run, (_, _, left, right, start) in zip(runs, runs.tolist(), strict=True):
        own = (blends[:, [~start] * WIDE] if start < 0 else blends[:, start : start + right - left]).ravel()
        key = own.tobytes()
        if key not in places:
            places[key] = length
            kept.append(own)
            length += own.size
        run[4] = ~places[key] if start < 0 else places[key]
    return np.concatenate(kept)


@kernel("runs", "blends")
def _find_runs(dense: Any, coefficients: Any, uniform: Any, block: Any, runs: Any, blends: Any) -> Any:
    """Stretches of covered samples in a dense row as runs (left, right, start or ~start) and their blends (alpha, add).

    Runs that are stored sample by sample begin and end at multiples of `block`, and at the row's end: what is not covered of that has
    samples of alpha 0, which stay as they are. Returns how many runs and how many blends.
    """
    red, green, blue, alpha = row(dense, 0), row(dense, 1), row(dense, 2), row(dense, 3)
    lefts, rights, starts = row(runs, 0), row(runs, 1), row(runs, 2)
    alphas, adds = row(blends, 0), row(blends, 1)
    width = dense.shape[1]
    count = length = x = 0
    begin, first = -1, 0  # of the run that is open; -1 where none is
    while x < width or begin >= 0:
        end, single = x, False
        if x < width and alpha[np.uint64(x)] >= NOTHING:
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
            single = end - x >= uniform
        idle = end == x
        if begin >= 0 and (single or (idle and (x % block == 0 or x >= width))):
            right = min((x + block - 1) // block * block, width)
            for _ in range(x, right):
                alphas[np.uint64(length)] = 0.0
                adds[np.uint64(length)] = 0.0
                length += 1
            lefts[np.uint64(count)], rights[np.uint64(count)], starts[np.uint64(count)] = begin, right, first
            count += 1
            begin = -1
        if idle:
            if begin >= 0:
                alphas[np.uint64(length)] = 0.0
                adds[np.uint64(length)] = 0.0
                length += 1
            x += 1
            continue
        if begin < 0:
            begin, first = x, length
            if not single:
                begin = x // block * block
                for _ in range(begin, x):
                    alphas[np.uint64(length)] = 0.0
                    adds[np.uint64(length)] = 0.0
                    length += 1
        # Alpha is kept to 16 bits, and the colour with it, so that full coverage gives the colour's very code.
        i = np.uint64(x)
        share = np.floor(alpha[i] * 65536.0 + 0.5) / 65536.0
        colour = coefficients[0] * red[i] + coefficients[1] * green[i] + coefficients[2] * blue[i]
        code = colour / alpha[i] + coefficients[3]
        add = min(max(code, coefficients[5]), coefficients[6]) * share + coefficients[4]
        for _ in range(1 if single else end - x):
            alphas[np.uint64(length)] = share
            adds[np.uint64(length)] = add
            length += 1
        if single:
            lefts[np.uint64(count)], rights[np.uint64(count)], starts[np.uint64(count)] = x, end, -length
            count += 1
            begin = -1
        x = end
    return count, length


@kernel("numbers", "runs", "blends")
def _join(
    found: Any, fresh: Any, top: Any, bottom: Any, above: Any, numbers: Any, runs: Any, blends: Any, count: Any, length: Any
) -> Any:  # fmt: skip
    """Let runs of the row above go on through rows top..bottom where `found` has the same ones, and add the others.

    above, numbers : int64, numbers of the runs of the row above and, overwritten, of these rows, from left to right
    Returns how many runs and how many blends there are now.
    """
    k = 0
    for run in range(numbers.shape[0]):
        left, right, start = found[0, run], found[1, run], found[2, run]
        many = 1 if start < 0 else right - left
        start = -1 - start if start < 0 else start
        while k < above.shape[0] and runs[above[k], 2] < left:
            k += 1
        same = False
        if k < above.shape[0]:
            other = above[k]
            at = np.int64(runs[other, 4])
            single = at < 0
            at = -1 - at if single else at
            same = (
                runs[other, 1] == top
                and runs[other, 2] == left
                and runs[other, 3] == right
                and single == (found[2, run] < 0)
            )
            for i in range(many if same else 0):
                if blends[0, at + i] != fresh[0, start + i] or blends[1, at + i] != fresh[1, start + i]:
                    same = False
                    break
        if same:
            numbers[run] = above[k]
            runs[above[k], 1] = bottom
            continue
        runs[count, 0], runs[count, 1], runs[count, 2], runs[count, 3] = top, bottom, left, right
        runs[count, 4] = -1 - length if found[2, run] < 0 else length
        for i in range(many):
            blends[0, length + i], blends[1, length + i] = fresh[0, start + i], fresh[1, start + i]
        numbers[run] = count
        count += 1
        length += many
    return count, length
