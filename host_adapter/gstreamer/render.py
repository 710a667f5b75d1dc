"""A timeline through its own engine into FFV1 in Matroska: lossless, so that the file holds the timeline's very codes."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gi

from . import unwinding  # noqa: F401  (before GStreamer)

gi.require_version("GES", "1.0")
gi.require_version("GstPbutils", "1.0")
gi.require_version("GstVideo", "1.0")

from gi.repository import GES, Gst, GstPbutils, GstVideo  # noqa: E402

from ..headless.errors import Problem  # noqa: E402
from .fades import replace_fades  # noqa: E402
from .timeline import Timeline  # noqa: E402

STALLED_SECONDS = 60
"""A render whose place has not moved for so long will not end."""


def render(timeline: Timeline, target: Path, progress: Callable[[float], None] | None = None) -> list[str]:
    """Render to a file; cross-fades are put as animated opacity, so the timeline is for nothing else after this.

    progress : is told the share that is done, 0..1
    Returns: where the framework itself changed depth or range of codes on the way, in words.
    Raises: Problem where anything on the way fails. KeyboardInterrupt goes through, after the pipeline was stopped.
    """
    replace_fades(timeline.timeline)
    pipeline = GES.Pipeline.new()
    pipeline.set_timeline(timeline.timeline)
    sound = any(
        track.props.track_type == GES.TrackType.AUDIO and track.get_elements()
        for track in timeline.timeline.get_tracks()
    )
    if not pipeline.set_render_settings(target.resolve().as_uri(), _profile(timeline.track(), sound)):
        raise Problem(target, "the framework refuses to render to it", "Run footroom host gstreamer --check.")
    pipeline.set_mode(GES.PipelineFlags.RENDER)
    seen: dict[str, None] = {}
    pipeline.connect("deep-element-added", lambda _p, _bin, element: _watch(element, seen))
    try:
        if pipeline.set_state(Gst.State.PLAYING) == Gst.StateChangeReturn.FAILURE:
            raise _refused(timeline, pipeline.get_bus().pop_filtered(Gst.MessageType.ERROR))
        _wait(timeline, pipeline, progress)
    finally:
        pipeline.set_state(Gst.State.NULL)
    return list(seen)


def _profile(track: Any, sound: bool) -> Any:
    made = GstPbutils.EncodingContainerProfile.new("matroska", None, Gst.Caps.from_string("video/x-matroska"), None)
    caps = track.get_restriction_caps()
    picture = GstPbutils.EncodingVideoProfile.new(Gst.Caps.from_string("video/x-ffv, ffvversion=(int)1"), None, caps, 1)
    # Without this the encoder's bin puts a rate changer of its own behind the timeline's, which was seen to drop a frame and
    # double its neighbour on a busy machine (1.22.0). The timeline gives even frames already.
    picture.set_variableframerate(True)
    made.add_profile(picture)
    if sound:
        made.add_profile(GstPbutils.EncodingAudioProfile.new(Gst.Caps.from_string("audio/x-flac"), None, None, 1))
    return made


def _watch(element: Any, seen: dict[str, None]) -> None:
    """Note what the framework's converters do with codes. They stand everywhere in a timeline and mostly pass frames on."""
    factory = element.get_factory()
    if factory is None or factory.get_name() not in ("videoconvert", "videoconvertscale"):
        return
    sink, source = element.get_static_pad("sink"), element.get_static_pad("src")

    def settled(*_: Any) -> None:
        before, after = _facts(sink.get_current_caps()), _facts(source.get_current_caps())
        if before and after and before != after and (before[0] == after[0] or after[0]):  # R'G'B' to Y'CbCr must be
            seen[f"{before[2]} {before[3]} to {after[2]} {after[3]}"] = None

    # Whichever pad has its caps last: mostly the one before, since a converter tells those after it first.
    source.connect("notify::caps", settled)
    sink.connect("notify::caps", settled)


def _facts(caps: Any) -> tuple[bool, int, str, str] | None:
    """Whether it is R'G'B', its depth, format and colorimetry."""
    structure = caps.get_structure(0) if caps is not None and caps.get_size() else None
    form = structure.get_string("format") if structure is not None else None
    if structure is None or form is None:
        return None
    info = GstVideo.VideoFormat.get_info(GstVideo.VideoFormat.from_string(form))
    rgb = bool(info.flags & GstVideo.VideoFormatFlags.RGB)
    return rgb, info.depth[0], form, structure.get_string("colorimetry") or "no colorimetry"


def _wait(timeline: Timeline, pipeline: Any, progress: Callable[[float], None] | None) -> None:
    bus, whole = pipeline.get_bus(), max(timeline.timeline.get_duration(), 1)
    place, moved = -1, time.monotonic()
    while True:
        message = bus.timed_pop_filtered(200 * Gst.MSECOND, Gst.MessageType.EOS | Gst.MessageType.ERROR)
        if message is not None and message.type == Gst.MessageType.EOS:
            return
        if message is not None:
            raise _refused(timeline, message)
        found, now = pipeline.query_position(Gst.Format.TIME)
        if found and now != place:
            place, moved = now, time.monotonic()
            if progress:
                progress(min(now / whole, 1.0))
        elif time.monotonic() - moved > STALLED_SECONDS:
            raise Problem(timeline.file.path, f"the render stands still at {max(place, 0) / Gst.SECOND:.1f} s")


def _refused(timeline: Timeline, message: Any) -> Problem:
    if message is None:
        return Problem(timeline.file.path, "the render does not start", "Run footroom host gstreamer --check.")
    error, debug = message.parse_error()
    detail = (debug or "").strip().splitlines()[-1:] if "stream error" in error.message else []
    source = message.src.get_name() if message.src is not None else "the pipeline"
    return Problem(timeline.file.path, " ".join([f"the render stopped in {source}: {error.message}", *detail]))
