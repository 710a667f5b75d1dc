"""The kernels as ratios to np.copyto of the same plane, with peers beside them in the same run.

A 2160 x 3840 plane of 10-bit codes in uint16, one thread. Every output is checked before it is timed. Copy and kernel
take turns; the ratio is the median over the turns, with that of the fastest rounds of each beside it.

    pytest bench/bench_kernels.py --benchmark-enable [--hold] [--smoke]
"""

from __future__ import annotations

import statistics
import subprocess
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest

from footroom.kernels import Channel, Dither, Encoding, Range, requantise, rescale
from footroom.kernels.occupancy import counts
from footroom.kernels.scaling import code_map
from footroom.kernels.scopes import waveform_counts

FULL, NARROW = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
BOUNDS = {
    Dither.NONE: 1.15,
    Dither.RECTANGULAR: 1.7,
    Dither.TRIANGULAR: 1.7,
    Dither.BLUE_NOISE: 1.7,
    Dither.ERROR_DIFFUSION: 15,
}


@pytest.fixture(scope="module")
def plane(request) -> np.ndarray:
    """A smooth sky with grain, and a noisy half: what codes of pictures are like."""
    rows, columns = (216, 384) if request.config.getoption("--smoke") else (2160, 3840)
    rng = np.random.default_rng(1)
    sky = np.linspace(90, 900, columns)[None] + np.linspace(0, 80, rows)[:, None] + rng.normal(0, 2, (rows, columns))
    sky[rows // 2 :] += rng.normal(0, 60, (rows - rows // 2, columns))
    return np.clip(np.round(sky), 0, 1023).astype(np.uint16)


def against_copy(plane: np.ndarray, run: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Time of `run` over that of a copy, taking turns: the median of the turns, and fastest over fastest."""
    out = np.empty_like(plane)
    run()
    np.copyto(out, plane)
    kernel, copy = [], []
    for _ in range(rounds):
        start = time.perf_counter()
        np.copyto(out, plane)
        middle = time.perf_counter()
        run()
        end = time.perf_counter()
        copy.append(middle - start)
        kernel.append(end - middle)
    turns = [ours / theirs for ours, theirs in zip(kernel, copy, strict=True)]
    return statistics.median(turns), min(kernel) / min(copy)


@pytest.fixture
def rounds(smoke: bool) -> int:
    return 3 if smoke else 40


@pytest.mark.parametrize("dither", list(Dither), ids=lambda dither: dither.value)
def test_full_to_narrow(benchmark, plane, rounds, ratios, dither):
    out = np.empty_like(plane)
    exact = code_map(FULL, NARROW, Channel.LUMA)[plane].astype(int)

    def run():
        requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=dither, out=out)

    run()
    apart = np.abs(out.astype(int) - exact).max()
    assert apart == 0 if dither is Dither.NONE else apart <= 2
    assert abs(out.mean() - (plane.mean() * 876 / 1023 + 64)) < 0.05
    benchmark.group = "full to narrow"
    benchmark.pedantic(run, rounds=min(rounds, 5))
    ratios(f"full to narrow, {dither.value}", "footroom", against_copy(plane, run, rounds), BOUNDS[dither])


def test_narrow_to_full(benchmark, plane, rounds, ratios):
    out = np.empty_like(plane)

    def run():
        rescale(plane, NARROW, FULL, channel=Channel.LUMA, out=out)

    run()
    assert np.array_equal(out, code_map(NARROW, FULL, Channel.LUMA)[plane])
    benchmark.group = "narrow to full"
    benchmark.pedantic(run, rounds=min(rounds, 5))
    ratios("narrow to full", "footroom", against_copy(plane, run, rounds), 1.15)


def test_counts(benchmark, plane, rounds, ratios):
    out = np.zeros(1024, np.int64)
    assert np.array_equal(counts(plane, FULL), np.bincount(plane.ravel(), minlength=1024))
    benchmark.group = "counts"
    benchmark.pedantic(lambda: counts(plane, FULL, out=out), rounds=min(rounds, 5))
    ratios("counts of codes", "footroom", against_copy(plane, lambda: counts(plane, FULL, out=out), rounds), 3)


def test_waveform(benchmark, plane, rounds, ratios):
    columns = 480 if plane.shape[1] == 3840 else 48
    places = np.broadcast_to(np.arange(plane.shape[1]) * columns // plane.shape[1], plane.shape)

    def peer():
        return np.histogram2d(places.ravel(), plane.ravel(), bins=(columns, 1024), range=((0, columns), (0, 1024)))[0]

    assert np.array_equal(waveform_counts(plane, FULL, columns), peer())
    benchmark.group = "waveform"
    benchmark.pedantic(lambda: waveform_counts(plane, FULL, columns), rounds=min(rounds, 5))
    ratios(
        "waveform of 480 columns",
        "footroom",
        against_copy(plane, lambda: waveform_counts(plane, FULL, columns), rounds),
    )
    ratios("waveform of 480 columns", "numpy, histogram2d", against_copy(plane, peer, 3))


def _numpy_float(plane, out):
    np.copyto(out, np.floor(plane * np.float64(876 / 1023) + 64.5), casting="unsafe")


TABLE = code_map(FULL, NARROW, Channel.LUMA)


def _numpy_take(plane, out):
    np.take(TABLE, plane, out=out)


def _opencv(plane, out):
    cv2.addWeighted(plane, 876 / 1023, plane, 0, 64, dst=out, dtype=cv2.CV_16U)


PEERS = {"numpy, float64": _numpy_float, "numpy, take": _numpy_take, "OpenCV, addWeighted": _opencv}


@pytest.mark.parametrize("peer", PEERS)
def test_peers_plain(benchmark, plane, rounds, ratios, peer):
    cv2.setNumThreads(1)
    out = np.empty_like(plane)
    PEERS[peer](plane, out)
    exact = code_map(FULL, NARROW, Channel.LUMA)[plane].astype(int)
    assert np.abs(out.astype(int) - exact).max() <= 1  # OpenCV rounds halves to even
    few = max(rounds // 5, 2)
    benchmark.group = "full to narrow"
    benchmark.pedantic(lambda: PEERS[peer](plane, out), rounds=min(few, 3))
    ratios("full to narrow, none", peer, against_copy(plane, lambda: PEERS[peer](plane, out), few))


def test_peer_counts(benchmark, plane, rounds, ratios):
    few = max(rounds // 5, 2)
    flat = plane.ravel()
    benchmark.group = "counts"
    benchmark.pedantic(lambda: np.bincount(flat, minlength=1024), rounds=min(few, 3))
    ratios("counts of codes", "numpy, bincount", against_copy(plane, lambda: np.bincount(flat, minlength=1024), few))


def zscale_seconds(raw: Path, shape: tuple[int, int], frames: int, dither: str | None) -> float:
    """Wall time of FFmpeg over `frames` of one 4:4:4 picture, one thread; dither None leaves zscale out."""
    steps = f"loop=loop={frames - 1}:size=1:start=0"
    if dither is not None:
        steps += f",zscale=rangein=full:range=limited:min=709:m=709:dither={dither}"
    command = [
        "ffmpeg",
        "-v",
        "error",
        "-threads",
        "1",
        "-filter_threads",
        "1",
        "-f",
        "rawvideo",
        "-pix_fmt",
        "yuv444p10le",
    ]
    command += ["-s", f"{shape[1]}x{shape[0]}", "-i", str(raw), "-vf", steps, "-f", "null", "-"]
    start = time.perf_counter()
    subprocess.run(command, capture_output=True, check=True)
    return time.perf_counter() - start


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [("none", Dither.NONE), ("random", Dither.RECTANGULAR), ("error_diffusion", Dither.ERROR_DIFFUSION)],
)
def test_peer_zscale(plane, tmp_path, smoke, ratios, theirs, ours):
    """Three planes a picture; FFmpeg without zscale is subtracted; per plane, over a copy of one plane."""
    raw = tmp_path / "picture.yuv"
    raw.write_bytes(plane.tobytes() * 3)
    frames = 4 if smoke else 30
    out = np.empty_like(plane)
    copies = []
    for _ in range(frames):
        start = time.perf_counter()
        np.copyto(out, plane)
        copies.append(time.perf_counter() - start)
    best = min(
        zscale_seconds(raw, plane.shape, frames, theirs) - zscale_seconds(raw, plane.shape, frames, None)
        for _ in range(1 if smoke else 4)
    )
    each = max(best, 0) / (3 * (frames - 1))
    peer = each / statistics.median(copies)
    ratios(f"full to narrow, {ours.value}", f"zscale, {theirs}", (peer, each / min(copies)))
    if ours is Dither.ERROR_DIFFUSION and not smoke:
        own = against_copy(
            plane, lambda: requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=ours, out=out), 10
        )
        ratios("error diffusion, footroom's over zscale's", "both", (own[0] / peer, own[1] * min(copies) / each), 1.0)


@pytest.mark.parametrize("dither", [Dither.NONE, Dither.TRIANGULAR, Dither.BLUE_NOISE], ids=lambda dither: dither.value)
def test_two_threads_over_bands(plane, rounds, ratios, dither):
    """One thread's time over two threads', the rows in two bands; a copy does the same beside it."""
    out = np.empty_like(plane)
    rows = plane.shape[0]
    bands = [(0, rows // 2), (rows // 2, rows)]

    def band(limits):
        first, last = limits
        requantise(
            plane[first:last], FULL, NARROW, channel=Channel.LUMA, dither=dither, origin=(first, 0), out=out[first:last]
        )

    whole = requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=dither)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(band, bands))
        assert np.array_equal(out, whole)
        one, two = [], []
        for _ in range(rounds):
            start = time.perf_counter()
            for limits in bands:
                band(limits)
            middle = time.perf_counter()
            list(pool.map(band, bands))
            one.append(middle - start)
            two.append(time.perf_counter() - middle)
    turns = [alone / both for alone, both in zip(one, two, strict=True)]
    gained = (statistics.median(turns), min(one) / min(two))
    ratios(f"two threads, {dither.value}: times as fast", "footroom", gained, 1.8, at_least=True)


def test_two_threads_copy(plane, rounds, ratios):
    """What the memory itself gives: a plain copy in two bands."""
    out = np.empty_like(plane)
    half = plane.shape[0] // 2
    bands = [(out[:half], plane[:half]), (out[half:], plane[half:])]
    turns, one, two = [], [], []
    with ThreadPoolExecutor(2) as pool:
        for _ in range(rounds):
            start = time.perf_counter()
            for to, source in bands:
                np.copyto(to, source)
            middle = time.perf_counter()
            list(pool.map(lambda pair: np.copyto(*pair), bands))
            one.append(middle - start)
            two.append(time.perf_counter() - middle)
            turns.append(one[-1] / two[-1])
    ratios("two threads, copy: times as fast", "numpy, copyto", (statistics.median(turns), min(one) / min(two)))
