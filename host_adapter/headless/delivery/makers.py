"""What fills the planes of each result: guides blended into a frame, or a window cut out of it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator
from fractions import Fraction
from typing import Any, cast

import numpy as np

from ....kernels.coverage import Drawing
from ....kernels.encoding import Channel, Encoding
from ....kernels.framing import SAMPLING_STEPS
from ....kernels.matrix import Matrix
from ....kernels.overlay import Siting, Sparse, blend, sparse_planes, under_chroma
from ....kernels.scaling import rescale
from ...effect import Premultiplied
from ...guides import draw
from ..codecs import CodecChoice
from ..errors import Problem
from ..host import alpha_of
from ..media import Frame, Info, Plane, Recording
from ..pixel_formats import layout
from ..resampling import scale_planes
from .request import Delivery
from .stage import Stage

Clock = Callable[[Frame], Fraction]


def clock_of(info: Info, first: Frame | None) -> Clock:
    """Seconds since the first frame, as the file times its pictures; by count where it does not."""
    rate = info.rate or Fraction(25)
    start = None if first is None else _time(first)

    def time(frame: Frame) -> Fraction:
        now = _time(frame)
        return Fraction(frame.index) / rate if now is None or start is None else now - start

    return time


def first_frame(recording: Recording) -> Frame | None:
    """The first frame, whose time counts as 0."""
    with contextlib.closing(cast("Generator[Frame, None, None]", recording.frames())) as frames:
        return next(frames, None)


def _time(frame: Frame) -> Fraction | None:
    pts, base = getattr(frame.native, "pts", None), getattr(frame.native, "time_base", None)
    return None if pts is None or not base else Fraction(pts) * Fraction(base)


def written_encoding(info: Info, encoding: Encoding | None, choice: CodecChoice) -> Encoding | None:
    """The encoding of the planes that the encoder takes: the source's codes, in the words of its own pixel format."""
    if encoding is None:
        return None
    shift = layout(choice.pixel_format).bit_shift if info.kind == "movie" else 0
    return Encoding(encoding.depth, encoding.range, encoding.model, shift)


class Painter:
    """Blends the guides of a stage into frames. The drawing is made once, or once a frame where a window moves.

    encoding : of the codes as they are (the person's word, else the flag); None for floating-point levels
    written : encoding of what is painted: the same codes, perhaps shifted otherwise in their words
    """

    def __init__(
        self, stage: Stage, info: Info, encoding: Encoding | None, written: Encoding | None, matrix: Matrix
    ) -> None:
        self.stage, self.info, self.encoding, self.written, self.matrix = stage, info, encoding, written, matrix
        self._channels, self._siting = info.channels(), Siting.of(info.sampling, info.siting)
        self._resting: tuple[Sparse, ...] | None = None

    def sparse(self, time: Fraction) -> tuple[Sparse, ...]:
        if self._resting is not None:
            return self._resting
        made = sparse_planes(
            drawn(self.stage, time), self.written, self._channels, matrix=self.matrix, siting=self._siting
        )
        if not self.stage.request.moving:
            self._resting = made
        return made

    def paint(self, planes: tuple[Plane, ...], targets: tuple[Plane, ...], time: Fraction) -> None:
        """targets = planes with guides."""
        for plane, target, channel in zip(planes, targets, self._channels, strict=True):
            copy_codes(plane, target, channel, self.encoding, self.written)
        straight = alpha_of(self.info) is Premultiplied.NO
        for target, channel, sparse in zip(targets, self._channels, self.sparse(time), strict=True):
            if not straight or channel is Channel.ALPHA:  # which comes last: colours are blended over it as it was
                blend(target, sparse)
            else:
                step = SAMPLING_STEPS[self.info.sampling] if channel is Channel.CHROMA else (1, 1)
                shift = self.written.bit_shift if self.written else 0
                blend(target, sparse, alpha=under_chroma(targets[-1], step, shift))


def drawn(stage: Stage, time: Fraction = Fraction(0), only: Delivery | None = None) -> Drawing:
    """The guides of a stage at a time as shapes.

    Raises: Problem for a label that does not fit, or has characters that the font lacks.
    """
    try:
        return draw(stage.guides(time, only))
    except ValueError as error:
        raise Problem(stage.where, str(error), "Give the window a shorter name, or leave --label out.") from None


def copy_codes(
    plane: Plane, target: Plane, channel: Channel, source: Encoding | None, written: Encoding | None
) -> None:
    """The same codes in the target's words."""
    if source is None or written is None or source.bit_shift == written.bit_shift:
        np.copyto(target, plane, casting="same_kind")
    else:
        rescale(plane, source, written, channel=channel, out=target)


class Cutter:
    """Cuts the window of one delivery out of frames, in its own pixels or resampled to the delivery's size."""

    def __init__(self, stage: Stage, delivery: Delivery, info: Info) -> None:
        self.stage, self.delivery, self.info = stage, delivery, info
        self.size, self.aspect, self.resampled = stage.crop_size(delivery)
        if self.resampled and info.interlaced:
            raise Problem(
                info.path,
                f"its frames are interlaced, and {delivery.name!r} needs them resampled, which would mix the two fields",
                "De-interlace it first, or leave the size out.",
            )
        self._channels = info.channels()
        self._step = SAMPLING_STEPS[info.sampling]

    def cut(
        self,
        planes: tuple[Plane, ...],
        targets: tuple[Plane, ...],
        source: Encoding | None,
        written: Encoding | None,
        time: Fraction,
    ) -> None:
        """targets = the window's part of the planes at a time."""
        window = self.stage.window(self.delivery, time)
        if self.resampled:
            # From the exact window, not the rounded one: what is resampled anyway needs no whole pixels to begin with.
            area = window.rect if self.delivery.size is None else window.exact
            scale_planes(
                planes, self._channels, self.info.sampling, self.info.siting, self.stage.box(area), self.size,
                None if source is None else source.depth, targets,
                bit_shift=source.bit_shift if source else 0, out_bit_shift=written.bit_shift if written else 0,
            )  # fmt: skip
            return
        x, y, columns, rows = window.rect.pixels()
        for plane, target, channel in zip(planes, targets, self._channels, strict=True):
            across, down = self._step if channel is Channel.CHROMA else (1, 1)
            part = plane[y // down : y // down + -(-rows // down), x // across : x // across + -(-columns // across)]
            copy_codes(part, target, channel, source, written)


class Desqueezed:
    """Frames resampled to square pixels, whole, for guides to be drawn over."""

    def __init__(self, stage: Stage, info: Info) -> None:
        if info.interlaced:
            raise Problem(
                info.path,
                "its frames are interlaced, and de-squeezing would mix the two fields",
                "De-interlace it first.",
            )
        self.stage, self.info = stage, info

    def apply(self, planes: tuple[Plane, ...], encoding: Encoding | None) -> tuple[Plane, ...]:
        columns, rows = self.stage.picture.width, self.stage.picture.height
        across, down = SAMPLING_STEPS[self.info.sampling]
        channels = self.info.channels()
        out: list[Any] = []
        for plane, channel in zip(planes, channels, strict=True):
            shape = (-(-rows // down), -(-columns // across)) if channel is Channel.CHROMA else (rows, columns)
            out.append(np.empty(shape, plane.dtype))
        shift = encoding.bit_shift if encoding else 0
        scale_planes(
            planes, channels, self.info.sampling, self.info.siting, self.stage.box(self.stage.picture.rect), (columns, rows),
            None if encoding is None else encoding.depth, out, bit_shift=shift, out_bit_shift=shift,
        )  # fmt: skip
        return tuple(out)
