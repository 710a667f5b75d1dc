"""The comb in a histogram: counts against their own smooth course, weighed by what each is worth, and its spectrum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]

FLOOR, CEILING = -1.0, 1.0
"""Ends of a deviation in natural logarithms; one odd code must not outweigh the rest."""
HOLE = 1.5
"""A code is filled to within this many nepers of its neighbours' mean before smoothing, so that a missing one stays one code wide."""
LEAST = 6.0
"""Counts that a code's surroundings must have for it to be looked at."""
TAPER = 0.3
"""Part of the codes in use over which either end is faded out."""
NEAR = 0.055
"""Cycles a code: half the stretch of frequencies that a frequency's own power is held against."""


@dataclass(frozen=True, slots=True)
class Comb:
    """What one channel's counts show.

    deviation : logarithm of counts over their smooth course, float64 [codes]
    weight : what each is worth, one over its standard deviation in a recording without a comb; 0 where nothing is known
    spectrum : of deviation times weight, complex128 [bins]; bin i is i / (2 (bins - 1)) cycles a code
    power : what its squared magnitude would be without a line, float64 [bins]
    level : the smooth course of the counts, float64 [codes]
    """

    deviation: Values
    weight: Values
    spectrum: npt.NDArray[np.complex128]
    power: Values
    level: Values

    @property
    def frequencies(self) -> Values:
        """Cycles a code of each bin."""
        return np.linspace(0, 0.5, len(self.spectrum))

    def roughness(self, fitted: Values | None = None) -> float:
        """Standard deviation of the counts about their smooth course in nepers, counting's own taken off.

        fitted : deviations that are accounted for, float64 [codes], taken off too
        """
        used = self.weight > 0
        rest = self.deviation if fitted is None else self.deviation - fitted
        variance = float(np.mean(rest[used] ** 2)) - float(np.mean(1 / np.maximum(self.level[used], 1)))
        return math.sqrt(max(variance, 0.0))

    @property
    def relative_power(self) -> Values:
        """Power over what it would be without a line."""
        return np.asarray(np.abs(self.spectrum) ** 2 / self.power)


def smooth(values: Values, period: float) -> Values:
    """The mean over exactly one period, twice; the ends are continued.

    period : codes, a fraction or not: the outermost codes count by what of them is inside
    """
    half = (period - 1) / 2
    whole = int(np.floor(half))
    window = np.ones(2 * whole + 3)
    window[[0, -1]] = half - whole
    window /= period
    reach = whole + 1
    for _ in range(2):
        values = np.convolve(np.pad(values, reach, mode="edge"), window, mode="valid")
    return values


def filled(counts: Values) -> Values:
    """Counts with lone holes closed to within HOLE of their neighbours, as logarithms."""
    padded = np.pad(counts, 1, mode="edge")
    return np.asarray(np.log(np.maximum(counts, np.exp(-HOLE) * np.sqrt(padded[:-2] * padded[2:])) + 0.5))


def deviations(counts: Values, period: float) -> Values:
    """Logarithms of counts, less their smooth course, held between FLOOR and CEILING."""
    logs = filled(counts)
    return rough(np.clip(logs - smooth(logs, period), FLOOR, CEILING), period)


def rough(values: Values, period: float) -> Values:
    """Values less their smooth course."""
    return values - smooth(values, period)


def look(histogram: npt.NDArray[np.int64], period: float) -> Comb:
    """The comb of a histogram.

    histogram : int64 [codes]
    period : codes of one turn of the combs that are looked for, about
    """
    counts = histogram.astype(np.float64)
    counts[[0, -1]] = 0  # piles of clipped codes
    logs = filled(counts)
    course = smooth(logs, period)
    deviation = rough(np.clip(logs - course, FLOOR, CEILING), period)
    level = np.exp(course)
    reach = int(np.ceil(period))
    used = level >= LEAST
    used &= np.convolve(~used, np.ones(reach, int), mode="same") == 0  # the course is wrong beside an edge
    variance = np.maximum(deviation**2 - 1 / np.maximum(level, 1), 0)
    own = float(np.median(variance[used])) / 0.4549 if used.any() else 0.0  # median of chi-squared with one degree
    weight = np.where(used, 1 / np.sqrt(1 / np.maximum(level, 1) + own + 1e-6), 0)
    weight *= taper(used)
    spectrum = transform(deviation * weight)
    return Comb(deviation, weight, spectrum, quiet_power(np.abs(spectrum) ** 2), level)


def taper(used: npt.NDArray[np.bool_]) -> Values:
    """1 inside, falling to 0 over the outer parts of what is used: a sharp edge would smear strong frequencies over weak ones."""
    places = np.flatnonzero(used)
    if places.size < 2:
        return used.astype(np.float64)
    first, last = int(places[0]), int(places[-1])
    across = (np.arange(len(used)) - first + 0.5) / (last - first + 1)
    ramp = np.clip(np.minimum(across, 1 - across) / TAPER, 0, 1)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * ramp))


def transform(values: Values) -> npt.NDArray[np.complex128]:
    """The spectrum, four times as fine as the codes are many."""
    return np.asarray(np.fft.rfft(values, 4 * len(values)))


def quiet_power(power: Values) -> Values:
    """The power beside each frequency: the median around it, as a mean of exponentially distributed power."""
    half = max(int(NEAR * 2 * (len(power) - 1)), 1)
    step = max(half // 8, 1)
    centres = np.arange(0, len(power), step)
    padded = np.pad(power, half, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)[centres]
    middle = np.median(windows, axis=1) / np.log(2)
    return np.asarray(np.interp(np.arange(len(power)), centres, middle)) + 1e-9 * float(power.max() or 1) + 1e-12


def soften(counts: Values, sigma: float) -> Values:
    """Counts after normal noise of `sigma` codes."""
    if sigma == 0:
        return counts
    reach = int(np.ceil(5 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.convolve(np.pad(counts, reach, mode="edge"), kernel / kernel.sum(), mode="valid")
