"""What sampled frames of a recording show of its codes, as plain numbers: what every finding rests on.

Two histograms a channel are gathered, both at the recording's own resolution: of all pixels, and of the means of 8 x 8
blocks. The first says what would be clipped, the second where connected parts of the scene lie, which noise and ringing
cannot fake. Pixels are counted once more by how quiet their blocks are, which tells what the codes went through. Memory is that
of the histograms and one frame, however long or large the recording.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ...kernels.blocks import BLOCK, block_statistics
from ...kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model, Range
from ...kernels.history import History, history
from ...kernels.occupancy import counts
from ...kernels.quiet import counts_by_quiet
from ...kernels.scalings import DEEPEST
from ...kernels.tally import Histogram, quantile, share_above, share_below, tally
from .errors import Problem
from .media import Frame, Info, Plane, Recording

FRAMES = 24
FLOOR_SHARE = 1e-3
"""A floor is the code that this share of the blocks does not reach; a ceiling the same from above."""

BAR_SHARE = 0.02
"""A bar is at least this share of the picture's height or width."""


@dataclass(frozen=True, slots=True)
class Look:
    """One sampled frame in a few numbers, in codes of luma (or of R', G', B' together).

    floor, median, ceiling : of the block means inside bars
    spread : between the 2nd and the 98th percentile of the block means
    noise : median of the deviations inside the darkest blocks, those up to the 2nd percentile
    """

    index: int
    floor: float
    median: float
    ceiling: float
    spread: float
    noise: float


@dataclass(frozen=True, slots=True)
class Bar:
    """A flat strip along an edge, at one code in most frames.

    edge : 'top' | 'bottom' | 'left' | 'right'
    size : rows or columns
    frames : share of the sampled frames that have it
    """

    edge: str
    code: int
    size: int
    frames: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a finding is made from.

    depth, model : of the recording
    pixels : counts of codes over whole frames, one histogram a channel
    picture : the same without bars
    blocks : counts of rounded block means without bars; chroma has them too
    past : the scalings that the codes went through, by the counts of `picture`, all together and by how quiet their blocks are
    looks : the sampled frames, in order
    bars : strips along the edges
    """

    depth: int
    model: Model
    pixels: Mapping[Channel, Histogram]
    picture: Mapping[Channel, Histogram]
    blocks: Mapping[Channel, Histogram]
    past: History
    looks: tuple[Look, ...] = ()
    bars: tuple[Bar, ...] = ()

    @classmethod
    def from_histograms(
        cls,
        depth: int,
        pixels: Mapping[Channel, Histogram],
        blocks: Mapping[Channel, Histogram] | None = None,
        *,
        model: Model = Model.YCBCR,
        looks: tuple[Look, ...] = (),
        bars: tuple[Bar, ...] = (),
    ) -> Evidence:
        """Evidence out of counts alone; without blocks the pixels stand for them.

        Raises: ValueError where a histogram has not 2^depth entries.
        """
        for channel, histogram in {**pixels, **(blocks or {})}.items():
            if histogram.shape != (1 << depth,):
                raise ValueError(f"{channel.value} must have {1 << depth} counts, got {histogram.shape}")
        past = history(pixels, depth)
        return cls(depth, model, pixels, pixels, pixels if blocks is None else blocks, past, looks, bars)

    @property
    def encoding(self) -> Encoding:
        """The recording's codes taken as narrow, which is what limits are measured against."""
        return Encoding(self.depth, Range.NARROW, self.model)

    @property
    def tone_channels(self) -> tuple[Channel, ...]:
        """Luma, or R', G' and B'."""
        return tuple(channel for channel in PLANE_CHANNELS[self.model][:3] if channel is not Channel.CHROMA)

    def tones(self, histograms: Mapping[Channel, Histogram]) -> Histogram:
        """The counts of luma, or of R', G' and B' together."""
        return sum((histograms[channel] for channel in self.tone_channels), np.zeros(1 << self.depth, np.int64))

    def to_json(self) -> dict[str, Any]:
        """The evidence in numbers a person can check."""
        narrow = self.encoding
        channels: dict[str, Any] = {}
        for channel, pixels in self.pixels.items():
            blocks = self.blocks[channel]
            channels[channel.value] = {
                "lowest": int(np.flatnonzero(pixels)[0]),
                "highest": int(np.flatnonzero(pixels)[-1]),
                "floor": quantile(blocks, FLOOR_SHARE) if blocks.sum() else None,
                "ceiling": quantile(blocks, 1 - FLOOR_SHARE) if blocks.sum() else None,
                "pixels_under_black": share_below(pixels, narrow.black(channel)),
                "pixels_over_white": share_above(pixels, narrow.white(channel)),
                "areas_under_black": share_below(blocks, narrow.black(channel) - narrow.unit),
                "areas_over_white": share_above(blocks, narrow.white(channel) + narrow.unit),
                "share_at_first_code": float(pixels[0] / pixels.sum()),
                "share_at_last_code": float(pixels[-1] / pixels.sum()),
            }
        return {
            "frames_sampled": len(self.looks),
            "frame_indices": [look.index for look in self.looks],
            "frame_floors": [round(look.floor, 2) for look in self.looks],
            "frame_ceilings": [round(look.ceiling, 2) for look in self.looks],
            "flat_frames": [{"index": look.index, "code": round(look.median, 2)} for look in self.flat_frames()],
            "bars": [{"edge": b.edge, "code": b.code, "size": b.size, "frames": b.frames} for b in self.bars],
            "channels": channels,
        }

    def flat_frames(self) -> tuple[Look, ...]:
        """Frames of one even tone: a capped lens, a black or plain slate, a fade's end."""
        unit = self.encoding.unit
        return tuple(look for look in self.looks if look.spread <= 2 * unit and look.noise <= 8 * unit)


@dataclass(slots=True)
class Gatherer:
    """Adds up frames; `evidence` is what they show."""

    depth: int
    model: Model
    shift: int
    pixels: dict[Channel, Histogram] = field(default_factory=dict)
    picture: dict[Channel, Histogram] = field(default_factory=dict)
    blocks: dict[Channel, Histogram] = field(default_factory=dict)
    quiet: dict[Channel, Histogram] = field(default_factory=dict)
    looks: list[Look] = field(default_factory=list)
    strips: list[dict[str, tuple[int, int]]] = field(default_factory=list)

    def add(self, frame: Frame, encoding: Encoding) -> None:
        tones = [
            plane
            for plane, channel in zip(frame.planes, PLANE_CHANNELS[self.model], strict=False)
            if channel is not Channel.CHROMA
        ]
        strips = _strips(tones, encoding)
        means: list[npt.NDArray[np.float64]] = []
        noise: list[npt.NDArray[np.float64]] = []
        for plane, channel in zip(frame.planes, PLANE_CHANNELS[self.model], strict=False):
            inside = _inside(plane, tones[0].shape, strips)
            self._count(self.pixels, channel, counts(plane, encoding))
            self._count(self.picture, channel, counts(inside, encoding))
            mean, deviation = block_statistics(inside)
            mean, deviation = mean / (1 << self.shift), deviation / (1 << self.shift)
            self._count(self.blocks, channel, tally(mean, 1 << self.depth))
            if self.depth <= DEEPEST:
                self.quiet[channel] = counts_by_quiet(inside, encoding, deviation, self.quiet.get(channel))
            if channel is not Channel.CHROMA:
                means.append(mean.ravel())
                noise.append(deviation.ravel())
        self.strips.append(strips)
        self._look(frame.index, np.concatenate(means), np.concatenate(noise))

    def _look(self, index: int, means: npt.NDArray[np.float64], noise: npt.NDArray[np.float64]) -> None:
        if means.size == 0:
            return
        floor, low, median, high, ceiling = np.quantile(means, [FLOOR_SHARE, 0.02, 0.5, 0.98, 1 - FLOOR_SHARE])
        dark = float(np.median(noise[means <= low]))
        self.looks.append(Look(index, float(floor), float(median), float(ceiling), float(high - low), dark))

    @staticmethod
    def _count(total: dict[Channel, Histogram], channel: Channel, histogram: Histogram) -> None:
        total[channel] = total[channel] + histogram if channel in total else histogram

    def evidence(self) -> Evidence:
        bars: list[Bar] = []
        for edge in ("top", "bottom", "left", "right"):
            seen = [strips[edge] for strips in self.strips if edge in strips]
            share = len(seen) / len(self.strips)
            if share >= 0.5:
                size, code = (int(np.median(values)) for values in zip(*seen, strict=True))
                bars.append(Bar(edge, code, size, round(share, 3)))
        past = history(self.picture, self.depth, self.quiet)
        looks = tuple(self.looks)
        return Evidence(self.depth, self.model, self.pixels, self.picture, self.blocks, past, looks, tuple(bars))


def gather(recording: Recording, frames: int = FRAMES) -> Evidence:
    """The evidence of at most `frames` frames spread over the whole recording.

    Raises: ValueError for floating-point stills (they hold levels); Problem where no frame can be decoded.
    """
    info = recording.info
    return gather_frames(recording.sample(frames), info)


def gather_frames(frames: Iterable[Frame], info: Info) -> Evidence:
    """The evidence of the frames handed in; see gather."""
    encoding = info.encoding(Range.NARROW)
    gatherer = Gatherer(encoding.depth, info.model, encoding.bit_shift)
    for frame in frames:
        gatherer.add(frame, encoding)
    if not gatherer.strips:
        raise Problem(info.path, "no frame of it can be decoded", "Copy it again from the card, or leave it out.")
    return gatherer.evidence()


def _strips(tones: list[Plane], encoding: Encoding) -> dict[str, tuple[int, int]]:
    """Edges with a flat strip at exactly code 0 or narrow black: {edge: (rows or columns, code)}.

    A frame that is flat all over has no bars: it is a black frame.
    """
    shift, unit = encoding.bit_shift, encoding.unit
    found: dict[str, tuple[int, int]] = {}
    for across, (low_edge, high_edge) in ((1, ("top", "bottom")), (0, ("left", "right"))):
        lows = np.min([plane.min(axis=across) for plane in tones], axis=0) >> shift
        highs = np.max([plane.max(axis=across) for plane in tones], axis=0) >> shift
        for code in (0, encoding.black(encoding.channels()[0])):
            flat = (np.abs(lows.astype(int) - code) <= unit // 2) & (np.abs(highs.astype(int) - code) <= unit // 2)
            if flat.all():
                return {}
            for edge, run in ((low_edge, int(np.argmin(flat))), (high_edge, int(np.argmin(flat[::-1])))):
                if run >= max(BAR_SHARE * len(flat), 2):
                    found[edge] = run, code
    return found


def _inside(plane: Plane, full_shape: tuple[int, ...], strips: dict[str, tuple[int, int]]) -> Plane:
    """The part of a plane inside the bars, with a block's margin for the ringing beside them."""
    if not strips:
        return plane
    rows, columns = plane.shape
    scale_y, scale_x = full_shape[0] / rows, full_shape[1] / columns

    def cut(edge: str, scale: float) -> int:
        return int(np.ceil((strips[edge][0] + BLOCK) / scale)) if edge in strips else 0

    top, bottom, left, right = cut("top", scale_y), cut("bottom", scale_y), cut("left", scale_x), cut("right", scale_x)
    inside = plane[top : max(rows - bottom, top), left : max(columns - right, left)]
    return inside if min(inside.shape) >= BLOCK else plane
