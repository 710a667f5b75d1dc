"""The banding index against its open implementation, in one run, one thread: times as fast, and ratios to np.copyto of the plane.

The open implementation runs in the ffmpeg program of imageio-ffmpeg, over many frames of one picture; the same command without the
feature is subtracted. Both are processor time, which other work on the machine disturbs less than the clock. Scores are compared
before any time is.

    pytest bench/bench_banding.py --benchmark-enable [--hold] [--smoke]
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import skimage.color
import skimage.data
import skimage.transform

from footroom.kernels import Encoding, Range
from footroom.kernels.banding import ONE_CODE, TWO_CODES, banding_index

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))
from banding_oracle import open_index, program, raw

NARROW = Encoding(8, Range.NARROW)
ROWS, COLUMNS = 1080, 1920
BOUND = 5


def photograph(name: str) -> np.ndarray:
    """Narrow luma of a photograph at 1080 lines."""
    level = skimage.color.rgb2gray(getattr(skimage.data, name)()[..., :3])
    return np.floor(16 + 219 * skimage.transform.resize(level, (ROWS, COLUMNS), order=1) + 0.5).astype(np.uint8)


def sky(grain: float = 0.0) -> np.ndarray:
    """A slope with a slow wave; every pixel of it bands unless there is grain."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    x, y = x / COLUMNS, y / ROWS
    codes = 30 + 30 * x + 20 * y * y + 2 * np.sin(9 * x * y)
    return np.floor(codes + np.random.default_rng(1).normal(0, grain, codes.shape) + 0.5).astype(np.uint8)


PICTURES = {
    "sky without grain": sky,
    "sky with grain": lambda: sky(0.6),
    "photograph, smooth (rocket)": lambda: photograph("rocket"),
    "photograph (chelsea)": lambda: photograph("chelsea"),
    "photograph (astronaut)": lambda: photograph("astronaut"),
}


def children_seconds() -> float:
    """Processor time of all finished child processes."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def open_seconds(source: Path, size: tuple[int, int], setting: int | None, frames: int) -> float:
    """Processor time of the program over `frames` of one picture; without the feature where setting is None."""
    feature = "" if setting is None else f":feature='name=cambi\\:max_log_contrast={setting}'"
    command = [
        program(),
        "-v",
        "error",
        "-threads",
        "1",
        "-filter_complex_threads",
        "1",
        "-stream_loop",
        str(frames - 1),
    ]
    command += ["-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", f"{size[0]}x{size[1]}", "-i", str(source)]
    command += ["-lavfi", f"split[a][b];[a][b]libvmaf=model=:n_threads=1{feature}", "-f", "null", "-"]
    before = children_seconds()
    subprocess.run(command, check=True, capture_output=True)
    return children_seconds() - before


@pytest.mark.parametrize("setting", [ONE_CODE, TWO_CODES], ids=["default", "two codes"])
@pytest.mark.parametrize("name", PICTURES)
def test_banding_index(benchmark, tmp_path, smoke, ratios, name, setting):
    picture = PICTURES[name]()
    if smoke:
        picture = np.ascontiguousarray(picture[::4, ::4])
    assert banding_index(picture, NARROW, max_log_contrast=setting) == pytest.approx(
        open_index(picture, 8, setting), abs=5e-5
    )
    source = tmp_path / "picture.yuv"
    source.write_bytes(raw(picture, 8))
    frames, rounds = (4, 1) if smoke else (30, 5)
    size = picture.shape[1], picture.shape[0]
    out = np.empty_like(picture)
    ours, theirs, copies = [], [], []
    for _ in range(rounds):
        with_it = open_seconds(source, size, setting, frames)
        without = open_seconds(source, size, None, frames)
        theirs.append(max(with_it - without, 1e-9) / frames)
        start = time.process_time()
        for _ in range(4):
            banding_index(picture, NARROW, max_log_contrast=setting)
        ours.append((time.process_time() - start) / 4)
        start = time.perf_counter()
        for _ in range(16):
            np.copyto(out, picture)
        copies.append((time.perf_counter() - start) / 16)
    benchmark.group = "banding index"
    benchmark.pedantic(lambda: banding_index(picture, NARROW, max_log_contrast=setting), rounds=min(rounds, 3))
    faster = [their / our for their, our in zip(theirs, ours, strict=True)]
    steps = "one-code steps" if setting == ONE_CODE else "two-code steps"
    what = f"banding index, {name}, {steps}"
    ratios(
        f"{what}: times as fast as libvmaf",
        "footroom",
        (statistics.median(faster), min(theirs) / min(ours)),
        BOUND,
        at_least=True,
    )
    over = [our / copy for our, copy in zip(ours, copies, strict=True)]
    ratios(f"{what}: over a copy", "footroom", (statistics.median(over), min(ours) / min(copies)))
