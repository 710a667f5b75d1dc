"""Everything in a movie that is not the picture: copied where the new file type takes it, named where it does not."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import av
import av.error
from av.container import InputContainer, OutputContainer
from av.video.stream import VideoStream

from .movie import is_attached

MUXERS = {
    "mp4": "mp4", "mov": "mov", "mkv": "matroska", "webm": "webm", "mxf": "mxf", "avi": "avi", "ts": "mpegts",
    "mpg": "vob",
}  # fmt: skip
"""FFmpeg's muxer for each container name."""

_UNCOPIED_TAGS = frozenset({"major_brand", "minor_version", "compatible_brands", "encoder", "duration"})

Builder = Callable[[OutputContainer], Any]
"""Adds the picture's stream to an output container and returns it."""


@dataclass(slots=True)
class Route:
    """Where one source stream goes: a stream to copy its packets to, or an encoder that keeps every sample."""

    target: Any
    transcode: bool = False


def muxer_options(container: str) -> dict[str, str]:
    """Options that make a muxer keep what it would drop."""
    if container in {"mov", "mp4"}:
        return {"movflags": "+use_metadata_tags", "write_tmcd": "on"}
    if container == "mxf":
        return {"store_user_comments": "1"}
    if container == "avi":
        return {"write_channel_mask": "1"}
    return {}


class SharedPacket:
    """A source packet that several outputs take: it comes to each as it came from the source, and decodes once.

    Muxing gives a packet the output's stream and rescales its times in place; the coded bytes stay shared.
    """

    def __init__(self, packet: Any) -> None:
        self._packet = packet
        self._stream = packet.stream
        self._times = packet.time_base, packet.pts, packet.dts, packet.duration
        self._decoded: list[tuple[Any, Any, Any]] | None = None
        self.index: int = packet.stream.index  # the packet's own number is 0 on the empty packet that ends a stream

    def fresh(self) -> Any:
        """The packet with the source's stream and times."""
        packet = self._packet
        packet.stream = self._stream
        packet.time_base, packet.pts, packet.dts, packet.duration = self._times
        return packet

    def decoded(self) -> list[Any]:
        """Its frames, with the source's times, whichever encoder had them before."""
        if self._decoded is None:
            frames = self.fresh().decode()
            self._decoded = [(frame, frame.time_base, frame.pts) for frame in frames]
        for frame, time_base, pts in self._decoded:
            frame.time_base, frame.pts = time_base, pts
        return [frame for frame, _, _ in self._decoded]


class Carrier:
    """Plans and carries the other streams of one movie into another.

    uncarried : what has no place in the new file type, in words
    carried : what is copied, in words
    """

    def __init__(self, source: InputContainer, picture: VideoStream, container: str, build: Builder) -> None:
        self._source = source
        self._picture = picture
        self._container = container
        self._build = build
        self._routes: dict[int, Route] = {}
        self.carried: list[str] = []
        self.uncarried: list[str] = []
        self.packets: dict[int, int] = {}
        self._plans = [(stream, plan) for stream in self.wanted() if (plan := self._plan(stream))]

    def wanted(self) -> list[Any]:
        """The source's streams besides the picture that are to be read."""
        return [
            stream
            for stream in self._source.streams
            if stream.index != self._picture.index and not self._remade(stream)
        ]

    def _remade(self, stream: Any) -> bool:
        """True for timecode and chapter tracks: the muxer makes them anew from tags and chapters."""
        if stream.type != "data":
            return False
        if any(key.casefold() == "timecode" for key in stream.metadata):
            return True
        return (
            stream.name == "bin_data"
            and bool(self._source.chapters())
            and stream.frames == len(self._source.chapters())
        )

    def _plan(self, stream: Any) -> str | None:
        """'copy', or the name of a lossless audio encoder; None (and a word of regret) where nothing fits."""
        words = describe(stream)
        if stream.type == "attachment":
            if self._container == "mkv":
                return "attach"
        elif stream.type == "video" and is_attached(stream):
            if self._container == "mkv":
                return "cover"
            # The muxer writes either cover art or custom tags into MP4 and QuickTime; the tags tell more of a take.
            self.uncarried.append(f"{words} (a {self._container} is written with the custom tags or with it, not both)")
            return None
        elif self._takes(stream, "copy"):
            return "copy"
        if stream.type == "audio":
            for encoder in _fitting_audio(stream):
                if self._takes(stream, encoder):
                    return encoder
        self.uncarried.append(f"{words} ({self._container} has no place for it)")
        return None

    def _takes(self, stream: Any, plan: str) -> bool:
        """Ask the muxer itself, by writing a header with the picture and this one stream into memory."""
        trial: Any = av.open(io.BytesIO(), "w", format=MUXERS[self._container], options=muxer_options(self._container))
        try:
            self._build(trial)
            _add(trial, stream, plan)
            trial.start_encoding()
        except (av.error.FFmpegError, ValueError, RuntimeError):
            return False
        return True

    def attach(self, output: OutputContainer) -> None:
        """Add the streams to the real output, after its picture."""
        for stream, plan in self._plans:
            words = describe(stream)
            if plan == "attach":
                output.add_attachment(
                    stream.name or "attachment", stream.mimetype or "application/octet-stream", stream.data
                )
            elif plan != "cover":  # covers go in as attachments, whole; see covers()
                self._routes[stream.index] = Route(_add(output, stream, plan), transcode=plan != "copy")
            self.carried.append(
                words if plan in {"copy", "attach", "cover"} else f"{words}, as {plan} sample for sample"
            )
        output.metadata.update(
            {key: value for key, value in self._source.metadata.items() if key.casefold() not in _UNCOPIED_TAGS}
        )
        chapters = self._source.chapters()
        if chapters:
            output.set_chapters(chapters)

    def carry(self, shared: SharedPacket, output: OutputContainer) -> None:
        """One source packet into the output."""
        index = shared.index
        route = self._routes.get(index)
        if route is None:
            return
        packet = shared.fresh()
        if route.transcode:
            for frame in shared.decoded():
                output.mux(route.target.encode(frame))
            if not packet.size:
                output.mux(route.target.encode(None))
            return
        if not packet.size and packet.dts is None:
            return
        if packet.dts is None:
            packet.dts = packet.pts
        packet.stream = route.target
        output.mux(packet)
        self.packets[index] = self.packets.get(index, 0) + 1


def covers(source: InputContainer) -> list[tuple[str, str, bytes]]:
    """Cover art as name, MIME type and bytes."""
    found = []
    for stream in source.streams.video:
        if is_attached(stream):
            kind = "png" if stream.codec_context and stream.codec_context.name == "png" else "jpeg"
            packet = next((each for each in source.demux(stream) if each.size), None)
            if packet is not None:
                found.append((f"cover.{'png' if kind == 'png' else 'jpg'}", f"image/{kind}", bytes(packet)))
    return found


def _add(output: OutputContainer, stream: Any, plan: str) -> Any:
    """A stream of the output for a source stream, with its language, name and disposition."""
    if plan == "copy":
        added: Any = output.add_stream_from_template(stream, opaque=True)
        if stream.time_base:
            added.time_base = stream.time_base
    else:
        context = stream.codec_context
        added = output.add_stream(plan, rate=context.sample_rate)
        added.codec_context.layout = context.layout.name
        added.codec_context.time_base = stream.time_base
    for key, value in stream.metadata.items():
        if key.casefold() not in _UNCOPIED_TAGS:
            added.metadata[key] = value
    added.disposition = int(stream.disposition)
    return added


def _fitting_audio(stream: Any) -> tuple[str, ...]:
    """Encoders that keep every sample that the source's decoder gives."""
    context = stream.codec_context
    if context is None or context.format is None:
        return ()
    name = context.format.name.rstrip("p")
    deep = context.name.startswith(("pcm_s24", "pcm_bluray", "pcm_dvd", "flac", "alac"))
    fitting = {
        "u8": "pcm_s16le",
        "s16": "pcm_s16le",
        "s32": "pcm_s24le" if deep else "pcm_s32le",
        "flt": "pcm_f32le",
    }.get(name)
    return () if fitting is None else (fitting,)


def describe(stream: Any) -> str:
    """A stream in words: 'audio stream 1 (aac, fra)'."""
    kind = {"data": "data stream", "attachment": "attachment", "subtitle": "subtitles"}.get(
        stream.type, f"{stream.type} stream"
    )
    if stream.type == "video":
        kind = "cover art" if is_attached(stream) else "second picture stream"
    name = stream.codec_context.name if getattr(stream, "codec_context", None) else None
    handler = stream.metadata.get("handler_name")
    label = name or (stream.name if stream.type == "attachment" else None) or handler or getattr(stream, "name", None)
    parts = [str(part) for part in (label, stream.metadata.get("language")) if part and part != "und"]
    return f"{kind} {stream.index}" + (f" ({', '.join(parts)})" if parts else "")
