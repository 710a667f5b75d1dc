"""Two recordings of one scene brought together in time: which frame of one belongs to which of the other.

Neither range nor gain matters here: every likeness is a correlation, or a fit with a gain and an offset of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .aligning import Pictures, level

_TOGETHER = 16
"""Samples of a picture that are transformed at once."""
REGIONS = 4
"""A frame's votes on the time offset: this many regions each way."""


@dataclass(frozen=True, slots=True)
class Timing:
    """The offset in frames: frame i of the first is frame i + offset of the second.

    correlation : of the pictures under it
    lead : how many standard errors it beats the next best offset by; 0 where there is no other
    overlap : frames that both recordings have
    """

    offset: int
    correlation: float
    lead: float
    overlap: int


def time_offset(first: Pictures, second: Pictures, least: int) -> Timing:
    """The offset under which two recordings' small pictures are most alike.

    first, second : [frames, rows, columns], every frame in order
    least : frames that have to overlap, at least 1
    """
    scores, overlaps = offset_scores(first, second)
    frames = len(first)
    scores = np.where(overlaps >= min(least, len(first), len(second)), scores, -np.inf)
    best = int(np.argmax(scores))
    order = np.argsort(scores)[::-1]
    rivals = [int(at) for at in order[:12] if at != best and np.isfinite(scores[at])]
    rivals += [at for at in (best - 1, best + 1) if 0 <= at < len(scores) and at not in rivals]
    leads = [lead(first, second, best - frames + 1, at - frames + 1) for at in rivals if overlaps[at] > 0]
    return Timing(best - frames + 1, float(scores[best]), min(leads, default=0.0), int(overlaps[best]))


def offset_scores(first: Pictures, second: Pictures) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Correlation of all samples and the frames that overlap, for every offset from 1 - len(first) to len(second) - 1."""
    a, b = first.reshape(len(first), -1).astype(np.float64), second.reshape(len(second), -1).astype(np.float64)
    a, b = a - a.mean(), b - b.mean()
    size = a.shape[1]
    offsets = np.arange(1 - len(a), len(b))
    begin, end = np.maximum(0, -offsets), np.minimum(len(a), len(b) - offsets)
    count = (end - begin) * size

    def summed(values: Any, shift: Any) -> Any:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return total[end + shift] - total[begin + shift]

    none = np.zeros_like(offsets)
    sa, saa = summed(a.sum(1), none), summed(np.square(a).sum(1), none)
    sb, sbb = summed(b.sum(1), offsets), summed(np.square(b).sum(1), offsets)
    sab = lagged_products(a, b)[offsets]
    power = np.maximum(saa - sa * sa / count, 0) * np.maximum(sbb - sb * sb / count, 0)
    scores = (sab - sa * sb / count) / np.sqrt(np.maximum(power, 1e-30))
    return scores, end - begin


def lagged_products(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The sum of a[i] * b[i + offset] over frames and samples, at index `offset`; below 0 from the end backwards.

    a, b : float64 [frames, samples]
    By Fourier transforms, some samples at a time: every frame against every other takes the square of their number in memory, 16 GB
    for half an hour.
    """
    length = 1 << (len(a) + len(b) - 1).bit_length()
    total = np.zeros(length // 2 + 1, np.complex128)
    for at in range(0, a.shape[1], _TOGETHER):
        part = slice(at, at + _TOGETHER)
        total += (np.fft.rfft(a[:, part], length, axis=0).conj() * np.fft.rfft(b[:, part], length, axis=0)).sum(1)
    return np.fft.irfft(total, length)


def lead(first: Pictures, second: Pictures, best: int, other: int) -> float:
    """By how many standard errors the pictures fit better at one offset than at another.

    The surest of three counts: the misfit's fall frame by frame; by region and frame, which sees what moves in a corner;
    and in how many of these it falls at all, which no single large change can sway.
    """
    begin = max(0, -best, -other)
    end = min(len(first), len(second) - best, len(second) - other)
    if end > begin:
        better = _misfit(first[begin:end], second[begin + best : end + best])
        worse = _misfit(first[begin:end], second[begin + other : end + other])
    else:  # they share no frame of the first: each against its own
        length = min(_shared(first, second, offset)[1] for offset in (best, other))
        better, worse = (
            _misfit(first[at : at + length], second[at + offset :][:length])
            for offset in (best, other)
            for at in (_shared(first, second, offset)[0],)
        )
    fall = worse - better
    signs = 2 * float(np.mean(fall > 0)) - 1
    counts = [_errors(fall.ravel()), signs * float(np.sqrt(fall.size))]
    if len(fall) >= 8:
        counts.append(_errors(fall.sum(axis=1)))
    return max(counts)


def _shared(first: Pictures, second: Pictures, offset: int) -> tuple[int, int]:
    """The first frame that both have, and how many."""
    begin = max(0, -offset)
    return begin, min(len(first), len(second) - offset) - begin


def _errors(values: npt.NDArray[Any]) -> float:
    """A mean in its own standard errors."""
    error = float(values.std()) / np.sqrt(len(values))
    return float(values.mean()) / error if error > 0 else 0.0


def _misfit(first: Pictures, second: Pictures) -> npt.NDArray[Any]:
    """Squares of what a gain and an offset for all leave, summed by region: [frames, REGIONS * REGIONS]."""
    gain, offset = level(first, second)
    left = np.square(second - gain * first - offset)
    rows = np.array_split(left, REGIONS, axis=1)
    return np.stack(
        [part.sum(axis=(1, 2)) for strip in rows for part in np.array_split(strip, REGIONS, axis=2)], axis=1
    )
