"""Putting coded pictures into a new file that states another range, for files without room for the flag."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from av.bitstream import BitStreamFilterContext

from ....kernels.encoding import Range
from ..errors import Problem
from .compare import Comparison, compare
from .patch import Change
from .place import Damaged

SILENT = 255
"""Stands for 'said nothing' where a Change asks for a number."""

_CONTAINERS = {
    "mov": ("mov", "mp4"),
    "matroska": ("matroska", "webm"),
}
"""First word of libavformat's demuxer name -> the muxers it may need."""
_FILTERS = {
    "h264": "h264_metadata=video_full_range_flag={number}",
    "hevc": "hevc_metadata=video_full_range_flag={number}",
    "av1": "av1_metadata=color_range={word}",
    "vp9": "vp9_metadata=color_range={word}",
}
_BY_CONTAINER = {"ffv1": ("matroska", "mp4"), "dnxhd": ("mov",)}
"""Codecs whose range the container alone states -> the muxers that write it."""
_LIBRARY_RANGE = {Range.NARROW: 1, Range.FULL: 2}
_REMADE = frozenset({"tmcd", "text"})


@dataclass(frozen=True, slots=True)
class Remuxed:
    """What was done; see Retagged."""

    changed: tuple[Change, ...]
    carried: tuple[str, ...]
    uncarried: tuple[str, ...]


def _muxer(container: Any) -> str | None:
    """The muxer that writes what this was read from."""
    family = container.format.name.split(",")[0]
    if family == "mov":
        brand = container.metadata.get("major_brand", "qt  ")
        return "mov" if brand == "qt  " else "mp4"
    if family == "matroska":
        codec = container.streams.video[0].codec_context.codec.canonical_name
        return "webm" if container.name.endswith(".webm") and codec in ("vp9", "av1") else "matroska"
    return None


def remux_obstacle(path: Path) -> str | None:
    """Why the pictures cannot be put into a new file that states the range, in words; None where they can."""
    try:
        with av.open(str(path)) as container:
            if not container.streams.video:
                return "it has no video stream"
            context: Any = container.streams.video[0].codec_context
            codec = "unknown" if context is None else context.codec.canonical_name
            muxer = _muxer(container)
            if muxer is None:
                return f"new {container.format.long_name} files are not written"
            if codec not in _FILTERS and muxer not in _BY_CONTAINER.get(codec, ()):
                return f"the codec {codec} has no flag to set in such a file"
            for stream in container.streams:
                if stream.type in ("audio", "subtitle") and stream.codec_context is None:
                    return f"stream {stream.index} has a codec that is not known"
    except (av.FFmpegError, ValueError, OSError) as error:
        return f"it cannot be opened ({getattr(error, 'strerror', None) or error})"
    return None


def remux(source: Path, target: Path, range_: Range) -> Remuxed:
    """Writes the new file, has it on disc, and compares it with the old one.

    Raises: Problem; the target is gone then.
    """
    if target.exists():
        raise Problem(target, "there is a file of that name already", "Remove it or choose another name.")
    try:
        before, counts = _write(source, target, range_)
        with target.open("rb") as file:
            os.fsync(file.fileno())
        comparison = compare(source, target, range_, counts)
    except (av.FFmpegError, Damaged, ValueError, OSError) as error:
        target.unlink(missing_ok=True)
        reason = getattr(error, "strerror", None) or str(error)
        raise Problem(
            source, f"its pictures could not be put into a new file ({reason})", "Use --remedy lift."
        ) from error
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    return _report(comparison, before, range_)


def _report(comparison: Comparison, before: int, range_: Range) -> Remuxed:
    change: Change = (-1, before, int(range_), "the stream's range")
    return Remuxed((change,), comparison.carried, comparison.uncarried)


def _write(source: Path, target: Path, range_: Range) -> tuple[int, dict[int, int]]:
    """Copies the packets; returns what the file said before, and the packets of each source stream."""
    with av.open(str(source)) as reader:
        muxer = _muxer(reader)
        options = {"movflags": "use_metadata_tags", "write_tmcd": "on"} if muxer in ("mov", "mp4") else {}
        with av.open(str(target), "w", format=muxer, options=options) as writer:
            writer.metadata.update({key: value for key, value in reader.metadata.items() if key not in _BRANDS})
            writer.set_chapters(reader.chapters())
            streams = _add_streams(reader, writer)
            video = reader.streams.video[0]
            before = {1: 0, 2: 1}.get(int(video.codec_context.color_range), SILENT)
            picture = streams[video.index]
            filter_ = _filter(video, picture, range_)
            picture.codec_context.color_range = _LIBRARY_RANGE[range_]
            rate = video.average_rate or video.base_rate
            if rate:
                picture.codec_context.framerate = Fraction(rate)
            counts = dict.fromkeys(streams, 0)
            for packet, index in _packets(reader, streams, video.index, filter_):
                packet.stream = streams[index]
                writer.mux(packet)
                counts[index] += 1
    return before, counts


_BRANDS = frozenset({"major_brand", "minor_version", "compatible_brands"})
"""What libavformat reads from an ftyp box and would write as tags."""


def _add_streams(reader: Any, writer: Any) -> dict[int, Any]:
    streams = {}
    for stream in reader.streams:
        if stream.type == "attachment":
            data = stream.data
            if data is not None:
                writer.add_attachment(stream.metadata.get("filename", "attachment"), stream.mimetype or "", data)
            continue
        if stream.type not in ("video", "audio", "subtitle"):
            continue
        copy = writer.add_stream_from_template(stream, opaque=True)
        copy.metadata.update(stream.metadata)
        copy.disposition = stream.disposition
        if stream.type == "video" and stream.sample_aspect_ratio:
            copy.sample_aspect_ratio = stream.sample_aspect_ratio
        streams[stream.index] = copy
    return streams


def _filter(video: Any, picture: Any, range_: Range) -> BitStreamFilterContext:
    """The filter that rewrites the parameter sets; it also carries the codec's tag and side data over."""
    recipe = _FILTERS.get(video.codec_context.codec.canonical_name, "null")
    word = "pc" if range_ is Range.FULL else "tv"
    return BitStreamFilterContext(recipe.format(number=int(range_), word=word), video, picture)


def _packets(reader: Any, streams: dict[int, Any], video: int, filter_: Any) -> Iterator[tuple[Any, int]]:
    """All packets with the source stream they belong to.

    Every packet of the picture passes the filter: it hands on start codes where lengths were, so none may go round it.
    """
    bases = {index: reader.streams[index].time_base for index in streams}
    for packet in reader.demux(*[reader.streams[index] for index in streams]):
        index = packet.stream.index
        ended = packet.dts is None and packet.size == 0  # the mark at the end of a stream
        if index != video:
            if not ended:
                yield packet, index
            continue
        for filtered in filter_.filter(None if ended else packet):
            filtered.time_base = bases[index]
            yield filtered, index
