"""Guides into a frame as ratios to np.copyto of the whole frame, with peers beside them in the same run.

A 2160 x 3840 frame, 4:2:2, 10 bit in uint16, three planes, one thread. The sparse form is made once, outside the timing, and reported
by itself. Every output is checked before it is timed. Copy and blend take turns; the ratio is the median over the turns,
with that of the fastest rounds beside it.

    pytest bench/bench_overlay.py --benchmark-enable [--hold] [--smoke]
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import cv2
import numpy as np
import pytest

from footroom.host_adapter.guides import Guides, draw
from footroom.kernels import Channel, Encoding, Range
from footroom.kernels._jit import kernel
from footroom.kernels.framing import Picture, Wanted, outside, place
from footroom.kernels.overlay import Siting, Sparse, blend, sparse_planes

NARROW = Encoding(10, Range.NARROW)
CHANNELS = (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)
SITING = Siting((2, 1))

WINDOWS = {
    "lines and labels": (Wanted("1:1", Fraction(1)), Wanted("4:5", Fraction(4, 5)), Wanted("9:16", Fraction(9, 16))),
    # Three windows of which one holds the others and keeps 30 % of a 16:9 picture.
    "with shading of 70 %": (
        Wanted("8:15", Fraction(8, 15)),
        Wanted("4:5", Fraction(4, 5), part=Fraction(1, 2)),
        Wanted("1:1", Fraction(1), part=Fraction(1, 2)),
    ),
}
SHADES = {"lines and labels": 0.0, "with shading of 70 %": 0.5}
BOUNDS = {"lines and labels": 0.1, "with shading of 70 %": 1.3}


class Case:
    """A frame, the guides for it, and both as dense arrays for the peers."""

    def __init__(self, what: str, rows: int, columns: int) -> None:
        self.what = what
        picture = Picture(columns, rows, step=(2, 1))
        windows = tuple(place(wanted, picture) for wanted in WINDOWS[what])
        self.guides = Guides(picture, windows, shade=SHADES[what], labels=True)
        self.shaded = float(sum(each.area for each in outside(picture, windows)) / picture.rect.area)
        self.sparse = self.build()
        self.frame = [np.ascontiguousarray(codes(each.rows, each.columns)) for each in self.sparse]
        self.out = [np.empty_like(plane) for plane in self.frame]
        self.dense = [
            self._dense(channel, each)
            for channel, each in zip(
                CHANNELS, sparse_planes(draw(self.guides), None, CHANNELS, siting=SITING), strict=True
            )
        ]

    def build(self) -> tuple[Sparse, ...]:
        """The sparse form of the guides, from the drawing on."""
        return sparse_planes(draw(self.guides), NARROW, CHANNELS, siting=SITING)

    def blend(self) -> None:
        """All planes, in place."""
        for plane, sparse in zip(self.out, self.sparse, strict=True):
            blend(plane, sparse)

    def copy(self) -> None:
        """All planes anew."""
        for out, plane in zip(self.out, self.frame, strict=True):
            np.copyto(out, plane)

    def expected(self) -> list[np.ndarray]:
        """The blend in float64, rounded half up."""
        return [
            np.floor(plane * gain.astype(float) + add.astype(float) + 0.5)
            for plane, (gain, add) in zip(self.frame, self.dense, strict=True)
        ]

    @staticmethod
    def _dense(channel: Channel, sparse: Sparse) -> tuple[np.ndarray, np.ndarray]:
        """Gain and what is added, codes, of every sample of a plane: what blending levels 0 and 1 tells."""
        none, one = (
            np.zeros((sparse.rows, sparse.columns), np.float32),
            np.ones((sparse.rows, sparse.columns), np.float32),
        )
        blend(none, sparse)
        blend(one, sparse)
        gain = one - none
        return gain, NARROW.zero(channel) * (1 - gain) + NARROW.span(channel) * none


def codes(rows: int, columns: int) -> np.ndarray:
    """A smooth sky with grain."""
    rng = np.random.default_rng(rows + columns)
    sky = np.linspace(90, 900, columns)[None] + np.linspace(0, 80, rows)[:, None] + rng.normal(0, 9, (rows, columns))
    return np.clip(np.round(sky), 0, 1023).astype(np.uint16)


@pytest.fixture(scope="module", params=list(WINDOWS))
def case(request) -> Case:
    rows, columns = (540, 960) if request.config.getoption("--smoke") else (2160, 3840)
    return Case(request.param, rows, columns)


@pytest.fixture
def rounds(smoke: bool) -> int:
    return 3 if smoke else 60


def against_copy(case: Case, run: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Time of `run` over that of a copy of the frame, taking turns: the median of the turns, and fastest over fastest."""
    case.copy()
    run()
    ours, copy = [], []
    for _ in range(rounds):
        start = time.perf_counter()
        case.copy()
        middle = time.perf_counter()
        run()
        end = time.perf_counter()
        copy.append(middle - start)
        ours.append(end - middle)
    return statistics.median(a / b for a, b in zip(ours, copy, strict=True)), min(ours) / min(copy)


def check(case: Case, run: Callable[[], object], apart: int) -> None:
    """Every sample within so many codes of the blend in float64."""
    case.copy()
    run()
    for out, expected, plane in zip(case.out, case.expected(), case.frame, strict=True):
        assert np.abs(out - expected).max() <= apart
        assert not np.array_equal(out, plane)


def test_blend(benchmark, case, rounds, ratios):
    assert case.what == "lines and labels" or abs(case.shaded - 0.7) < 0.001
    check(case, case.blend, 1)
    for out, plane, sparse in zip(case.out, case.frame, case.sparse, strict=True):
        assert np.array_equal(out != plane, (out != plane) & sparse.touched())
    benchmark.group = case.what
    benchmark.pedantic(case.blend, rounds=min(rounds, 5))
    ratios(case.what, "footroom", against_copy(case, case.blend, rounds), BOUNDS[case.what])


def test_burn(benchmark, case, rounds, ratios):
    """As a burn does it: plane by plane, each copied and then drawn into. What is over 1 is the drawing."""

    def run():
        for out, plane, sparse in zip(case.out, case.frame, case.sparse, strict=True):
            np.copyto(out, plane)
            blend(out, sparse)

    check(case, run, 1)
    benchmark.group = f"{case.what}, copy included"
    benchmark.pedantic(run, rounds=min(rounds, 5))
    ratios(f"{case.what}: copy and drawing", "footroom", against_copy(case, run, rounds), BOUNDS[case.what] + 1)


def test_build(benchmark, case, rounds, ratios):
    """Once for a whole recording: how many copies of one frame it costs."""
    few = max(rounds // 12, 2)
    benchmark.group = f"{case.what}, the sparse form"
    benchmark.pedantic(case.build, rounds=few)
    ratios(f"{case.what}: the sparse form, once", "footroom", against_copy(case, case.build, few))


@kernel("plane")
def _touch(plane: Any, places: Any) -> None:
    for number in range(places.shape[0]):
        plane[places[number, 0], places[number, 1]] += np.uint16(1)


def test_touch(benchmark, case, rounds, ratios):
    """The least that drawing after a copy can cost here: one word changed in every 64 bytes of memory that hold a touched sample."""
    lines = []
    for sparse in case.sparse:
        words = np.pad(sparse.touched(), ((0, 0), (0, -sparse.columns % 32))).reshape(sparse.rows, -1, 32)
        y, x = np.nonzero(words.any(2))
        order = np.lexsort((y, x, y // 16))
        lines.append(np.stack([y, np.minimum(32 * x + 16, sparse.columns - 1)], 1)[order].astype(np.int32))

    def run():
        for plane, places in zip(case.out, lines, strict=True):
            _touch(plane, places)

    case.copy()
    run()
    for out, plane, places in zip(case.out, case.frame, lines, strict=True):
        assert (out != plane).sum() == len(places)
    benchmark.group = case.what
    benchmark.pedantic(run, rounds=min(rounds, 5))
    ratios(f"{case.what}: a word in each line of memory touched", "the memory", against_copy(case, run, rounds))


def _numpy_float32(case: Case) -> None:
    for out, (gain, add) in zip(case.out, case.dense, strict=True):
        np.copyto(out, out * gain + (add + np.float32(0.5)), casting="unsafe")


def _opencv(case: Case) -> None:
    for out, (gain, add) in zip(case.out, case.dense, strict=True):
        cv2.add(cv2.multiply(out, gain, dtype=cv2.CV_32F), add, dst=out, dtype=cv2.CV_16U)


PEERS = {"numpy, float32, whole frame": _numpy_float32, "OpenCV, multiply and add, whole frame": _opencv}


@pytest.mark.parametrize("peer", PEERS)
def test_peers(benchmark, case, rounds, ratios, peer):
    cv2.setNumThreads(1)

    def run():
        PEERS[peer](case)

    check(case, run, 1)
    few = max(rounds // 6, 2)
    benchmark.group = case.what
    benchmark.pedantic(run, rounds=min(few, 3))
    ratios(case.what, peer, against_copy(case, run, few))


def test_peer_flat_shade(benchmark, case, rounds, ratios):
    """OpenCV's addWeighted knows one weight for a whole plane: a shade over everything, without a line or a label."""
    cv2.setNumThreads(1)
    zeros = [NARROW.zero(channel) / 2 for channel in CHANNELS]

    def run():
        for out, zero in zip(case.out, zeros, strict=True):
            cv2.addWeighted(out, 0.5, out, 0, zero, dst=out, dtype=cv2.CV_16U)

    case.copy()
    run()
    for out, plane, zero in zip(case.out, case.frame, zeros, strict=True):
        assert np.abs(out - (plane / 2 + zero)).max() <= 1
    few = max(rounds // 6, 2)
    benchmark.group = case.what
    benchmark.pedantic(run, rounds=min(few, 3))
    ratios("a flat shade over the whole frame", "OpenCV, addWeighted", against_copy(case, run, few))
