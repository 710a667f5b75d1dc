"""Planes of a mapped video frame as arrays, without a copy.

PyGObject cannot read GstVideoFrame's data pointers, but hands the structure's address over as the wrapper's hash. Its layout is
GStreamer's stable ABI since 1.0; `self_test` holds it against a frame whose contents are known before the first element is made.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from typing import Any

import numpy as np
from gi.repository import Gst, GstVideo

from .formats import Format

_MOST = 4  # GST_VIDEO_MAX_PLANES


class _VideoInfo(ctypes.Structure):
    _fields_ = (
        ("finfo", ctypes.c_void_p),
        ("interlace_mode", ctypes.c_int),
        ("flags", ctypes.c_int),
        ("width", ctypes.c_int),
        ("height", ctypes.c_int),
        ("size", ctypes.c_size_t),
        ("views", ctypes.c_int),
        ("chroma_site", ctypes.c_int),
        ("colorimetry", ctypes.c_int * 4),
        ("par", ctypes.c_int * 2),
        ("fps", ctypes.c_int * 2),
        ("offset", ctypes.c_size_t * _MOST),
        ("stride", ctypes.c_int * _MOST),
        ("reserved", ctypes.c_void_p * 4),
    )


class _VideoFrame(ctypes.Structure):
    _fields_ = (
        ("info", _VideoInfo),
        ("flags", ctypes.c_int),
        ("buffer", ctypes.c_void_p),
        ("meta", ctypes.c_void_p),
        ("id", ctypes.c_int),
        ("data", ctypes.c_void_p * _MOST),
    )


@dataclass(frozen=True, slots=True)
class Mapped:
    """What a mapped frame says of itself.

    planes : address and stride in bytes of each
    """

    width: int
    height: int
    planes: tuple[tuple[int, int], ...]


def mapped(frame: Any) -> Mapped:
    """Where the planes of a GstVideo.VideoFrame lie; valid while it is mapped."""
    held = _VideoFrame.from_address(hash(frame))
    planes = tuple((data, stride) for data, stride in zip(held.data, held.info.stride, strict=True) if data)
    return Mapped(held.info.width, held.info.height, planes)


def plane_views(frame: Mapped, form: Format, *, writable: bool) -> tuple[np.ndarray[Any, Any], ...]:
    """The planes in the project's order: uint8 | uint16 [rows, columns], as they lie; of v210 its words, uint32 [rows, words]."""
    if form.packing == "v210":
        address, stride = frame.planes[0]
        return (_view(address, stride, np.dtype("<u4"), (frame.height, stride // 4), 0, 1, writable),)
    dtype = np.dtype(form.dtype)
    views = []
    for component, channel in zip(form.components, form.channels, strict=True):
        address, stride = frame.planes[component.plane]
        shape = form.shape(channel, frame.width, frame.height)
        views.append(_view(address, stride, dtype, shape, component.offset, component.step, writable))
    return tuple(views)


def _view(
    address: int, stride: int, dtype: Any, shape: tuple[int, int], offset: int, step: int, writable: bool
) -> np.ndarray[Any, Any]:
    rows, columns = shape
    size = dtype.itemsize
    start = address + offset * size
    span = ((columns - 1) * step + 1) * size
    # The memory from the lowest to the highest row: a negative stride counts upwards from the first one.
    low = start + min(0, stride * (rows - 1))
    held = (ctypes.c_uint8 * (abs(stride) * (rows - 1) + span)).from_address(low)
    view: np.ndarray[Any, Any] = np.ndarray(shape, dtype, held, start - low, (stride, step * size))
    view.flags.writeable = writable
    return view


def self_test() -> None:
    """Read a frame whose size, strides and codes are known.

    Raises: RuntimeError where anything is elsewhere than this code takes it.
    """
    width, height = 50, 6
    info = GstVideo.VideoInfo()
    info.set_format(GstVideo.VideoFormat.I422_10LE, width, height)
    codes = (np.arange(info.size // 2) * 7 % 1021).astype("<u2")
    buffer = Gst.Buffer.new_wrapped(codes.tobytes())
    done, frame = (
        GstVideo.video_frame_map(info, buffer, Gst.MapFlags.READ) if _map_is_function() else _map(info, buffer)
    )
    if not done:
        raise RuntimeError("GStreamer does not map a frame of its own making")
    try:
        found = mapped(frame)
        held = _VideoFrame.from_address(hash(frame))
        right = (found.width, found.height, len(found.planes)) == (width, height, 3)
        right = right and held.info.size == info.size and held.buffer == hash(buffer)
        right = right and [stride for _, stride in found.planes] == list(info.stride[:3])
        if right:
            base = found.planes[0][0]
            right = [address - base for address, _ in found.planes] == list(info.offset[:3])
        if right:
            first = np.frombuffer((ctypes.c_uint8 * info.size).from_address(found.planes[0][0]), "<u2")
            right = bool(np.array_equal(first, codes))
    finally:
        frame.unmap()
    if not right:
        version = Gst.version_string()
        raise RuntimeError(
            f"{version} lays video frames out in memory in another way than this version of footroom knows"
        )


def _map_is_function() -> bool:
    return hasattr(GstVideo, "video_frame_map")


def _map(info: Any, buffer: Any) -> tuple[bool, Any]:
    done, frame = GstVideo.VideoFrame.map(info, buffer, Gst.MapFlags.READ)
    return done, frame
