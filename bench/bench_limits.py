"""The delivery check's work on a frame as a ratio to np.copyto of it, and in frames of real time.

1080 x 1920, 4:2:2, 10 bit, one thread: EBU R 103's limits on R'G'B' and luma through its filter, and counts of all codes. A legal picture
is what a delivery is; the wild one is outside in every row. Processor time, so that a busy machine's other work does not count.

    pytest bench/bench_limits.py --benchmark-enable [--hold] [--smoke]
"""

from __future__ import annotations

import statistics
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from footroom.host_adapter.headless.checking.examine import Examiner
from footroom.host_adapter.headless.checking.rules import read_rule
from footroom.host_adapter.headless.media import Frame, Info, Tag
from footroom.kernels import Encoding, Model, Range
from footroom.kernels.matrix import Matrix

RATE = 25
"""Frames of real time a second; the check is to be at least 5 times as fast."""
BOUND = 1000 / RATE / 5


def picture(kind: str, rows: int, columns: int) -> list[np.ndarray]:
    """Smooth shapes with noise of 2 codes inside the limits, or as they would be if they reached far beyond."""
    rng = np.random.default_rng(5)
    base = np.add.outer(np.sin(np.arange(rows) / 97), np.cos(np.arange(columns) / 131)) * 200 + 500
    spread = 1 if kind == "legal" else 1.4
    luma = (base - 500) * spread + 500 + rng.normal(0, 2, base.shape)
    chroma = [
        512 + 40 * np.sin(np.arange(columns // 2) / 61)[None] + rng.normal(0, 2, (rows, columns // 2)) for _ in range(2)
    ]
    return [np.rint(plane).clip(4, 1019).astype(np.uint16) for plane in (luma, *chroma)]


@pytest.mark.parametrize("kind", ["legal", "wild"])
def test_a_frame_against_r103(benchmark, ratios, smoke, kind):
    rows, columns = (108, 192) if smoke else (1080, 1920)
    planes = picture(kind, rows, columns)
    tag = Tag(Range.NARROW, None, True)
    info = Info(
        Path("bench.mov"), "movie", "mov", "prores", None, columns, rows, None, Fraction(RATE), 10, Model.YCBCR, "4:2:2", False,
        "yuv422p10le", 0, tag, None, None, "bt709",
    )  # fmt: skip
    examiner = Examiner(read_rule("r103"), info, Encoding(10, Range.NARROW), Matrix.BT709)
    frame = Frame(0, tuple(planes), None)
    look = examiner.look(frame)
    assert (look.measured[0].share > 0.01) == (kind == "wild") and look.measured[1].share == 0
    out = [np.empty_like(plane) for plane in planes]
    taken: dict[str, list[float]] = {"look": [], "copy": []}

    def turn() -> None:
        start = time.thread_time()
        for target, plane in zip(out, planes, strict=True):
            np.copyto(target, plane)
        middle = time.thread_time()
        examiner.look(frame)
        taken["copy"].append(middle - start)
        taken["look"].append(time.thread_time() - middle)

    benchmark.pedantic(turn, rounds=3 if smoke else 60, warmup_rounds=2)
    ratio = statistics.median(one / two for one, two in zip(taken["look"], taken["copy"], strict=True))
    ratios(f"check of a frame, {kind}", "footroom", (ratio, min(taken["look"]) / min(taken["copy"])))
    milliseconds = statistics.median(taken["look"]) * 1000, min(taken["look"]) * 1000
    ratios(f"check of a frame, {kind}, ms", "footroom", milliseconds, None if smoke else BOUND)
