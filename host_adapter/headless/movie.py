"""Movies read through PyAV: facts, every frame once, or a few spread over the length. Planes are never converted."""

from __future__ import annotations

import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import av.logging
from av.container import InputContainer
from av.video.stream import VideoStream

from ...kernels.encoding import Range
from .errors import Problem
from .ffv1_check import SliceWatch
from .flags import expressible
from .flags.siting import SITINGS, chroma_location
from .h273 import MATRICES, PRIMARIES, TRANSFERS
from .media import Frame, Info, Tag
from .pixel_formats import UnreadableFormatError, layout, plane_views
from .sampling import sampled_frames
from .sidefacts import picture_facts, turn

DECODER_THREADS = max(2, min(4, os.cpu_count() or 2))
"""Frame-threaded decoders hold a picture or two a thread, so their number bounds the memory."""

_CONTAINERS = {
    "mov,mp4,m4a,3gp,3g2,mj2": "mp4",
    "matroska,webm": "mkv",
    "mxf": "mxf",
    "avi": "avi",
    "mpegts": "ts",
    "mpeg": "mpg",
    "ogg": "ogg",
    "asf": "asf",
    "flv": "flv",
    "y4m": "y4m",
    "yuv4mpegpipe": "y4m",
    "ivf": "ivf",
    "h264": "h264",
    "hevc": "hevc",
    "nut": "nut",
    "dv": "dv",
    "gxf": "gxf",
    "m4v": "m4v",
    "mpegvideo": "mpg",
    "apv": "apv",
    "obu": "obu",
    "lxf": "lxf",
}
"""FFmpeg's demuxers that hold recordings; text, playlists, network and single pictures are left out on purpose."""

_STREAM_SAYS = {"h264", "hevc", "vvc", "av1", "vp9", "mjpeg"}
"""Codecs whose coded stream itself has the range flag. Other decoders only echo the container or invent a value."""

_CONTAINER_SAYS = {"mp4", "mkv", "webm", "mxf", "y4m"}
"""Containers with a field for the range; QuickTime has one for DNxHD and DNxHR alone."""

_RANGES = {1: Range.NARROW, 2: Range.FULL}
_CHECK = "Check that it plays; copy it again if not."
_OPTIONS = {"protocol_whitelist": "file"}

av.logging.set_level(None)


def open_input(path: Path) -> InputContainer:
    """The container, opened for reading from the local disk alone.

    Raises: Problem where the file is absent, unreadable, or no recording.
    """
    if not path.exists():
        raise Problem(path, "there is no such file", "Check the spelling of the path.")
    if path.is_dir():
        raise Problem(path, "this is a folder, not a movie", "Name its recordings, or survey the folder.")
    try:
        if path.stat().st_size == 0:
            raise Problem(path, "the file is empty (0 bytes)", "Copy it again from the card or the archive.")
        container = av.open(
            str(path.resolve()), "r", container_options=dict(_OPTIONS), metadata_errors="surrogateescape"
        )
    except (PermissionError, av.error.PermissionError):
        raise Problem(path, "the file may not be read", "Give yourself permission to read it.") from None
    except (av.error.FFmpegError, ValueError) as error:
        raise Problem(path, *_why_not_opened(path, error)) from None
    if container.format.name not in _CONTAINERS:
        name = container.format.name
        container.close()
        raise Problem(path, f"this is no movie (it reads as '{name}')", "Leave it out, or give its movie instead.")
    return container


def _why_not_opened(path: Path, error: Exception) -> tuple[str, str]:
    """What was found, and what to do, for a file the library will not open."""
    suffix = path.suffix.lower()
    if suffix in {".mov", ".mp4", ".m4v"}:
        with path.open("rb") as file:
            head = file.read(12)
        if head[4:8] in {b"ftyp", b"mdat", b"wide", b"free", b"moov"}:
            return (
                "the file is cut short: its index (moov) is missing or damaged",
                "Copy it again, or repair it with the camera's own recovery.",
            )
    reason = getattr(error, "strerror", None) or str(error)
    return f"this is no movie that can be read ({str(reason).lower()})", _CHECK


def picture_stream(container: InputContainer, path: Path) -> VideoStream:
    """The stream that is the picture: the first that is no cover art and no thumbnail.

    Raises: Problem where there is none, or none that can be decoded.
    """
    candidates = [stream for stream in container.streams.video if not is_attached(stream)]
    if not candidates:
        raise Problem(path, "the file has no picture", "Give a movie that has one.")
    default = av.stream.Disposition.default
    stream = next((each for each in candidates if each.disposition & default), candidates[0])
    if stream.codec_context is None:
        tag = getattr(stream, "codec_tag", "?")
        raise Problem(path, f"no decoder for its codec (tag {tag!r})", "Export it to ProRes, DNxHR or FFV1 first.")
    stream.codec_context.thread_type = "AUTO"
    stream.codec_context.thread_count = DECODER_THREADS
    return stream


def is_attached(stream: Any) -> bool:
    """True for cover art and thumbnails."""
    kinds = av.stream.Disposition
    return bool(stream.disposition & (kinds.attached_pic | kinds.timed_thumbnails | kinds.still_image))


def container_name(container: InputContainer) -> str:
    """'mp4', 'mov', 'mkv', 'webm', …: FFmpeg's demuxer, told apart by the brand where one demuxer reads several."""
    name = _CONTAINERS.get(container.format.name, container.format.name)
    if name == "mp4":
        brand = container.metadata.get("major_brand", "qt  ")
        return "mov" if brand.startswith("qt") else "mp4"
    if name == "mkv" and Path(str(container.name)).suffix.lower() == ".webm":
        return "webm"
    return name


class Movie:
    """A movie open for reading; see media.Recording."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with open_input(path) as container:
            self.info = _read_info(container, path)

    def frames(self) -> Iterator[Frame]:
        """All frames from the first to the last, once each.

        Raises: Problem after the last good frame of a file that is damaged or cut short, saying how many decoded.
        """
        with open_input(self.path) as container:
            stream = picture_stream(container, self.path)
            watch = DecodeWatch(self.path, self.info, stream)
            for packet in container.demux(stream):
                for native in watch.decode(packet):
                    yield Frame(watch.decoded - 1, self.views(native), native)
            watch.finish()

    def sample(self, count: int) -> Iterator[Frame]:
        """At most `count` frames, spread evenly across the whole length, in order, the first and the last included.

        Frames that are damaged are passed over; frames() is the judge of those.
        """
        for index, native in sampled_frames(self.open, count, self.info.frames):
            yield Frame(index, self.views(native), native)

    def open(self) -> tuple[InputContainer, VideoStream]:
        """The file opened anew, and its picture; whoever calls closes the container."""
        container = open_input(self.path)
        return container, picture_stream(container, self.path)

    def views(self, native: Any) -> tuple[Any, ...]:
        """Planes of a decoded frame.

        Raises: Problem where size or format changed in the middle of the file.
        """
        info = self.info
        if (native.width, native.height, native.format.name) != (info.width, info.height, info.pixel_format):
            raise Problem(
                self.path,
                f"the picture changes from {info.width}x{info.height} {info.pixel_format} to "
                f"{native.width}x{native.height} {native.format.name} on the way",
                "Cut the file where it changes and give the parts one by one.",
            )
        return plane_views(native)

    def close(self) -> None:
        """Nothing stays open between calls."""

    def __enter__(self) -> Movie:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class DecodeWatch:
    """Decodes a picture stream packet by packet and counts, so that no damage passes in silence."""

    def __init__(self, path: Path, info: Info, stream: VideoStream) -> None:
        self.path = path
        self.decoded = 0
        self.packets = 0
        self._stream = stream
        self._promised = stream.frames
        self._info = info
        self._end: Fraction | None = None
        self._corrupt_packets = 0
        self._slices = SliceWatch() if info.codec == "ffv1" else None

    def decode(self, packet: Any) -> Iterator[Any]:
        """The frames that a packet gives; the empty packet at the end gives the rest.

        Raises: Problem saying how many frames had decoded.
        """
        if packet.size:
            self.packets += 1
            self._corrupt_packets += bool(packet.is_corrupt)
            if self._slices is not None and not self._slices.whole(bytes(packet)):
                raise self._damaged("its checksum does not hold", self.packets - 1)
        try:
            natives = packet.decode()
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            raise self._damaged(str(error.strerror or error).lower()) from None
        for native in natives:
            if native.is_corrupt:
                raise self._damaged("damaged picture data")
            self.decoded += 1
            if native.pts is not None and native.time_base:
                self._end = (native.pts + (native.duration or 0)) * native.time_base
            yield native

    def finish(self) -> None:
        """Compare what came with what the header promised.

        Raises: Problem for a file that is cut short or has no frame.
        """
        if not self.decoded:
            raise Problem(self.path, "no frame of the picture could be decoded", _CHECK)
        if self.packets < self._promised or self._corrupt_packets or self._ends_early():
            of = f" of {self._promised}" if self._promised else ""
            raise Problem(
                self.path,
                f"the file is cut short: {self.decoded}{of} frames decoded",
                "Copy it again from the card or the archive.",
            )

    def _ends_early(self) -> bool:
        """True where Matroska's own statement of the stream's length lies well past the last frame."""
        text = self._stream.metadata.get("DURATION")
        rate = self._info.rate
        if self._end is None or not text or not rate:
            return False
        try:
            hours, minutes, seconds = text.rstrip("\0").split(":")
            stated = 3600 * int(hours) + 60 * int(minutes) + Fraction(seconds[:12])
        except ValueError:
            return False
        return self._end + 2 / rate < stated

    def _damaged(self, what: str, frame: int | None = None) -> Problem:
        return Problem(
            self.path,
            f"frame {self.decoded if frame is None else frame} does not decode ({what}); {self.decoded} decoded well",
            "Copy it again from the card or the archive.",
        )


def open_movie(path: Path | str) -> Movie:
    """A movie's facts and frames.

    Raises: Problem for what is no movie, is cut short, or has no codes to speak of.
    """
    return Movie(Path(path))


def _read_info(container: InputContainer, path: Path) -> Info:
    stream = picture_stream(container, path)
    context = stream.codec_context
    codec = context.codec.canonical_name
    kind = container_name(container)
    said_before = int(context.color_range)
    first, said_inside = _first_frame(container, stream, path, codec)
    try:
        taken = layout(first.format.name)
    except UnreadableFormatError as error:
        raise Problem(path, str(error), "Export it to a movie of 8- to 16-bit planes first.") from None
    tag = _tag(kind, codec, said_before, said_inside, taken.full_by_name)
    rate = stream.average_rate or stream.guessed_rate or stream.base_rate
    facts = picture_facts(stream, first)
    return Info(
        path=path,
        kind="movie",
        container=kind,
        codec=codec,
        profile=stream.profile,
        width=first.width,
        height=first.height,
        frames=_frame_count(stream, kind, rate),
        rate=None if not rate else Fraction(rate),
        depth=taken.depth,
        model=taken.model,
        sampling=taken.sampling,
        alpha=taken.alpha,
        pixel_format=first.format.name,
        bit_shift=taken.bit_shift,
        tag=tag,
        transfer=TRANSFERS.get(int(first.color_trc)),
        primaries=PRIMARIES.get(int(first.color_primaries)),
        matrix=MATRICES.get(int(first.colorspace)) if taken.model.value != "gray" else None,
        aspect=facts.aspect or Fraction(1),
        turned=turn(facts.matrix),
        interlaced=bool(first.interlaced_frame) or facts.field_order is not None,
        siting=_siting(stream, codec),
    )


def _siting(stream: VideoStream, codec: str) -> str | None:
    """The place of the chroma samples in words, or None where it is unsaid.

    Source: T.871 (JFIF) 6.1 and MPEG-1 (11172-2) centre them and say nothing in the stream (from memory).
    """
    said = chroma_location(codec, stream.codec_context.extradata)
    if said is None:
        return "centre" if codec in {"mjpeg", "mpeg1video"} else None
    return SITINGS[said]


def _first_frame(container: InputContainer, stream: VideoStream, path: Path, codec: str) -> tuple[Any, int]:
    """The first decoded frame, and the range that the coded stream itself states (0 where it is silent).

    The stream is asked through a decoder that knows nothing of the container, so the container cannot speak for it.
    """
    alone = None
    if codec in _STREAM_SAYS:
        alone = av.CodecContext.create(stream.codec_context.codec, "r")
        if stream.codec_context.extradata:
            alone.extradata = stream.codec_context.extradata
    said = 0
    try:
        for packet in container.demux(stream):
            if alone is not None:
                said = _said_by(alone, packet)
                alone = None if said else alone
            for native in packet.decode():
                return native, said
    except av.error.FFmpegError as error:
        reason = str(error.strerror or error).lower()
        raise Problem(path, f"the first frame does not decode ({reason})", _CHECK) from None
    raise Problem(path, "the file holds no frame that decodes", _CHECK)


def _said_by(decoder: Any, packet: Any) -> int:
    """The range after decoding a packet, 0 where nothing is said (yet)."""
    try:
        frames = decoder.decode(packet)
    except av.error.FFmpegError:
        return 0
    return int(frames[0].color_range) if frames else int(decoder.color_range)


def _tag(kind: str, codec: str, before: int, inside: int, full_by_name: bool) -> Tag:
    inside = 2 if full_by_name and codec == "mjpeg" and not inside else inside
    container = _RANGES.get(before) if kind in _CONTAINER_SAYS or (kind == "mov" and codec == "dnxhd") else None
    stream = _RANGES.get(inside) if codec in _STREAM_SAYS else None
    if codec == "png":
        container, stream = None, Range.FULL
    if codec == "mpeg2video":
        container = None
    return Tag(container, stream, expressible(kind, codec))


def _frame_count(stream: VideoStream, kind: str, rate: Fraction | None) -> int | None:
    """Frames as the header counts them, less those that an edit list cuts off; None where the header does not count."""
    if stream.frames:
        if kind in {"mp4", "mov"} and len(stream.index_entries) == stream.frames:
            return sum(not entry.is_discard for entry in stream.index_entries)
        return stream.frames
    if kind == "mxf" and stream.duration and rate and stream.time_base == 1 / rate:
        return stream.duration
    return None
