"""What a report shows of a recording: one frame, and how its reader takes the codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ....kernels.encoding import Channel, Encoding, Model, Range
from ....kernels.occupancy import counts
from ....kernels.tally import Histogram
from ..errors import Problem
from ..media import Frame, Info, Plane, Recording
from ..viewing import Shown, as_shown, in_proportion, matrix_of

SAMPLED = 8
"""Frames that a mend's report counts the codes of."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One recording's share of a report.

    index : number of the frame; planes : its codes, copied
    pixels : counts of codes over `frames` sampled frames, a histogram a channel; empty for levels
    """

    info: Info
    index: int
    planes: tuple[Plane, ...]
    pixels: Mapping[Channel, Histogram]
    frames: int

    def encoding(self, range_: Range) -> Encoding | None:
        """Of its codes, None where it holds levels."""
        return None if self.info.depth is None else self.info.encoding(range_)

    def shown(self, range_: Range) -> Shown:
        """The frame as a reader shows it that takes it for that range, in its displayed proportions.

        Raises: Problem where its matrix has no constant weights.
        """
        info = self.info
        picture = as_shown(
            self.planes, self.encoding(range_), matrix=matrix_of(info), sampling=info.sampling, siting=info.siting
        )
        return in_proportion(picture, info.aspect, turned=info.turned)


def frame_of(recording: Recording, index: int, count: int) -> Frame:
    """The frame of that number out of a sampling of `count`; the nearest before it where it does not decode.

    Raises: Problem where none does.
    """
    found = None
    for frame in recording.sample(count):
        if found is None or frame.index <= index:
            found = frame
        if frame.index >= index:
            break
    if found is None:
        raise Problem(recording.info.path, "no frame of it can be decoded", "Look at it by other means.")
    return found


def look(recording: Recording, index: int | None = None) -> Seen:
    """Sample a recording: counts of all, and the frame of that number, else the one with most outside narrow's limits.

    Raises: Problem where no frame can be decoded.
    """
    info = recording.info
    encoding = None if info.depth is None else info.encoding(Range.NARROW)
    pixels: dict[Channel, Histogram] = {}
    kept: int | None = None
    planes: tuple[Plane, ...] = ()
    best, number = -1.0, 0
    for frame in recording.sample(SAMPLED):
        if encoding is not None:
            for plane, channel in zip(frame.planes, encoding.channels(), strict=False):
                pixels[channel] = counts(plane, encoding, out=pixels.get(channel))
        if index is not None:
            better = kept is None or abs(frame.index - index) < abs(kept - index)
        else:
            worth = _outside(frame.planes[0], encoding)
            better, best = worth > best, max(worth, best)
        if better:
            kept, planes = frame.index, tuple(plane.copy() for plane in frame.planes)
        number += 1
    if kept is None:
        raise Problem(info.path, "no frame of it can be decoded", "Look at it by other means.")
    return Seen(info, kept, planes, pixels, number)


def _outside(plane: Plane, encoding: Encoding | None) -> float:
    """Share of samples outside the limits; of levels, how far they spread."""
    if encoding is None:
        return float(np.std(plane.astype(np.float32)))
    low, high = encoding.black() << encoding.bit_shift, encoding.white() << encoding.bit_shift
    spread = float(plane.max()) - float(plane.min())  # among frames that are all inside, the one that shows most
    return float(np.mean((plane < low) | (plane > high))) + 1e-9 * spread


def tone_counts(pixels: Mapping[Channel, Histogram], model: Model) -> Histogram:
    """Counts of luma, or of R', G' and B' together."""
    parts = [histogram for channel, histogram in pixels.items() if channel is not Channel.CHROMA]
    return np.sum(parts, axis=0) if model is Model.RGB else parts[0]
