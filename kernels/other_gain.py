"""Combs of any other gain: one strong line, and which gain leaves it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from .comb import Comb, Values, deviations, soften
from .matching import match
from .scalings import scaled, shallow_turns

LEAST_LINE = 30.0
"""Power over that of the frequencies beside it from which a line is worth asking about."""
LEAST_Z = 9.0
"""More than a named history takes: gain and offset are free here."""
BINS, MAIN = 3, 0.25
"""Bins of the spectrum that a slower comb's line may lie off its place, and part of the strongest line from which it is one."""
SLOWEST, FASTEST = 0.08, 0.47
"""Cycles a code of the lines that are looked for: a line at a half or a quarter is left by packing and padding."""
LIKE = 0.3
"""Part of the counts' roughness that a gain must account for to speak against a named history."""
EXPLAINED = 0.4
"""Part of the counts' roughness that the gain must account for: posterised pictures are rough in many ways at once."""
EXPLAINED_SOFT = 0.6
"""The same of a comb softened by more than `SOFT` codes: noise that softens a comb takes the rest of the roughness too."""
SOFT = 0.5
STRENGTH = (0.7, 1.35)
"""The comb's strength over that of the likeliest gain and softness: a gain that is right accounts for just as much."""
OFFSETS = 12
SOFTNESS = (0.0, 0.6, 1.1, 1.7)
LEAST_GAIN, MOST_GAIN = 0.6, 1.55
"""Gains that leave a comb which can be told from other gains'."""
NO_GAIN = 0.02
ALIKE = 0.004
"""Gains nearer than that are one."""
DECIDES = 0.02
"""How much more of the roughness the likelier gain must account for to be given."""


@dataclass(frozen=True, slots=True)
class OtherGain:
    """A gain that no change of range has.

    gain, offset : last = gain * first + offset, the offset but for whole steps of the first codes; None where stretching and
        squeezing leave the same line and noise has covered what tells them apart
    z : of the match
    softness : noise that came after it, codes, about
    fitted : the deviations that it leaves, float64 [codes]
    explained : part of the counts' roughness that it accounts for
    sure : True where it may be named; else it only speaks against another history that accounts for less
    """

    gain: float | None
    offset: float | None
    z: float
    softness: float
    fitted: Values
    explained: float
    sure: bool


def other_gain(comb: Comb, period: float) -> OtherGain | None:
    """The gain that a comb tells of, or None; codes that were only spread over more bits leave a line too, of which it keeps silent.

    period : that the comb's smooth course was taken over
    """
    frequencies, seen = comb.frequencies, comb.relative_power
    heard = (frequencies >= SLOWEST) & (frequencies <= FASTEST)
    line = int(np.argmax(np.where(heard, seen, 0)))
    if seen[line] < LEAST_LINE or of_much_shallower(comb):
        return None
    turn = (line + _beside(np.log(seen[line - 1 : line + 2]))) * float(frequencies[1])
    found = [each for gain in _gains(turn) if (each := _fit(comb, gain, period)) is not None]
    if not found:
        return None
    found.sort(key=lambda each: -each.explained)
    best = found[0]
    if _spread(comb, period) >= best.explained - DECIDES:
        return None
    if any(abs(each.gain - best.gain) > ALIKE and best.explained - each.explained < DECIDES for each in found):
        return OtherGain(None, None, best.z, best.softness, best.fitted, best.explained, best.sure)
    return OtherGain(best.gain, best.offset, best.z, best.softness, best.fitted, best.explained, best.sure)


def _spread(comb: Comb, period: float) -> float:
    """Part of the roughness that codes of two bits fewer, spread over these without a change of range, would account for."""
    codes = len(comb.weight)
    if codes < 4 << 8:
        return 0.0
    choices = [
        (gain, step / OFFSETS * gain, softness)
        for gain in (4.0, (codes - 1) / (codes // 4 - 1))
        for step in range(OFFSETS)
        for softness in SOFTNESS[1:]
    ]
    matched = match(comb, np.array([_template(codes, *choice, period) for choice in choices]))
    return max(matched.explained(which) for which in range(len(choices)))


def of_much_shallower(comb: Comb) -> bool:
    """True where a main line of the comb is that of codes with four bits fewer, whose harmonics other combs must not be taken for."""
    depth = len(comb.weight).bit_length() - 1
    places = (round(turn / float(comb.frequencies[1])) for turn in shallow_turns(depth))
    heard = comb.frequencies >= SLOWEST
    least = max(MAIN * float(comb.relative_power[heard].max()), LEAST_LINE)
    return any(float(comb.relative_power[place - BINS : place + BINS + 1].max()) >= least for place in places)


@dataclass(frozen=True, slots=True)
class _Fit:
    """One gain at its likeliest offset and softness; see OtherGain."""

    gain: float
    offset: float
    z: float
    softness: float
    fitted: Values
    explained: float
    sure: bool


def _fit(comb: Comb, gain: float, period: float) -> _Fit | None:
    """The gain's best fit, where it stands."""
    choices = [(step / OFFSETS * max(gain, 1.0), softness) for step in range(OFFSETS) for softness in SOFTNESS]
    matched = match(comb, np.array([_template(len(comb.weight), gain, *choice, period) for choice in choices]))
    best = int(np.argmax(matched.z))
    z, explained = float(matched.z[best]), matched.explained(best)
    if z < LEAST_Z or explained < LIKE or not matched.stands(best, strict=True):
        return None
    least = EXPLAINED if choices[best][1] <= SOFT else EXPLAINED_SOFT
    sure = explained >= least and STRENGTH[0] <= matched.strength(best) <= STRENGTH[1]
    return _Fit(gain, choices[best][0], z, choices[best][1], matched.fitted(best), explained, sure)


def _beside(three: Values) -> float:
    """Where the parabola through three neighbours has its top, in steps from the middle one."""
    left, middle, right = (float(each) for each in three)
    bend = left - 2 * middle + right
    return 0.5 * (left - right) / bend if bend < 0 else 0.0


def _gains(turn: float) -> list[float]:
    """Gains whose comb, or a harmonic of it, is a line of so many cycles a code: every cycle of the first codes is 1 / gain."""
    steps = {(whole + sign * turn) / harmonic for harmonic in (1, 2, 3) for whole in range(6) for sign in (-1, 1)}
    gains = sorted(1 / step for step in steps if step > 0)
    return [gain for gain in gains if LEAST_GAIN <= gain <= MOST_GAIN and abs(gain - 1) > NO_GAIN]


def _template(codes: int, gain: float, offset: float, softness: float, period: float) -> Values:
    """The deviations that the gain leaves in a flat histogram."""
    first = np.arange(-codes, 2 * codes, dtype=np.int64)
    last = scaled(first, Fraction(gain).limit_denominator(1 << 16), Fraction(offset).limit_denominator(1 << 12))
    counts = np.bincount(last[(last >= 0) & (last < codes)], minlength=codes).astype(np.float64)
    return deviations(1e4 * soften(counts, softness), period)
