"""The demo's recordings: real encoded files with right and wrong flags, sound and timecode on some."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any, cast

import av
import numpy as np

from ....kernels.encoding import Encoding, Range
from ....kernels.scaling import rescale
from ..media import Plane
from .scene import HEIGHT, WIDTH, display_signal, harbour, log_signal, planes

CURVE = "ACEScct"
"""The shoot's log curve: an open standard's, by colour-science's key."""
RATE = Fraction(24)
FRAMES = 24
SAMPLE_RATE = 48000
COLOUR_RANGE = {None: 0, Range.NARROW: 1, Range.FULL: 2}
"""FFmpeg's numbers of the flag: unspecified, narrow ('mpeg'), full ('jpeg')."""


@dataclass(frozen=True, slots=True)
class Clip:
    """One recording of the shoot.

    name : path below the shoot's folder
    codes : the range that the codes really have; flag : what the file says (None: nothing, or it cannot)
    story : what happened to it, in words
    scalings : how often it was scaled from full to narrow after the camera
    letterbox : height of each black bar as a share of the picture's
    """

    name: str
    story: str
    codes: Range
    flag: Range | None
    encoder: str
    pixel_format: str
    sampling: str
    options: dict[str, str] = field(default_factory=dict)
    picture: str = "log"
    scalings: int = 0
    letterbox: float = 0.0
    sound: bool = False
    timecode: str | None = None
    take: int = 1


SHOOT: tuple[Clip, ...] = (
    Clip(
        "log/A001_kestrel_camera.mov",
        "log over the full range, flagged narrow",
        Range.FULL,
        Range.NARROW,
        "libx264",
        "yuv422p10le",
        "4:2:2",
        {"crf": "14", "preset": "veryfast"},
        sound=True,
        timecode="10:21:07:00",
    ),
    Clip(
        "log/B001_kestrel_recorder.mov",
        "the same take, outside recorder: full too, in a file that cannot say so",
        Range.FULL,
        None,
        "prores_ks",
        "yuv422p10le",
        "4:2:2",
        {"profile": "3"},
        sound=True,
        timecode="10:21:07:00",
    ),
    Clip(
        "finished/A002_harbour_camera.mp4",
        "right: finished look, narrow, with super-whites",
        Range.NARROW,
        Range.NARROW,
        "libx265",
        "yuv420p10le",
        "4:2:0",
        {"crf": "16", "preset": "ultrafast", "x265-params": "log-level=error"},
        picture="display",
        sound=True,
        take=2,
    ),
    Clip(
        "log/A003_quay_camera.mkv",
        "right: log over the full range, and flagged so",
        Range.FULL,
        Range.FULL,
        "ffv1",
        "yuv422p10le",
        "4:2:2",
        {"level": "3", "slices": "4", "slicecrc": "1"},
        take=3,
    ),
    Clip(
        "finished/A004_gulls_camera.mp4",
        "narrow codes flagged full: comes out grey; letterboxed",
        Range.NARROW,
        Range.FULL,
        "libx264",
        "yuv420p",
        "4:2:0",
        {"crf": "14", "preset": "veryfast"},
        picture="display",
        letterbox=0.128,
        take=4,
    ),
    Clip(
        "log/C005_ferry_exported.mov",
        "full log scaled to narrow twice by two exports: too grey to be either",
        Range.NARROW,
        Range.NARROW,
        "dnxhd",
        "yuv422p10le",
        "4:2:2",
        {"profile": "dnxhr_hqx"},
        scalings=2,
        timecode="14:02:40:00",
        take=5,
    ),
)


def make_shoot(folder: Path, progress: Callable[[Clip], None] | None = None) -> list[Path]:
    """Write every clip of the shoot into a folder; returns their paths in order."""
    paths = []
    for clip in SHOOT:
        if progress:
            progress(clip)
        path = folder / clip.name
        path.parent.mkdir(parents=True, exist_ok=True)
        write_clip(path, clip)
        paths.append(path)
    return paths


def clip_planes(clip: Clip, frames: int = FRAMES) -> Iterator[tuple[Plane, ...]]:
    """The planes of each frame as the clip's encoder is handed them."""
    depth = 10 if "10" in clip.pixel_format else 8
    full = Encoding(depth, Range.FULL)
    narrow = Encoding(depth, Range.NARROW)
    for frame in range(frames):
        light = harbour(frame, take=clip.take)
        signal = log_signal(light, CURVE) if clip.picture == "log" else display_signal(light)
        bar = round(clip.letterbox * HEIGHT)
        signal[:bar], signal[HEIGHT - bar :] = 0, 0
        first = full if clip.scalings else full if clip.codes is Range.FULL else narrow
        picture = planes(signal, first, clip.sampling)
        for _ in range(clip.scalings):
            picture = tuple(
                rescale(plane, full, narrow, channel=channel)
                for plane, channel in zip(picture, full.channels(), strict=True)
            )
        yield picture


def write_clip(path: Path, clip: Clip, frames: int = FRAMES) -> None:
    """Encode one clip, flag, sound and timecode included."""
    tags = {"timecode": clip.timecode} if clip.timecode else {}
    with av.open(str(path), "w") as container:
        stream = cast(av.VideoStream, container.add_stream(clip.encoder, rate=RATE, options=clip.options))
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, clip.pixel_format
        context = stream.codec_context
        context.color_range = COLOUR_RANGE[clip.flag]
        context.colorspace, context.color_primaries = 1, 1  # BT.709
        context.time_base = 1 / RATE
        stream.metadata.update(tags)
        sound = _sound_stream(container, path) if clip.sound else None
        for number, picture in enumerate(clip_planes(clip, frames)):
            container.mux(stream.encode(_frame(picture, clip, number)))
            if sound is not None:
                container.mux(sound.encode(_tone(number, sound)))
        container.mux(stream.encode(None))
        if sound is not None:
            container.mux(sound.encode(None))


def _frame(picture: tuple[Plane, ...], clip: Clip, number: int) -> av.VideoFrame:
    frame = av.VideoFrame(WIDTH, HEIGHT, clip.pixel_format)
    for target, plane in zip(frame.planes, picture, strict=True):
        view = np.frombuffer(cast(Any, target), plane.dtype).reshape(target.height, -1)
        view[:, : plane.shape[1]] = plane
    frame.pts, frame.time_base = number, 1 / RATE
    frame.color_range = COLOUR_RANGE[clip.flag]
    return frame


def _sound_stream(container: av.container.OutputContainer, path: Path) -> av.AudioStream:
    codec = "aac" if path.suffix == ".mp4" else "pcm_s16le"
    stream = cast(av.AudioStream, container.add_stream(codec, rate=SAMPLE_RATE, layout="stereo"))
    stream.metadata["language"] = "eng"
    return stream


def _tone(number: int, stream: av.AudioStream) -> av.AudioFrame:
    """A frame's worth of a ferry's horn: two low tones, quiet."""
    count = SAMPLE_RATE // int(RATE)
    time = (np.arange(count) + number * count) / SAMPLE_RATE
    horn = 0.1 * (np.sin(2 * np.pi * 147 * time) + np.sin(2 * np.pi * 185 * time))
    left_right = np.repeat((horn * 32767).astype(np.int16)[None], 2, axis=0)
    planar = stream.codec_context.format.is_planar
    if planar:
        samples = (left_right / 32768).astype(np.float32)
        frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout="stereo")
    else:
        frame = av.AudioFrame.from_ndarray(left_right.T.reshape(1, -1).copy(), format="s16", layout="stereo")
    frame.sample_rate, frame.pts, frame.time_base = SAMPLE_RATE, number * count, Fraction(1, SAMPLE_RATE)
    return frame
