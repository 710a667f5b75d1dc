"""One change of range taken back, whatever the codes are to be read as afterwards."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...kernels.cells import through
from ...kernels.encoding import Channel, Encoding, Range
from .losses import ExactMap
from .media import Frame, Plane
from .twins.maps import NamedMap, back_codes, back_line


def taken_back_maps(source: Encoding, target: Encoding, channels: tuple[Channel, ...]) -> dict[Channel, ExactMap]:
    """The codes before the last scaling, for every code that it made, alpha's too.

    source : of the recording; its range is the one that the scaling went to
    target : of the result; its range is how the result is read, which decides how codes grow with the depth: codes that were scaled to
        narrow twice stay narrow when one scaling is taken back, and four codes of 12 bit are one of 10; read as full they would be
        4095 / 1023
    """
    here, made = source.depth, source.range
    step = NamedMap(f"to-{made.label}", ((Range(1 - made), made),), here, here)
    maps = {}
    for channel in channels:
        asked = step, target.range, target.depth, channel, source.model
        maps[channel] = ExactMap(float(back_line(*asked)[0]), back_codes(*asked), target.maximum)
    return maps


class TakenBack:
    """The maps applied to whole frames; the same codes on every run."""

    def __init__(
        self, maps: Mapping[Channel, ExactMap], channels: tuple[Channel, ...], source: Encoding, target: Encoding
    ) -> None:
        repeats = 1 << source.bit_shift  # words to a code
        self._tables = [
            np.repeat(np.clip(maps[channel].codes, 0, target.maximum).astype(np.uint16), repeats)
            for channel in channels
        ]

    def apply(self, frame: Frame, targets: tuple[Plane, ...]) -> None:
        """Fill the target planes from a frame's, code by code."""
        for plane, table, out in zip(frame.planes, self._tables, targets, strict=True):
            through(plane, table, out)
