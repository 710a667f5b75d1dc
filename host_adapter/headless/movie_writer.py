"""One movie into another: the picture through an encoder, everything else carried beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
from av.container import InputContainer, OutputContainer
from av.filter import Graph
from av.video.format import VideoFormat
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from ...kernels.encoding import Encoding, Model, Range
from .carry import MUXERS, Carrier, SharedPacket, covers, muxer_options
from .codecs import CodecChoice
from .errors import Problem
from .flags.siting import SITINGS, chroma_location
from .matroska_extras import Extras, add_to_header
from .media import Info, Plane, Written
from .movie import container_name, open_input, picture_stream
from .pixel_formats import plane_views
from .sidefacts import FileFacts, Mastering, PictureFacts, compare, file_facts, picture_facts
from .unfinished import let_go, library_words, system_error

ENCODER_THREADS = 4
"""Encoders hold pictures for every thread; more than this buys little and costs memory."""

_RATE_BOUND = {"avi", "mxf"}
"""File types without times of their own: frames lie one frame period apart."""

_UNCOPIED_TAGS = frozenset({"encoder", "duration", "rotate"})
_INTERLACED_DCT, _INTERLACED_ME = 1 << 18, 1 << 29
_HDR_OPTIONS = {"libx265": "x265-params", "libx264": "x264-params", "libsvtav1": "svtav1-params"}
"""Encoders that write mastering display and light levels into the stream, and the option that tells them."""
_INTERLACED_CODERS = {"libx264", "prores_ks", "mpeg2video"}


@dataclass(slots=True)
class Made:
    """A target picture on its way to the encoder."""

    frame: VideoFrame
    planes: tuple[Plane, ...]


def fresh_frame(choice: CodecChoice, info: Info, source: Any) -> Made:
    """An empty target picture of info's size with the source's time; its planes are views to be filled."""
    frame = VideoFrame(info.width, info.height, choice.pixel_format)
    frame.pts, frame.time_base, frame.duration = source.pts, source.time_base, source.duration
    return Made(frame, plane_views(frame, writable=True))


class MovieWriter:
    """Writes the target file. Made when the first frame is there, because that tells what goes with the picture.

    info : the source's, with the result's size and pixel aspect
    container, stream, first : the source's; what goes with its picture goes with the result's

    Raises: Problem where the encoder or the file type refuses.
    """

    def __init__(
        self, info: Info, container: InputContainer, stream: VideoStream, first: Any, target: Path,
        *, encoding: Encoding, choice: CodecChoice,
    ) -> None:  # fmt: skip
        self.info, self.target, self.choice, self.encoding = info, target, choice, encoding
        self.facts: tuple[FileFacts, PictureFacts] = file_facts(container, stream), _wanted(info, stream, first)
        self._source_stream = stream
        self._siting = chroma_location(info.codec, stream.codec_context.extradata)
        self._first = first
        self._interlacer: _Interlacer | None = None
        self._steps: set[int] = set()
        self._last: int | None = None
        self.frames = self.packets = 0
        try:
            self.carrier = Carrier(container, stream, choice.container, self._add_picture)
            self.output: OutputContainer = av.open(
                str(target.resolve()), "w", format=MUXERS[choice.container], options=muxer_options(choice.container),
                metadata_errors="surrogateescape",
            )  # fmt: skip
            self._stream = self._add_picture(self.output)
            self.carrier.attach(self.output)
            if choice.container == "mkv":
                with open_input(info.path) as again:
                    for name, kind, data in covers(again):
                        self.output.add_attachment(name, kind, data)
            self.output.start_encoding()
        except (av.error.FFmpegError, ValueError) as error:
            raise self._refused(error) from None

    def _add_picture(self, output: OutputContainer) -> Any:
        info, choice, facts = self.info, self.choice, self.facts[1]
        rate = info.rate or Fraction(25)
        stream: Any = output.add_stream(
            choice.encoder, rate, options=_with_siting(_with_hdr(choice, facts), choice, self._siting)
        )
        context = stream.codec_context
        context.width, context.height, context.pix_fmt = info.width, info.height, choice.pixel_format
        context.time_base = self._time_base()
        stream.time_base = context.time_base
        context.thread_count = ENCODER_THREADS
        context.color_range = 2 if self.encoding.range is Range.FULL else 1
        first = self._first
        context.color_primaries, context.color_trc = first.color_primaries, first.color_trc
        context.colorspace = 0 if info.model is Model.RGB else first.colorspace
        if facts.aspect:
            context.sample_aspect_ratio = facts.aspect
        if facts.matrix:
            stream.set_display_matrix(list(facts.matrix))
        if facts.field_order_code:
            context.field_order = facts.field_order_code
        if facts.field_order and choice.encoder in _INTERLACED_CODERS:
            context.flags |= _INTERLACED_DCT | (0 if choice.encoder == "prores_ks" else _INTERLACED_ME)
        for key, value in self._source_stream.metadata.items():
            if key.casefold() not in _UNCOPIED_TAGS and not key.startswith(("_STATISTICS", "BPS", "NUMBER_OF")):
                stream.metadata[key] = value
        timecode = self.facts[0].timecode
        if timecode:
            stream.metadata["timecode"] = timecode
        stream.disposition = int(self._source_stream.disposition)
        return stream

    def _time_base(self) -> Fraction:
        """The source's own ticks, so that uneven times stay; frame periods where the file type counts frames."""
        rate = self.info.rate or Fraction(25)
        if self.choice.container in _RATE_BOUND or self.choice.codec == "mpeg2video":
            return 1 / rate
        return self._source_stream.time_base or 1 / rate

    def carry(self, packets: list[SharedPacket]) -> None:
        """Packets of the other streams, in the order of the source."""
        try:
            for packet in packets:
                self.carrier.carry(packet, self.output)
        except av.error.FFmpegError as error:
            raise self._refused(error) from None

    def write(self, made: Made, interlaced: bool) -> None:
        """One picture.

        Raises: Problem where the encoder refuses, or would convert in silence.
        """
        frame = made.frame
        context = self._stream.codec_context
        if (frame.format.name, frame.width, frame.height) != (context.pix_fmt, context.width, context.height):
            raise Problem(self.info.path, f"frame {self.frames} is no {context.pix_fmt}", "Please report this.")
        if frame.pts is None:
            frame.time_base = 1 / (self.info.rate or Fraction(25))
            frame.pts = self.frames
        if interlaced and self.facts[1].field_order:
            if self._interlacer is None:
                self._interlacer = _Interlacer(frame, self.facts[1].field_order)
            frame = self._interlacer.mark(frame)
        now = int(frame.pts or 0)
        if self._last is not None and len(self._steps) < 16:
            self._steps.add(now - self._last)
        self._last = now
        frame.color_range = context.color_range
        frame.colorspace = context.colorspace
        frame.color_trc, frame.color_primaries = context.color_trc, context.color_primaries
        self.frames += 1
        try:
            self._mux(self._stream.encode(frame))
        except av.error.FFmpegError as error:
            raise self._refused(error) from None

    def _mux(self, packets: list[Any]) -> None:
        for packet in packets:
            self.packets += 1
            self.output.mux(packet)

    def finish(self) -> None:
        """The encoder's last pictures and the file's end.

        Raises: Problem where a frame was lost or doubled on the way.
        """
        try:
            self._mux(self._stream.encode(None))
            self.output.close()
        except av.error.FFmpegError as error:
            raise self._refused(error) from None
        self._add_to_header()
        if self.packets != self.frames:
            raise Problem(
                self.info.path,
                f"{self.frames} frames went into the {self.choice.encoder} encoder and {self.packets} came out",
                "Choose another codec: --codec ffv1.",
            )

    def _add_to_header(self) -> None:
        """What the encoder has no place for in its stream, and the muxer no way to be told."""
        facts, encoder = self.facts[1], self.choice.encoder
        if self.choice.container not in {"mkv", "webm"} or encoder in {"libx264", "libx265"}:
            return
        aspect = None if facts.aspect == 1 else facts.aspect
        told = encoder in _HDR_OPTIONS
        extras = Extras(aspect, None if told else facts.mastering, None if told else facts.light)
        size = self.info.width, self.info.height
        if extras != Extras() and not add_to_header(self.target, size, extras) and aspect:
            add_to_header(self.target, size, Extras(aspect))

    def abandon(self) -> None:
        """Let go of the file; what is in it does not count."""
        let_go(getattr(self, "output", None))

    def written(self) -> Written:
        """What was written and carried, judged from the file as it reads."""
        carried, lost = list(self.carrier.carried), list(self.carrier.uncarried)
        with open_input(self.target) as container:
            stream = picture_stream(container, self.target)
            first = next(iter(container.decode(stream)))
            after = file_facts(container, stream), picture_facts(stream, first)
            if container_name(container) != self.choice.container and self.choice.container in {"mov", "mp4"}:
                raise Problem(self.target, "the file reads back as another type", "Please report this.")
            siting = chroma_location(self.choice.codec, stream.codec_context.extradata)
        more, missing = compare(self.facts, after)
        if self._siting is not None and self.info.sampling == "4:2:0" and (siting or 0) != self._siting:
            missing.append(f"place of the chroma samples ({SITINGS[self._siting]})")
        if self._uneven_times_rounded():
            missing.append("uneven frame times, rounded to the file type's milliseconds")
        choice = self.choice
        return Written(
            self.frames, choice.codec, choice.pixel_format, choice.lossless, (*carried, *more), (*lost, *missing)
        )

    def _uneven_times_rounded(self) -> bool:
        base = self._source_stream.time_base
        uneven = bool(self._steps) and max(self._steps) - min(self._steps) > 1
        return bool(self.choice.container in {"mkv", "webm"} and uneven and base and (base * 1000).denominator != 1)

    def _refused(self, error: Exception) -> Exception:
        reason = library_words(error)
        return system_error(error, self.target) or Problem(
            self.info.path,
            f"{self.choice.encoder} in {self.choice.container} refused {self.info.width}x{self.info.height} ({reason})",
            "Choose another codec: --codec ffv1.",
        )


def _wanted(info: Info, stream: VideoStream, first: Any) -> PictureFacts:
    """The source's facts with the result's pixel aspect; a source that is silent and stays square is left silent."""
    facts = picture_facts(stream, first)
    return facts if info.aspect == (facts.aspect or 1) else replace(facts, aspect=info.aspect)


def _with_hdr(choice: CodecChoice, facts: PictureFacts) -> dict[str, str]:
    """The encoder's options, with mastering display and light levels where the encoder writes them into the stream."""
    options = dict(choice.options)
    name = _HDR_OPTIONS.get(choice.encoder)
    if name is None:
        return options
    extra = []
    if facts.mastering and facts.mastering.primaries and facts.mastering.white and facts.mastering.luminance:
        words = _display(facts.mastering, as_float=choice.encoder == "libsvtav1")
        extra.append({"libx265": "master-display="}.get(choice.encoder, "mastering-display=") + words)
    if facts.light:
        label = {"libx265": "max-cll", "libx264": "cll", "libsvtav1": "content-light"}[choice.encoder]
        extra.append(f"{label}={facts.light[0]},{facts.light[1]}")
    if choice.encoder == "libx264" and facts.field_order == "tff":
        extra.append("tff=1")
    elif choice.encoder == "libx264" and facts.field_order == "bff":
        extra.append("bff=1")
    if extra:
        options[name] = ":".join(filter(None, [options.get(name, ""), *extra]))
    return options


def _display(mastering: Mastering, *, as_float: bool) -> str:
    """G(x,y)B(x,y)R(x,y)WP(x,y)L(max,min) in the standard's steps of .00002 and .0001 cd/m2, or as plain numbers."""
    assert mastering.primaries and mastering.white and mastering.luminance

    def number(value: Fraction, steps: int) -> str:
        return f"{float(value):.5f}" if as_float else str(round(value * steps))

    red, green, blue = mastering.primaries
    points = [("G", green), ("B", blue), ("R", red), ("WP", mastering.white)]
    low, high = mastering.luminance
    words = "".join(f"{name}({number(x, 50000)},{number(y, 50000)})" for name, (x, y) in points)
    return f"{words}L({number(high, 10000)},{number(low, 10000)})"


class _Interlacer:
    """Marks frames as interlaced; a fresh frame knows nothing of fields, and only a filter can tell it."""

    def __init__(self, frame: VideoFrame, order: str) -> None:
        self._graph = Graph()
        source = self._graph.add_buffer(
            width=frame.width, height=frame.height, format=VideoFormat(frame.format.name, frame.width, frame.height),
            time_base=frame.time_base,
        )  # fmt: skip
        marker, sink = self._graph.add("setfield", order), self._graph.add("buffersink")
        source.link_to(marker)
        marker.link_to(sink)
        self._graph.configure()

    def mark(self, frame: VideoFrame) -> VideoFrame:
        self._graph.push(frame)
        marked: Any = self._graph.pull()
        marked.duration = frame.duration
        return marked  # type: ignore[no-any-return]


def _with_siting(options: dict[str, str], choice: CodecChoice, siting: int | None) -> dict[str, str]:
    """The encoder's options, with the place of the chroma samples where the source says one and the encoder takes it."""
    name = {"libx264": "x264-params", "libx265": "x265-params"}.get(choice.encoder)
    if siting is None or name is None or "420" not in choice.pixel_format:
        return options
    return options | {name: ":".join(filter(None, [options.get(name, ""), f"chromaloc={siting}"]))}
