"""Tables of a signal: where their points lie, the line between two ranges, and the roll-off of highlights.

A signal here is a code over M, 0..1 of what the container holds; `domain` is the part of it that a table has points over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from .encoding import Channel, Encoding, Range, affine_map

Signals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """signal -> gain * signal + offset, exactly."""

    gain: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)

    def __call__(self, signal: Signals) -> Signals:
        return signal * float(self.gain) + float(self.offset)

    def at(self, signal: Fraction) -> Fraction:
        """The exact value at one place."""
        return self.gain * signal + self.offset

    @property
    def back(self) -> Line:
        """The line the other way."""
        return Line(1 / self.gain, -self.offset / self.gain)


def range_line(source: Range, target: Range, depth: int) -> Line:
    """R'G'B' or luma signals of one range as signals of another at the same depth, unclipped.

    Source: BT.2100-3 table 9, through `encoding.affine_map`.
    """
    gain, offset = affine_map(Encoding(depth, source), Encoding(depth, target), Channel.LUMA)
    return Line(gain, offset / ((1 << depth) - 1))


def level_line(range_: Range, depth: int) -> Line:
    """R'G'B' or luma signals as levels, 0..1 of black to white."""
    encoding = Encoding(depth, range_)
    span = encoding.span(Channel.LUMA)
    return Line(Fraction(encoding.maximum, span), Fraction(-encoding.zero(Channel.LUMA), span))


def curve_points(size: int, domain: tuple[Fraction, Fraction]) -> Signals:
    """float64 [size], evenly over the domain.

    Raises: ValueError where there are fewer than two, or the domain is none.
    """
    low, high = domain
    if size < 2:
        raise ValueError(f"size must be at least 2, got {size}")
    if not low < high:
        raise ValueError(f"domain must go up, got {float(low)}..{float(high)}")
    step = (high - low) / (size - 1)
    return np.array([float(low + number * step) for number in range(size)])


def cube_points(size: int, domain: tuple[Fraction, Fraction]) -> Signals:
    """float64 [size ** 3, 3] R, G, B, red slowest."""
    points = curve_points(size, domain)
    return np.stack(np.meshgrid(points, points, points, indexing="ij"), axis=-1).reshape(-1, 3)


def between(points: Signals) -> Signals:
    """Half-way between neighbours, float64 [size - 1]."""
    return (points[1:] + points[:-1]) / 2


def roll_off(peak: float, knee: float) -> Callable[[Signals], Signals]:
    """Light as it is up to `knee`, and from there a logarithm that meets it without a corner and takes `peak` to 1.

    Raises: ValueError where the knee is not in 0..1, or the peak is below 1.
    """
    if not 0 < knee < 1:
        raise ValueError(f"knee must be within 0..1, got {knee}")
    if peak < 1:
        raise ValueError(f"peak must be 1 or more, got {peak}")
    wide, high = peak - knee, 1 - knee
    bend = _bend(wide / high)

    def rolled(light: Signals) -> Signals:
        over = np.maximum(light - knee, 0) / wide
        # Written so that no bend at all is a straight line, and not 0/0.
        curved = np.log1p(bend * over) / np.log1p(bend) if bend else over
        return np.where(light <= knee, light, knee + high * curved)

    return rolled


def _bend(ratio: float) -> float:
    """c with c / ln(1 + c) = ratio >= 1: the slope at the knee is then 1."""
    low, high = 0.0, 4 * ratio * (1 + np.log(4 * ratio))
    for _ in range(200):
        middle = (low + high) / 2
        if middle > 0 and middle / np.log1p(middle) > ratio:
            high = middle
        else:
            low = middle
    return low
