"""Which share of a frame's codes a change of range cuts off, looked at beside the stream."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import gi

from . import unwinding  # noqa: F401  (before GStreamer)

gi.require_version("Gst", "1.0")
gi.require_version("GstVideo", "1.0")

import numpy as np  # noqa: E402
import numpy.typing as npt  # noqa: E402
from gi.repository import Gst, GstVideo  # noqa: E402

Gst.init(None)

from ...kernels.encoding import Channel, Encoding, Range  # noqa: E402
from ...kernels.occupancy import counts  # noqa: E402
from ...kernels.scaling import exact_map  # noqa: E402
from .caps import signal_of  # noqa: E402
from .video_frame import mapped, plane_views  # noqa: E402


@lru_cache(maxsize=32)
def cut_off(
    source: Encoding, target: Encoding, channel: Channel
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which codes go past the target's first and last by the exact map: bool [M + 1] each."""
    made = exact_map(source, target, channel)
    return made < 0, made > target.maximum


def shares(
    planes: tuple[npt.NDArray[Any], ...], channels: tuple[Channel, ...], source: Encoding, target: Encoding
) -> tuple[float, float]:
    """Shares of all samples that are cut off low and high, 0..1."""
    low = high = total = 0
    for plane, channel in zip(planes, channels, strict=True):
        if channel is Channel.ALPHA:
            continue
        histogram = counts(plane, source)
        under, over = cut_off(source, target, channel)
        low += int(histogram[under].sum())
        high += int(histogram[over].sum())
        total += int(histogram.sum())
    return (low / total, high / total) if total else (0.0, 0.0)


class Clipping:
    """A thread that counts one frame now and then, so that the stream waits for none of it."""

    def __init__(self, assume: str, tell: Callable[[float, float], None]) -> None:
        """assume : 'narrow', 'full' or 'flag', as the range element has it; tell : gets the shares"""
        self._assume, self._tell = assume, tell
        self._frames: queue.Queue[tuple[Any, Any, Any] | None] = queue.Queue(maxsize=1)
        self._thread = threading.Thread(target=self._work, name="clipping", daemon=True)
        self._thread.start()

    def look(self, buffer: Any, before: Any, after: Any) -> None:
        """Take a frame if the last one is done. before, after : caps around the range element"""
        if not self._frames.full():
            self._frames.put((buffer, before, after))

    def close(self) -> None:
        self._frames.put(None)
        self._thread.join(5)

    def _work(self) -> None:
        while (frame := self._frames.get()) is not None:
            buffer, before, after = frame
            try:
                self._tell(*self._shares(buffer, before, after))
            except ValueError:
                continue  # caps that the element itself refuses, in words
            finally:
                del buffer, frame

    def _shares(self, buffer: Any, before: Any, after: Any) -> tuple[float, float]:
        source, target = signal_of(before), signal_of(after)
        range_ = source.range if self._assume == "flag" else Range.parse(self._assume)
        info = GstVideo.VideoInfo.new_from_caps(before)
        done, frame = GstVideo.VideoFrame.map(info, buffer, Gst.MapFlags.READ)
        if not done:
            raise ValueError("the frame cannot be read")
        try:
            planes = plane_views(mapped(frame), source.form, writable=False)
            if source.form.packing == "v210":
                planes = _unpacked(planes[0], source)
            return shares(
                planes, source.form.channels, source.form.encoding(range_), target.form.encoding(target.range)
            )
        finally:
            frame.unmap()


def _unpacked(words: npt.NDArray[Any], signal: Any) -> tuple[npt.NDArray[Any], ...]:
    from ...kernels.v210 import unpack

    planes = tuple(
        np.zeros(signal.form.shape(channel, signal.width, signal.height), np.uint16) for channel in signal.form.channels
    )
    unpack(words, *planes)
    return planes
