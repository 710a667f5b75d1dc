"""What an integer code stands for: range, model, channel, depth, and the exact map between two encodings.

Everything in the project that knows a range's numbers asks this file.

============  =================================  ====================================
range         Y', R', G', B', gray (E in 0..1)   Cb, Cr (E in -1/2..1/2)
============  =================================  ====================================
narrow        Round[(219 E + 16) k]              Round[(224 E + 128) k]
full          Round[M E]                         Round[M E + 2^(n-1)], clipped to M
============  =================================  ====================================

with n the depth in bits, k = 2^(n-8), M = 2^n - 1.

Sources: ITU-R BT.709-6 items 4.6 and 4.7; BT.2020-2 table 5; BT.2100-3 table 9; ITU-T H.273 8.3. Narrow at 16 bit is the
left shift of EBU R 103 table 1 (235 is 60160), which the same formula gives. The neutral chroma code of full range is
2^(n-1), not M/2 (H.273).
"""

from __future__ import annotations

import builtins
from dataclasses import dataclass
from enum import Enum, IntEnum
from fractions import Fraction


class Range(IntEnum):
    """Which codes carry the picture. The numbers are H.273's VideoFullRangeFlag."""

    NARROW = 0
    """Black at 16 k, white at 235 k; the rest is footroom and headroom."""
    FULL = 1
    """Black at 0, white at M."""

    @property
    def label(self) -> str:
        """'narrow' or 'full', as printed and as read back."""
        return self.name.lower()

    @classmethod
    def parse(cls, text: str) -> Range:
        """The range of a label.

        Raises: ValueError naming the text.
        """
        try:
            return cls[text.upper()]
        except KeyError:
            raise ValueError(f"a range is 'narrow' or 'full', got {text!r}") from None


class Model(Enum):
    """How colour is split over planes."""

    YCBCR = "ycbcr"
    RGB = "rgb"
    GRAY = "gray"


class Channel(Enum):
    """What one plane holds; it decides which of the two code formulae holds."""

    LUMA = "luma"
    CHROMA = "chroma"
    RED = "red"
    GREEN = "green"
    BLUE = "blue"
    ALPHA = "alpha"
    """Coverage: always 0..M, whatever the picture's range, so a change of range leaves it alone."""


PLANE_CHANNELS: dict[Model, tuple[Channel, ...]] = {
    Model.YCBCR: (Channel.LUMA, Channel.CHROMA, Channel.CHROMA),
    Model.RGB: (Channel.RED, Channel.GREEN, Channel.BLUE),
    Model.GRAY: (Channel.LUMA,),
}
"""Channels of the colour planes in the project's plane order; an alpha plane, where there is one, follows them."""


def round_half_away(value: Fraction) -> int:
    """The standards' Round(x) = Sign(x) Floor(|x| + 1/2): halves go away from zero.

    Source: ITU-R BT.2100-3 table 9, note on Round.
    """
    sign = -1 if value < 0 else 1
    return sign * ((2 * abs(value.numerator) + value.denominator) // (2 * value.denominator))


@dataclass(frozen=True, slots=True)
class Encoding:
    """How an integer code stands for a level. There is no 'unknown': unknown is the caller's None.

    depth : 8..16, bits of the signal
    range : Range
    model : Model
    bit_shift : bits by which codes are shifted left inside their container (6 in P010; 0 as a rule)

    Raises: ValueError naming the field and the value.
    Source: see the module.
    """

    depth: int
    range: Range
    model: Model = Model.YCBCR
    bit_shift: int = 0

    def __post_init__(self) -> None:
        if not 8 <= self.depth <= 16:
            raise ValueError(f"depth must be 8..16 bits, got {self.depth}")
        if not 0 <= self.bit_shift <= 16 - self.depth:
            raise ValueError(f"bit_shift must be 0..{16 - self.depth} at {self.depth} bits, got {self.bit_shift}")
        object.__setattr__(self, "range", Range(self.range))
        object.__setattr__(self, "model", Model(self.model))

    @property
    def maximum(self) -> int:
        """M = 2^n - 1, the last code."""
        return (1 << self.depth) - 1

    @property
    def unit(self) -> int:
        """k = 2^(n-8), codes to one 8-bit code."""
        return 1 << (self.depth - 8)

    @property
    def dtype_name(self) -> str:
        """The smallest unsigned integer that holds a code: 'uint8' or 'uint16'."""
        return "uint8" if self.depth + self.bit_shift == 8 else "uint16"

    @property
    def reserved(self) -> tuple[builtins.range, builtins.range]:
        """The codes kept for timing on a serial interface, low and high: 0 and 255 k-fold at each end.

        Source: BT.709-6 item 4.7 (8 bit 0, 255; 10 bit 0-3, 1020-1023; 12 bit 0-15, 4080-4095).
        """
        return range(0, self.unit), range(255 * self.unit, self.maximum + 1)

    def zero(self, channel: Channel) -> int:
        """The code of level 0: black, or neutral for chroma."""
        return self.neutral if channel is Channel.CHROMA else self.black(channel)

    def span(self, channel: Channel) -> int:
        """Codes to one unit of level: 219 k, 224 k, or M."""
        if self.range is Range.FULL or channel is Channel.ALPHA:
            return self.maximum
        return (224 if channel is Channel.CHROMA else 219) * self.unit

    @property
    def neutral(self) -> int:
        """The chroma code without colour, 2^(n-1) in both ranges."""
        return 1 << (self.depth - 1)

    def black(self, channel: Channel = Channel.LUMA) -> int:
        """The lowest nominal code: 16 k narrow (chroma too), 0 full."""
        return 0 if self.range is Range.FULL or channel is Channel.ALPHA else 16 * self.unit

    def white(self, channel: Channel = Channel.LUMA) -> int:
        """The highest nominal code: 235 k narrow (240 k for chroma), M full."""
        if self.range is Range.FULL or channel is Channel.ALPHA:
            return self.maximum
        return (240 if channel is Channel.CHROMA else 235) * self.unit

    def code(self, level: Fraction | int | float, channel: Channel = Channel.LUMA) -> int:
        """The code of a level, rounded as the standards do, clipped to 0..M.

        level : 0..1 (black to white), -1/2..1/2 for chroma; excursions are coded as far as the codes go
        """
        exact = Fraction(level) * self.span(channel) + self.zero(channel)
        return min(max(round_half_away(exact), 0), self.maximum)

    def level(self, code: int, channel: Channel = Channel.LUMA) -> Fraction:
        """The exact level of a code; outside 0..1 (or -1/2..1/2) for an excursion."""
        return Fraction(code - self.zero(channel), self.span(channel))

    def channels(self) -> tuple[Channel, ...]:
        """The channels of the colour planes in plane order."""
        return PLANE_CHANNELS[self.model]


def affine_map(source: Encoding, target: Encoding, channel: Channel) -> tuple[Fraction, Fraction]:
    """Exact gain and offset so that target code = gain * source code + offset, before rounding and clipping.

    Raises: ValueError where the models differ (that takes a matrix, not a change of range).
    """
    if source.model is not target.model:
        raise ValueError(f"a change of range keeps the model, got {source.model.value} to {target.model.value}")
    gain = Fraction(target.span(channel), source.span(channel))
    return gain, target.zero(channel) - gain * source.zero(channel)


def map_code(code: int, source: Encoding, target: Encoding, channel: Channel, *, clip: bool = True) -> int:
    """One code through the exact map, rounded half away from zero; clipped to the target's end codes unless told not to."""
    gain, offset = affine_map(source, target, channel)
    mapped = round_half_away(gain * code + offset)
    return min(max(mapped, 0), target.maximum) if clip else mapped
