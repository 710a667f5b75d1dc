"""Pipelines in this process: planes in, planes out, with the caps of every frame and what the bus said.

Memory layouts are GStreamer's own word (GstVideoInfo, GstVideoFormatInfo), not the adapter's; v210 is read and written from its definition
with Python integers.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import gi
import numpy as np
import pytest

try:
    gi.require_version("Gst", "1.0")
    gi.require_version("GstVideo", "1.0")
except ValueError as error:  # conftest.py has refused where they must be there
    pytest.skip(f"GStreamer for Python is not whole: {error}", allow_module_level=True)

from gi.repository import Gst, GstVideo

Gst.init(None)

Planes = tuple[np.ndarray, ...]
SECOND = 1_000_000_000
PATIENCE = 60
"""Seconds that a frame may take on a slow machine, on which kernels are compiled first."""
V210_ORDER = "uyv yuy vyu yvy"
"""Which plane the samples of four words come from, lowest bits first. Source: Apple TN2162."""


def info_of(caps: str) -> Any:
    info = GstVideo.VideoInfo.new_from_caps(Gst.Caps.from_string(caps))
    assert info is not None, caps
    return info


def sample_size(info: Any) -> int:
    """Bytes of a sample."""
    return 1 if info.finfo.depth[0] + info.finfo.shift[0] <= 8 else 2


def sample_type(info: Any) -> np.dtype:
    """Of a sample as it lies."""
    if sample_size(info) == 1:
        return np.dtype("u1")
    return np.dtype("<u2" if info.finfo.flags & GstVideo.VideoFormatFlags.LE else ">u2")


def parts(info: Any) -> list[tuple[int, int, int, int]]:
    """Plane, first sample, samples from one to the next, and shift, of each component."""
    form = info.finfo
    size = sample_size(info)
    found = []
    for number in range(form.n_components):
        step = form.pixel_stride[number] // size
        # Of P010 and its kin GStreamer 1.22 gives 1 byte for the second sample's place; its own converters read it at 2.
        first = -(-form.poffset[number] // size)
        found.append((form.plane[number], first, step, form.shift[number]))
    return found


def shapes(info: Any) -> list[tuple[int, int]]:
    form = info.finfo
    return [
        (-(-info.height // (1 << form.h_sub[n])), -(-info.width // (1 << form.w_sub[n])))
        for n in range(form.n_components)
    ]


def to_bytes(info: Any, planes: Planes, filler: int = 0xA5) -> bytes:
    """A frame's memory; padding is filled with something."""
    form = info.finfo
    memory = np.full(info.size, filler, np.uint8)
    if form.name == "v210":
        return v210_bytes(planes, info.stride[0])
    dtype = sample_type(info)
    for plane, (at, first, step, shift), shape in zip(planes, parts(info), shapes(info), strict=True):
        assert plane.shape == shape
        for y in range(shape[0]):
            start = info.offset[at] + y * info.stride[at]
            line = memory[start : start + info.stride[at]].view(dtype)
            line[first::step][: shape[1]] = plane[y].astype(dtype) << shift
    return memory.tobytes()


def from_bytes(info: Any, data: bytes) -> Planes:
    form = info.finfo
    if form.name == "v210":
        return v210_planes(data, info.stride[0], info.width, info.height)
    memory = np.frombuffer(data, np.uint8)
    dtype = sample_type(info)
    planes = []
    for (at, first, step, shift), shape in zip(parts(info), shapes(info), strict=True):
        plane = np.empty(shape, dtype.newbyteorder("="))
        for y in range(shape[0]):
            start = info.offset[at] + y * info.stride[at]
            line = memory[start : start + info.stride[at]].view(dtype)
            plane[y] = line[first::step][: shape[1]] >> shift
        planes.append(plane)
    return tuple(planes)


def v210_samples(width: int) -> list[tuple[str, int]]:
    """Plane and column of every sample of a row, in the order of their bits; columns beyond the picture too."""
    count = {"y": itertools.count(), "u": itertools.count(), "v": itertools.count()}
    groups = -(-width // 6)
    return [(letter, next(count[letter])) for letter in V210_ORDER.replace(" ", "") * groups]


def v210_bytes(planes: Planes, stride: int) -> bytes:
    rows, width = planes[0].shape
    held = dict(zip("yuv", planes, strict=True))
    made = bytearray()
    for y in range(rows):
        line = bytearray()
        samples = v210_samples(width)
        for at in range(0, len(samples), 3):
            word = 0
            for place, (letter, x) in enumerate(samples[at : at + 3]):
                if x < held[letter].shape[1]:
                    word |= int(held[letter][y, x]) << (10 * place)
            line += word.to_bytes(4, "little")
        made += line.ljust(stride, b"\xa5")
    return bytes(made)


def v210_planes(data: bytes, stride: int, width: int, height: int) -> Planes:
    planes = np.zeros((height, width), np.uint16), *(np.zeros((height, (width + 1) // 2), np.uint16) for _ in range(2))
    held = dict(zip("yuv", planes, strict=True))
    for y in range(height):
        for number, (letter, x) in enumerate(v210_samples(width)):
            if x < held[letter].shape[1]:
                word = int.from_bytes(data[y * stride + number // 3 * 4 :][:4], "little")
                held[letter][y, x] = word >> (10 * (number % 3)) & 1023
    return planes


def noise(caps: str, count: int = 3, seed: int = 1) -> list[Planes]:
    """Frames of all codes."""
    info = info_of(caps)
    kind = np.uint8 if sample_size(info) == 1 else np.uint16
    depth = info.finfo.depth[0]
    made = []
    for index in range(count):
        random = np.random.default_rng([seed, index])
        made.append(tuple(random.integers(0, 1 << depth, shape).astype(kind) for shape in shapes(info)))
    return made


@dataclass
class Ran:
    """frames : planes of each; caps : of each, as text; errors, warnings : as the bus said them; ended : whether EOS came"""

    frames: list[Planes] = field(default_factory=list)
    caps: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    ended: bool = False

    def colorimetry(self, number: int = 0) -> str | None:
        return Gst.Caps.from_string(self.caps[number]).get_structure(0).get_string("colorimetry")

    def format(self, number: int = 0) -> str:
        return Gst.Caps.from_string(self.caps[number]).get_structure(0).get_string("format")


def planes_of(sample: Any) -> Planes:
    """A sample's planes, which must be laid out as its caps say."""
    return from_bytes(
        info_of(sample.get_caps().to_string()), sample.get_buffer().extract_dup(0, sample.get_buffer().get_size())
    )


def element_words(values: Mapping[str, Any]) -> str:
    """Properties as a pipeline's description has them."""
    quoted = {name: str(value).replace("\\", "\\\\").replace('"', '\\"') for name, value in values.items()}
    return " ".join(f'{name.replace("_", "-")}="{value}"' for name, value in quoted.items())


class Running:
    """appsrc ! chain ! appsink, a frame at a time."""

    def __init__(
        self, chain: str, caps: str, rate: int = 25, first: int = 0, pipeline: Any = None, sink: str = "out"
    ) -> None:
        self.caps, self.rate, self.number = caps, rate, first
        self.pipeline = pipeline or Gst.parse_launch(
            f"appsrc name=in format=time ! {chain} ! appsink name=out sync=false"
        )
        self.source, self.sink = self.pipeline.get_by_name("in"), self.pipeline.get_by_name(sink)
        self.source.set_property("caps", Gst.Caps.from_string(caps))
        self.ran = Ran()
        self.pipeline.set_state(Gst.State.PLAYING)

    @classmethod
    def of(cls, pipeline: Any, caps: str, sink: str) -> Running:
        """A pipeline of one's own, with an appsrc named 'in' and an appsink of the name."""
        return cls("", caps, pipeline=pipeline, sink=sink)

    def push(self, planes: Planes, caps: str | None = None, pts: int | None = None) -> Any:
        """pts : nanoseconds; by default the next frame's"""
        if caps is not None:
            self.caps = caps
            self.source.set_property("caps", Gst.Caps.from_string(caps))
        buffer = Gst.Buffer.new_wrapped(to_bytes(info_of(self.caps), planes))
        buffer.pts = self.number * SECOND // self.rate if pts is None else pts
        buffer.duration = SECOND // self.rate
        self.number += 1
        return self.source.emit("push-buffer", buffer)

    def pull(self, seconds: float = PATIENCE) -> Planes | None:
        """The next frame, None where there is none in that time."""
        sample = self.sink.emit("try-pull-sample", int(seconds * SECOND))
        if sample is None:
            return None
        self.ran.caps.append(sample.get_caps().to_string())
        self.ran.frames.append(planes_of(sample))
        return self.ran.frames[-1]

    @staticmethod
    def taken(sink: Any) -> Planes:
        """The next frame of another sink."""
        return planes_of(sink.emit("try-pull-sample", PATIENCE * SECOND))

    @staticmethod
    def sample(sink: Any) -> tuple[Planes, int] | None:
        """The next frame of a sink with its time, None at the end."""
        sample = sink.emit("try-pull-sample", PATIENCE * SECOND)
        return None if sample is None else (planes_of(sample), sample.get_buffer().pts)

    def listen(self, seconds: float = 0) -> None:
        """Take what the bus says, up to the end or an error."""
        bus = self.pipeline.get_bus()
        wanted = Gst.MessageType.ERROR | Gst.MessageType.WARNING | Gst.MessageType.EOS
        while True:
            message = bus.timed_pop_filtered(int(seconds * SECOND), wanted)
            if message is None:
                return
            if message.type == Gst.MessageType.EOS:
                self.ran.ended = True
                return
            if message.type == Gst.MessageType.ERROR:
                self.ran.errors.append(message.parse_error()[0].message)
                return
            else:
                self.ran.warnings.append(message.parse_warning()[0].message)

    def close(self) -> Ran:
        self.listen()
        self.pipeline.set_state(Gst.State.NULL)
        return self.ran

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *_: object) -> None:
        self.pipeline.set_state(Gst.State.NULL)


def run(chain: str, caps: str, frames: Iterable[Planes], *, first: int = 0, rate: int = 25) -> Ran:
    """All frames through a chain, to the end of the stream or the first error."""
    with Running(chain, caps, rate, first) as running:
        for planes in frames:
            running.push(planes)
        running.source.emit("end-of-stream")
        bus, last = running.pipeline.get_bus(), time.monotonic()
        while time.monotonic() - last < PATIENCE:
            if running.pull(0.2) is not None:
                last = time.monotonic()
            elif running.sink.get_property("eos") or (bus.have_pending() and _failed(running)):
                break
        if not (running.ran.ended or running.ran.errors):
            running.listen(20)
        return running.close()


def _failed(running: Running) -> bool:
    running.listen()
    return bool(running.ran.errors)


def same(found: Sequence[np.ndarray], expected: Sequence[np.ndarray]) -> bool:
    return len(found) == len(expected) and all(np.array_equal(a, b) for a, b in zip(found, expected, strict=True))
