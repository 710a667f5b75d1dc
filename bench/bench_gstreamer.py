"""Elements in live pipelines: frames dropped, and the time that a frame takes through them, beside the framework's own converter.

A frozen noisy frame comes from a live source in real time; a sink that counts what comes more than 20 ms late takes it. Element time is
from the first element's entry to the last one's exit, one thread. The converter's chain takes turns with ours in the same run, and
np.copyto of the same bytes is beside both. On a busy machine frames wait for the processor: their time on it is given too. What comes
out is checked first, and so is how much of the converter's result is right.

    python -m pytest bench/bench_gstreamer.py --benchmark-enable [--hold] [--smoke] [--minute]   (where GStreamer for Python is)
"""

from __future__ import annotations

import statistics
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "gstreamer"))

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

import footroom.host_adapter.gstreamer as adapter

adapter.register()

from gst_running import SECOND, Gst, Planes, from_bytes, info_of, same, to_bytes  # noqa: E402

from footroom.host_adapter.effect import Image, Time, Window  # noqa: E402
from footroom.host_adapter.effects import effect  # noqa: E402
from footroom.kernels import Channel, Encoding, Range, requantise  # noqa: E402
from footroom.kernels.matrix import Matrix  # noqa: E402

CHANNELS = (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)
FULL = Encoding(10, Range.FULL)
GUIDES = {"windows": "9:16 1:1", "grid": "thirds", "safe": "title"}
WORDS = 'windows="9:16 1:1" grid=thirds safe=title'
TURNS = 3


@dataclass(frozen=True)
class Case:
    """A live signal and what is to become of it; most : milliseconds of the 95th percentile."""

    name: str
    form: str
    size: tuple[int, int]
    rate: int
    most: float | None
    depth: int = 10
    guides: bool = True

    def caps(self, small: bool) -> str:
        width, height = (320, 180) if small else self.size
        return (
            f"video/x-raw,format={self.form},width={width},height={height},framerate={self.rate}/1,colorimetry=1:3:5:1"
        )

    @property
    def ours(self) -> str:
        chain = f"footroomrange name=first assume=full to=narrow dither=triangular depth={self.depth}"
        return (
            f"{chain} ! footroomguides name=last {WORDS}" if self.guides else chain.replace("name=first", "name=last")
        )

    @property
    def theirs(self) -> str:
        form = {(10, "v210"): "v210", (8, "I422_10LE"): "Y42B"}.get((self.depth, self.form), self.form)
        return f"videoconvert name=last ! video/x-raw,format={form},colorimetry=bt709"


CASES = (
    Case("1080p60 10-bit 4:2:2, range, triangular, guides", "I422_10LE", (1920, 1080), 60, 6.0),
    Case("2160p30 10-bit 4:2:2, range, triangular, guides", "I422_10LE", (3840, 2160), 30, 20.0),
    Case("1080p60 v210, range, triangular, guides", "v210", (1920, 1080), 60, 8.0),
    Case("1080p60 10-bit 4:2:2 to 8 bit, range, triangular", "I422_10LE", (1920, 1080), 60, None, 8, guides=False),
)


@dataclass
class Live:
    """times : seconds of each frame in the elements; worked : of them on the processor; dropped : by the sink or the elements"""

    times: list[float] = field(default_factory=list)
    worked: list[float] = field(default_factory=list)
    dropped: int = 0


def noise(caps: str) -> Planes:
    info = info_of(caps)
    rng = np.random.default_rng(3)
    half = (info.height, (info.width + 1) // 2)
    shapes = (info.height, info.width), half, half
    return tuple(rng.integers(0, 1024, shape).astype(np.uint16) for shape in shapes)


def frame_bytes(caps: str, planes: Planes) -> bytes:
    """v210 by the kernel, which tests/test_v210.py holds against FFmpeg: the tests' own packing is made to be read."""
    info = info_of(caps)
    if info.finfo.name != "v210":
        return to_bytes(info, planes)
    from footroom.kernels.v210 import pack

    words = np.zeros((info.height, info.stride[0] // 4), np.uint32)
    pack(*planes, words)
    return words.tobytes()


def frame_planes(caps: str, data: bytes) -> Planes:
    info = info_of(caps)
    if info.finfo.name != "v210":
        return from_bytes(info, data)
    from footroom.kernels.v210 import unpack

    half = (info.height, (info.width + 1) // 2)
    planes = tuple(np.zeros(shape, np.uint16) for shape in ((info.height, info.width), half, half))
    unpack(np.frombuffer(data, "<u4").reshape(info.height, -1), *planes)
    return planes


def expected(case: Case, planes: Planes) -> Planes:
    """The first frame as kernels and effects make it without GStreamer."""
    narrow = Encoding(case.depth, Range.NARROW)
    made = tuple(
        requantise(plane, FULL, narrow, channel=channel, dither="triangular", plane=number)
        for number, (plane, channel) in enumerate(zip(planes, CHANNELS, strict=True))
    )
    if case.guides:
        one, whole = effect("guides"), Window(0, 0, planes[0].shape[1], planes[0].shape[0])
        image = Image(made, CHANNELS, narrow, whole, whole, "4:2:2", None, Matrix.BT709)
        one.apply(image, image, one.values(GUIDES), Time())
    return made


def first_frame(chain: str, caps: str, data: bytes) -> tuple[str, Planes]:
    """What comes out, through a pipeline without a clock."""
    pipeline = Gst.parse_launch(f"appsrc name=in format=time ! {chain} ! appsink name=out sync=false")
    feed(pipeline, caps, data)
    pipeline.set_state(Gst.State.PLAYING)
    sample = pipeline.get_by_name("out").emit("try-pull-sample", 60 * SECOND)
    assert sample is not None, chain
    made = sample.get_caps().to_string()
    out = sample.get_buffer().extract_dup(0, sample.get_buffer().get_size())
    pipeline.set_state(Gst.State.NULL)
    return made, frame_planes(made, out)


def feed(pipeline: Any, caps: str, data: bytes) -> None:
    source = pipeline.get_by_name("in")
    source.set_property("caps", Gst.Caps.from_string(caps))
    buffer = Gst.Buffer.new_wrapped(data)
    buffer.pts = 0
    source.emit("push-buffer", buffer)
    source.emit("end-of-stream")


def live(chain: str, caps: str, data: bytes, frames: int) -> Live:
    """So many frames in real time."""
    rate = caps.split("framerate=")[1].split(",", maxsplit=1)[0]
    pipeline = Gst.parse_launch(
        f"appsrc name=in format=time ! imagefreeze is-live=true num-buffers={frames} ! video/x-raw,framerate={rate} ! "
        f"{chain} ! fakesink name=out sync=true qos=true max-lateness=20000000"
    )
    feed(pipeline, caps, data)
    found, begun = Live(), [0.0, 0.0]
    last = pipeline.get_by_name("last")
    first = pipeline.get_by_name("first") or last

    def enter(_pad: Any, _info: Any) -> Any:
        begun[:] = time.perf_counter(), time.thread_time()
        return Gst.PadProbeReturn.OK

    def leave(_pad: Any, _info: Any) -> Any:
        found.times.append(time.perf_counter() - begun[0])
        found.worked.append(time.thread_time() - begun[1])
        return Gst.PadProbeReturn.OK

    first.get_static_pad("sink").add_probe(Gst.PadProbeType.BUFFER, enter)
    last.get_static_pad("src").add_probe(Gst.PadProbeType.BUFFER, leave)
    pipeline.set_state(Gst.State.PLAYING)
    message = pipeline.get_bus().timed_pop_filtered(
        (frames // int(rate.split("/")[0]) + 60) * SECOND, Gst.MessageType.EOS | Gst.MessageType.ERROR
    )
    stats = pipeline.get_by_name("out").get_property("stats")
    assert message is not None and message.type == Gst.MessageType.EOS
    found.dropped = frames - stats.get_uint64("rendered")[1]
    pipeline.set_state(Gst.State.NULL)
    return found


def p95(times: list[float]) -> float:
    return float(np.percentile(times, 95)) * 1000


def copying(data: bytes, rounds: int) -> float:
    """Seconds of a copy of a frame's bytes, the least."""
    source = np.frombuffer(data, np.uint8)
    out = np.empty_like(source)
    taken = []
    for _ in range(rounds):
        start = time.perf_counter()
        np.copyto(out, source)
        taken.append(time.perf_counter() - start)
    return min(taken)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.split(",")[0])
def test_live(benchmark, case, smoke, ratios, request):
    caps = case.caps(smoke)
    planes = noise(caps)
    data = frame_bytes(caps, planes)
    want = expected(case, planes)
    made, got = first_frame(case.ours, caps, data)
    assert same(got, want) and int(info_of(made).colorimetry.range) == 2
    made, other = first_frame(case.theirs, caps, data)
    assert int(info_of(made).colorimetry.range) == 2  # it says narrow; whether it is, follows
    narrow = Encoding(case.depth, Range.NARROW)
    exact = [requantise(p, FULL, narrow, channel=c, dither="none") for p, c in zip(planes, CHANNELS, strict=True)]
    # More than a code from the exact one is no dither: it is wrong.
    far = [np.abs(a.astype(int) - b) > 1 for a, b in zip(other, exact, strict=True)]
    wrong = sum(map(np.sum, far)) / sum(plane.size for plane in far)

    frames = 20 if smoke else case.rate * (20 if request.config.getoption("--minute") else 5)
    ours, theirs, copies = Live(), Live(), []
    benchmark.pedantic(first_frame, args=(case.ours, caps, data), rounds=1)
    for _ in range(1 if smoke else TURNS):
        for chain, into in ((case.ours, ours), (case.theirs, theirs)):
            one = live(chain, caps, data, frames)
            into.times += one.times
            into.worked += one.worked
            into.dropped += one.dropped
        copies.append(copying(data, 20))
    rows = ((ours, "footroom", case.most, 0), (theirs, f"videoconvert ({wrong:.0%} of codes wrong)", None, None))
    for one, who, most, drops in rows:
        middle, worked = statistics.median(one.times), statistics.median(one.worked)
        ratios(f"{case.name}: ms a frame, 95th percentile, least", who, (p95(one.times), min(one.times) * 1000), most)
        ratios(f"{case.name}: ms a frame, median, least", who, (middle * 1000, min(one.times) * 1000))
        ratios(f"{case.name}: ms of processor, 95th percentile, median", who, (p95(one.worked), worked * 1000))
        ratios(f"{case.name}: dropped of {len(one.times)}", who, (one.dropped, one.dropped), drops)
        ratios(f"{case.name}: to a copy", who, (middle / min(copies), min(one.times) / min(copies)))
