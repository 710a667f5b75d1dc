"""Small encoded files for the tests of the range flag, and outside readers of it."""

from __future__ import annotations

import json
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.bitstream import BitStreamFilterContext

from footroom.kernels.encoding import Range

LIBRARY = {Range.NARROW: 1, Range.FULL: 2}
"""libavutil's numbers: AVCOL_RANGE_MPEG, AVCOL_RANGE_JPEG."""
BT709 = 1


def encode(
    path: Path,
    codec: str,
    range_: Range | None,
    *,
    pixels: str = "yuv420p",
    described: bool = True,
    options: dict[str, str] | None = None,
    frames: int = 6,
    size: tuple[int, int] = (96, 64),
    format_: str | None = None,
    muxer: dict[str, str] | None = None,
    interlaced: bool = False,
    ratio: Fraction | None = None,
) -> Path:
    """Writes a little moving pattern, seeded, with the flag set (or left alone) and primaries named (or not)."""
    rng = np.random.default_rng(7)
    with av.open(str(path), "w", format=format_, options=muxer or {}) as container:
        stream = container.add_stream(codec, rate=24, options=options or {})
        stream.width, stream.height = size
        stream.pix_fmt = pixels
        if ratio is not None:
            stream.sample_aspect_ratio = ratio
        context = stream.codec_context
        if range_ is not None:
            context.color_range = LIBRARY[range_]
        if described:
            context.color_primaries = context.color_trc = context.colorspace = BT709
        deep = any(depth in pixels for depth in ("10", "12"))
        for index in range(frames):
            frame = av.VideoFrame(*size, pixels)
            for plane in frame.planes:
                dtype = np.uint16 if deep else np.uint8
                view = np.frombuffer(plane, dtype).reshape(plane.height, -1)
                columns = np.arange(view.shape[1])[None] + 3 * index
                rows = np.arange(view.shape[0])[:, None]
                view[:] = 60 + (columns * 2 + rows) % 120 + rng.integers(0, 4, view.shape)
            frame.pts, frame.time_base = index, Fraction(1, 24)
            if range_ is not None:
                frame.color_range = LIBRARY[range_]
            if interlaced:
                frame.interlaced_frame = True
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def read_flags(path: Path) -> tuple[int, int]:
    """The container's flag (read before the first decode) and the stream's (read after it), in libavutil's numbers."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        before = int(stream.codec_context.color_range)
        frame = next(container.decode(stream))
        return before, int(frame.color_range)


def decoded(path: Path) -> list[list[bytes]]:
    """The picture part of every plane of every frame."""
    pictures = []
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            planes = []
            for index, plane in enumerate(frame.planes):
                parts = [each for each in frame.format.components if each.plane == index]
                used = min(plane.line_size, plane.width * len(parts) * ((parts[0].bits + 7) // 8))
                planes.append(np.frombuffer(plane, np.uint8).reshape(plane.height, -1)[:, :used].tobytes())
            pictures.append(planes)
    return pictures


def ffprobe_range(path: Path) -> str:
    """'tv', 'pc' or 'unknown', from the ffprobe program that the system has."""
    command = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_streams", "-of", "json", str(path)]
    answer = json.loads(subprocess.run(command, capture_output=True, check=True, text=True).stdout)
    return str(answer["streams"][0].get("color_range", "unknown"))


def differing(one: Path, two: Path) -> list[int]:
    """The places of the bytes that differ between two files of one length."""
    first, second = (np.frombuffer(path.read_bytes(), np.uint8) for path in (one, two))
    assert first.size == second.size
    return np.flatnonzero(first != second).tolist()


def metadata_filter(codec: str, stream: bytes, range_: Range) -> bytes:
    """Start-code form of a stream's beginning as libavcodec's own metadata filter rewrites it."""
    filter_ = BitStreamFilterContext(f"{codec}_metadata=video_full_range_flag={int(range_)}", codec)
    packet = av.Packet(stream)
    packet.pts = packet.dts = 0
    return bytes(filter_.filter(packet)[0])


def start_coded(*nals: bytes) -> bytes:
    """NAL units one after the other, each behind a start code."""
    return b"".join(b"\0\0\0\1" + nal for nal in nals)
