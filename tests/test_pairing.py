"""Kernels of twins: area means, and bringing pictures together in time and place."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation
from skimage.transform import AffineTransform, warp

from footroom.kernels import cells as kernel_cells
from footroom.kernels.aligning import Place, likeness, refine, sample
from footroom.kernels.cells import cell_ends, cell_means, through
from footroom.kernels.searching import find_window
from footroom.kernels.timing import lagged_products, offset_scores, time_offset

EDGES = st.lists(st.floats(0, 1), min_size=2, max_size=6, unique=True).map(sorted)


@given(EDGES, EDGES, st.integers(0, 9))
@settings(max_examples=40, deadline=None)
def test_means_are_the_areas_own(x, y, seed):
    """Against the integral of a plane of constant samples, taken on a raster fine enough to hold every edge."""
    plane = np.random.default_rng(seed).integers(0, 1024, (5, 7)).astype(np.uint16)
    x_edges, y_edges = np.round(np.array(x) * 56) / 8, np.round(np.array(y) * 40) / 8  # eighths of a sample
    x_edges, y_edges = np.unique(x_edges), np.unique(y_edges)
    if len(x_edges) < 2 or len(y_edges) < 2:
        return
    fine = np.kron(plane, np.ones((8, 8)))
    want = [
        [fine[int(8 * top) : int(8 * bottom), int(8 * left) : int(8 * right)].mean()
         for left, right in pairwise(x_edges)]
        for top, bottom in pairwise(y_edges)
    ]  # fmt: skip
    assert cell_means(plane, x_edges, y_edges) == pytest.approx(np.array(want), abs=1e-9)


def test_ends_hold_every_sample_that_is_touched():
    plane = np.arange(24, dtype=np.uint8).reshape(4, 6)
    lows, highs = cell_ends(plane, np.array([0.0, 1.5, 3.0]), np.array([0.0, 2.0, 4.0]))
    assert lows.tolist() == [[0, 1], [12, 13]]
    assert highs.tolist() == [[7, 8], [19, 20]]


@pytest.mark.parametrize("edges", [[0.0], [0.0, 0.0], [1.0, 0.5], [-0.1, 2.0], [0.0, 7.1]])
def test_edges_that_are_none_are_refused(edges):
    with pytest.raises(ValueError, match="x_edges"):
        cell_means(np.zeros((4, 6), np.uint8), np.array(edges), np.array([0.0, 4.0]))


def test_the_loops_are_the_compiled_ones():
    plane = np.random.default_rng(1).integers(0, 256, (9, 11)).astype(np.uint8)
    x, y = np.array([0.25, 4.0, 10.5]), np.array([0.5, 8.75])
    means = np.empty((1, 2))
    kernel_cells._means.py_func(plane, x, y, means)
    assert means == pytest.approx(cell_means(plane, x, y))


def test_a_table_maps_every_code_and_words_past_its_end():
    source = np.array([[0, 1, 255], [3, 4, 200]], np.uint8)
    table = np.arange(5, dtype=np.uint16) * 100
    out = np.zeros((2, 3), np.uint16)
    through(source, table, out)
    assert out.tolist() == [[0, 100, 400], [300, 400, 400]]


def picture(name: str = "coffee") -> np.ndarray:
    return np.asarray(getattr(skimage.data, name)(), float)[..., :3].mean(-1) / 255


@pytest.mark.parametrize("factor", [1.0, 2.0])
def test_shift_and_scale_come_out_to_a_fraction_of_a_pixel(factor):
    """Made by skimage's warp (cubic), found again; and skimage's own registration agrees on the shift."""
    image = picture()
    shift, stretch = (1.3, -0.7), 1.004
    first, second = [], []
    for index in range(3):
        start = np.array([30 + 9 * index, 40 + 5 * index])
        first.append(warp(image, AffineTransform(translation=start), output_shape=(270, 400), order=3))
        # pixel edge X of the first is at (X - shift) / (factor stretch) in the second
        step = factor * stretch
        move = start + np.array(shift) + 0.5 * step - 0.5
        made = AffineTransform(scale=step, translation=move)
        second.append(warp(image, made, output_shape=(int(270 / factor), int(400 / factor)), order=3))
    place = refine(first, [0.8 * each + 0.1 for each in second], Place())
    width, height = 400 / factor, 270 // factor
    step = factor * stretch
    want = (-shift[0] / step, -shift[1] / step, (400 - shift[0]) / step, (270 - shift[1]) / step)
    found = (place.left * width, place.top * height, place.right * width, place.bottom * height)
    assert found == pytest.approx(want, abs=0.06)
    if factor == 1.0:
        moved, *_ = phase_cross_correlation(first[0][20:-20, 20:-20], second[0][20:-20, 20:-20], upsample_factor=50)
        assert moved == pytest.approx([shift[1] + 0.004 * 135, shift[0] + 0.004 * 200], abs=0.35)


@pytest.mark.parametrize("turned", [(False, False), (True, False), (False, True)])
def test_a_part_is_found_in_the_whole(turned):
    image = picture("astronaut")
    part = image[60:260, 110:410]
    part = part[:: -1 if turned[1] else 1, :: -1 if turned[0] else 1]
    whole_cells = cell_means(image, np.linspace(0, 512, 161), np.linspace(0, 512, 161))
    part_cells = cell_means(np.ascontiguousarray(part), np.linspace(0, 300, 161), np.linspace(0, 200, 108))
    place, score = find_window(part_cells, whole_cells)
    assert score > 0.95
    across, down = (110 / 512, 410 / 512), (60 / 512, 260 / 512)
    assert (place.left, place.right) == pytest.approx(across[::-1] if turned[0] else across, abs=0.012)
    assert (place.top, place.bottom) == pytest.approx(down[::-1] if turned[1] else down, abs=0.012)
    back, _ = find_window(whole_cells, part_cells)
    # The whole in the part: the inverse, so that the part's left edge comes out at 0 of the part.
    at = across[1] if turned[0] else across[0]
    assert float(back.across(at)) == pytest.approx(0, abs=0.03)


def pan(frames: int, start: int = 0) -> np.ndarray:
    image = picture("astronaut")
    return np.stack([
        cell_means(np.ascontiguousarray(image[100:280, 20 + 4 * at : 340 + 4 * at]), np.linspace(0, 320, 49), np.linspace(0, 180, 28))
        for at in range(start, start + frames)
    ])  # fmt: skip


@pytest.mark.parametrize("later", [-9, 0, 4])
def test_the_offset_in_time_is_found_under_any_range(later):
    rng = np.random.default_rng(1)
    whole = pan(40)
    a, b = whole[max(0, -later) :][:20], 0.73 * whole[max(0, later) :][:20] + 0.12
    found = time_offset(a, b + rng.normal(size=b.shape) * 0.002, 5)
    assert found.offset == -later
    assert found.lead > 5


def test_what_stands_still_tells_no_offset():
    rng = np.random.default_rng(1)
    still = np.repeat(pan(1), 20, axis=0)
    a, b = (still + rng.normal(size=still.shape) * 0.002 for _ in range(2))
    assert time_offset(a, b, 5).lead < 5


def test_scores_are_correlations():
    """Against numpy's own, offset by offset."""
    a, b = pan(6), pan(9, 3) * 0.5 + 0.2
    scores, overlaps = offset_scores(a, b)
    for at, offset in enumerate(range(-5, 9)):
        begin = max(0, -offset)
        end = min(6, 9 - offset)
        assert overlaps[at] == end - begin
        one, two = a[begin:end].ravel(), b[begin + offset : end + offset].ravel()
        assert scores[at] == pytest.approx(np.corrcoef(one, two)[0, 1], abs=1e-9)


def test_likeness_tells_scenes_apart():
    one, other = pan(3), pan(3, 30)
    assert likeness(one, 0.7 * one + 0.1) > 0.999
    assert likeness(one, other[:, ::-1]) < 0.4


def test_a_place_outside_is_nothing():
    plane = np.ones((8, 8), np.uint8)
    shares = np.linspace(0, 1, 5), np.linspace(0, 1, 5)
    cut = sample(plane, Place(-0.5, 0, 0.5, 1), shares, ((8, 0), (8, 0)))
    assert np.isnan(cut[:, :2]).all()
    assert (cut[:, 2:] == 1).all()


@pytest.mark.parametrize(("first", "second"), [(1, 1), (7, 40), (64, 64), (65, 3)])
def test_products_at_every_offset_are_the_plain_sums(first, second):
    rng = np.random.default_rng(first)
    a, b = rng.normal(size=(first, 35)), rng.normal(size=(second, 35))
    found = lagged_products(a, b)
    products = a @ b.T
    for offset in range(1 - first, second):
        assert found[offset] == pytest.approx(np.trace(products, offset=offset), abs=1e-9)
