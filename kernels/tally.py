"""Small arithmetic over histograms of codes: quantiles, shares, piles."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Histogram = npt.NDArray[np.int64]
"""Counts, one entry a code, int64 [2^depth]."""


def tally(values: npt.NDArray[Any], codes: int) -> Histogram:
    """Counts of rounded values; what lies outside 0..codes - 1 is counted at the nearer end."""
    rounded = np.floor(np.asarray(values, dtype=np.float64).ravel() + 0.5).astype(np.int64)
    return np.bincount(np.clip(rounded, 0, codes - 1), minlength=codes).astype(np.int64)


def quantile(counts: Histogram, share: float) -> int:
    """The lowest code at or below which at least `share` of the counts lie, and at least one.

    Raises: ValueError where the histogram is empty.
    """
    total = int(counts.sum())
    if total == 0:
        raise ValueError("counts must hold at least one entry, got an empty histogram")
    return int(np.searchsorted(np.cumsum(counts), max(share * total, 1)))


def share_between(counts: Histogram, low: float, high: float) -> float:
    """Share of the counts whose code c has low <= c <= high; 0 of an empty histogram."""
    total = int(counts.sum())
    first, last = max(int(np.ceil(low)), 0), min(int(np.floor(high)), len(counts) - 1)
    return float(counts[first : last + 1].sum() / total) if total and last >= first else 0.0


def share_below(counts: Histogram, code: float) -> float:
    """Share of the counts under a code."""
    return share_between(counts, 0, np.ceil(code) - 1)


def share_above(counts: Histogram, code: float) -> float:
    """Share of the counts over a code."""
    return share_between(counts, np.floor(code) + 1, len(counts) - 1)
