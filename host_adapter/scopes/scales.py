"""The scales that traces are drawn on: which code lies where, and the lines that people look for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from ...kernels.encoding import Channel, Encoding
from ...kernels.matrix import Matrix
from .names import CHROMA

PARTS = (Fraction(3, 4), Fraction(1))
"""Of full amplitude, that colour bars have. Source: ITU-R BT.471-1, from memory."""
COLOURS = {
    "red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0), "cyan": (0, 1, 1), "blue": (0, 0, 1), "magenta": (1, 0, 1),
}  # fmt: skip
"""Primaries and their sums, in order round the vectorscope."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A code that people look for.

    at : place on the scale, 0..1 from its lower end; text : the code and what it is; strong : black and white
    """

    at: float
    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Scale:
    """Levels from low to high, over which one channel's codes are shown.

    chroma : it is that of Cb and Cr
    """

    low: float
    high: float
    chroma: bool = False

    def at(self, code: float, encoding: Encoding) -> float:
        """Where a code lies, 0..1 within the scale."""
        channel = self._channel(encoding)
        return ((code - encoding.zero(channel)) / encoding.span(channel) - self.low) / (self.high - self.low)

    def cells(self, encoding: Encoding) -> tuple[float, float]:
        """Where the lowest code begins and where the highest ends: a code reaches half a code both ways."""
        return self.at(-0.5, encoding), self.at(encoding.maximum + 0.5, encoding)

    def reserved(self, encoding: Encoding) -> tuple[tuple[float, float], ...]:
        """From where to where the codes lie that a serial interface keeps for itself."""
        spans = (
            (self.at(each.start - 0.5, encoding), self.at(each.stop - 0.5, encoding)) for each in encoding.reserved
        )
        return tuple((max(low, 0.0), min(high, 1.0)) for low, high in spans if low < 1 and high > 0)

    def _channel(self, encoding: Encoding) -> Channel:
        return Channel.CHROMA if self.chroma else encoding.channels()[0]


def scale_of(encodings: tuple[Encoding, ...], name: str) -> Scale:
    """One scale for the codes of all encodings, from the lowest to the highest of all."""
    chroma = name in CHROMA
    ends = []
    for encoding in encodings:
        channel = Channel.CHROMA if chroma else encoding.channels()[0]
        ends += [(code - encoding.zero(channel)) / encoding.span(channel) for code in (-0.5, encoding.maximum + 0.5)]
    return Scale(min(ends), max(ends), chroma)


def marks_of(scale: Scale, encoding: Encoding, curve: Mapping[str, float], *, levels: bool = False) -> tuple[Mark, ...]:
    """Lines over a scale, the lowest first.

    curve : levels that people look for, by what they are; of no account for chroma
    levels : codes stand for floating-point levels, which are what is written
    """
    wanted: list[tuple[float, str, str, bool]] = []
    if scale.chroma:
        low, high = (encoding.black(Channel.CHROMA), encoding.white(Channel.CHROMA))
        wanted += [(low, f"{low}", "", True), (encoding.neutral, f"{encoding.neutral}", "neutral", True)]
        wanted += [(high, f"{high}", "", True)]
    else:
        black, white = encoding.black(), encoding.white()
        wanted += [(black, f"{black}", "black", True), (white, f"{white}", "white", True)]
        for words, level in curve.items():
            code = encoding.zero(encoding.channels()[0]) + level * encoding.span(encoding.channels()[0])
            if words != "white" and 0 <= code <= encoding.maximum:
                wanted.append((code, f"{round(code)}", words, False))
    if levels:
        said = {encoding.zero(scale._channel(encoding)): "0", encoding.maximum: "0.5" if scale.chroma else "1"}
        wanted = [
            (code, said.get(round(code), f"{_level(scale, encoding, code):.3g}"), words, strong)
            for code, _, words, strong in wanted
        ]
    elif not scale.chroma:
        for each in encoding.reserved:
            numbers = f"{each.start}" if len(each) == 1 else f"{each.start}\N{EN DASH}{each.stop - 1}"
            wanted.append(((each.start + each.stop - 1) / 2, numbers, "reserved", False))
    found = [
        Mark(scale.at(code, encoding), f"{numbers} {words}".strip(), strong) for code, numbers, words, strong in wanted
    ]
    return tuple(sorted((mark for mark in found if -0.001 <= mark.at <= 1.001), key=lambda mark: mark.at))


def _level(scale: Scale, encoding: Encoding, code: float) -> float:
    return (code - encoding.zero(scale._channel(encoding))) / encoding.span(scale._channel(encoding))


def targets(matrix: Matrix, part: Fraction) -> dict[str, tuple[Fraction, Fraction]]:
    """Levels of Cb and Cr of the primaries and their sums at a part of full amplitude, by colour.

    Source: ITU-R BT.709-6 items 3.2 and 3.3 with any weights.
    """
    found = {}
    for name, colour in COLOURS.items():
        _, cb, cr = matrix.ycbcr((colour[0] * part, colour[1] * part, colour[2] * part))
        found[name] = cb, cr
    return found


def magnified(scale: Scale, times: int) -> Scale:
    """The middle of a chroma scale, so many times as large."""
    half = max(-scale.low, scale.high) / times
    return Scale(-half, half, True)


def encoding_words(encoding: Encoding, *, levels: bool = False) -> str:
    """What a person has to know of an encoding."""
    return "floating point" if levels else f"{encoding.depth} bit, {encoding.range.label} range"
