"""Combs held against templates: matched filters against the power beside each frequency, and what a match must stand up to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .comb import Comb, Values, transform

SLOWEST = 0.06
"""Cycles a code below which a histogram's own shape rules."""
LINE = 0.1
"""Part of a candidate's strongest line that counts as a line of its own."""
BESIDE, BESIDE_SHARE = 6.0, 0.08
"""How much higher, as a ratio to the power beside it, the counts' line may stand next to the candidate's than on it."""
NEAR_TOP = 0.75
"""Part of the height of its strongest line down to which several combs together count as being on it."""
PLAIN, BESIDE_PLAIN = 20.0, 0.2
"""Power over that beside it from which a line cannot be chance, and the BESIDE_SHARE of what must not contradict."""
STRENGTH = (0.06, 1.8)
"""The comb's strength over the candidate's."""
STRONGEST = 3.0
"""The same of several combs together at most: how softened each is, is known less well."""
HALF_Z = 1.5
"""What the statistic of either half of the tones must reach: the comb of a gamma table runs past in one place only."""
SURE, AGAINST = 6.5, -1.0
"""Where the whole reaches the first, a half need only not go against it by more than the second: coding may have wiped out the comb
in the half of the tones that has the texture."""


@dataclass(frozen=True, slots=True)
class Match:
    """Products of one channel's comb with every template.

    product, variance : of the matched filters; product / sqrt(variance) is about a normal deviate where there is no comb
    lower : the part of the product that the darker half of the evidence bears
    templates : float64 [templates, codes]
    """

    comb: Comb
    product: Values
    variance: Values
    lower: Values
    templates: Values

    @property
    def z(self) -> Values:
        """The statistic of every template by this channel alone."""
        return np.asarray(self.product / np.sqrt(np.maximum(self.variance, 1e-12)))

    def expected(self, which: int) -> Values:
        """The template's power over that beside each frequency, float64 [bins]."""
        return np.asarray(np.abs(transform(self.templates[which] * self.comb.weight)) ** 2 / self.comb.power)

    def strength(self, which: int) -> float:
        """The comb's strength over the template's."""
        return float(self.product[which] / self.expected(which)[self.comb.frequencies >= SLOWEST].sum())

    def fitted(self, which: int) -> Values:
        """The template at the comb's strength, float64 [codes]."""
        return np.asarray(self.templates[which] * self.strength(which))

    def explained(self, which: int) -> float:
        """The part of the deviations, squared and weighed, that the fitted template takes away; under 0 where it adds."""
        rest = self.comb.weight * (self.comb.deviation - self.fitted(which))
        return float(1 - (rest**2).sum() / max(((self.comb.weight * self.comb.deviation) ** 2).sum(), 1e-12))

    def stands(self, which: int, *, strict: bool = False) -> bool:
        """True where the match holds over the range of tones, and the comb has no stronger line than the template's own.

        strict : in either half of the tones, however strong the whole is
        """
        return self._runs_through(which, strict=strict) and self._explains(which)

    def contradicts(self, which: int) -> bool:
        """True where this comb has a plain line that the template has not, or has elsewhere."""
        heard = self.comb.frequencies >= SLOWEST
        seen = self.comb.relative_power
        return bool(seen[heard].max() >= PLAIN) and not _on_its_lines(self.expected(which), seen, heard, BESIDE_PLAIN)

    def _runs_through(self, which: int, *, strict: bool) -> bool:
        lower = float(self.lower[which])
        least = HALF_Z if strict or self.z[which] < SURE else AGAINST
        return bool(min(lower, float(self.product[which]) - lower) >= least * np.sqrt(self.variance[which] / 2))

    def _explains(self, which: int) -> bool:
        """A stretch by some other gain has a line near by, which stands higher beside the template's frequency than on it."""
        heard = self.comb.frequencies >= SLOWEST
        if not _on_its_lines(self.expected(which), self.comb.relative_power, heard):
            return False
        return STRENGTH[0] <= self.strength(which) <= STRENGTH[1]


@dataclass(frozen=True, slots=True)
class Pooled:
    """Matches of several combs with one history each, added up: every comb counts by its own noise.

    parts : with as many templates each; row by row they are one history, each as it would look in that comb
    """

    parts: tuple[Match, ...]

    @property
    def product(self) -> Values:
        """Sum of the matched filters."""
        return np.asarray(sum(part.product for part in self.parts))

    @property
    def variance(self) -> Values:
        """Of the product."""
        return np.asarray(sum(part.variance for part in self.parts))

    @property
    def z(self) -> Values:
        """The statistic of every history."""
        return np.asarray(self.product / np.sqrt(np.maximum(self.variance, 1e-12)))

    def stands(self, which: int) -> bool:
        """True where the match holds over the range of tones, and the combs have no stronger line than the history's own."""
        lower = float(sum(part.lower[which] for part in self.parts))
        product, spread = float(self.product[which]), float(np.sqrt(self.variance[which] / 2))
        least = HALF_Z if self.z[which] < SURE else AGAINST
        if min(lower, product - lower) < least * spread:
            return False
        expected = [part.expected(which) for part in self.parts]
        heard = self.parts[0].comb.frequencies >= SLOWEST
        energy = np.array([each[heard].sum() for each in expected])
        if not energy.any():
            return False
        shares = energy / energy.sum()
        seen = sum(share * part.comb.relative_power for share, part in zip(shares, self.parts, strict=True))
        wanted, power = np.asarray(sum(expected)), np.asarray(seen)
        on = float(power[wanted >= NEAR_TOP * wanted[heard].max()].max())
        highest = float(power[heard].max())
        if highest - on > max(BESIDE, BESIDE_SHARE * highest):
            return False
        return bool(STRENGTH[0] <= product / energy.sum() <= STRONGEST)


def match(comb: Comb, templates: Values) -> Match:
    """A comb against templates, float64 [templates, codes]."""
    heard = comb.frequencies >= SLOWEST
    length = 4 * len(comb.weight)
    squares = comb.weight**2
    spectra: npt.NDArray[np.complex128] = np.fft.rfft(templates * comb.weight, length, axis=1)
    whitened = np.where(heard, spectra / comb.power, 0)
    product = (whitened * comb.spectrum.conj()).real.sum(axis=1)
    variance = (np.abs(spectra) ** 2 * (heard / comb.power)).sum(axis=1) * length / (2 * squares.sum() / squares.max())
    half = comb.deviation * comb.weight
    half[int(np.searchsorted(np.cumsum(squares), squares.sum() / 2)) :] = 0
    lower = (whitened * transform(half).conj()).real.sum(axis=1)
    return Match(comb, product, variance, lower, templates)


def _on_its_lines(expected: Values, seen: Values, heard: npt.NDArray[np.bool_], share: float = BESIDE_SHARE) -> bool:
    """True where the strongest line seen is one that is expected, and stands no higher beside its place than on it."""
    strongest = int(np.argmax(np.where(heard, seen, 0)))
    if expected[strongest] < LINE * expected[heard].max():
        return False
    line = _summit(expected, strongest)
    return bool(seen[strongest] - seen[line] <= max(BESIDE, share * seen[strongest]))


def _summit(values: Values, place: int) -> int:
    """Uphill from a place to the next summit."""
    while True:
        low = max(place - 1, 0)
        higher = low + int(np.argmax(values[low : place + 2]))
        if values[higher] <= values[place]:
            return place
        place = higher
