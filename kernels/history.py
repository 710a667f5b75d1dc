"""What the codes went through: the scaling whose comb the counts carry, with a calibrated chance of a false alarm.

Every candidate (`scalings`) has an exact pattern of doubled and missing codes. Noise and coding after the scaling soften it, so
each candidate is looked for at several softnesses. A candidate's statistic z is a matched filter against the channel's own
power at neighbouring frequencies: in a recording without a comb it scatters about like a normal deviate, whatever the scene.
Luma and chroma have combs of their own, which are added up. Right or silent: below `LEAST_Z`, or where the counts show a
stronger line that the candidate does not have, nothing is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .comb import Comb, Values, deviations, look, smooth, soften
from .encoding import Channel, Encoding, affine_map
from .matching import Match, Pooled, match
from .other_gain import ALIKE, OtherGain, other_gain
from .padding import Padding, find_padding
from .quiet import CLASSES
from .scalings import WAYS, Scaling, candidates
from .tally import quantile

Counts = npt.NDArray[np.int64]

LEAST_Z = 4.5
"""What a named history takes."""
LEAST_BY_CLASS, CLEAR_OF_RIVALS = 5.0, 0.3
"""z that classes of blocks need by themselves, and by how much more than for any history of another name."""
TAIL = (1.2, 0.4)
"""Where the tail of z begins in recordings that were never scaled, and what it falls by a factor e over: an exponential above all
that bench/history_accuracy.py saw of photograph-like ones. Drawn and posterised things reach more; `Match.stands` silences them."""
DEEPEST = 12
"""Bits beyond which a frame has too few samples for each code."""
SOFTNESS = (0.0, 0.5, 0.8, 1.1, 1.4, 1.8, 2.2)
"""Standard deviations, in codes, of what noise may have come after the scaling."""
SPREAD = (0.52, 0.76, 0.94, 1.09, 1.25, 1.44, 1.74, 2.18, 2.87)
"""How far a lossy coder moves codes in blocks of each class of quiet.CLASSES, over how far in blocks whose deviation is one code: the
deviation to the power of .4, about what x264 was measured to leave at constant quality 14 to 28."""
CODED = (0.5, 0.9, 1.3, 1.8)
"""Codes that it moves them in the latter."""
EVENLY = (0.0, 0.8, 1.4, 2.0)
"""Codes that noise of one strength moves them in all classes."""
SHARED = 1.18
"""How much more the classes' z scatters than a normal deviate: classes of one picture share its shape."""
NEARLY = 0.75
"""Part of z of all pixels together that the classes must reach where the former does not stand up to scrutiny."""
TEXTURED, ROUGHEST = 3, 0.27
"""First class whose blocks have texture, which smooths counts, and how rough its counts may be, in nepers. In photographs they were .05
to .25 after lossy coding, in posterised pictures .3 and more, whose classes have combs of their own."""
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


def history(histograms: Mapping[Channel, Counts], depth: int, quiet: Mapping[Channel, Counts] | None = None) -> History:
    """The history of codes.

    histograms : counts of each channel, int64 [2^depth]; luma (or gray) with chroma, or R', G', B'
    quiet : the same by how quiet the block is, int64 [CLASSES, 2^depth], as quiet.counts_by_quiet has them; tells more of codes that
        were coded with a loss
    Raises: ValueError where a histogram has not 2^depth entries.
    """
    quiet = {} if quiet is None else quiet
    for channel, histogram in histograms.items():
        if histogram.shape != (1 << depth,):
            raise ValueError(f"{channel.value} must have {1 << depth} counts, got {histogram.shape}")
        if channel in quiet and quiet[channel].shape != (CLASSES, 1 << depth):
            raise ValueError(f"quiet {channel.value} must be {[CLASSES, 1 << depth]}, got {list(quiet[channel].shape)}")
    padding = find_padding(histograms, depth)
    if padding is None:
        return _at_one_depth(histograms, depth, None, quiet)
    inner = _at_one_depth(padding.folded(histograms), padding.depth, padding, {})
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


def _at_one_depth(
    histograms: Mapping[Channel, Counts], depth: int, padding: Padding | None, quiet: Mapping[Channel, Counts]
) -> History:
    z, matched = statistics(histograms, depth) if depth <= DEEPEST else (np.zeros(1), None)
    if matched is None:
        return History("none-found", None, None, 0.0, 1.0, depth, padding=padding)
    comb = matched.comb
    best = int(np.argmax(z))
    value, stands = float(z[best]), matched.stands(best)
    by_class, pooled = class_statistics(quiet, depth)
    if pooled is not None:
        likeliest = int(np.argmax(by_class))
        scaling = class_bank(depth)[likeliest][0]
        alike = [i for i, each in enumerate(class_bank(depth)) if each[0] == scaling]
        least = max(LEAST_BY_CLASS, value if stands else NEARLY * value)
        same = max((i for i, each in enumerate(bank(depth)) if each[0] == scaling), key=lambda i: float(z[i]))
        standing = [i for i in alike if by_class[i] > least and pooled.stands(i)]
        if standing and not matched.contradicts(same):
            most = max(float(by_class[i]) for i in standing)
            others = (i for i, each in enumerate(class_bank(depth)) if each[0].name != scaling.name)
            near = float(by_class[likeliest]) - CLEAR_OF_RIVALS
            if not any(by_class[i] > near and pooled.stands(i) for i in others):
                best, value, stands = same, most, True
    scaling, softness = bank(depth)[best]
    gain, offset = scaling.affine(Channel.LUMA)
    other: OtherGain | None = None
    named = value >= LEAST_Z and stands
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
    return np.array([_left(scaling, channel, softness) for scaling, softness in bank(depth)])


@lru_cache(maxsize=16)
def class_bank(depth: int) -> tuple[tuple[Scaling, tuple[float, ...]], ...]:
    """Every candidate with every way that classes of blocks may have been softened."""
    ways = [tuple(moved * spread for spread in SPREAD) for moved in CODED] + [(each,) * CLASSES for each in EVENLY]
    return tuple((scaling, way) for scaling in candidates(depth) for way in ways)


@lru_cache(maxsize=64)
def class_templates(depth: int, channel: Channel, which: int) -> Values:
    """The deviations that every candidate of class_bank leaves in one class, float64 [candidates, codes]."""
    return np.array([_left(scaling, channel, way[which]) for scaling, way in class_bank(depth)])


@lru_cache(maxsize=1024)
def _left(scaling: Scaling, channel: Channel, softness: float) -> Values:
    """The deviations that a scaling and noise after it leave in a flat histogram, float64 [codes]."""
    counts = scaling.multiplicity(channel).astype(np.float64)
    counts[[0, -1]] = counts[[1, -2]]  # piles of clipped codes
    return deviations(1e4 * soften(counts, softness), PERIOD[channel])


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


def class_statistics(quiet: Mapping[Channel, Counts], depth: int) -> tuple[Values, Pooled | None]:
    """z of every candidate of class_bank, and the matches of luma (or R', G', B') in all classes; None where counts cannot tell."""
    tones: list[Match] = []
    colour: list[Match] = []
    textured: list[float] = []
    for channel, classes in quiet.items():
        kind = Channel.CHROMA if channel is Channel.CHROMA else Channel.LUMA
        for which, histogram in enumerate(classes):
            if not _scene(histogram):
                continue
            comb = look(histogram, PERIOD[kind])
            if np.count_nonzero(comb.weight) >= TURNS * PERIOD[kind]:
                if which >= TEXTURED and kind is not Channel.CHROMA:
                    textured.append(_roughness(comb, histogram))
                (colour if kind is Channel.CHROMA else tones).append(match(comb, class_templates(depth, kind, which)))
    if not tones or (textured and float(np.mean(textured)) > ROUGHEST):
        return np.zeros(len(class_bank(depth))), None
    pooled = Pooled(tuple(tones))
    z = pooled.z
    if colour:
        z = np.maximum(z, Pooled((*tones, *colour)).z)
    return z / SHARED, pooled


def _roughness(comb: Comb, histogram: Counts) -> float:
    """Standard deviation of the counts about their smooth course in nepers, counting's own taken off."""
    used = comb.weight > 0
    level = np.maximum(smooth(histogram.astype(np.float64), PERIOD[Channel.LUMA])[used], 1)
    variance = float(np.mean(comb.deviation[used] ** 2) - np.mean(1 / level))
    return math.sqrt(max(variance, 0.0))


def _scene(histogram: Counts) -> bool:
    """True where the counts look like a scene's, not like a few drawn tones."""
    if not histogram.any():
        return False
    inner = histogram[quantile(histogram, 0.01) : quantile(histogram, 0.99) + 1]
    return bool(np.count_nonzero(inner) >= OCCUPIED * len(inner) and len(np.unique(inner)) >= DISTINCT)
