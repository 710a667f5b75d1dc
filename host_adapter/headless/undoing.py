"""One change of range taken back, whatever the codes are to be read as afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from ...kernels.cells import through
from ...kernels.encoding import Channel, Encoding, Range, affine_map
from ...kernels.scalings import scaled
from .losses import ExactMap
from .media import Frame, Plane


def taken_back_maps(source: Encoding, target: Encoding, channels: tuple[Channel, ...]) -> dict[Channel, ExactMap]:
    """The codes before the last scaling, for every code that it made, alpha's too.

    source : of the recording; its range is the one that the scaling went to
    target : of the result; its range is how the result is read, which decides how codes grow with the depth: codes that were scaled to
        narrow twice stay narrow when one scaling is taken back, and four codes of 12 bit are one of 10; read as full they would be
        4095 / 1023
    """
    other = Encoding(source.depth, Range(1 - source.range), source.model)
    grown = Encoding(source.depth, target.range, source.model)
    codes = np.arange(source.maximum + 1, dtype=np.int64)
    maps = {}
    for channel in channels:
        if channel is Channel.ALPHA:
            gain, offset = Fraction(target.maximum, source.maximum), Fraction(0)
        else:
            back, moved = affine_map(source, other, channel)
            wide, shift = affine_map(grown, target, channel)
            gain, offset = wide * back, wide * moved + shift
        maps[channel] = ExactMap(float(gain), scaled(codes, gain, offset), target.maximum)
    return maps


@dataclass(frozen=True, slots=True)
class TakenBack:
    """The maps applied to whole frames; the same codes on every run."""

    maps: Mapping[Channel, ExactMap]
    channels: tuple[Channel, ...]
    source: Encoding
    target: Encoding

    def apply(self, frame: Frame, targets: tuple[Plane, ...]) -> None:
        """Fill the target planes from a frame's, code by code."""
        for plane, channel, out in zip(frame.planes, self.channels, targets, strict=True):
            codes = np.clip(self.maps[channel].codes, 0, self.target.maximum).astype(np.uint16)
            through(plane, np.repeat(codes, 1 << self.source.bit_shift), out)
