"""A live chain: played, watched, ended whole."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any

import gi

from . import unwinding  # noqa: F401  (before GStreamer)

gi.require_version("Gst", "1.0")
gi.require_version("GstVideo", "1.0")

from gi.repository import GLib, Gst, GstVideo  # noqa: E402

Gst.init(None)

from ..headless.errors import Problem  # noqa: E402
from . import register  # noqa: E402
from .caps import signal_of  # noqa: E402
from .chains import PLANAR, REPACKED, Wanted, description, elements, install_words  # noqa: E402
from .clipping import Clipping  # noqa: E402
from .figures import Counting, Figures  # noqa: E402

DEADLINE = 20 * Gst.MSECOND
"""By which sinks of a live chain wait longer than they must; GstBaseSink's own figure."""

DISPLAYS = {"DISPLAY", "WAYLAND_DISPLAY"}
"""Without either, GStreamer's own window on Linux crashes."""

ENDING_SECONDS = 15
OURS = ("footroomrange", "footroomguides")


class Live:
    """One chain. Raises: Problem where an element is missing or the description is refused."""

    def __init__(self, wanted: Wanted, chain: list[str]) -> None:
        register()
        missing = [name for name in dict.fromkeys(elements(chain)) if Gst.ElementFactory.find(name) is None]
        if missing:
            raise Problem(None, f"GStreamer has no {', no '.join(missing)} here", install_words(missing))
        if wanted.sink == "window" and sys.platform.startswith("linux") and not (DISPLAYS & os.environ.keys()):
            raise Problem(
                None, "there is no display here to open a window on", "Choose another --out, such as null or a stream."
            )
        try:
            self.pipeline: Any = Gst.parse_launch(description(chain))
        except GLib.Error as error:
            raise Problem(None, f"the chain is refused: {error.message}") from None
        self.wanted = wanted
        self.counting = Counting()
        self._ours = [each for each in map(self.pipeline.get_by_name, OURS) if each is not None]
        self._began = 0
        self._stopped_by: str | None = None
        self._clipping: Clipping | None = None
        self._looked = 0
        self._rate = Fraction(0)
        self._latency = DEADLINE
        self._watch()

    def _watch(self) -> None:
        first, last = self._ours[0].get_static_pad("sink"), self._ours[-1].get_static_pad("src")
        first.add_probe(Gst.PadProbeType.BUFFER, self._comes_in)
        last.add_probe(Gst.PadProbeType.BUFFER, self._goes_out)
        arriving = self.pipeline.get_by_name("after").get_static_pad("src")
        arriving.add_probe(Gst.PadProbeType.BUFFER, self._arrives)
        arriving.add_probe(Gst.PadProbeType.EVENT_DOWNSTREAM, self._passes)
        arriving.add_probe(Gst.PadProbeType.EVENT_UPSTREAM, self._configured)
        if self._ours[0].get_name() == "footroomrange":
            self._clipping = Clipping(self._ours[0].get_property("assume"), self.counting.sampled)
        for before, pin, formats in (("before", "pin", REPACKED), ("after", "pin-out", PLANAR)):
            filter_ = self.pipeline.get_by_name(pin)
            if filter_ is not None:
                pad = self.pipeline.get_by_name(before).get_static_pad("src")
                pad.add_probe(Gst.PadProbeType.EVENT_DOWNSTREAM, self._pinned, filter_, formats)
        for name in ("unpack", "pack"):
            converter = self.pipeline.get_by_name(name)
            if converter is not None:
                # The pad after it has its caps before the pad before it has them.
                converter.get_static_pad("sink").connect("notify::caps", self._settled, converter)

    # On the streaming threads

    def _comes_in(self, pad: Any, info: Any) -> Any:
        now = time.perf_counter_ns()
        self._looked = self._looked or now  # not at the start, when everything else happens
        if self._clipping is not None and now - self._looked > 10**9:
            self._looked = now
            after = self._ours[0].get_static_pad("src").get_current_caps()
            if after is not None:
                self._clipping.look(info.get_buffer(), pad.get_current_caps(), after)
            now = time.perf_counter_ns()
        self._began = now
        return Gst.PadProbeReturn.OK

    def _goes_out(self, _pad: Any, _info: Any) -> Any:
        self.counting.worked(time.perf_counter_ns() - self._began)
        return Gst.PadProbeReturn.OK

    def _arrives(self, pad: Any, info: Any) -> Any:
        buffer = info.get_buffer()
        pts = None if buffer.pts == Gst.CLOCK_TIME_NONE else buffer.pts
        self.counting.arrived(pts, self._rate, late=pts is not None and self._late(pad, pts))
        return Gst.PadProbeReturn.OK

    def _late(self, pad: Any, pts: int) -> bool:
        """Whether the sink gets a frame after its time: a frame's length more than it waits for anyway."""
        clock, event = self.pipeline.get_clock(), pad.get_sticky_event(Gst.EventType.SEGMENT, 0)
        if clock is None or event is None:
            return False
        due = event.parse_segment().to_running_time(Gst.Format.TIME, pts)
        if due == Gst.CLOCK_TIME_NONE:
            return False
        length = int(Gst.SECOND / self._rate) if self._rate else DEADLINE
        return bool(clock.get_time() - self.pipeline.get_base_time() > due + self._latency + length)

    def _configured(self, _pad: Any, info: Any) -> Any:
        """By how much sinks hold frames back, as the pipeline tells everybody upstream."""
        event = info.get_event()
        if event.type == Gst.EventType.LATENCY:
            self._latency = max(int(event.parse_latency()), DEADLINE)
        return Gst.PadProbeReturn.OK

    def _passes(self, _pad: Any, info: Any) -> Any:
        event = info.get_event()
        if event.type == Gst.EventType.CAPS:
            self._rate = signal_of(event.parse_caps()).rate
        elif event.type in (Gst.EventType.SEGMENT, Gst.EventType.FLUSH_STOP):
            self.counting.begins_anew()
        return Gst.PadProbeReturn.OK

    def _pinned(self, _pad: Any, info: Any, filter_: Any, formats: Mapping[str, str]) -> Any:
        """Hold a converter to what it is there for: the same codes in another order. Left alone it takes other depths and ranges too."""
        event = info.get_event()
        if event.type != Gst.EventType.CAPS:
            return Gst.PadProbeReturn.OK
        structure = event.parse_caps().get_structure(0)
        form, colour = structure.get_string("format"), structure.get_string("colorimetry")
        name = formats.get(form, form)
        encoder = self.pipeline.get_by_name("encode") if filter_.get_name() == "pin-out" else None
        wanted = Gst.Caps.from_string(f"video/x-raw,format={name}")
        if encoder is not None and not encoder.get_static_pad("sink").get_pad_template_caps().can_intersect(wanted):
            self._stopped_by = f"{encoder.get_factory().get_name()} takes no frames of {name}"
        if colour:
            wanted.set_value("colorimetry", colour)
        filter_.set_property("caps", wanted)
        return Gst.PadProbeReturn.OK

    def _settled(self, sink: Any, _spec: Any, converter: Any) -> None:
        before, after = sink.get_current_caps(), converter.get_static_pad("src").get_current_caps()
        if before is not None and after is not None and _facts(before) != _facts(after):
            names = [caps.get_structure(0).get_string("format") for caps in (before, after)]
            change = f"{names[0]} {_colour(before)} to {names[1]} {_colour(after)}"
            self._stopped_by = f"here GStreamer itself would change the codes, inexactly: {change}"

    # In the thread that called

    def play(self, tell: Callable[[Figures], None], stop: threading.Event, seconds: float | None = None) -> Figures:
        """Play to the source's end, for so many seconds from the first frame, or until told to stop; then wait for the sink to be done.

        Returns: the whole run's figures.
        Raises: Problem where anything on the way fails.
        """
        bus = self.pipeline.get_bus()
        wanted = Gst.MessageType.ERROR | Gst.MessageType.EOS | Gst.MessageType.LATENCY
        said = time.monotonic()
        started: float | None = None
        ending: float | None = None
        try:
            if self.pipeline.set_state(Gst.State.PLAYING) == Gst.StateChangeReturn.FAILURE:
                raise self._refused(bus.timed_pop_filtered(Gst.SECOND, Gst.MessageType.ERROR))
            while True:
                message = bus.timed_pop_filtered(50 * Gst.MSECOND, wanted)
                now = time.monotonic()
                if started is None and self.counting.first is not None:
                    started = said = self.counting.first
                if self._stopped_by is not None:
                    raise Problem(None, self._stopped_by, "Choose another --pixels, --depth or --codec.")
                if message is not None and message.type == Gst.MessageType.ERROR:
                    raise self._refused(message)
                if message is not None and message.type == Gst.MessageType.EOS:
                    return self.counting.whole(now - (started or now), *self._sink_figures())
                if message is not None:
                    self.pipeline.recalculate_latency()
                if stop.is_set() and self.counting.first is None:
                    raise Problem(None, "it was stopped before a frame came")
                over = seconds is not None and started is not None and now - started >= seconds
                if ending is None and (stop.is_set() or over):
                    ending = now
                    self._end()
                if ending is not None and now - ending > ENDING_SECONDS:
                    raise Problem(None, f"the chain has not ended {ENDING_SECONDS} seconds after it was told to")
                if now - said >= 1 and ending is None:
                    tell(self.counting.second(now - said, *self._sink_figures()))
                    said = now
        finally:
            self.pipeline.set_state(Gst.State.NULL)
            if self._clipping is not None:
                self._clipping.close()

    def _end(self) -> None:
        """The end of the stream from where all sources have come together; apart, because it waits for a frame on its way."""
        pad = self.pipeline.get_by_name("before").get_static_pad("sink")
        threading.Thread(target=pad.send_event, args=(Gst.Event.new_eos(),), daemon=True).start()

    def _sink_figures(self) -> tuple[int, int]:
        """Frames that the sink itself dropped, and those that our elements could not change."""
        refused = 0
        for sink in self.pipeline.iterate_sinks():
            each = sink
            while isinstance(each, Gst.Bin):
                inner = list(each.iterate_sinks())
                each = inner[0] if inner else None
            if each is not None and each.find_property("stats") is not None and each.find_property("max-lateness"):
                found, dropped = each.get_property("stats").get_uint64("dropped")
                refused += dropped if found else 0
        return refused, sum(each.get_property("errors") for each in self._ours)

    def _refused(self, message: Any) -> Problem:
        if message is None:
            return Problem(None, "the chain does not start", "Run footroom host gstreamer --check.")
        error, debug = message.parse_error()
        words = error.message.rstrip(".")
        last = (debug or "").strip().splitlines()[-1:]
        name = message.src.get_name() if message.src is not None else "the chain"
        if last and "footroom" not in name and not last[0].startswith("../"):
            words = f"{words} ({last[0]})"
        return Problem(None, f"the chain stopped in {name}: {words}")


def _facts(caps: Any) -> tuple[Any, ...]:
    """What no converter may change: model, sampling, depth, range and matrix."""
    info = GstVideo.VideoInfo.new_from_caps(caps)
    if info is None:
        return ()
    form, colour = info.finfo, info.colorimetry
    rgb = bool(form.flags & GstVideo.VideoFormatFlags.RGB)
    sampling = (0, 0) if rgb else (form.w_sub[1], form.h_sub[1])
    return rgb, sampling, form.depth[0], int(colour.range), int(colour.matrix)


def _colour(caps: Any) -> str:
    info = GstVideo.VideoInfo.new_from_caps(caps)
    return "" if info is None else str(info.colorimetry.to_string())
