"""What a trial amounts to, in a word and its reasons. The limits are the project's own; the index's meaning is its publication's."""

from __future__ import annotations

from collections.abc import Sequence

from ....kernels.dither import Dither
from .result import Verdict, Way

SEEN = 1.0
"""An index under this shows no bands worth a thought; annoyance begins at about 5."""
LEAST_GAIN = 0.25
"""Share of the index that dither has to take away to be worth it."""
EQUAL = 0.5
"""Ways whose indexes differ by less serve alike; then the one with the smaller stairs serves best."""


def judge(ways: Sequence[Way], noise: float, codec: str | None) -> Verdict:
    """The verdict over all ways; noise : the picture's own, in steps; codec : its name for a person, or None."""
    plain = next(way for way in ways if way.dither is Dither.NONE)
    others = [way for way in ways if way.dither is not Dither.NONE]
    before = plain.direct.index
    if before < SEEN:
        return Verdict("no", Dither.NONE, tuple(_no_bands(plain, others, noise, codec)))
    best = _best(others, [way.direct.index for way in others], [way.direct.stairs for way in others])
    taken = f"At the target depth dither takes the banding index from {before:.1f} to {best.direct.index:.1f} ({best.dither.value})."
    if not _gains(before, best.direct.index):
        return Verdict("no", Dither.NONE, (taken, "That is no gain worth its noise."))
    if codec is None:
        return Verdict("yes", best.dither, (taken, "No codec was tried: a delivery may take the dither away again."))
    return _after_codec(plain, others, taken, codec)


def _after_codec(plain: Way, others: Sequence[Way], taken: str, codec: str) -> Verdict:
    rates = [(way, way.same_rate) for way in others if way.same_rate is not None]
    qualities = [(way, way.same_quality) for way in others if way.same_quality is not None]
    assert plain.same_quality is not None and rates and qualities
    left = plain.same_quality.look.index
    if left < SEEN:
        why = f"After {codec} the picture without dither shows no bands either (index {left:.1f}): the codec's own noise hides them."
        return Verdict("no", Dither.NONE, (taken, why))
    by_rate = _best(
        [way for way, _ in rates], [each.look.index for _, each in rates], [each.look.stairs for _, each in rates]
    )
    at_rate = by_rate.same_rate
    by_quality = _best(
        [way for way, _ in qualities],
        [each.look.index for _, each in qualities],
        [each.more_bits for _, each in qualities],
    )
    at_quality = by_quality.same_quality
    assert at_rate is not None and at_quality is not None
    cost = bits_words(at_quality.more_bits)
    other = f"{at_quality.look.index:.1f} ({by_quality.dither.value})"
    named = f"{at_rate.look.index:.1f} ({by_rate.dither.value})"
    left_words = f"After {codec} at the same bit rate {named} is left, without dither {left:.1f}"
    if _gains(left, at_rate.look.index):
        return Verdict("yes", by_rate.dither, (taken, f"{left_words}: it pays."))
    eaten = f"{left_words}: the codec takes most of the dither away."
    if _gains(left, at_quality.look.index):
        why = f"At the same quality {other} is left, for {cost}: it pays where the delivery allows these."
        return Verdict("at a price", by_quality.dither, (taken, eaten, why))
    why = f"Nor does it help at the same quality: {other} is left, for {cost}. Deliver deeper codes, or at a higher quality."
    return Verdict("no", Dither.NONE, (taken, eaten, why))


def bits_words(more: float) -> str:
    """'12 % more bits', '45 times the bits', of a share."""
    if more >= 1:
        return f"{1 + more:.3g} times the bits"
    return f"{100 * abs(more):.0f} % {'fewer' if more < 0 else 'more'} bits"


def _no_bands(plain: Way, others: Sequence[Way], noise: float, codec: str | None) -> list[str]:
    why = [
        f"Without dither the picture shows no bands (index {plain.direct.index:.1f}; they begin to annoy at about 5)."
    ]
    if noise >= 0.4:
        why.append(f"Its own noise, {noise:.1f} steps, does what dither would do.")
    else:
        why.append("Its tones change too fast, or not at all, for steps to show.")
    costs = [way.same_quality.more_bits for way in others if way.same_quality is not None]
    if codec is not None and costs and max(costs) >= 0.005:
        why.append(f"Dither would cost up to {bits_words(max(costs))} in {codec}.")
    return why


def _gains(without: float, with_: float) -> bool:
    return without - with_ >= max(SEEN, LEAST_GAIN * without)


def _best(ways: Sequence[Way], indexes: Sequence[float], second: Sequence[float]) -> Way:
    """The way with the lowest index; of those that serve alike, the one with the smaller second figure."""
    lowest = min(indexes)
    alike = [(other, way) for way, index, other in zip(ways, indexes, second, strict=True) if index <= lowest + EQUAL]
    return min(alike, key=lambda pair: pair[0])[1]
