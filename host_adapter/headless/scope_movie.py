"""Movies of pictures that are drawn here: R'G'B' levels into FFV1 (Matroska, lossless) or H.264 (MP4, QuickTime)."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
from av.video.frame import VideoFrame

from ...kernels.coding import code_levels
from ...kernels.encoding import Encoding, Model, Range
from ...kernels.matrix import Matrix
from ...kernels.overlay import Siting
from .carry import muxer_options
from .codecs import encoder_opens
from .errors import Problem
from .pixel_formats import plane_views
from .unfinished import let_go, library_words, system_error


@dataclass(frozen=True, slots=True)
class _Form:
    """How a movie is coded; step : pixels that its sides are whole numbers of"""

    encoder: str
    label: str
    pixel_format: str
    muxer: str
    encoding: Encoding
    siting: Siting
    step: int
    lossless: bool
    options: dict[str, str]


_FFV1 = _Form(
    "ffv1", "ffv1", "bgr0", "matroska", Encoding(8, Range.FULL, Model.RGB), Siting(), 1, True,
    {"level": "3", "slicecrc": "1", "g": "1"},
)  # fmt: skip
_H264 = _Form(
    "libx264", "h264", "yuv420p", "mp4", Encoding(8, Range.NARROW, Model.YCBCR), Siting((2, 2), (True, False)), 2, False,
    {"crf": "16", "preset": "fast"},
)  # fmt: skip
FORMS = {".mkv": _FFV1, ".mp4": _H264, ".mov": _H264}
"""Suffixes, and what is written into them."""

_TIME_BASE = Fraction(1, 90000)
_BT709, _SRGB = 1, 13
"""H.273's numbers of the primaries and matrix of BT.709, and of the transfer of sRGB."""


class DrawnMovie:
    """A movie written frame by frame inside a `with`: whole at its end, or not there at all.

    path : the file to write, hidden; its suffix is one of FORMS
    rate : frames a second, about: frames have times of their own

    Raises: Problem for a size that the codec does not take, or where the encoder refuses.
    """

    def __init__(self, path: Path, size: tuple[int, int], rate: Fraction) -> None:
        self.path, self.size, self.rate = path, size, rate
        self.form = FORMS[path.suffix.lower()]
        if size[0] % self.form.step or size[1] % self.form.step:
            raise Problem(
                path, f"{self.form.label} takes even sizes here, not {size[0]}x{size[1]}", "Give an even --size."
            )
        self.sums: list[int] = []
        self._output: Any = None
        self._stream: Any = None

    def __enter__(self) -> DrawnMovie:
        form = self.form
        muxer = "mov" if self.path.suffix.lower() == ".mov" else form.muxer
        try:
            container = self.path.suffix[1:].lower()
            self._output = av.open(str(self.path.resolve()), "w", format=muxer, options=muxer_options(container))
            stream: Any = self._output.add_stream(form.encoder, self.rate, options=self._options())
            context = stream.codec_context
            context.width, context.height, context.pix_fmt = *self.size, form.pixel_format
            context.time_base = stream.time_base = _TIME_BASE
            context.thread_count = 2
            self._tag(context)
            self._stream = stream
            self._output.start_encoding()
        except (av.error.FFmpegError, ValueError) as error:
            self._discard()
            raise self._refused(error) from None
        return self

    def _options(self) -> dict[str, str]:
        form = self.form
        if form.encoder != "ffv1":
            return dict(form.options)
        for slices in ("4", "16", "1"):
            options = {**form.options, "slices": slices}
            if encoder_opens(form.encoder, form.pixel_format, self.size, self.rate, options):
                break
        return options

    def _tag(self, what: Any) -> None:
        narrow = self.form.encoding.range is Range.NARROW
        what.color_range, what.colorspace = (1, _BT709) if narrow else (2, 0)
        what.color_primaries, what.color_trc = _BT709, _SRGB

    def coded(self, levels: Any) -> Any:
        """A picture for `write`, made on any thread. levels : float32 [rows, columns, 4]"""
        frame = VideoFrame(*self.size, self.form.pixel_format)
        planes = plane_views(frame, writable=True)
        made = [np.empty(plane.shape, np.uint8) for plane in planes]
        code_levels(levels, self.form.encoding, made, matrix=Matrix.BT709, siting=self.form.siting)
        for plane, codes in zip(planes, made, strict=True):
            plane[...] = codes
        self._tag(frame)
        return frame

    def write(self, frame: Any, time: Fraction) -> None:
        """The next picture. time : seconds, going up"""
        frame.pts, frame.time_base = round(time / _TIME_BASE), _TIME_BASE
        self.sums.append(_sum(frame))
        try:
            self._output.mux(self._stream.encode(frame))
        except (av.error.FFmpegError, ValueError) as error:
            raise self._refused(error) from None

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._discard()
            return
        try:
            self._output.mux(self._stream.encode(None))
            self._output.close()
        except (av.error.FFmpegError, ValueError) as error:
            self._discard()
            raise self._refused(error) from None

    def _discard(self) -> None:
        try:
            let_go(self._output)
        finally:
            self.path.unlink(missing_ok=True)

    def _refused(self, failure: Exception) -> Exception:
        return system_error(failure, self.path) or Problem(
            self.path,
            f"{self.form.encoder} refused {self.size[0]}x{self.size[1]} ({library_words(failure)})",
            "Check the size.",
        )

    def verify(self) -> dict[str, Any]:
        """Read the finished file back: every frame, and of a lossless one every code.

        Raises: Problem naming what does not agree.
        """
        found = 0
        with av.open(str(self.path.resolve())) as container:
            for frame in container.decode(video=0):
                wrong = frame.width, frame.height
                if wrong != self.size or (
                    self.form.lossless and found < len(self.sums) and _sum(frame) != self.sums[found]
                ):
                    raise Problem(self.path, f"frame {found} does not read back as it was drawn", "Run it again.")
                found += 1
        if found != len(self.sums):
            raise Problem(self.path, f"{found} frames read back of {len(self.sums)} written", "Run it again.")
        return {"frames": found} | ({"codes": "every code of every frame as drawn"} if self.form.lossless else {})


def _sum(frame: Any) -> int:
    total = 0
    for plane in plane_views(frame):
        total = zlib.crc32(np.ascontiguousarray(plane).data, total)
    return total
