"""Real, tiny recordings for tests, made with PyAV and OpenImageIO from codes that the test knows."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio  # noqa: N813

from footroom.host_adapter.headless.pixel_formats import layout, plane_views
from footroom.kernels.encoding import Range

Planes = tuple[npt.NDArray[Any], ...]
Painter = Callable[[int], Planes]
"""Frame number to planes in the project's order, codes unshifted."""

MUXERS = {
    ".mkv": "matroska",
    ".ts": "mpegts",
    ".mp4": "mp4",
    ".mov": "mov",
    ".mxf": "mxf",
    ".avi": "avi",
    ".webm": "webm",
}
ENCODER_OPTIONS = {
    "libx265": {"x265-params": "log-level=none"},
    "dnxhd": {"profile": "dnxhr_hqx"},
    "ffv1": {"level": "3"},
}


def shapes(pixel_format: str, width: int, height: int) -> list[tuple[int, int]]:
    """Rows and columns of every plane in the project's order."""
    taken = layout(pixel_format)
    return [taken.shape(component, width, height) for component in taken.components]


def noise(pixel_format: str, size: tuple[int, int], seed: int = 1) -> Painter:
    """Codes over the whole depth, another picture for every frame: only a lossless way brings them back."""
    depth = layout(pixel_format).depth

    def paint(index: int) -> Planes:
        random = np.random.default_rng([seed, index])
        kind = np.uint8 if depth == 8 else np.uint16
        return tuple(random.integers(0, 1 << depth, shape).astype(kind) for shape in shapes(pixel_format, *size))

    return paint


def ramp(pixel_format: str, size: tuple[int, int], low: int | None = None, high: int | None = None) -> Painter:
    """A slope in luma (or R, G, B) between two codes, moving from frame to frame; neutral chroma, alpha full."""
    taken = layout(pixel_format)
    first, last = low or 0, (1 << taken.depth) - 1 if high is None else high

    def paint(index: int) -> Planes:
        made = []
        for component, shape in zip(taken.components, shapes(pixel_format, *size), strict=True):
            kind = np.uint8 if taken.depth == 8 else np.uint16
            if component.chroma:
                made.append(np.full(shape, 1 << (taken.depth - 1), kind))
                continue
            across = (np.arange(shape[1]) + 2 * index) % shape[1]
            line = np.rint(first + (last - first) * across / max(shape[1] - 1, 1))
            made.append(np.broadcast_to(line, shape).astype(kind))
        if taken.alpha:
            made[-1] = np.full_like(made[-1], (1 << taken.depth) - 1)
        return tuple(made)

    return paint


def make_movie(
    path: Path,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    *,
    size: tuple[int, int] = (64, 48),
    frames: int = 10,
    rate: Fraction | int = 25,
    range: Range | None = None,
    paint: Painter | None = None,
    audio: Sequence[str] = (),
    audio_start: Fraction = Fraction(0),
    timecode: str | None = None,
    chapters: Sequence[tuple[float, float, str]] = (),
    metadata: Mapping[str, str] | None = None,
    language: str = "fra",
    colour: tuple[int, int, int] | None = None,
    aspect: Fraction | None = None,
    matrix: Sequence[int] | None = None,
    field_order: str | None = None,
    times: Sequence[int] | None = None,
    time_base: Fraction | None = None,
    options: Mapping[str, str] | None = None,
    gop: int | None = None,
    subtitles: bool = False,
) -> list[Planes]:
    """Write a movie and return the planes of every frame, codes unshifted.

    range : the flag to write, or None to write none
    paint : what is in the frames; noise over all codes by default
    audio : encoders, one stereo stream each
    colour : (primaries, transfer, matrix) as H.273 numbers
    matrix : display matrix, nine integers
    field_order : 'tff' | 'bff' | None
    times : presentation time of every frame in ticks of time_base; even frames by default
    """
    rate = Fraction(rate)
    base = time_base or 1 / rate
    stamps = list(times) if times is not None else [round(index / rate / base) for index in np.arange(frames).tolist()]
    paint = paint or noise(pixel_format, size)
    container_options = {}
    if path.suffix in {".mov", ".mp4"}:
        container_options = {"movflags": "use_metadata_tags", "write_tmcd": "on"}
    with av.open(str(path), "w", format=MUXERS[path.suffix], options=container_options) as output:
        output.metadata.update(metadata or {})
        picture = _picture_stream(output, codec, pixel_format, size, rate, base, options, gop, range, colour)
        if aspect:
            picture.codec_context.sample_aspect_ratio = aspect
        if matrix:
            picture.set_display_matrix(list(matrix))
        if timecode:
            picture.metadata["timecode"] = timecode
        if field_order:
            picture.codec_context.field_order = {"tff": 2, "bff": 3}[field_order]
            if codec in {"libx264", "mpeg2video", "prores_ks"}:
                picture.codec_context.flags |= (1 << 18) | (0 if codec == "prores_ks" else 1 << 29)
        sounds = [output.add_stream(name, 48000) for name in audio]
        for sound in sounds:
            sound.metadata["language"] = language
        if chapters:
            output.set_chapters(
                [
                    {
                        "id": number,
                        "start": round(start * 1000),
                        "end": round(end * 1000),
                        "time_base": Fraction(1, 1000),
                        "metadata": {"title": title},
                    }
                    for number, (start, end, title) in enumerate(chapters)
                ]
            )
        text = output.add_stream("mov_text" if path.suffix in {".mov", ".mp4"} else "subrip") if subtitles else None
        if text is not None:
            text.codec_context.subtitle_header = b""
        written = []
        marker = _FieldMarker(field_order) if field_order else None
        shift = layout(pixel_format).bit_shift
        samples = round(48000 / rate)
        for index, stamp in enumerate(stamps):
            planes = paint(index)
            written.append(planes)
            frame = av.VideoFrame(*size, pixel_format)
            for target, source in zip(plane_views(frame, writable=True), planes, strict=True):
                target[:] = source << shift if shift else source
            frame.pts, frame.time_base = stamp, base
            for packet in picture.encode(marker.mark(frame) if marker else frame):
                output.mux(packet)
            for sound in sounds:
                tone = np.random.default_rng(index).integers(-9000, 9000, (1, 2 * samples)).astype(np.int16)
                heard = av.AudioFrame.from_ndarray(tone, format="s16", layout="stereo")
                heard.sample_rate = 48000
                heard.pts = index * samples + round(audio_start * 48000)
                heard.time_base = Fraction(1, 48000)
                output.mux(sound.encode(heard))
        for stream in (picture, *sounds):
            output.mux(stream.encode(None))
    return written


def _picture_stream(
    output: Any,
    codec: str,
    pixel_format: str,
    size: tuple[int, int],
    rate: Fraction,
    base: Fraction,
    options: Mapping[str, str] | None,
    gop: int | None,
    flag: Range | None,
    colour: tuple[int, int, int] | None,
) -> Any:
    stream = output.add_stream(codec, rate, options={**ENCODER_OPTIONS.get(codec, {}), **(options or {})})
    context = stream.codec_context
    context.width, context.height = size
    context.pix_fmt = pixel_format
    context.time_base = base
    stream.time_base = base
    context.thread_count = 2
    if gop:
        context.gop_size = gop
    if flag is not None:
        context.color_range = 2 if flag is Range.FULL else 1
    if colour:
        context.color_primaries, context.color_trc, context.colorspace = colour
    return stream


class _FieldMarker:
    """Marks frames as interlaced, which only a filter can."""

    def __init__(self, order: str) -> None:
        self._order = order
        self._graph: Any = None

    def mark(self, frame: Any) -> Any:
        if self._graph is None:
            self._graph = av.filter.Graph()
            source = self._graph.add_buffer(
                width=frame.width, height=frame.height, format=frame.format, time_base=frame.time_base
            )
            marker, sink = self._graph.add("setfield", self._order), self._graph.add("buffersink")
            source.link_to(marker)
            marker.link_to(sink)
            self._graph.configure()
        self._graph.push(frame)
        return self._graph.pull()


def make_stills(
    folder: Path,
    kind: str = "dpx",
    depth: int | str = 10,
    *,
    name: str = "shot.{:04d}",
    size: tuple[int, int] = (32, 24),
    frames: int = 4,
    first: int = 1,
    channels: int = 3,
    attributes: Mapping[str, Any] | None = None,
    codes: Callable[[int], npt.NDArray[Any]] | None = None,
) -> list[npt.NDArray[Any]]:
    """Write numbered stills and return their codes (or levels) [rows, columns, channels].

    kind : 'dpx' | 'tif' | 'png' | 'exr'; depth : bits, or 'half' | 'float'
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for index in np.arange(frames).tolist():
        pixels = codes(index) if codes else _noise_still(index, size, channels, depth)
        made.append(pixels)
        form = depth if isinstance(depth, str) else "uint8" if depth == 8 else "uint16"
        spec = oiio.ImageSpec(pixels.shape[1], pixels.shape[0], pixels.shape[2], form)
        if not isinstance(depth, str):
            spec.attribute("oiio:BitsPerSample", depth)
        spec.attribute("oiio:UnassociatedAlpha", 1)
        for key, value in (attributes or {}).items():
            spec.attribute(key, *value) if isinstance(value, tuple) else spec.attribute(key, value)
        words = pixels
        if not isinstance(depth, str) and 8 < depth < 16:
            # the library's writer takes codes spread over 16 bits
            words = np.rint(pixels.astype(np.float64) * 65535 / ((1 << depth) - 1)).astype(np.uint16)
        path = folder / f"{name.format(first + index)}.{kind}"
        output = oiio.ImageOutput.create(str(path))
        assert output is not None and output.open(str(path), spec), oiio.geterror()
        assert output.write_image(np.ascontiguousarray(words)), output.geterror()
        output.close()
    return made


def _noise_still(index: int, size: tuple[int, int], channels: int, depth: int | str) -> npt.NDArray[Any]:
    random = np.random.default_rng([7, index])
    shape = (size[1], size[0], channels)
    if isinstance(depth, str):
        levels = random.random(shape) * 3 - 0.5
        return levels.astype(np.float16 if depth == "half" else np.float32)
    return random.integers(0, 1 << depth, shape).astype(np.uint8 if depth == 8 else np.uint16)
