"""The line between the codes of two recordings of one scene, both of them noisy, fitted over cells of the picture.

The line b = gain a + offset has noise on both sides, so that least squares would make the gain too small. It is fitted by
an instrument: each cell is weighed by what its neighbours hold, whose noise is its own. Where only the cell's own noise
is shared, Sum w (b - mean)(z - mean) / Sum w (a - mean)(z - mean) tends to the true gain whatever the noise of either side
(Durbin 1954, from memory). Cells that a rail cuts, and outliers, do not count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .cells import Cells, Grid

TUKEY = 4.685
"""The biweight's reach in standard deviations: 95 % efficient for Gaussian noise (Beaton and Tukey 1974, from memory)."""
ROUNDS = 8
REPLICATES = 400
MARGIN = 0.012
"""How far inside the rails a cell must lie, in units of M: ringing and coding spread a clipped edge about so far."""
PILE = 0.02
"""Share of the cells from which those at one end are a pile."""
NEAR = 1
"""Cells around each over which outliers are judged."""
CODING_GAIN, CODING_LEAST, CODING_CODE = 0.17, 0.0014, 0.0005
"""What coding does to whole areas and no resampling of them shows, by fits to pictures whose map is known: an error of gain
of .17 of residual over spread, and of .0014 at the least; half a 10-bit code of offset. Fitted to one set of pictures these
were .12 and .001, which held too seldom on another."""
STEPS = 48
"""Steps of code between the picture's ends, which are made to count about alike."""
LEAST = 24
"""Cells below which no line is fitted."""


@dataclass(frozen=True, slots=True)
class Line:
    """b = gain a + offset, codes in units of M.

    gain_range, offset_range : 95 % intervals, by resampling areas of the picture
    residual : rms of b - (gain a + offset) over the cells that count, outliers left out
    spread : standard deviation of a over the cells that count
    correlation : of a and b over them
    bend : the largest departure of the mean of b from the line over tenths of the cells, ordered by a + b / gain
    cells : how many count; cut : share of cells left out because a rail cuts them
    """

    gain: float
    offset: float
    gain_range: tuple[float, float]
    offset_range: tuple[float, float]
    residual: float
    spread: float
    correlation: float
    bend: float
    cells: int
    cut: float
    span: tuple[float, float]


def fit_line(first: Cells, second: Cells, *, reach: int = 1, step_share: float = 0.004, seed: int = 1) -> Line | None:
    """The line through two recordings' cells, both noisy, with intervals; None where too few cells tell anything.

    reach : cells around each over which its instrument is taken: as far as one coding error reaches, no further
    step_share : share of all cells up to which one step of code, of STEPS, counts in full
    The same seed gives the same intervals.
    """
    a, b = first.means, second.means
    there = np.isfinite(a) & np.isfinite(b)
    if there.sum() < LEAST:
        return None
    rails_a, rails_b = _rails(first), _rails(second)
    a0, b0 = np.where(there, a, 0.0), np.where(there, b, 0.0)
    whole = there & _inside(first, rails_a) & _inside(second, rails_b)
    if np.count_nonzero(whole) < LEAST:
        return None
    gain, offset = _reduced_axis(a0, b0, whole.astype(np.float64))
    for _ in range(ROUNDS):
        if not np.isfinite(gain) or gain == 0:
            return None
        # A cell is judged by where the other recording says it lies: judged by its own noisy codes, those that noise
        # lifts over the limit would stay and pull the line.
        whole = _inside(_mapped(first, gain, offset), rails_b) & _inside(
            _mapped(second, 1 / gain, -offset / gain), rails_a
        )
        whole &= there
        if np.count_nonzero(whole) < LEAST:
            return None
        # Outliers are judged by areas, too: coding moves light from a cell to the next, and one without the other misleads.
        off = _around(b0 - gain * a0 - offset, whole, NEAR)
        middle = float(np.median(off[whole]))
        scale = 1.4826 * float(np.median(np.abs(off[whole] - middle))) + 1e-5
        usable = whole * np.square(np.clip(1 - np.square((off - middle) / (TUKEY * scale)), 0, None))
        if np.count_nonzero(usable) < LEAST:
            return None
        instrument = _around(a0 + b0 / gain, usable, reach, hollow=True)
        usable = np.where(instrument != 0.0, usable, 0.0)
        if np.count_nonzero(usable) < LEAST:
            return None
        usable = usable * _evened(instrument, usable, step_share)
        gain, offset = _instrumented(a0, b0, instrument, usable)
    if not np.isfinite(gain) or gain == 0:
        return None
    # Blur and coding wear fine contrast more than coarse: what a wider instrument says otherwise is doubt.
    wider, _ = _instrumented(a0, b0, _around(a0 + b0 / gain, usable, 3 * reach, hollow=True), usable)
    doubt = abs(wider - gain) if np.isfinite(wider) else 0.0
    return _line(a0, b0, instrument, usable, gain, offset, doubt, 1 - whole.sum() / there.sum(), seed)


def _rails(cells: Cells) -> tuple[float, float]:
    """Where a channel may be cut off: the ends of its codes, or a code further in at which the cells' ends pile up.

    A cell must lie MARGIN inside. Where nothing piles up nothing was cut, and cells near the extremes count as others do.
    """
    lows, highs = cells.lows[np.isfinite(cells.lows)], cells.highs[np.isfinite(cells.highs)]
    return _pile(lows) + MARGIN, 1 - _pile(1 - highs) - MARGIN


def _pile(lows: npt.NDArray[Any]) -> float:
    """The code that the lowest samples of many cells stand at, or 0."""
    if not len(lows):
        return 0.0
    end = float(np.quantile(lows, 0.001))
    at = float(np.mean(lows < end + MARGIN / 2))
    above = float(np.mean((lows >= end + MARGIN / 2) & (lows < end + MARGIN)))
    return end if at > PILE and at > 3 * above else 0.0


def _inside(cells: Cells, rails: tuple[float, float]) -> npt.NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return np.asarray((cells.lows > rails[0]) & (cells.highs < rails[1]))


def _mapped(cells: Cells, gain: float, offset: float) -> Cells:
    ends = (gain * cells.lows + offset, gain * cells.highs + offset)
    low, high = ends if gain > 0 else ends[::-1]
    return Cells(cells.means, low, high)


def _reduced_axis(a: Grid, b: Grid, weights: Grid) -> tuple[float, float]:
    """A first line: the ratio of the spreads, with the sign of the covariance; it favours neither side."""
    mean_a, mean_b = np.average(a, weights=weights), np.average(b, weights=weights)
    square_a = np.average(np.square(a - mean_a), weights=weights)
    square_b = np.average(np.square(b - mean_b), weights=weights)
    both = np.average((a - mean_a) * (b - mean_b), weights=weights)
    gain = float(np.copysign(np.sqrt(square_b / max(square_a, 1e-18)), both))
    return gain, float(mean_b - gain * mean_a)


def _around(values: Grid, weights: npt.NDArray[Any], reach: int, *, hollow: bool = False) -> Grid:
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


def _evened(values: Grid, weights: Grid, share: float) -> Grid:
    """Weights by which every step of code counts about alike, however much of the picture lies there.

    Most of a picture is dull, and coding takes the most from what stands out least; its few strong areas are kept best.
    """
    used = weights > 0
    low, high = np.quantile(values[used], [0.001, 0.999])
    step = np.clip(((values - low) / max(high - low, 1e-9) * STEPS).astype(np.int64), 0, STEPS - 1)
    counts = np.bincount(step[used], weights[used], STEPS)
    most = weights.sum() * share
    return np.asarray(np.minimum(1.0, most / np.maximum(counts, 1e-9))[step])


def _instrumented(a: Grid, b: Grid, z: Grid, weights: Grid) -> tuple[float, float]:
    centre = np.average(z, weights=weights)
    mean_a, mean_b = np.average(a, weights=weights), np.average(b, weights=weights)
    lever = weights * (z - centre)
    below = float((lever * (a - mean_a)).sum())
    gain = float((lever * (b - mean_b)).sum()) / below if below else float("nan")
    return gain, float(mean_b - gain * mean_a)


def _line(
    a: Grid, b: Grid, z: Grid, weights: Grid, gain: float, offset: float, doubt: float, cut: float, seed: int
) -> Line | None:
    used = weights > 0
    off = b - gain * a - offset
    mean_a = np.average(a, weights=weights)
    spread = float(a[used].std())
    residual = float(np.sqrt(np.average(np.square(off), weights=weights)))
    one, two = a[used], b[used]
    flat = one.std() == 0 or two.std() == 0
    correlation = 0.0 if flat else float(np.corrcoef(one, two)[0, 1])
    gains, offsets = _replicates(a, b, z, weights, seed)
    ordered = np.argsort(one + two / gain)
    tenths = [part for part in np.array_split(ordered, 10) if len(part)]
    bend = max(abs(float(np.mean(off[used][part]))) for part in tenths)
    low, high = np.quantile(one, [0.02, 0.98])
    coding = float(np.hypot(CODING_GAIN * residual / abs(gain) / max(spread, 1e-9), CODING_LEAST)) * abs(gain)
    coding = float(np.hypot(coding, doubt))
    shift = float(np.hypot(coding * abs(mean_a), CODING_CODE))
    return Line(
        gain, offset, _widened(gain, gains, coding), _widened(offset, offsets, shift), residual, spread, correlation, bend, int(used.sum()),
        float(cut), (float(low), float(high)),
    )  # fmt: skip


def _widened(value: float, resampled: npt.NDArray[np.float64], coding: float) -> tuple[float, float]:
    """The interval of the resampled values, and what coding may have done beside."""
    low, high = np.quantile(resampled, [0.025, 0.975])
    return value - float(np.hypot(max(value - low, 0.0), coding)), value + float(
        np.hypot(max(high - value, 0.0), coding)
    )


def _replicates(a: Grid, b: Grid, z: Grid, weights: Grid, seed: int) -> tuple[Any, Any]:
    """Gains and offsets of resampled areas: an eighth of the picture each way, through all frames, is drawn as one,
    because coding errs alike within an area and a still area errs alike in every frame."""
    _, rows, columns = a.shape
    areas = (np.arange(rows) * 8 // rows)[:, None] * 8 + (np.arange(columns) * 8 // columns)[None]
    area = np.broadcast_to(areas, a.shape).ravel()
    w = weights.ravel()
    parts = (w, w * a.ravel(), w * b.ravel(), w * z.ravel(), w * (a * z).ravel(), w * (b * z).ravel())
    moments = np.stack([np.bincount(area, part, 64) for part in parts])
    moments = moments[:, moments[0] > 0]
    count = moments.shape[1]
    draws = np.random.default_rng(seed).multinomial(count, np.full(count, 1 / count), REPLICATES).T
    sw, sa, sb, sz, saz, sbz = moments @ draws
    below = saz - sa * sz / sw
    gains = (sbz - sb * sz / sw) / np.where(below == 0, np.nan, below)
    return gains, (sb - gains * sa) / sw
