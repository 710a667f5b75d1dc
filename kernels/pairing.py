"""The line between the codes of two recordings of one scene, both of them noisy, fitted over cells of the picture.

The line b = gain a + offset has noise on both sides, so that least squares would make the gain too small. It is fitted by
an instrument: each cell is weighed by what its neighbours hold, whose noise is its own. Where only the cell's own noise
is shared, Sum w (b - mean)(z - mean) / Sum w (a - mean)(z - mean) tends to the true gain whatever the noise of either side
(Durbin 1954, from memory). Cells that a rail cuts, and outliers, do not count.

Coders leave two things that no noise model sees. Predicted frames drift, each by its own amount: where such frames count,
every frame has an offset of its own, and those that were coded by themselves give the line's. And a quantiser that cuts off
what exceeds its step pulls codes towards the middle one from both sides, which looks like less gain: where a coder counts from
a code that is known, the bend there tells how much. The rest is in the recordings themselves, and the intervals say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .cells import Cells, Grid
from .instruments import Frames, around, evened, instrumented, moments, pull, replicates

TUKEY = 4.685
"""The biweight's reach in standard deviations: 95 % efficient for Gaussian noise (Beaton and Tukey 1974, from memory)."""
ROUNDS = 8
MARGIN = 0.012
"""How far inside the rails a cell must lie, in units of M: ringing and coding spread a clipped edge about so far."""
REACHED = 0.002
"""How far past a rail the other recording goes on where it was cut, in units of M: two 10-bit codes."""
PILE = 0.02
"""Share of the cells from which those at one end are a pile."""
NEAR = 1
"""Cells around each over which outliers are judged."""
PULL = 0.0003
"""How far a coder pulls codes towards the middle one, in units of M, and no resampling shows it: up to .3 codes of ten
bits by fits to pictures whose uncoded originals are known. Over a small spread that is much gain."""
BEND = 1 / 1023
"""Over so many codes about the middle one the pull goes from one side to the other."""
SHOWN = 1.5
"""As a share of the residual at most: what is pulled bends the line at the middle code, so that it shows there as well."""
WORN = 0.17
"""And what it wears off at random, as a share of the residual, which says how hard the picture was coded."""
SHIFT, SHIFT_GRAIN = 0.0005, 0.25
"""How far a coder shifts all codes: half a 10-bit code, and a quarter of the coarser recording's."""
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


def fit_line(
    first: Cells, second: Cells, *, reach: int = 1, step_share: float = 0.004, anchors: Frames | None = None,
    grain: float = 0.0, scene: Grid | None = None,
    middles: tuple[float | None, float | None] = (None, None), seed: int = 1,
) -> Line | None:  # fmt: skip
    """The line through two recordings' cells, both noisy, with intervals; None where too few cells tell anything.

    reach : cells around each over which its instrument is taken: as far as one coding error reaches, no further
    step_share : share of all cells up to which one step of code, of STEPS, counts in full
    anchors : bool [frames], those that give the offset, while every frame has one of its own; None: all have one
    grain : one code of the coarser recording, in units of M
    scene : the uncoded picture over the same cells, where it is known; it takes the place of noisy neighbours, and what is
        still off is in the recordings themselves
    middles : middle code of the first and of the second, in units of M, where its coder counts a block's mean from there;
        what the picture shows of a bend there is taken out before the line is fitted
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
        off = around(b0 - gain * a0 - offset, whole, NEAR)
        middle = float(np.median(off[whole]))
        scale = 1.4826 * float(np.median(np.abs(off[whole] - middle))) + 1e-5
        usable = whole * np.square(np.clip(1 - np.square((off - middle) / (TUKEY * scale)), 0, None))
        if np.count_nonzero(usable) < LEAST:
            return None
        told = a0 + b0 / gain if scene is None else scene
        instrument = around(told, usable, reach, hollow=scene is None)
        usable = np.where(instrument != 0.0, usable, 0.0)
        if np.count_nonzero(usable) < LEAST:
            return None
        usable = usable * evened(instrument, usable, step_share)
        gain, offset = instrumented(a0, b0, instrument, usable, anchors)
    if not np.isfinite(gain) or gain == 0:
        return None
    own, code = (a0, middles[0]) if middles[1] is None else (b0, middles[1])
    if code is not None:
        side = np.tanh((own - code) / BEND)
        b0 = b0 - side * pull(a0, b0, side, instrument, usable, around(side, usable, reach, hollow=True), PULL, seed)
        gain, offset = instrumented(a0, b0, instrument, usable, anchors)
    # Blur and coding wear fine contrast more than coarse: what a wider instrument says otherwise is doubt.
    wider, _ = instrumented(a0, b0, around(told, usable, 3 * reach, hollow=True), usable, anchors)
    doubt = abs(wider - gain) if np.isfinite(wider) else 0.0
    parts = moments(a0, b0, instrument, usable, anchors)
    cut = 1 - whole.sum() / there.sum()
    return _line(a0, b0, usable, gain, offset, replicates(parts, usable, seed), doubt, grain, float(cut))


def uncut(first: Cells, second: Cells, gain: float, offset: float) -> npt.NDArray[np.bool_]:
    """Cells that no rail of one recording cuts where the other goes on, by the line between them; cells outside are not."""
    rails_a, rails_b = _rails(first, -REACHED), _rails(second, -REACHED)
    return _inside(_mapped(first, gain, offset), rails_b) & _inside(_mapped(second, 1 / gain, -offset / gain), rails_a)


def _rails(cells: Cells, margin: float = MARGIN) -> tuple[float, float]:
    """Where a channel may be cut off: the ends of its codes, or a code further in at which the cells' ends pile up.

    A cell must lie a margin inside. Where nothing piles up nothing was cut, and cells near the extremes count as others do.
    """
    lows, highs = cells.lows[np.isfinite(cells.lows)], cells.highs[np.isfinite(cells.highs)]
    return _pile(lows) + margin, 1 - _pile(1 - highs) - margin


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


def _line(
    a: Grid, b: Grid, weights: Grid, gain: float, offset: float, drawn: tuple[Any, Any, float], doubt: float, grain: float, cut: float
) -> Line:  # fmt: skip
    used = weights > 0
    off = b - gain * a - offset
    spread = float(a[used].std())
    residual = float(np.sqrt(np.average(np.square(off), weights=weights)))
    one, two = a[used], b[used]
    flat = one.std() == 0 or two.std() == 0
    correlation = 0.0 if flat else float(np.corrcoef(one, two)[0, 1])
    ordered = np.argsort(one + two / gain)
    tenths = [part for part in np.array_split(ordered, 10) if len(part)]
    bend = max(abs(float(np.mean(off[used][part]))) for part in tenths)
    low, high = np.quantile(one, [0.02, 0.98])
    coding = float(np.hypot(WORN * residual, min(PULL, SHOWN * residual))) / max(spread, 1e-9)
    coding = float(np.hypot(coding, doubt))
    mean = abs(float(np.average(a, weights=weights)))
    shift = float(np.sqrt((coding * mean) ** 2 + SHIFT**2 + (SHIFT_GRAIN * grain) ** 2))
    gains, offsets, few = drawn
    return Line(
        gain, offset, _widened(gain, gains, few, coding), _widened(offset, offsets, few, shift), residual, spread, correlation,
        bend, int(used.sum()), cut, (float(low), float(high)),
    )  # fmt: skip


def _widened(value: float, resampled: npt.NDArray[np.float64], few: float, coding: float) -> tuple[float, float]:
    """The interval of the resampled values, as much wider as few areas ask for, and what coding may have done beside."""
    low, high = np.quantile(resampled, [0.025, 0.975])
    return (
        value - float(np.hypot(few * max(value - low, 0.0), coding)),
        value + float(np.hypot(few * max(high - value, 0.0), coding)),
    )
