"""What the codes went through: the scaling whose comb the counts carry, with a calibrated chance of a false alarm.

Every candidate (`scalings`) has an exact pattern of doubled and missing codes. Noise and coding after the scaling soften it, so
each candidate is looked for at several softnesses. A candidate's statistic z is a matched filter against the channel's own
power at neighbouring frequencies: in a recording without a comb it scatters about like a normal deviate, whatever the scene.
Luma and chroma have combs of their own, which are added up. Right or silent: below `LEAST_Z`, or where the counts show a
stronger line that the candidate does not have, nothing is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .comb import Comb, Values, deviations, look, soften
from .encoding import Channel, Encoding, affine_map
from .matching import Match, match
from .other_gain import ALIKE, OtherGain, other_gain
from .padding import Padding, find_padding
from .scalings import WAYS, Scaling, candidates
from .tally import quantile

Counts = npt.NDArray[np.int64]

LEAST_Z = 4.5
"""What a named history takes."""
TAIL = (1.2, 0.4)
"""Where the tail of z begins in recordings that were never scaled, and what it falls by a factor e over: an exponential above all
that bench/history_accuracy.py saw of photograph-like ones. Drawn and posterised things reach more; `Match.stands` silences them."""
DEEPEST = 12
"""Bits beyond which a frame has too few samples for each code."""
SOFTNESS = (0.0, 0.5, 0.8, 1.1, 1.4, 1.8, 2.2)
"""Standard deviations, in codes, of what noise may have come after the scaling."""
PERIOD = {Channel.LUMA: 7.0, Channel.CHROMA: 8.0}
"""Codes that the smooth course is taken over: about one turn of the combs (6.1 to 7.1 luma, 7.2 to 8.2 chroma, at any depth)."""
CLEARLY = 0.05
"""Part of the roughness by which a gain of its own must account for more than a named scaling to stand in its place."""
TURNS = 5
"""Turns of the comb that a channel's counts must span to be heard."""
OCCUPIED = 0.6
"""Part of the codes between the 1st and the 99th percentile that must be in use: no scaling of a smooth picture leaves fewer."""
DISTINCT = 12
"""Different counts that codes must have: a drawn ramp has two or three, a scene as many as codes."""


@dataclass(frozen=True, slots=True)
class History:
    """What was found.

    scaled : 'none-found', a key of scalings.WAYS, or 'other-gain'
    gain, offset : the map in luma codes of `depth` bits, last = gain * first + offset; None where nothing is known of it
    z : the statistic; of what was found, or of the likeliest candidate
    false_alarm : chance that a recording which was never scaled reaches that z, 0..1
    depth : bits at which it was scaled; those of the codes before they were padded, if they were. A change of range that filled
        deeper bits ends in codes of the file's own depth
    scaling : the scaling at one depth that left the comb, which says what it lost; None for another gain, and where a change of
        range into deeper bits is all there is
    softness : noise that came after it, codes, about
    padding : how shallower codes fill the file, if they do
    comb : of luma (or R'), for a picture; None where the counts are too few to be looked at
    expected : the deviations that what was found leaves in that comb, float64 [codes]
    """

    scaled: str
    gain: float | None
    offset: float | None
    z: float
    false_alarm: float
    depth: int
    scaling: Scaling | None = None
    softness: float | None = None
    padding: Padding | None = None
    comb: Comb | None = None
    expected: Values | None = None

    @property
    def found(self) -> bool:
        """True where a scaling is named."""
        return self.scaled != "none-found"


def history(histograms: Mapping[Channel, Counts], depth: int) -> History:
    """The history of codes.

    histograms : counts of each channel, int64 [2^depth]; luma (or gray) with chroma, or R', G', B'
    Raises: ValueError where a histogram has not 2^depth entries.
    """
    for channel, histogram in histograms.items():
        if histogram.shape != (1 << depth,):
            raise ValueError(f"{channel.value} must have {1 << depth} counts, got {histogram.shape}")
    padding = find_padding(histograms, depth)
    if padding is None:
        return _at_one_depth(histograms, depth, None)
    inner = _at_one_depth(padding.folded(histograms), padding.depth, padding)
    if padding.how not in WAYS:
        return inner
    before, after = WAYS[padding.how]
    gain, offset = (
        float(each) for each in affine_map(Encoding(padding.depth, before), Encoding(depth, after), Channel.LUMA)
    )
    if inner.scaling is None or inner.gain is None or inner.offset is None:
        chance = false_alarm(padding.z)
        return replace(inner, scaled=padding.how, gain=gain, offset=offset, z=padding.z, false_alarm=chance)
    name = _TOGETHER.get((inner.scaled, padding.how), padding.how)
    return replace(inner, scaled=name, gain=inner.gain * gain, offset=inner.offset * gain + offset)


def _better(other: OtherGain, gain: float, explained: float) -> bool:
    """True where a gain of its own accounts for clearly more of the counts than the named scaling."""
    alike = other.gain is None or abs(other.gain - gain) <= ALIKE
    return not alike and other.explained > explained + CLEARLY


_TOGETHER = {
    ("to-narrow", "to-narrow"): "to-narrow-twice",
    ("to-narrow-twice", "to-narrow"): "to-narrow-twice",
    ("to-full", "to-full"): "to-full-twice",
    ("to-full-twice", "to-full"): "to-full-twice",
    ("round-trip", "to-full"): "to-full-twice",
    ("to-narrow", "to-full"): "round-trip",
    ("to-narrow-twice", "to-full"): "to-narrow",
    ("to-full-twice", "to-narrow"): "to-full",
}
"""What a history and a change of range into deeper bits after it come to; elsewhere the change is what counts."""


def _at_one_depth(histograms: Mapping[Channel, Counts], depth: int, padding: Padding | None) -> History:
    z, matched = statistics(histograms, depth) if depth <= DEEPEST else (np.zeros(1), None)
    if matched is None:
        return History("none-found", None, None, 0.0, 1.0, depth, padding=padding)
    best = int(np.argmax(z))
    value, comb = float(z[best]), matched.comb
    scaling, softness = bank(depth)[best]
    gain, offset = scaling.affine(Channel.LUMA)
    other: OtherGain | None = None
    named = value >= LEAST_Z and matched.stands(best)
    if depth == 8 or not named:  # in 256 codes a gain near by fits nearly as well
        other = other_gain(comb, PERIOD[Channel.LUMA])
    if named and (other is None or not _better(other, float(gain), matched.explained(best))):
        return History(
            scaling.name, float(gain), float(offset), value, false_alarm(value), depth, scaling, softness, padding,
            comb, matched.fitted(best),
        )  # fmt: skip
    if other is not None:
        chance = false_alarm(other.z)
        return History(
            "other-gain", other.gain, other.offset, other.z, chance, depth, None, other.softness, padding, comb, other.fitted
        )  # fmt: skip
    return History("none-found", None, None, value, false_alarm(value), depth, padding=padding, comb=comb)


def false_alarm(z: float) -> float:
    """Chance that the likeliest candidate reaches z in a recording that was never scaled."""
    return float(min(1.0, np.exp(-(z - TAIL[0]) / TAIL[1])))


@lru_cache(maxsize=16)
def bank(depth: int) -> tuple[tuple[Scaling, float], ...]:
    """Every candidate at every softness, in the order of the templates."""
    return tuple((scaling, softness) for scaling in candidates(depth) for softness in SOFTNESS)


@lru_cache(maxsize=16)
def templates(depth: int, channel: Channel) -> Values:
    """The deviations that every candidate leaves in a flat histogram, float64 [candidates, codes]."""
    made = []
    for scaling, softness in bank(depth):
        counts = scaling.multiplicity(channel).astype(np.float64)
        counts[[0, -1]] = counts[[1, -2]]  # piles of clipped codes
        made.append(deviations(1e4 * soften(counts, softness), PERIOD[channel]))
    return np.array(made)


def statistics(histograms: Mapping[Channel, Counts], depth: int) -> tuple[Values, Match | None]:
    """z of every template, and the match of luma (or R'); None where its counts cannot tell."""
    tones: list[Match] = []
    colour: list[Match] = []
    for channel, histogram in histograms.items():
        kind = Channel.CHROMA if channel is Channel.CHROMA else Channel.LUMA
        if not _scene(histogram):
            continue
        comb = look(histogram, PERIOD[kind])
        if np.count_nonzero(comb.weight) >= TURNS * PERIOD[kind]:
            (colour if kind is Channel.CHROMA else tones).append(match(comb, templates(depth, kind)))
    if not tones:
        return np.zeros(len(bank(depth))), None
    product, variance = sum(each.product for each in tones), sum(each.variance for each in tones)
    z = product / np.sqrt(variance)
    for each in colour:
        product, variance = product + each.product, variance + each.variance
        z = np.maximum(z, product / np.sqrt(variance))  # chroma of a grey scene only adds noise
    return np.asarray(z), tones[0]


def _scene(histogram: Counts) -> bool:
    """True where the counts look like a scene's, not like a few drawn tones."""
    if not histogram.any():
        return False
    inner = histogram[quantile(histogram, 0.01) : quantile(histogram, 0.99) + 1]
    return bool(np.count_nonzero(inner) >= OCCUPIED * len(inner) and len(np.unique(inner)) >= DISTINCT)
