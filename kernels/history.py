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

import numpy as np
import numpy.typing as npt

from .comb import Comb, Values, look
from .encoding import Channel, Encoding, affine_map
from .matching import Match, Pooled, match
from .other_gain import ALIKE, OtherGain, of_much_shallower, other_gain
from .padding import Padding, find_padding
from .quiet import CLASSES
from .scalings import DEEPEST, WAYS, Scaling
from .tally import quantile
from .templates import PERIOD, bank, class_bank, class_templates, templates

Counts = npt.NDArray[np.int64]

LEAST_Z = 4.5
"""What a named history takes."""
LEAST_BY_CLASS, CLEAR_OF_RIVALS, CLEAR_OF_SIMPLER = 5.0, 0.3, 1.0
"""z that classes of blocks need by themselves, and by how much more than for a history of another name; than for one of fewer
scalings, which is likelier to begin with and leaves much the same comb once coding has softened it."""
TAIL = (1.2, 0.4)
"""Where the tail of z begins in recordings that were never scaled, and what it falls by a factor e over: an exponential above all
that bench/history_accuracy.py saw of photograph-like ones. Drawn and posterised things reach more; `Match.stands` silences them."""
SHARED = 1.18
"""How much more the classes' z scatters than a normal deviate: classes of one picture share its shape."""
NEARLY = 0.75
"""Part of z of all pixels together that the classes must reach where the former does not stand up to scrutiny."""
TEXTURED, ROUGHEST = 3, 0.27
"""First class whose blocks have texture, which smooths counts, and how rough its counts may be, in nepers. In photographs they were .05
to .25 after lossy coding, in posterised pictures .3 and more, whose classes have combs of their own."""
UNEXPLAINED = 0.4
"""The same of all pixels together, once the named comb is taken off them."""
CLEARLY = 0.05
"""Part of the roughness by which a gain of its own must account for more than a named scaling to stand in its place."""
SAME = 0.9
"""Part of the highest z that the same scaling must reach at another softness to be taken for it."""
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
    gain, offset : the map in luma codes, last = gain * first + offset; the first ones have `from_depth` bits if that is given, else
        `depth`; None where nothing is known of it
    z : the statistic; of what was found, or of the likeliest candidate
    false_alarm : chance that a recording which was never scaled reaches that z, 0..1
    depth : bits at which it was scaled; those of the codes before they were padded, if they were. A change of range that filled
        deeper bits ends in codes of the file's own depth
    scaling : the scaling that left the comb, which says what it lost; None for another gain, and where a change of
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

    @property
    def from_depth(self) -> int | None:
        """Bits that the codes had before the range and the depth were changed; None where the depth stayed or nothing is known."""
        if self.scaling is not None and self.scaling.from_depth is not None:
            return self.scaling.from_depth
        return self.padding.depth if self.padding is not None and self.padding.how in WAYS else None


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
    best, stands = _likeliest(z, matched, bank(depth))
    value = float(z[best])
    if stands and comb.roughness(matched.fitted(best)) > UNEXPLAINED:
        stands = False
    by_class = _by_class(quiet, depth, matched, value if stands else NEARLY * value)
    if by_class is not None:
        scaling, value = by_class
        best, stands = _same(scaling, z, depth), True
    scaling, softness = bank(depth)[best]
    gain, offset = scaling.affine(Channel.LUMA)
    other: OtherGain | None = None
    named = value >= LEAST_Z and stands and not of_much_shallower(comb)
    if depth == 8 or not named:  # in 256 codes a gain near by fits nearly as well
        other = other_gain(comb, PERIOD[Channel.LUMA])
    if named and (other is None or not _better(other, float(gain), matched.explained(best))):
        return History(
            scaling.name, float(gain), float(offset), value, false_alarm(value), depth, scaling, softness, padding,
            comb, matched.fitted(best),
        )  # fmt: skip
    if other is not None and other.sure:
        chance = false_alarm(other.z)
        return History(
            "other-gain", other.gain, other.offset, other.z, chance, depth, None, other.softness, padding, comb, other.fitted
        )  # fmt: skip
    return History("none-found", None, None, value, false_alarm(value), depth, padding=padding, comb=comb)


def _likeliest(z: Values, matched: Match, asked: tuple[tuple[Scaling, float], ...]) -> tuple[int, bool]:
    """The template with the highest z, or of the same scaling at another softness the one that stands; True where it does."""
    best = int(np.argmax(z))
    alike = [i for i in np.argsort(-z).tolist() if asked[i][0] == asked[best][0] and z[i] >= SAME * z[best]]
    standing = next((i for i in alike if matched.stands(i)), None)
    return (best, False) if standing is None else (standing, True)


def _same(scaling: Scaling, z: Values, depth: int) -> int:
    """The likeliest template of that scaling."""
    return max((i for i, each in enumerate(bank(depth)) if each[0] == scaling), key=lambda i: float(z[i]))


def _by_class(
    quiet: Mapping[Channel, Counts], depth: int, matched: Match, least: float
) -> tuple[Scaling, float] | None:
    """The scaling that classes of blocks tell of, and its z; None where that is not above `least`, or does not stand.

    matched : of all pixels, which must not contradict it
    """
    z, pooled = class_statistics(quiet, depth)
    if pooled is None:
        return None
    asked, least = class_bank(depth), max(LEAST_BY_CLASS, least)
    scaling, highest = asked[int(np.argmax(z))][0], float(z.max())
    standing = [float(z[i]) for i in range(len(asked)) if asked[i][0] == scaling and z[i] > least and pooled.stands(i)]
    if not standing or matched.contradicts(_same(scaling, matched.z, depth)):
        return None
    for i, (rival, _) in enumerate(asked):
        margin = CLEAR_OF_SIMPLER if len(WAYS[rival.name]) < len(WAYS[scaling.name]) else CLEAR_OF_RIVALS
        if rival.name != scaling.name and z[i] > highest - margin and pooled.stands(i):
            return None
    return scaling, max(standing)


def false_alarm(z: float) -> float:
    """Chance that the likeliest candidate reaches z in a recording that was never scaled."""
    return float(min(1.0, np.exp(-(z - TAIL[0]) / TAIL[1])))


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
                    textured.append(comb.roughness())
                (colour if kind is Channel.CHROMA else tones).append(match(comb, class_templates(depth, kind, which)))
    if not tones or (textured and float(np.mean(textured)) > ROUGHEST):
        return np.zeros(len(class_bank(depth))), None
    pooled = Pooled(tuple(tones))
    z = pooled.z
    if colour:
        z = np.maximum(z, Pooled((*tones, *colour)).z)
    return z / SHARED, pooled


def _scene(histogram: Counts) -> bool:
    """True where the counts look like a scene's, not like a few drawn tones."""
    if not histogram.any():
        return False
    inner = histogram[quantile(histogram, 0.01) : quantile(histogram, 0.99) + 1]
    return bool(np.count_nonzero(inner) >= OCCUPIED * len(inner) and len(np.unique(inner)) >= DISTINCT)
