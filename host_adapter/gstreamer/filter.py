"""What all elements do: properties, caps, and the effect over frame after frame.

Python holds a reference to every buffer that it is shown, which makes it read-only; so only GstVideo.VideoFilter's own virtual methods,
which are handed mapped frames, touch pictures here.
"""

from __future__ import annotations

import threading
from contextlib import suppress
from fractions import Fraction
from itertools import product
from typing import Any, ClassVar

from gi.repository import Gst, GstVideo

from ..effect import Effect, Time
from .caps import SMALL, Change, Signal, first_of, likely, signal_of
from .floating import let_float
from .formats import DEPTHS, FORMATS, with_depth
from .frames import FrameWork, Planes, image_of
from .guard import guarded, post_error, post_warning
from .leaving import started, stopped
from .numbering import SECOND, frame_number
from .properties import ERRORS, ON_ERROR, defaults_of, property_name, word_of
from .video_frame import mapped, plane_views

_DROPPED = Gst.FlowReturn.CUSTOM_SUCCESS
"""GST_BASE_TRANSFORM_FLOW_DROPPED: no frame goes on, and that is no error."""


class Filter(GstVideo.VideoFilter):
    """What the generated classes derive from; they set EFFECT. PyGObject finds virtual methods only in a class of its own."""

    __gtype_name__ = "FootroomFilter"

    EFFECT: ClassVar[Effect]

    def __init__(self) -> None:
        super().__init__()
        self._lock = threading.Lock()
        self._given: dict[str, Any] = defaults_of(self.EFFECT)
        self._names = {property_name(param): param.name for param in self.EFFECT.params}
        self._steady = {param.name for param in self.EFFECT.params if not param.animates}
        self._on_error = "stop"
        self._errors = 0
        self._changed = False
        self._asked: dict[str, Any] | None = None
        self._values: dict[str, Any] = {}
        self._work: FrameWork | None = None
        self._frame = 0
        self._seconds = Fraction(0)
        self._trouble: Exception | None = None
        self._counted, self._streaming = 0, 0
        self._said: tuple[str, int] | None = None
        self._ready: set[tuple[Signal, Signal]] = set()
        self._ready_for: dict[str, Any] = {}
        self._animated = any(param.animates for param in self.EFFECT.params)
        let_float(self)

    # Properties

    def do_get_property(self, spec: Any) -> Any:
        if spec.name == ON_ERROR:
            return self._on_error
        if spec.name == ERRORS:
            return self._errors
        return self._given[self._names[spec.name]]

    def do_set_property(self, spec: Any, value: Any) -> None:
        value = "" if value is None else word_of(value)
        if spec.name == ON_ERROR:
            self._on_error = value
            return
        name = self._names[spec.name]
        with self._lock:
            if self._given[name] == value:
                return
            given = self._given | {name: value}
        work = self._work
        if work is not None and threading.get_ident() != self._streaming:
            work.warm_apart(given)  # here, where nobody waits for a frame
        with self._lock:
            self._given[name] = value
            self._changed = True
        if work is not None and name in self._steady:  # caps may become others; what is keyframed changes none
            self.reconfigure_src()

    def _checked(self) -> dict[str, Any]:
        """All parameters' values now.

        Raises: ValueError naming the property whose value is wrong.
        """
        with self._lock:
            given = dict(self._given)
        values = self.EFFECT.values(given)
        depth = self._change(values).depth
        if depth not in (None, *DEPTHS):
            known = ", ".join(map(str, DEPTHS))
            raise ValueError(f"depth must be one of {known}, which GStreamer has formats for, got {depth}")
        return values

    # Caps

    def _change(self, values: dict[str, Any]) -> Change:
        """What the effect does to caps: depth and range that come out whatever comes in."""
        from ...kernels.encoding import Encoding, Range

        made = [
            self.EFFECT.output_encoding(values, Encoding(depth, range_)) for depth, range_ in product((8, 16), Range)
        ]
        depths = {encoding.depth for encoding in made if encoding}
        ranges = {encoding.range for encoding in made if encoding}
        return Change(depths.pop() if len(depths) == 1 else None, ranges.pop() if len(ranges) == 1 else None)

    @guarded(Gst.Caps.new_empty)
    def do_transform_caps(self, direction: Any, caps: Any, filter_: Any) -> Any:
        try:
            values = self._checked()
        except ValueError:
            values = self.EFFECT.values()  # said when the element starts; here it would only be a link that fails
        change = self._change(values)
        if direction == Gst.PadDirection.SINK:
            self._asked = values
            made = change.forward(caps)
            if made.is_empty() and caps.is_fixed() and change.depth is not None:
                self._no_such_depth(caps, change.depth)
        else:
            made = change.backward(caps)
        return made if filter_ is None else filter_.intersect_full(made, Gst.CapsIntersectMode.FIRST)

    def _no_such_depth(self, caps: Any, depth: int) -> None:
        """Say once what the negotiation that fails now will not."""
        form = FORMATS.get(caps.get_structure(0).get_string("format"))
        if form is None or self._said == (form.name, depth):
            return
        self._said = form.name, depth
        there = sorted({other for other in DEPTHS if with_depth(form, other)})
        words = (
            f"{form.name} frames have no form of {depth} bits in GStreamer; they can be of {', '.join(map(str, there))}"
        )
        post_warning(self, ValueError(f"{words}. Convert them before to a format that has, or choose another depth"))

    @guarded(False)
    def do_set_info(self, in_caps: Any, _in_info: Any, out_caps: Any, _out_info: Any) -> bool:
        source, target = signal_of(in_caps), signal_of(out_caps)
        self._values, self._work = self._agreed(source, target)
        idle = self._idle(self._values)
        if not idle and ((source, target) not in self._ready or self._values != self._ready_for):
            try:
                self._work.warm(self._values)
            except Exception:
                if self._on_error != "pass":
                    raise  # else frame after frame says so
        self.set_passthrough(idle)
        self.set_in_place(self._work.in_place)
        return True

    def _agreed(self, source: Signal, target: Signal) -> tuple[dict[str, Any], FrameWork]:
        """Values whose result is what the caps say. A property that changes amid a negotiation brings about another one.

        Raises: ValueError where there are none.
        """
        self._changed = False
        encoding = source.form.encoding(source.range)
        for values in (self._checked(), self._asked, self._values):
            if not values:
                continue
            made = self.EFFECT.output_encoding(values, encoding)
            if made is not None and (made.depth, made.range) == (target.form.depth, target.range):
                return values, self._agreed_with(values, source, target)
        raise ValueError(
            f"{self.EFFECT.label}: the caps after the element ({target.form.name}, {target.range.label}) are not what it makes"
        )

    def _agreed_with(self, values: dict[str, Any], source: Signal, target: Signal) -> FrameWork:
        encodings = source.form.encoding(source.range), target.form.encoding(target.range)
        in_place = self.EFFECT.pointwise and self._change(values) == Change()
        return FrameWork(self.EFFECT, source, target, *encodings, in_place=in_place)

    def _idle(self, values: dict[str, Any]) -> bool:
        """Whether codes stay what they are."""
        work = self._work
        assert work is not None
        if work.source.form.name != work.target.form.name:
            return False
        bare = work.source.form.encoding(work.source.range)
        bare = type(bare)(bare.depth, bare.range, bare.model)
        return self.EFFECT.is_identity(values, image_of(work.source, (), bare))

    # Frames

    @guarded(False)
    def do_start(self) -> bool:
        self._errors, self._counted, self._trouble, self._said = 0, 0, None, None
        self._values = self._checked()
        self._warm_ahead(self._values)
        started(self)
        return True

    def _warm_ahead(self, values: dict[str, Any]) -> None:
        """Kernels and tables before a live source begins: for what the element before may send, and small ones for the rest."""
        change = self._change(values)
        self._ready, self._ready_for = set(), values
        for caps in (*likely(self.sinkpad.peer_query_caps(None)), *SMALL):
            # What does not fit is said when it is known for certain what comes in.
            with suppress(ValueError):
                source, target = signal_of(caps), signal_of(first_of(change.forward(caps)))
                self._agreed_with(values, source, target).warm(values)
                self._ready.add((source, target))

    @guarded(False)
    def do_stop(self) -> bool:
        stopped(self)
        self._work = None
        return True

    def do_before_transform(self, buffer: Any) -> None:
        self._streaming = threading.get_ident()
        try:
            self._prepare(buffer)
            self._trouble = None
        except Exception as reason:
            self._trouble = reason
            self.set_passthrough(False)  # so that the frame comes by, and the error with it

    def _prepare(self, buffer: Any) -> None:
        """Values and number of the frame that comes next."""
        segment, pts = self.segment, buffer.pts
        stream_time = Gst.CLOCK_TIME_NONE
        if segment.format == Gst.Format.TIME and pts != Gst.CLOCK_TIME_NONE:
            stream_time = segment.to_stream_time(Gst.Format.TIME, pts)
        work = self._work
        assert work is not None
        rate = work.source.rate
        if stream_time != Gst.CLOCK_TIME_NONE:
            if self._animated:
                self.sync_values(stream_time)
            self._seconds = Fraction(stream_time, SECOND)
            clipped = pts == segment.start and buffer.duration != Gst.CLOCK_TIME_NONE
            self._frame = frame_number(self._seconds, rate, Fraction(buffer.duration, SECOND) if clipped else None)
        else:
            self._frame = self._counted
            self._seconds = self._counted / rate if rate else Fraction(0)
        self._counted += 1
        if not self._changed:
            return
        values = self._checked()
        encoding = work.source_encoding
        made = self.EFFECT.output_encoding(values, encoding)
        if made is not None and (made.depth, made.range) == (work.target.form.depth, work.target.range):
            self._changed = False
            self._values = values
            self.set_passthrough(self._idle(values))

    def _failed(self, reason: Exception, source: Planes = (), target: Planes = ()) -> Any:
        """What a frame that could not be changed comes to: an error, or the frame as it came where the target can hold it."""
        with self._lock:
            self._errors += 1
        if self._on_error != "pass":
            post_error(self, reason)
            return Gst.FlowReturn.ERROR
        if self._errors == 1:
            post_warning(self, reason)
        work = self._work
        if work is None or work.source.form.name != work.target.form.name:
            return _DROPPED
        for read, written in zip(source, target, strict=True):
            written[...] = read
        return Gst.FlowReturn.OK

    def do_transform_frame_ip(self, frame: Any) -> Any:
        try:
            planes = self._views(frame, "source", writable=True)
            self._render(planes, planes)
        except Exception as reason:
            return self._failed(reason)
        return Gst.FlowReturn.OK

    def do_transform_frame(self, in_frame: Any, out_frame: Any) -> Any:
        source, target = Planes(), Planes()
        try:
            source = self._views(in_frame, "source", writable=False)
            target = self._views(out_frame, "target", writable=True)
            self._render(source, target)
        except Exception as reason:
            return self._failed(reason, source, target)
        return Gst.FlowReturn.OK

    def _views(self, frame: Any, side: str, *, writable: bool) -> Planes:
        assert self._work is not None
        form = self._work.source.form if side == "source" else self._work.target.form
        return plane_views(mapped(frame), form, writable=writable)

    def _render(self, source: Planes, target: Planes) -> None:
        if self._trouble is not None:
            raise self._trouble
        assert self._work is not None
        self._work.run(source, target, self._values, Time(self._frame, self._seconds))
