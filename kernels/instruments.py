"""A line by an instrument: what of its moments the parts of a picture say, and how much they disagree."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .cells import Grid

Frames = npt.NDArray[np.bool_]

STEPS = 48
"""Steps of code between the picture's ends, which are made to count about alike."""
REPLICATES = 400
TWO_SIDED = 1.96
"""Standard deviations within which 95 % of a normal distribution lie."""


def around(values: Grid, weights: npt.NDArray[Any], reach: int, *, hollow: bool = False) -> Grid:
    """Weighted mean of the square of 2 reach + 1 cells around each, in its frame; 0 where no cell there counts.

    hollow : leave the cell itself out
    """
    sums = []
    for whole in (values * weights, weights.astype(np.float64)):
        part = whole
        for axis in (1, 2):
            total = np.concatenate([np.zeros_like(part.take([0], axis)), np.cumsum(part, axis)], axis)
            at = np.arange(part.shape[axis])
            ends = np.minimum(at + reach + 1, len(at)), np.maximum(at - reach, 0)
            part = total.take(ends[0], axis) - total.take(ends[1], axis)
        sums.append(part - whole if hollow else part)
    return np.where(sums[1] > 1e-9, sums[0] / np.maximum(sums[1], 1e-9), 0.0)


def evened(values: Grid, weights: Grid, share: float) -> Grid:
    """Weights by which every step of code counts about alike, however much of the picture lies there.

    Most of a picture is dull, and coding takes the most from what stands out least; its few strong areas are kept best.
    """
    used = weights > 0
    low, high = np.quantile(values[used], [0.001, 0.999])
    step = np.clip(((values - low) / max(high - low, 1e-9) * STEPS).astype(np.int64), 0, STEPS - 1)
    counts = np.bincount(step[used], weights[used], STEPS)
    most = weights.sum() * share
    return np.asarray(np.minimum(1.0, most / np.maximum(counts, 1e-9))[step])


def instrumented(a: Grid, b: Grid, z: Grid, weights: Grid, anchors: Frames | None) -> tuple[float, float]:
    """Gain and offset of b on a by the instrument z; see moments."""
    gain, offset = _solved(*(part.sum() for part in moments(a, b, z, weights, anchors)))
    return float(gain), float(offset)


def moments(a: Grid, b: Grid, z: Grid, weights: Grid, anchors: Frames | None) -> list[Grid]:
    """What a line is made of, cell by cell: the instrument with b and with a, and the weights, a and b that give the offset."""
    axes = (0, 1, 2) if anchors is None else (1, 2)
    total = np.maximum(weights.sum(axes, keepdims=True), 1e-12)
    a_off, b_off, z_off = (each - (weights * each).sum(axes, keepdims=True) / total for each in (a, b, z))
    held = weights if anchors is None else weights * anchors[:, None, None]
    if not held.any():
        held = weights
    return [weights * z_off * b_off, weights * z_off * a_off, held, held * a, held * b]


def _solved(zb: Any, za: Any, w: Any, wa: Any, wb: Any) -> tuple[Any, Any]:
    """Gain and offset of summed moments; NaN where they tell nothing."""
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.divide(zb, za)
        return gain, np.divide(wb - gain * wa, w)


def pull(a: Grid, b: Grid, side: Grid, z: Grid, weights: Grid, aside: Grid, expected: float, seed: int) -> float:
    """How far b lies from the line towards a code, as its areas agree on it, else nearer to 0.

    side : -1 to 1, which side of that code a cell lies on; z, aside : instruments of a and of side
    expected : how far it may be expected, in units of M. Twice the areas' own disagreement is doubted: less than all of it shows
    """
    parts = [*moments(a, b, z, weights, None)[:2], moments(side, b, z, weights, None)[1]]
    parts += [*moments(a, b, aside, weights, None)[:2], moments(side, b, aside, weights, None)[1]]
    sums, draws = _areas(parts, weights, seed)

    def solved(zb: Any, za: Any, zs: Any, sb: Any, sa: Any, ss: Any) -> Any:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.divide(za * sb - zb * sa, za * ss - zs * sa)

    found, drawn = float(solved(*sums.sum(axis=1))), solved(*(sums @ draws))
    drawn = drawn[np.isfinite(drawn)]
    if not np.isfinite(found) or not len(drawn):
        return 0.0
    low, high = np.quantile(drawn, [0.16, 0.84])
    return found * expected**2 / (expected**2 + float(high - low) ** 2)


def replicates(parts: list[Grid], weights: Grid, seed: int) -> tuple[Any, Any, float]:
    """Gains and offsets of resampled areas, and by how much few areas make their 95 % too narrow.

    Source: Student's quantile by the normal one, Abramowitz and Stegun 26.7.5 to its first term (from memory), with the areas
    counted by their part in the gain.
    """
    sums, draws = _areas(parts, weights, seed)
    gains, offsets = _solved(*(sums @ draws))
    whole = np.isfinite(gains) & np.isfinite(offsets)
    part = np.abs(sums[1])
    freedom = max(float(part.sum() ** 2 / np.square(part).sum()) - 1, 1.0)
    return gains[whole], offsets[whole], 1 + (TWO_SIDED**2 + 1) / (4 * freedom)


def _areas(parts: list[Grid], weights: Grid, seed: int) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Sums of each part [parts, areas], and how often each area is drawn [areas, REPLICATES].

    An eighth of the picture each way, through all frames, is drawn as one, because coding errs alike within an area and a
    still area errs alike in every frame.
    """
    _, rows, columns = weights.shape
    areas = (np.arange(rows) * 8 // rows)[:, None] * 8 + (np.arange(columns) * 8 // columns)[None]
    area = np.broadcast_to(areas, weights.shape).ravel()
    counted = np.bincount(area, weights.ravel(), 64) > 0
    sums = np.stack([np.bincount(area, part.ravel(), 64)[counted] for part in parts])
    count = sums.shape[1]
    return sums, np.random.default_rng(seed).multinomial(count, np.full(count, 1 / count), REPLICATES).T
