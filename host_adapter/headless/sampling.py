"""A few frames spread over a movie's whole length, by seeking where that works and by reading through where not."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

import av.error
from av.container import InputContainer
from av.video.stream import VideoStream

FORWARD = 24
"""Frames decoded at most from a key frame towards the wanted one; beyond that the frame reached serves."""

BUDGET = 64
"""Frames decoded at most for each wanted one, all in all; it bounds clips with one key frame at the beginning."""

LARGE = 1 << 30
"""Bytes above which frame times are taken as even rather than looked up in the whole file."""

READ_THROUGH = 48
"""Movies of no more frames than this are read through: seeking would cost as much."""


def spread(frames: int, count: int) -> list[int]:
    """`count` frame numbers over 0..frames-1, evenly, first and last included; fewer where there are fewer frames."""
    if count <= 0 or frames <= 0:
        return []
    if count == 1:
        return [frames // 2]
    if count >= frames:
        return list(range(frames))
    return [(2 * step * (frames - 1) + count - 1) // (2 * (count - 1)) for step in range(count)]


Opener = Callable[[], tuple[InputContainer, VideoStream]]
"""Opens the movie anew, from its beginning; whoever calls it closes the container."""


def sampled_frames(opener: Opener, count: int, frames: int | None) -> Iterator[tuple[int, Any]]:
    """Frame number and av.VideoFrame of at most `count` frames, in order; damaged ones are passed over.

    frames : the number of frames where the header says it, else None
    """
    if count <= 0:
        return
    times = _times(opener, frames)
    container, stream = opener()
    with container:
        if times is None:
            yield from _read_through(container, stream, count, frames)
        elif len(times) <= READ_THROUGH:
            yield from _read_through(container, stream, count, len(times))
        else:
            yield from _sought(container, stream, times, spread(len(times), count))


def _times(opener: Opener, frames: int | None) -> list[int] | None:
    """Presentation times of all frames in order, undecoded; None where packets carry none or seeking fails.

    Where the rate is constant they follow from the first frame, the rate and the length; else from every packet.
    """
    container, stream = opener()
    with container:
        step = _regular_step(container, stream)
        count = frames or _counted_by_length(container, stream)
        if step and count:
            first = next((native.pts for packet in container.demux(stream) for native in _good(packet)), None)
            if first is not None and _seeks(container, stream, first):
                return [first + round(index * step) for index in range(count)]
    container, stream = opener()
    with container:
        times = []
        try:
            for packet in container.demux(stream):
                if packet.size and not packet.is_discard:
                    if packet.pts is None:
                        return None
                    times.append(packet.pts)
        except av.error.FFmpegError:
            return None
        return sorted(times) if times and _seeks(container, stream, min(times)) else None


def _seeks(container: InputContainer, stream: VideoStream, first: int) -> bool:
    try:
        container.seek(first, stream=stream, backward=True)
    except av.error.FFmpegError:
        return False
    return True


def _counted_by_length(container: InputContainer, stream: VideoStream) -> int | None:
    """Frames by duration times rate, for files whose header does not count them."""
    rate = stream.average_rate or stream.base_rate
    if not rate:
        return None
    if stream.duration and stream.time_base:
        return round(stream.duration * stream.time_base * rate) or None
    return round(Fraction(container.duration, 1_000_000) * rate) if container.duration else None


def _regular_step(container: InputContainer, stream: VideoStream) -> Fraction | None:
    """Ticks from frame to frame where the rate is constant, or the file too large to look; else None."""
    rate, base = stream.average_rate, stream.base_rate
    if not rate or not stream.time_base or (rate != base and container.size < LARGE):
        return None
    return 1 / (rate * stream.time_base)


def _good(packet: Any) -> Iterator[Any]:
    try:
        natives = packet.decode()
    except av.error.FFmpegError:
        return
    for native in natives:
        if not native.is_corrupt:
            yield native


def _read_through(
    container: InputContainer, stream: VideoStream, count: int, frames: int | None
) -> Iterator[tuple[int, Any]]:
    """For files that cannot be sought in: decode all, keep few, thinning out as the length becomes known."""
    wanted = None if frames is None else set(spread(frames, count))
    kept: list[tuple[int, Any]] = []
    stride, index, last = 1, 0, None
    for packet in container.demux(stream):
        for native in _good(packet):
            if wanted is not None:
                if index in wanted:
                    yield index, native
            else:
                last = (index, native)
                if index % stride == 0:
                    kept.append(last)
                    if len(kept) > 2 * count:
                        kept, stride = kept[::2], stride * 2
            index += 1
    if wanted is None and last is not None:
        if kept[-1][0] != last[0]:
            kept.append(last)
        for place in spread(len(kept), count):
            yield kept[place]


def _sought(
    container: InputContainer, stream: VideoStream, times: list[int], wanted: list[int]
) -> Iterator[tuple[int, Any]]:
    """One seek for each wanted frame, then forward a bounded way; never the same frame twice, never backwards."""
    spacing = (times[-1] - times[0]) / max(len(wanted) - 1, 1)
    decoder = _Decoder(container, stream, BUDGET * len(wanted))
    done = -1
    for target in wanted:
        goal = times[target]
        native = decoder.towards(goal, near=spacing / 2 if 0 < target < len(times) - 1 else 0)
        if native is None:
            continue
        index = _index_of(times, native.pts)
        if index > done:
            done = index
            yield index, native


def _index_of(times: list[int], pts: int) -> int:
    """The frame whose time is nearest."""
    place = bisect_left(times, pts)
    if place == len(times) or (place and pts - times[place - 1] < times[place] - pts):
        place -= 1
    return max(place, 0)


class _Decoder:
    """Decodes on from the place reached, or from the key frame before the goal where that is further on."""

    def __init__(self, container: InputContainer, stream: VideoStream, budget: int) -> None:
        self._container = container
        self._stream = stream
        self._frames: Iterator[Any] = iter(())
        self._reached: int | None = None
        self._budget = budget
        self._keys: list[int] | None = None

    def towards(self, goal: int, near: float) -> Any:
        """The frame at the goal, or one before it: one that is `near` enough, or where the bounded way ended.

        None where the frames ran out.
        """
        onwards = self._same_group(goal)
        if not onwards:
            self._container.seek(goal, stream=self._stream, backward=True)
            self._frames = self._forward()
        best = None
        for taken, native in enumerate(self._frames, 1):
            self._budget -= 1
            if native.pts is None:
                continue
            best = native
            self._reached = native.pts
            if native.pts >= goal - near or self._budget <= 0 or (taken >= FORWARD and not onwards):
                break
        return best

    def _same_group(self, goal: int) -> bool:
        """True where no key frame lies between the place reached and the goal, so that seeking would only go back."""
        if self._reached is None or self._budget <= 0:
            return False
        if self._keys is None:
            self._keys = [entry.timestamp for entry in self._stream.index_entries if entry.is_keyframe]
        before = bisect_right(self._keys, goal)
        return bool(before) and self._keys[before - 1] <= self._reached

    def _forward(self) -> Iterator[Any]:
        for packet in self._container.demux(self._stream):
            yield from _good(packet)
