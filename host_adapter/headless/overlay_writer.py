"""Overlays written with their coverage: stills through OpenImageIO, movies through PyAV.

An overlay comes as premultiplied R'G'B' levels, the display's signal from 0 to 1, and its coverage (alpha).

==========================  =============================================================================
.png, .tif, .tiff           16 bit, full range, straight alpha (PNG allows no other; TIFF says so: ExtraSamples 2)
.exr                        half float, premultiplied (OpenEXR's convention)
'prores' in QuickTime       ProRes 4444, Y'CbCr 10 bit, narrow range, straight alpha coded in 16 bit
'ffv1' in Matroska          R'G'B' 16 bit, full range, straight alpha, lossless
==========================  =============================================================================

Straight means that the colour is what it is under full coverage; where the coverage as written is 0, the colour is
black. Sources: PNG (W3C) 13.16 and 6.2; TIFF 6.0 section 18; "Technical Introduction to OpenEXR" (from memory). The
movie files have no field for it; editors take ProRes 4444 for straight where they are not told otherwise (common practice).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio  # noqa: N813
from av.video.frame import VideoFrame

from ...kernels.encoding import Channel, Encoding, Model, Range
from ...kernels.matrix import Matrix
from .carry import muxer_options
from .codecs import encoder_opens
from .errors import Problem
from .h273 import MATRICES, PRIMARIES, TRANSFERS
from .matroska_extras import Extras, add_to_header
from .media import Plane
from .pixel_formats import plane_views
from .stills_writer import raise_disk_error, set_pixel_aspect
from .unfinished import let_go, library_words, system_error

Levels = npt.NDArray[Any]
"""float32 [rows, columns] or [rows, columns, 3], 0..1."""

STILLS = {".png": "png", ".tif": "tiff", ".tiff": "tiff", ".exr": "exr"}
"""Suffixes of overlay stills, and the file type that each stands for."""

_COEFFICIENTS = {
    "bt709": Matrix.BT709, "bt470bg": Matrix.BT601, "smpte170m": Matrix.BT601, "bt2020nc": Matrix.BT2020,
    "smpte240m": Matrix.ST240, "fcc": Matrix.FCC,
}  # fmt: skip
"""H.273's matrices of the plain kind, in FFmpeg's spelling."""

_SIXTEEN_BIT = Encoding(16, Range.FULL, Model.RGB)


def write_overlay_still(path: Path, rgb: Levels, alpha: Levels, *, aspect: Fraction = Fraction(1)) -> None:
    """One overlay; the path's suffix decides what it is written as (see the module).

    rgb : float32 [rows, columns, 3], premultiplied levels 0..1
    alpha : float32 [rows, columns], 0..1
    aspect : width of a pixel over its height

    Raises: Problem for a suffix without a writer, or where the library refuses; OSError where the disk does;
    ValueError where the arrays do not fit each other.
    """
    kind = STILLS.get(path.suffix.lower())
    if kind is None:
        raise Problem(path, f"an overlay is not written as {path.suffix or 'a file without a suffix'}",
                      f"Available: {', '.join(STILLS)}.")  # fmt: skip
    _check(rgb, alpha, alpha.shape)
    pixels = _premultiplied_halves(rgb, alpha) if kind == "exr" else _straight_words(rgb, alpha)
    spec = oiio.ImageSpec(alpha.shape[1], alpha.shape[0], 4, "half" if kind == "exr" else "uint16")
    spec.channelnames, spec.alpha_channel = ("R", "G", "B", "A"), 3
    if kind != "exr":
        spec.attribute("oiio:UnassociatedAlpha", 1)  # the words are straight already; the library leaves them alone
    if aspect != 1:
        set_pixel_aspect(spec, aspect, kind)
    output: Any = oiio.ImageOutput.create(str(path))
    opened = output.open(str(path), spec)
    done = opened and output.write_image(pixels)
    if not ((output.close() if opened else False) and done):
        reason = output.geterror().strip()
        raise_disk_error(path)
        raise Problem(path, f"the overlay could not be written ({reason or 'unknown'})", "Try another suffix.")


def _check(rgb: Levels, alpha: Levels, shape: tuple[int, ...]) -> None:
    if alpha.shape != shape or alpha.ndim != 2 or rgb.shape != (*shape, 3):
        raise ValueError(f"rgb and alpha must be {[*shape, 3]} and {list(shape)}, got {rgb.shape} and {alpha.shape}")


def _premultiplied_halves(rgb: Levels, alpha: Levels) -> npt.NDArray[np.float16]:
    pixels = np.empty((*alpha.shape, 4), np.float16)
    pixels[..., :3], pixels[..., 3] = rgb, np.clip(alpha, 0, 1)
    pixels[pixels[..., 3] == 0] = 0
    return pixels


def _straight_words(rgb: Levels, alpha: Levels) -> npt.NDArray[np.uint16]:
    pixels = np.empty((*alpha.shape, 4), np.uint16)
    fill_straight(tuple(np.moveaxis(pixels, -1, 0)), rgb, alpha, _SIXTEEN_BIT, None)
    return pixels


def fill_straight(
    planes: Sequence[Plane], rgb: Levels, alpha: Levels, encoding: Encoding, matrix: Matrix | None
) -> None:
    """Codes of a premultiplied picture in straight form.

    planes : four, of the encoding's channels and alpha, filled; alpha is full range whatever the encoding's
    matrix : for Y'CbCr; None for R'G'B'
    Colour is black where the alpha code is 0; elsewhere it is divided by alpha in double precision, held to 0..1 and
    rounded half away from zero.
    """
    span = encoding.span(Channel.ALPHA)
    coverage = np.floor(np.clip(alpha, 0, 1).astype(np.float64) * span + 0.5)
    planes[3][:] = coverage
    touched = coverage > 0
    colour = np.clip(rgb[touched].astype(np.float64) / alpha[touched, None].astype(np.float64), 0, 1).T
    signals = colour if matrix is None else _ycbcr(colour, matrix)
    for plane, channel, signal in zip(planes, encoding.channels(), signals, strict=False):
        plane[:] = encoding.zero(channel)
        plane[touched] = np.clip(np.floor(signal * encoding.span(channel) + encoding.zero(channel) + 0.5), 0,
                                 encoding.maximum)  # fmt: skip


def _ycbcr(rgb: npt.NDArray[np.float64], matrix: Matrix) -> tuple[npt.NDArray[np.float64], ...]:
    """Levels of Y', Cb, Cr; rgb [3, samples]. Source: ITU-T H.273 8.3, equations 38 to 40 (numbers from memory)."""
    red, green, blue = rgb
    luma = float(matrix.red) * red + float(matrix.green) * green + float(matrix.blue) * blue
    return luma, (blue - luma) / float(2 - 2 * matrix.blue), (red - luma) / float(2 - 2 * matrix.red)


@dataclass(frozen=True, slots=True)
class _Form:
    """How a movie with alpha is coded."""

    encoder: str
    pixel_format: str
    container: str
    muxer: str
    encoding: Encoding
    options: dict[str, str]


_FORMS = {
    "prores": _Form(
        "prores_ks", "yuva444p10le", "mov", "mov", Encoding(10, Range.NARROW),
        {"profile": "4444", "alpha_bits": "16", "flags": "+qscale", "global_quality": "236"},
    ),
    "ffv1": _Form(
        "ffv1", "gbrap16le", "mkv", "matroska", _SIXTEEN_BIT,
        {"level": "3", "slicecrc": "1", "g": "1", "context": "0"},
    ),
}  # fmt: skip


def _number(names: dict[int, str], wanted: str | None) -> int:
    """H.273's number of a name; 2, 'unspecified', for none."""
    return next((number for number, name in names.items() if name == wanted), 2)


class OverlayMovie:
    """A movie with alpha, written frame by frame inside a `with`: whole at its end, or not there at all.

    path : the file to write, of any name; an exception inside the `with`, or no frame, removes it
    rate : frames a second
    aspect : width of a pixel over its height
    timecode : of the first frame, 'HH:MM:SS:FF', or ';' before the frames for drop frame
    matrix : FFmpeg's name; what 'prores' is coded with, of no account for 'ffv1'
    transfer, primaries : names to tag it with, as Info has them; None leaves them unsaid, but says bt709 beside its matrix
    codec : 'prores' (QuickTime) | 'ffv1' (Matroska); see the module

    Raises: Problem where the encoder or the file type refuses; OSError where the disk does; ValueError for a matrix or
    codec that there is not.
    """

    def __init__(
        self, path: Path, width: int, height: int, rate: Fraction, *,
        aspect: Fraction = Fraction(1), timecode: str | None = None, matrix: str = "bt709", codec: str = "prores",
        transfer: str | None = None, primaries: str | None = None,
    ) -> None:  # fmt: skip
        if codec not in _FORMS:
            raise ValueError(f"codec must be one of {', '.join(_FORMS)}, got {codec!r}")
        if matrix not in _COEFFICIENTS:
            raise ValueError(f"matrix must be one of {', '.join(_COEFFICIENTS)}, got {matrix!r}")
        if timecode and not re.fullmatch(r"\d\d:[0-5]\d:[0-5]\d[:;]\d{2,3}", timecode):
            raise Problem(path, f"the timecode {timecode!r} is no HH:MM:SS:FF", "Give it as 10:00:00:00.")
        self.path, self.width, self.height, self.rate = path, width, height, rate
        self.aspect, self.timecode, self.matrix = aspect, timecode, matrix
        usual = "bt709" if matrix == "bt709" else None
        self.transfer, self.primaries = transfer or usual, primaries or usual
        self.frames = 0
        self._form = _FORMS[codec]
        self._output: Any = None
        self._stream: Any = None

    @property
    def suffix(self) -> str:
        """What the finished file's name should end in: '.mov' | '.mkv'."""
        return f".{self._form.container}"

    def __enter__(self) -> OverlayMovie:
        self._or_nothing(self._open)
        return self

    def _or_nothing(self, step: Callable[[], None]) -> None:
        """A step that leaves no file where it fails."""
        try:
            step()
        except (av.error.FFmpegError, ValueError) as failure:
            self._discard()
            raise self._refused(failure) from None
        except BaseException:
            self._discard()
            raise

    def _open(self) -> None:
        form = self._form
        self._output = av.open(
            str(self.path.resolve()), "w", format=form.muxer, options=muxer_options(form.container),
        )  # fmt: skip
        stream: Any = self._output.add_stream(form.encoder, self.rate, options=self._options())
        context = stream.codec_context
        context.width, context.height, context.pix_fmt = self.width, self.height, form.pixel_format
        context.time_base = stream.time_base = 1 / self.rate
        context.thread_count = 4
        context.color_range = 2 if form.encoding.range is Range.FULL else 1
        context.colorspace = 0 if form.encoding.model is Model.RGB else _number(MATRICES, self.matrix)
        context.color_trc = _number(TRANSFERS, self.transfer)
        context.color_primaries = _number(PRIMARIES, self.primaries)
        if self.aspect != 1:
            context.sample_aspect_ratio = self.aspect
        if self.timecode:
            stream.metadata["timecode"] = self.timecode
        self._stream = stream
        self._output.start_encoding()

    def _options(self) -> dict[str, str]:
        """The encoder's options. FFV1 codes slices on several threads, but takes each number of them at some sizes only."""
        form = self._form
        if form.encoder != "ffv1":
            return dict(form.options)
        for slices in ("4", "16", "1"):
            options = {**form.options, "slices": slices}
            if encoder_opens(form.encoder, form.pixel_format, (self.width, self.height), self.rate, options):
                break
        return options

    def write(self, rgb: Levels, alpha: Levels, *, times: int = 1) -> None:
        """The next picture, `times` times over.

        rgb : float32 [height, width, 3], premultiplied levels 0..1; alpha : float32 [height, width], 0..1

        Raises: Problem where the encoder refuses; OSError where the disk does; ValueError for another size.
        """
        _check(rgb, alpha, (self.height, self.width))
        frame = VideoFrame(self.width, self.height, self._form.pixel_format)
        matrix = None if self._form.encoding.model is Model.RGB else _COEFFICIENTS[self.matrix]
        fill_straight(plane_views(frame, writable=True), rgb, alpha, self._form.encoding, matrix)
        context = self._stream.codec_context
        frame.color_range, frame.colorspace = context.color_range, context.colorspace
        frame.color_primaries, frame.color_trc = context.color_primaries, context.color_trc
        for _ in range(times):
            frame.pts, frame.time_base = self.frames, 1 / self.rate
            self.frames += 1
            try:
                self._output.mux(self._stream.encode(frame))
            except av.error.FFmpegError as error:
                raise self._refused(error) from None

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self._or_nothing(self._finish)
        else:
            self._discard()

    def _finish(self) -> None:
        if not self.frames:
            raise Problem(self.path, "an overlay of no frames was asked for", "Give it a length.")
        self._output.mux(self._stream.encode(None))
        self._output.close()
        if self._form.container == "mkv" and self.aspect != 1:
            extras = Extras(self.aspect)
            if not add_to_header(self.path, (self.width, self.height), extras):
                raise Problem(self.path, f"its header has no room for pixels of {self.aspect}", "Write it as ProRes.")

    def _discard(self) -> None:
        try:
            let_go(self._output)
        finally:
            self.path.unlink(missing_ok=True)

    def _refused(self, failure: Exception) -> Exception:
        reason = library_words(failure)
        return system_error(failure, self.path) or Problem(
            self.path,
            f"{self._form.encoder} in {self._form.container} refused {self.width}x{self.height} at {self.rate} ({reason})",
            "Check the size, the rate and the timecode.",
        )
