"""Scopes: what counting, crossing to the other model and drawing take, over a plain copy of a plane; numpy's histograms beside them."""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np
import pytest

from footroom.host_adapter.image import Image, Window
from footroom.host_adapter.scopes.measure import measure
from footroom.host_adapter.scopes.page import Page, Shown
from footroom.kernels import Encoding, Model, Range
from footroom.kernels.crossing import cross_codes
from footroom.kernels.encoding import PLANE_CHANNELS
from footroom.kernels.matrix import Matrix
from footroom.kernels.occupancy import counts
from footroom.kernels.scopes import vector_counts, waveform_counts

NARROW = Encoding(10, Range.NARROW)


@pytest.fixture(scope="module")
def planes(request) -> list[np.ndarray]:
    """Y'CbCr 4:2:0: a smooth sky with grain over a noisy half, as bench_kernels has it, and colours round several middles."""
    rows, columns = (216, 384) if request.config.getoption("--smoke") else (2160, 3840)
    rng = np.random.default_rng(1)
    sky = np.linspace(90, 900, columns)[None] + np.linspace(0, 80, rows)[:, None] + rng.normal(0, 2, (rows, columns))
    sky[rows // 2 :] += rng.normal(0, 60, (rows - rows // 2, columns))
    made = [np.clip(np.round(sky), 0, 1023).astype(np.uint16)]
    for sign in (1, -1):
        slope = np.linspace(-150, 150, columns // 2)[None] * sign + rng.normal(0, 15, (rows // 2, columns // 2))
        made.append(np.clip(np.round(512 + slope), 0, 1023).astype(np.uint16))
    return made


def against_copy(copied: list[np.ndarray], run: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Time of `run` over that of copying planes, taking turns: the median of the turns, and fastest over fastest."""
    outs = [np.empty_like(plane) for plane in copied]
    run()
    turns = []
    for _ in range(rounds):
        start = time.perf_counter()
        for out, plane in zip(outs, copied, strict=True):
            np.copyto(out, plane)
        middle = time.perf_counter()
        run()
        turns.append((time.perf_counter() - middle, middle - start))
    ratios = median(ours / copy for ours, copy in turns)
    return ratios, min(ours for ours, _ in turns) / min(copy for _, copy in turns)


@pytest.fixture
def rounds(smoke: bool) -> int:
    return 2 if smoke else 15


def test_counting(benchmark, planes, rounds, ratios):
    luma, cb, cr = planes
    columns = 1400 if luma.shape[1] == 3840 else 48
    edges = np.arange(1025) - 0.5

    def peer():
        return np.histogram2d(cb.ravel(), cr.ravel(), bins=(edges, edges))[0]

    assert np.array_equal(vector_counts(cb, cr, NARROW), peer())
    assert np.array_equal(counts(luma, NARROW), np.bincount(luma.ravel(), minlength=1024))
    benchmark.group = "scopes"
    benchmark.pedantic(lambda: vector_counts(cb, cr, NARROW), rounds=min(rounds, 5))
    ratios("vectorscope", "footroom", against_copy([cb, cr], lambda: vector_counts(cb, cr, NARROW), rounds), 16)
    ratios("vectorscope", "numpy, histogram2d", against_copy([cb, cr], peer, 2))
    run = against_copy([luma], lambda: waveform_counts(luma, NARROW, columns), rounds)
    ratios(f"waveform of {columns} columns", "footroom", run, 20)
    ratios("histogram", "footroom", against_copy([luma], lambda: counts(luma, NARROW), rounds), 6)
    ratios("histogram", "numpy, bincount", against_copy([luma], lambda: np.bincount(luma.ravel(), minlength=1024), 3))


def test_crossing(benchmark, planes, rounds, ratios):
    luma = planes[0]
    out = [np.empty_like(luma) for _ in range(3)]

    def run():
        cross_codes(planes, NARROW, out, step=(2, 2), place=(0, 1))

    benchmark.group = "scopes"
    benchmark.pedantic(run, rounds=min(rounds, 5))
    assert out[0].any()
    ratios("R'G'B' codes of 4:2:0, over a copy of three planes", "footroom", against_copy(out, run, rounds), 8)


@pytest.mark.parametrize("kind", ["waveform", "parade", "vectorscope", "histogram", "all"])
def test_pages(benchmark, planes, rounds, ratios, kind):
    rows, columns = planes[0].shape
    whole = Window(0, 0, columns, rows)
    source = Image(tuple(planes), PLANE_CHANNELS[Model.YCBCR], NARROW, whole, whole, "4:2:0", None, Matrix.BT709)
    size = (1920, 1080) if columns == 3840 else (480, 270)
    page = Page(kind, size, [Shown(NARROW, Model.YCBCR, Matrix.BT709, "a title")])
    wanted = page.wanted(0)
    measured = measure(source, NARROW, wanted)
    assert page.draw([measured]).max() <= 1.0001
    benchmark.group = "scopes"
    benchmark.pedantic(lambda: measure(source, NARROW, wanted), rounds=2)
    few = min(rounds, 7)
    ratios(f"{kind}: measured", "footroom", against_copy(planes, lambda: measure(source, NARROW, wanted), few))
    ratios(
        f"{kind}: drawn at {size[0]}x{size[1]}", "footroom", against_copy(planes, lambda: page.draw([measured]), few)
    )
