"""Frames through a delivery codec and back, in memory: nothing is written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import av
import av.error
import numpy as np
from av.video.frame import VideoFrame

from ....kernels.encoding import Encoding, Range
from ..errors import Problem
from ..media import Plane
from ..pixel_formats import plane_views

CLOSE = 0.02
"""Bit rates nearer than this share count as equal."""
MOST_TRIES = 8


@dataclass(frozen=True, slots=True)
class Coder:
    """A codec with a constant rate factor.

    codec : FFmpeg's name of the decoder; encoder : of the encoder; spoken : for a person
    best, worst : ends of the rate factor; whole : only whole ones are taken
    usual : what is coded at where nothing is said
    halving : steps of the factor that halve the bits, about
    """

    codec: str
    encoder: str
    spoken: str
    options: tuple[tuple[str, str], ...]
    worst: int
    whole: bool
    usual: int
    halving: float


CODERS = {
    "h264": Coder("h264", "libx264", "H.264", (("preset", "fast"),), 51, False, 20, 6),
    "hevc": Coder("hevc", "libx265", "HEVC", (("preset", "fast"), ("x265-params", "log-level=none")), 51, False, 22, 6),
    "av1": Coder("libdav1d", "libsvtav1", "AV1", (("preset", "8"),), 63, True, 28, 8),
    "vp9": Coder("vp9", "libvpx-vp9", "VP9", (("cpu-used", "4"), ("b", "0")), 63, True, 28, 8),
}
"""What a person may say for --codec here. The encoders' presets are common practice, as is the usual quality."""


@dataclass(frozen=True, slots=True, eq=False)
class Passed:
    """Frames that went through a codec.

    tones : the first plane of each; bits : a second, of everything coded
    """

    tones: tuple[Plane, ...]
    quality: float
    bits: float


def coder_of(word: str, quality: float | None, target: Encoding, sampling: str) -> tuple[Coder, float, str]:
    """The coder of a name, the quality, and the pixel format.

    Raises: Problem where there is none, or it does not take such planes.
    """
    key = {"avc": "h264", "h265": "hevc"}.get(word.lower(), word.lower())
    if key not in CODERS:
        raise Problem(
            None,
            f"--codec {word!r} is no codec with a scale of quality that can be tried",
            f"Available: {', '.join(CODERS)}.",
        )
    coder = CODERS[key]
    chosen = float(coder.usual if quality is None else quality)
    if not 0 <= chosen <= coder.worst:
        raise Problem(
            None, f"--quality {chosen:g} is outside the scale of {coder.spoken}", f"Choose 0 (best) to {coder.worst}."
        )
    held = {each.name for each in av.Codec(coder.encoder, "w").video_formats or ()}
    bits = "" if target.depth == 8 else f"{target.depth}le"
    for each in (sampling, "4:2:0"):
        name = f"yuv{each.replace(':', '')}p{bits}"
        if each != "gray" and name in held:
            return coder, chosen, name
    raise Problem(
        None, f"{coder.spoken} is not written at {target.depth} bits here", "Choose another --depth or --codec."
    )


def through(
    frames: Sequence[tuple[Plane, ...]],
    encoding: Encoding,
    coder: Coder,
    quality: float,
    pixel_format: str,
    rate: Fraction,
) -> Passed:
    """Encode and decode; a plane that the frames have not, or not in that sampling, is neutral.

    Raises: Problem where the encoder refuses.
    """
    context: Any = av.CodecContext.create(coder.encoder, "w")
    rows, columns = frames[0][0].shape
    context.width, context.height, context.pix_fmt = columns, rows, pixel_format
    context.framerate, context.time_base = rate, 1 / rate
    context.thread_count = 1  # the same bits every time
    context.color_range = 2 if encoding.range is Range.FULL else 1
    number = f"{quality:.0f}" if coder.whole else f"{quality:.3f}"
    context.options = {**dict(coder.options), "crf": number}
    decoder: Any = av.CodecContext.create(coder.codec, "r")
    tones: list[Plane] = []
    size = 0
    try:
        for packet in _packets(context, frames, encoding, pixel_format):
            size += packet.size
            tones += [plane_views(native)[0].copy() for native in decoder.decode(packet)]
        tones += [plane_views(native)[0].copy() for native in decoder.decode(None)]
    except (av.error.FFmpegError, ValueError) as error:
        raise Problem(
            None, f"{coder.spoken} refused the pictures ({error})", "Choose another --codec or --depth."
        ) from None
    if len(tones) != len(frames):
        raise Problem(None, f"{coder.spoken} gave back {len(tones)} of {len(frames)} frames", "Choose another --codec.")
    return Passed(tuple(tones), float(number), size * 8 * float(rate) / len(frames))


def _packets(context: Any, frames: Sequence[tuple[Plane, ...]], encoding: Encoding, pixel_format: str) -> Any:
    for number, planes in enumerate(frames):
        frame = VideoFrame(context.width, context.height, pixel_format)
        for at, view in enumerate(plane_views(frame, writable=True)):
            same = at < len(planes) and planes[at].shape == view.shape
            view[...] = planes[at] if same else np.asarray(encoding.neutral, view.dtype)
        frame.pts, frame.time_base = number, context.time_base
        frame.color_range = context.color_range
        yield from context.encode(frame)
    yield from context.encode(None)


def at_rate(
    frames: Sequence[tuple[Plane, ...]], encoding: Encoding, coder: Coder, first: Passed, bits: float, pixel_format: str,
    rate: Fraction,
) -> Passed:  # fmt: skip
    """The same frames at the quality that comes nearest to a bit rate, beginning from what `first` took.

    The bits fall by half in about `coder.halving` steps of quality; once two tries lie on either side of the rate, the next lies between.
    """
    tries = {first.quality: first}

    def off(passed: Passed) -> float:
        return math.log2(max(passed.bits, 1) / max(bits, 1))

    for _ in range(MOST_TRIES):
        best = min(tries.values(), key=lambda each: abs(off(each)))
        if abs(best.bits / bits - 1) <= CLOSE:
            break
        over = max((each for each in tries.values() if off(each) > 0), key=lambda each: each.quality, default=None)
        under = min((each for each in tries.values() if off(each) < 0), key=lambda each: each.quality, default=None)
        if over is not None and under is not None and over.quality < under.quality:
            part = off(over) / (off(over) - off(under))
            quality = over.quality + min(max(part, 0.2), 0.8) * (under.quality - over.quality)
        else:
            quality = best.quality + coder.halving * off(best)
        quality = min(max(quality, 0.0), float(coder.worst))
        quality = float(round(quality)) if coder.whole else round(quality, 3)
        if quality in tries:
            break
        tries[quality] = through(frames, encoding, coder, quality, pixel_format, rate)
    return min(tries.values(), key=lambda each: abs(off(each)))
