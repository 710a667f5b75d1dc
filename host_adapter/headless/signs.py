"""What each kind of evidence says about the range, one rule a function.

A rule hands back signs: a weight in natural log-odds, above 0 for full and below 0 for narrow, and the reason in words.
Rules know nothing of flags. The weights are judgements, set so that no single coincidence reaches `finding.DISAGREE`,
and checked on real pictures by bench/accuracy.py, which keeps what they were set on apart from what it reports.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ...kernels.encoding import Channel, Model
from ...kernels.tally import Histogram, quantile, share_above, share_below, share_between
from .evidence import FLOOR_SHARE, Evidence, Look

AREA = 1e-3
"""Share of the picture's areas below which nothing is made of them."""
WALL = 5e-4
"""Share of the pixels at an end code that makes a wall, if it stands out from its neighbours."""
STEADY = 0.25
"""Share of the frames that has to show an excursion for it to count in full."""
ECHO = 0.25
"""What a second sight of one fact adds, as a part of its weight."""


@dataclass(frozen=True, slots=True)
class Sign:
    """One piece of evidence.

    rule : its name; signs of one rule tell of one fact, so they do not add up in full
    weight : natural log-odds, above 0 for full, below 0 for narrow, 0 a remark
    why : in words
    """

    rule: str
    weight: float
    why: str


class Measured:
    """The numbers that several rules need, worked out once."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        narrow = evidence.encoding
        channel = evidence.tone_channels[0]
        self.unit, self.last = narrow.unit, narrow.maximum
        self.black, self.white = narrow.black(channel), narrow.white(channel)
        self.pixels = evidence.tones(evidence.picture)
        self.blocks = evidence.tones(evidence.blocks)
        self.flat = evidence.flat_frames()
        self.moving = [look for look in evidence.looks if look not in self.flat]
        self.floor = self._quantile(FLOOR_SHARE)
        self.ceiling = self._quantile(1 - FLOOR_SHARE)
        self.noise = float(np.median([look.noise for look in self.moving])) if self.moving else 0.0

    def _quantile(self, share: float) -> int:
        counts = self.blocks if self.blocks.sum() else self.pixels
        return quantile(counts, share)

    def frames_with(self, test: Callable[[Look], bool]) -> float:
        """Share of the frames that are no flat ones for which the test holds; 1 where only counts are known."""
        looks = self.moving or list(self.evidence.looks)
        return sum(test(look) for look in looks) / len(looks) if looks else 1.0

    def pile(self, code: float, tolerance: float, least: float = 2 * AREA, *, noisy: bool = False) -> bool:
        """True where areas heap up at a code and next to nothing lies below.

        noisy : a heap may be as wide as noise makes it, if its middle is still at the code; noise spreads the means of
            areas by an eighth of its deviation (64 pixels each)
        """
        here = share_between(self.blocks, code - tolerance, code + tolerance)
        if here >= least and share_below(self.blocks, code - tolerance) < 0.1 * here:
            return True
        if not noisy:
            return False
        width = tolerance + 3 * self.noise / 8
        low, high = max(int(np.ceil(code - width)), 0), min(int(code + width), self.last)
        here = share_between(self.blocks, low, high)
        if here < least or share_below(self.blocks, low) >= 0.1 * here:
            return False
        middle = low + quantile(self.blocks[low : high + 1], 0.5)
        return abs(middle - code) <= tolerance


Rule = Callable[[Measured], Iterator[Sign]]


def under_black(m: Measured) -> Iterator[Sign]:
    """Areas well under narrow black: strong, if they are connected and keep coming."""
    limit = m.black - 2 * m.unit
    share = share_below(m.blocks, limit)
    stray = share_below(m.pixels, m.black)
    depth = (m.black - m.floor - 0.5 * m.noise) / m.unit
    if share < AREA or depth <= 2:
        if stray > 0:
            yield Sign(
                "under black", 0.0,
                f"{_percent(stray)} of the pixels are under narrow black (code {m.black}), but singly or barely: "
                "noise, ringing and coding do that in narrow recordings too",
            )  # fmt: skip
        return
    if share_between(m.blocks, m.unit // 2 + 1, limit) < AREA / 2:
        return  # all of it at code 0, apart from the picture: end_walls tells
    frames = m.frames_with(lambda look: look.floor < limit)
    weight = min(0.55 * depth * min(frames / STEADY, 1.0), 7.0)
    if m.evidence.model is Model.RGB:  # colours outside the primaries' gamut go under black in R', G' or B' as well
        weight *= 0.7
    yield Sign(
        "under black", weight,
        f"whole areas ({_percent(share)} of the picture) are under narrow black, down to code {m.floor} where black "
        f"would be {m.black}, in {_percent(frames)} of the frames",
    )  # fmt: skip


def end_walls(m: Measured) -> Iterator[Sign]:
    """Codes cut off at the first or the last code."""
    total = max(int(m.pixels.sum()), 1)
    low, high = int(m.pixels[0]) / total, int(m.pixels[-1]) / total
    near = 2 * m.unit
    low_wall = low >= WALL and low > 3 * float(m.pixels[1 : near + 1].mean()) / total
    high_wall = high >= WALL and high > 3 * float(m.pixels[-near - 1 : -1].mean()) / total
    reaches_down = share_between(m.pixels, near, m.black - near) >= WALL / 2
    if low_wall and reaches_down:
        yield Sign(
            "black at 0", 3.0,
            f"{_percent(low)} of the pixels are cut off at code 0, with the codes between 0 and {m.black} in use: "
            "black is at 0",
        )  # fmt: skip
    elif low_wall:
        yield Sign(
            "black at 0", 0.8,
            f"{_percent(low)} of the pixels are at code 0 with nothing between it and {m.black}: graphics or padding, "
            "perhaps",
        )  # fmt: skip
    if high_wall and low_wall and reaches_down:
        yield Sign("wall at the last code", 2.0, f"{_percent(high)} of the pixels are cut off at code {m.last} as well")
    elif high_wall:
        yield Sign(
            "wall at the last code", 1.0,
            f"{_percent(high)} of the pixels are cut off at code {m.last}; a camera may clip super-whites there in "
            "narrow too",
        )  # fmt: skip


def nominal_walls(m: Measured) -> Iterator[Sign]:
    """Codes cut off at exactly narrow black or narrow white, or a picture that just fits between them."""
    half, step = m.unit // 2, m.unit
    total = max(int(m.pixels.sum()), 1)
    here = share_between(m.pixels, m.black, m.black)
    beside = float(m.pixels[m.black + 1 : m.black + 5].mean()) / total
    none_below = share_below(m.pixels, m.black - half) < 0.1 * here
    fitting_floor = abs(m.floor - m.black) <= 2 * step
    if here >= WALL and here > 4 * beside and none_below:
        yield Sign(
            "black at 16 k", -2.5, f"{_percent(here)} of the pixels are cut off at exactly narrow black, code {m.black}"
        )
    elif m.pile(m.black, half):
        yield Sign("black at 16 k", -1.2, f"the darkest areas pile up around narrow black, code {m.black}, none below")
    elif fitting_floor:
        yield Sign("black at 16 k", -0.7, f"the picture's floor, code {m.floor}, is about narrow black ({m.black})")
    here = share_between(m.pixels, m.white - half, m.white + half)
    beside = share_between(m.pixels, m.white - 5 * step, m.white - step - 1) / 4
    if here >= 2 * WALL and share_above(m.pixels, m.white + step) < 0.1 * here and here > 3 * beside:
        words = f"{_percent(here)} of the pixels are cut off at exactly narrow white, code {m.white}"
        yield Sign("white at 235 k", -2.5, words)
    elif fitting_floor and -4 * step <= m.ceiling - m.white <= 2 * step:
        words = f"the picture's ceiling, code {m.ceiling}, is about narrow white ({m.white})"
        yield Sign("white at 235 k", -0.8, words)


def over_white(m: Measured) -> Iterator[Sign]:
    """Areas over narrow white: next to nothing, cameras record them on purpose."""
    share = share_above(m.blocks, m.white + 2 * m.unit)
    if share >= AREA:
        yield Sign(
            "over white", 0.2,
            f"{_percent(share)} of the picture is over narrow white (code {m.white}); cameras record super-whites in "
            "narrow, so that proves little",
        )  # fmt: skip


def chroma(m: Measured) -> Iterator[Sign]:
    """Colour-difference codes past 16 k and 240 k."""
    counts = m.evidence.blocks.get(Channel.CHROMA)
    if counts is None or m.evidence.model is not Model.YCBCR:
        return
    narrow = m.evidence.encoding
    low, high = narrow.black(Channel.CHROMA), narrow.white(Channel.CHROMA)
    share = share_below(counts, low - 2 * m.unit) + share_above(counts, high + 2 * m.unit)
    if share >= AREA:
        yield Sign("chroma", 1.2, f"{_percent(share)} of the areas have chroma codes outside {low} to {high}")


def bars(m: Measured) -> Iterator[Sign]:
    """Letterbox and pillarbox strips are drawn at black, and nothing else is as even."""
    by_code: dict[int, list[str]] = {}
    for bar in m.evidence.bars:
        if bar.frames >= 0.8:
            by_code.setdefault(bar.code, []).append(bar.edge)
    for code, edges in by_code.items():
        if abs(code - m.black) <= m.unit // 2:
            words = f"bars ({', '.join(edges)}) are at code {code}: narrow black"
            if share_below(m.blocks, m.black - 2 * m.unit) < AREA:
                yield Sign("black at 16 k", -3.8, f"{words}, and no part of the picture is darker")
            else:  # a full picture that somebody padded with narrow black
                yield Sign("black at 16 k", -1.0, f"{words}, though parts of the picture are darker")
        elif code <= m.unit // 2:
            yield Sign("black at 0", 2.5, f"bars ({', '.join(edges)}) are at code {code}: black is at 0")


def flat_frames(m: Measured) -> Iterator[Sign]:
    """Black frames, and others whose code tells black once the curve is known."""
    half = max(m.unit / 2, 0.5)
    at_zero = [look.index for look in m.flat if look.median <= half]
    at_black = [look.index for look in m.flat if abs(look.median - m.black) <= half]
    other = [look for look in m.flat if look.index not in at_zero and look.index not in at_black]
    if at_zero:
        yield Sign("black at 0", 2.0, f"frame {_list(at_zero)} is flat at code 0: black is at 0")
    if at_black:
        yield Sign("black at 16 k", -2.5, f"frame {_list(at_black)} is flat at code {m.black}: narrow black")
    dark = [look for look in other if look.median < 0.25 * m.last]
    if dark:
        yield Sign(
            "flat frame", 0.0,
            f"frame {_list([look.index for look in dark])} is flat and dark at code {dark[0].median:.0f}, as of a "
            "capped lens",
        )  # fmt: skip


RULES: tuple[Rule, ...] = (under_black, end_walls, nominal_walls, bars, flat_frames, chroma, over_white)


def _percent(share: float) -> str:
    """A share as a person reads it: two figures, never a rounded-off '0 %'."""
    percent = 100 * share
    if percent >= 99.95:
        return "100 %"
    if 0 < percent < 0.01:
        return "under 0.01 %"
    return f"{percent:.0f} %" if percent >= 10 else f"{percent:.2g} %"


def _list(indices: list[int]) -> str:
    return str(indices[0]) if len(indices) == 1 else f"{indices[0]} (and {len(indices) - 1} more)"


def sign_sum(signs: list[Sign]) -> float:
    """Their weights together, held within what any evidence of this kind can say.

    Signs of one rule and direction are several sights of one fact: the strongest counts in full, the others by `ECHO`.
    """
    total = 0.0
    by_rule: dict[tuple[str, bool], list[float]] = {}
    for sign in signs:
        by_rule.setdefault((sign.rule, sign.weight > 0), []).append(sign.weight)
    for weights in by_rule.values():
        strongest = max(weights, key=abs)
        total += strongest + ECHO * (sum(weights) - strongest)
    return float(np.clip(total, -7.0, 7.0))


__all__ = ["AREA", "RULES", "Histogram", "Measured", "Sign", "sign_sum"]
