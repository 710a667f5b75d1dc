"""A drawing on one plane as runs of touched samples: what is kept of it, and how runs are found in a row."""

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

LAST = 65535
"""The largest gain below 1, in 65536ths. With an add of as many 65536ths it leaves every code as it is."""

NOTHING = 2.0**-17
"""Coverage below this is none: it would round to a gain of 1."""


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


class Gathered:
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
