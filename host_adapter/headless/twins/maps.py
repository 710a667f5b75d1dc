"""The named maps between two recordings' codes, exactly; which of them a fitted line is; and the way back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from ....kernels.encoding import Channel, Encoding, Model, Range, affine_map, round_half_away
from ....kernels.pairing import Line

SAME, OTHER = "same", "other"
RELATIONS = (SAME, "to-narrow", "to-full", "to-narrow-twice", "to-full-twice", OTHER)
"""What B is to A; the words are those of a recording's history."""
WORDS = {
    SAME: "the same codes",
    "to-narrow": "scaled to narrow",
    "to-full": "expanded to full",
    "to-narrow-twice": "scaled to narrow twice",
    "to-full-twice": "expanded to full twice",
    OTHER: "neither the same nor a change of range",
}
KEYS: dict[str, Channel] = {"y": Channel.LUMA, "cb": Channel.CHROMA, "cr": Channel.CHROMA}

GAIN_OFF = {"y": 0.005, "cb": 0.03, "cr": 0.03}
"""A fitted gain further from a named one than this, as a share of it, and than the fit's own doubt, is not that one. Names lie
14 % apart; chroma, which coding wears more, must only not contradict."""
CODE_OFF = 0.003
"""Nor a line that lies further off than this anywhere the picture reaches, in units of M: three codes at 10 bit."""

_CHAINS: dict[str, tuple[tuple[Range, Range], ...]] = {
    "to-narrow": ((Range.FULL, Range.NARROW),),
    "to-full": ((Range.NARROW, Range.FULL),),
    "to-narrow-twice": ((Range.FULL, Range.NARROW),) * 2,
    "to-full-twice": ((Range.NARROW, Range.FULL),) * 2,
}


@dataclass(frozen=True, slots=True)
class NamedMap:
    """An exact map from A's codes to B's.

    relation : one of RELATIONS, not 'other'
    chain : ranges that the codes are taken from and put to, one after the other; the last step changes the depth too
    depth_a, depth_b : bits
    rgb_a, rgb_b : True where a side is R'G'B', whose Cb and Cr are then counted in steps of its own codes
    """

    relation: str
    chain: tuple[tuple[Range, Range], ...]
    depth_a: int
    depth_b: int
    rgb_a: bool = False
    rgb_b: bool = False

    def codes(self, channel: Channel, model: Model = Model.YCBCR) -> tuple[Fraction, Fraction]:
        """B's code = gain * A's code + offset, unrounded."""
        gain, offset = Fraction(1), Fraction(0)
        for number, (source, target) in enumerate(self.chain):
            depth = self.depth_b if number == len(self.chain) - 1 else self.depth_a
            step, shift = affine_map(Encoding(self.depth_a, source, model), Encoding(depth, target, model), channel)
            gain, offset = step * gain, step * offset + shift
        return gain, offset

    def normalised(self, channel: Channel) -> tuple[float, float]:
        """Gain and offset between codes in units of each recording's own M."""
        gain, offset = self.codes(channel)
        most_a, most_b = (1 << self.depth_a) - 1, (1 << self.depth_b) - 1
        if channel is Channel.CHROMA:
            a, b = Encoding(self.depth_a, self.chain[0][0]), Encoding(self.depth_b, self.chain[-1][1])
            gain *= _stretch(a) if self.rgb_a else 1
            gain /= _stretch(b) if self.rgb_b else 1
            offset = b.neutral - gain * a.neutral
        return float(gain * Fraction(most_a, most_b)), float(offset / most_b)


def _stretch(encoding: Encoding) -> Fraction:
    """Chroma codes to one step of R'G'B' codes' difference: 224 / 219 in narrow, 1 in full."""
    return Fraction(encoding.span(Channel.CHROMA), encoding.span(Channel.LUMA))


def named_maps(depth_a: int, depth_b: int, rgb_a: bool = False, rgb_b: bool = False) -> list[NamedMap]:
    """Every named map between two depths. 'same' is there for narrow and for full codes, which scale apart by depth."""
    chains = [(SAME, ((range_, range_),)) for range_ in (Range.NARROW, Range.FULL)] + list(_CHAINS.items())
    return [NamedMap(relation, chain, depth_a, depth_b, rgb_a, rgb_b) for relation, chain in chains]


def name_map(lines: Mapping[str, Line | None], named: Sequence[NamedMap]) -> NamedMap | None:
    """The named map that all fitted lines are, or None: luma decides, chroma must not contradict.

    lines : by 'y', 'cb', 'cr'; None where a channel tells nothing
    """
    luma = lines["y"]
    if luma is None:
        return None
    found = [each for each in named if _fits(each, lines)]
    return min(found, key=lambda each: _off(each.normalised(Channel.LUMA), luma), default=None)


def line_name(key: str, line: Line, named: Sequence[NamedMap]) -> str:
    """What one channel's line is by itself."""
    found = [each for each in named if _near(each.normalised(KEYS[key]), line, key)]
    return min(found, key=lambda each: _off(each.normalised(KEYS[key]), line)).relation if found else OTHER


def _fits(named: NamedMap, lines: Mapping[str, Line | None]) -> bool:
    return all(line is None or _near(named.normalised(KEYS[key]), line, key) for key, line in lines.items())


def _near(exact: tuple[float, float], line: Line, key: str) -> bool:
    """Whether a line is the exact one, as nearly as it is known."""
    unsure = (line.gain_range[1] - line.gain_range[0]) / 2
    doubt = unsure * max(line.span[1] - line.span[0], 0.0)
    known = abs(line.gain - exact[0]) <= GAIN_OFF[key] * exact[0] + 2 * unsure
    return known and _off(exact, line) <= CODE_OFF + doubt and line.bend <= 2 * CODE_OFF + doubt


def _off(exact: tuple[float, float], line: Line) -> float:
    """The largest distance between two lines over the codes that were seen, in units of M."""
    return max(abs((line.gain - exact[0]) * at + line.offset - exact[1]) for at in line.span)


def back_line(named: NamedMap, trusted: Range, depth: int, channel: Channel, model: Model) -> tuple[Fraction, Fraction]:
    """A's code at a depth = gain * B's code + offset, by the exact inverse, unrounded; arguments as for back_codes."""
    if channel is Channel.ALPHA:
        return Fraction((1 << depth) - 1, (1 << named.depth_b) - 1), Fraction(0)
    forth, shift = named.codes(channel, model)
    wide, moved = affine_map(Encoding(named.depth_a, trusted, model), Encoding(depth, trusted, model), channel)
    gain = wide / forth
    return gain, moved - gain * shift


def back_codes(named: NamedMap, trusted: Range, depth: int, channel: Channel, model: Model) -> npt.NDArray[np.int64]:
    """A's code at a depth for every code of B by the exact inverse, rounded half away from zero, not clipped: int64 [codes].

    trusted : how A is read, which decides how its codes grow with depth
    """
    gain, offset = back_line(named, trusted, depth, channel, model)
    return np.array([round_half_away(gain * code + offset) for code in range(1 << named.depth_b)], np.int64)


def back_table(
    named: NamedMap, trusted: Range, depth: int, channel: Channel, model: Model, bit_shift: int = 0
) -> npt.NDArray[np.uint16]:
    """The same as a table for every word of B's planes (codes shifted up by bit_shift), clipped to A's codes."""
    codes = back_codes(named, trusted, depth, channel, model)
    return np.repeat(np.clip(codes, 0, (1 << depth) - 1).astype(np.uint16), 1 << bit_shift)
