"""Counts of scopes against numpy's own, codes of the other model against exact fractions, and what traces look like."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels import crossing as crossing_module
from footroom.kernels import scopes as scopes_module
from footroom.kernels.crossing import cross_codes, crossed
from footroom.kernels.encoding import round_half_away
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.matrix import Matrix
from footroom.kernels.scopes import vector_counts, waveform_counts
from footroom.kernels.signals import rgba_levels
from footroom.kernels.traces import Touched, area_density, bars, brightness, column_density, lay, mix


def random_planes(encoding, shape, step=(1, 1), seed=1):
    rng = np.random.default_rng([seed, encoding.depth, encoding.range])
    planes = []
    for channel in encoding.channels():
        across, down = step if channel is Channel.CHROMA else (1, 1)
        size = -(-shape[0] // down), -(-shape[1] // across)
        planes.append((rng.integers(0, encoding.maximum + 1, size) << encoding.bit_shift).astype(encoding.dtype_name))
    return planes


@pytest.mark.parametrize("depth", [8, 9, 10, 12, 14, 16])
@pytest.mark.parametrize("width", [1, 41, 700])
def test_a_vectorscope_counts_what_numpy_counts(depth, width):
    encoding = Encoding(depth, Range.NARROW)
    _, cb, cr = random_planes(encoding, (23, width))
    cr[5] = cr[5, 0]
    cb[5] = cb[5, 0]  # a flat line, on which counters wait for each other
    drop = max(depth - 10, 0)
    edges = np.arange(0, (1 << depth) + 1, 1 << drop) - 0.5
    expected, *_ = np.histogram2d(cb.ravel(), cr.ravel(), bins=(edges, edges))
    assert np.array_equal(vector_counts(cb, cr, encoding, drop=drop), expected)


def test_vectors_of_frames_add_up_and_the_compiled_loop_is_the_plain_one():
    encoding = Encoding(8, Range.FULL)
    planes = random_planes(encoding, (4, 300))
    total = vector_counts(*planes[1:], encoding, out=vector_counts(*planes[1:], encoding))
    assert np.array_equal(total, 2 * vector_counts(*planes[1:], encoding)) and total.sum() == 2 * planes[0].size
    plain = np.zeros(1 << 16, np.uint32)
    scopes_module._vectors.py_func(planes[1], planes[2], 255, 0, 0, 256, plain)
    assert np.array_equal(plain.reshape(256, 256), vector_counts(*planes[1:], encoding))


def test_shifted_words_and_words_past_the_last_code():
    plain, shifted = Encoding(10, Range.NARROW), Encoding(10, Range.NARROW, bit_shift=6)
    _, cb, cr = random_planes(plain, (9, 700))
    assert np.array_equal(vector_counts(cb << 6, cr << 6, shifted), vector_counts(cb, cr, plain))
    high = cb.copy()
    high[2, 300] = 40000
    assert np.array_equal(vector_counts(high, cr, plain), vector_counts(np.minimum(high, 1023), cr, plain))


@pytest.mark.parametrize(
    ("change", "words"),
    [({"drop": 3}, "drop must be 4..16"), ({"drop": 17}, "drop must be"), ({"cr": np.zeros((2, 3), np.uint16)}, "alike"),
     ({"drop": 8, "out": np.zeros((256, 256), np.int64)}, "out must be")],
)  # fmt: skip
def test_wrong_arguments_of_a_vectorscope_are_named(change, words):
    arguments = {"cb": np.zeros((2, 4), np.uint16), "cr": np.zeros((2, 4), np.uint16)} | change
    with pytest.raises(ValueError, match=words):
        vector_counts(arguments.pop("cb"), arguments.pop("cr"), Encoding(16, Range.FULL), **arguments)


@pytest.mark.parametrize("matrix", Matrix)
@pytest.mark.parametrize("range_", Range)
@pytest.mark.parametrize("depth", [8, 10, 12, 16])
@pytest.mark.parametrize("model", [Model.YCBCR, Model.RGB])
def test_codes_of_the_other_model_are_the_standards(model, depth, range_, matrix):
    """Exact fractions by encoding.py's levels and the matrix's equations; a code may be off only where it is nearly a half."""
    encoding = Encoding(depth, range_, model)
    made = crossed(encoding)
    planes = random_planes(encoding, (3, 40))
    out = [np.zeros((3, 40), made.dtype_name) for _ in range(3)]
    cross_codes(planes, encoding, out, matrix=matrix)
    turn = matrix.rgb if model is Model.YCBCR else matrix.ycbcr
    for y, x in np.ndindex(3, 40):
        levels = [
            encoding.level(int(plane[y, x]), channel)
            for plane, channel in zip(planes, encoding.channels(), strict=True)
        ]
        for plane, channel, level in zip(out, made.channels(), turn(tuple(levels)), strict=True):
            exact = level * made.span(channel) + made.zero(channel)
            held = min(max(exact, Fraction(0)), Fraction(made.maximum))
            near = abs((held % 1) - Fraction(1, 2)) < Fraction(1, 100)
            assert abs(int(plane[y, x]) - round_half_away(held)) <= near, (levels, channel)


@pytest.mark.parametrize("sampling", ["4:2:0", "4:2:2", "4:1:1", "4:4:0"])
@pytest.mark.parametrize("place", [(0, 1), (0, 0), (1, 1)])
def test_chroma_is_interpolated_as_levels_are_and_bands_are_the_whole(sampling, place):
    """Against `rgba_levels`, another kernel, whose own tests hold it against Pillow."""
    encoding, step = Encoding(10, Range.NARROW), SAMPLING_STEPS[sampling]
    planes = random_planes(encoding, (19, 26), step)
    whole = [np.zeros((19, 26), np.uint16) for _ in range(3)]
    cross_codes(planes, encoding, whole, step=step, place=place)
    levels = np.zeros((19, 26, 4), np.float32)
    rgba_levels(planes, encoding, levels, step=step, place=place)
    for number, plane in enumerate(whole):
        exact = np.clip(levels[..., number].astype(np.float64) * 876 + 64, 0, 1023)
        assert np.abs(plane - exact).max() < 0.51
    for top, end in ((0, 5), (5, 6), (6, 19)):
        band = [np.zeros((end - top, 26), np.uint16) for _ in range(3)]
        cross_codes(planes, encoding, band, step=step, place=place, rows=range(top, end))
        assert all(np.array_equal(part, plane[top:end]) for part, plane in zip(band, whole, strict=True))


def test_shifted_words_are_read_and_the_compiled_crossing_is_the_plain_one():
    plain, shifted = Encoding(10, Range.FULL), Encoding(10, Range.FULL, bit_shift=6)
    planes = random_planes(plain, (6, 20), (2, 2))
    first, second = ([np.zeros((6, 20), np.uint16) for _ in range(3)] for _ in range(2))
    cross_codes(planes, plain, first, step=(2, 2), place=(0, 1))
    cross_codes([plane << 6 for plane in planes], shifted, second, step=(2, 2), place=(0, 1))
    assert all(map(np.array_equal, first, second))
    compiled = crossing_module._cross
    try:
        crossing_module._cross = compiled.py_func
        cross_codes(planes, plain, second, step=(2, 2), place=(0, 1))
    finally:
        crossing_module._cross = compiled
    assert all(np.abs(a.astype(int) - b).max() <= 1 for a, b in zip(first, second, strict=True))  # fused multiply-adds


def test_what_cannot_be_crossed_is_named():
    encoding = Encoding(8, Range.FULL)
    planes = random_planes(encoding, (4, 4))
    out = [np.zeros((4, 4), np.uint8) for _ in range(3)]
    with pytest.raises(ValueError, match="gray"):
        crossed(Encoding(8, Range.FULL, Model.GRAY))
    with pytest.raises(ValueError, match="planes must fit"):
        cross_codes(planes, encoding, out, step=(2, 2))
    with pytest.raises(ValueError, match="rows must lie"):
        cross_codes(planes, encoding, out, rows=range(2, 6))
    with pytest.raises(ValueError, match="out must be"):
        cross_codes(planes, encoding, [np.zeros((4, 4), np.uint16)] * 3)


@pytest.mark.parametrize(("columns", "rows"), [(10, 30), (100, 400), (333, 77), (640, 1600), (3, 1)])
def test_a_column_s_density_adds_up_to_its_pixels(columns, rows):
    """Nothing is lost and nothing made, whatever the scope's size: a column of the scope holds one column's share in all."""
    encoding = Encoding(8, Range.NARROW)
    plane = np.random.default_rng(1).integers(0, 256, (50, 100)).astype(np.uint8)
    density = column_density(waveform_counts(plane, encoding, 100), (columns, rows), (0.0, 1.0))
    assert density.shape == (rows, columns)
    assert np.allclose(density.sum(0) * 400 / rows, 1, atol=1e-4)


def test_codes_lie_where_their_cells_say_and_uneven_columns_do_not_flicker():
    """One code in every pixel: its cell, and nothing else, is lit; a column of three pixels is no brighter than one of two."""
    encoding = Encoding(8, Range.FULL)
    counts = waveform_counts(np.full((10, 25), 64, np.uint8), encoding, 10)
    density = column_density(counts, (10, 512), (0.0, 1.0))
    lit = np.flatnonzero(density[:, 0])
    assert lit.tolist() == [512 - 130, 512 - 129]
    assert np.ptp(density[lit], axis=1).max() < 1e-6
    area = area_density(
        vector_counts(np.full((4, 4), 10, np.uint8), np.full((4, 4), 200, np.uint8), encoding), (256, 256), (0, 1)
    )
    assert [each.tolist() for each in area.nonzero()] == [[255 - 200], [10]]


def test_a_magnifier_shows_the_middle_alone():
    encoding = Encoding(8, Range.FULL)
    cb, cr = np.array([[128, 20]], np.uint8), np.array([[128, 20]], np.uint8)
    density = area_density(vector_counts(cb, cr, encoding), (400, 400), (-1.5, 2.5))
    assert density.any() and density.nonzero()[0].min() > 180 and density.nonzero()[0].max() < 205
    with pytest.raises(ValueError, match="cells must go up"):
        area_density(np.ones((2, 2), np.uint32), (4, 4), (1.0, 0.0))
    with pytest.raises(ValueError, match="size must be"):
        column_density(np.ones((2, 2), np.uint32), (0, 4), (0.0, 1.0))


def test_brightness_rises_from_nothing_to_one():
    shown = brightness(np.array([[0, 1e-4, 1e-3, 1e-2, 1.0]], np.float32), 6e-4, 0.04)[0]
    assert shown[0] == 0 and shown[-1] == 1 and (np.diff(shown) > 0).all()
    with pytest.raises(ValueError, match="faint and full"):
        brightness(np.zeros((1, 1), np.float32), 1.0, 0.5)


def test_bars_say_the_share_of_the_commonest_and_of_the_rarest_code():
    counts = np.zeros(256, np.int64)
    counts[::2] = 1  # every second code is empty: a comb
    counts[100] = 872
    drawn = bars(counts, (128, 100), (0.0, 1.0), 1e-5)
    # Two codes to a pixel: the rarest has none, so only the commonest is drawn, at half the light.
    assert drawn[:, 10].max() == 0.5
    height = 100 * (1 - np.log(1 / 999) / np.log(1e-5))
    assert abs(drawn[:, 10].sum() * 2 - height) < 1e-3
    assert abs(drawn[:, 50].sum() * 2 - 100 * (1 - np.log(872 / 999) / np.log(1e-5))) < 1e-3
    wide = bars(counts, (512, 100), (0.0, 1.0), 1e-5)  # two pixels to a code: what is there is whole
    assert abs(wide[:, 40].sum() - height) < 1e-3 and not wide[:, 42].any()
    with pytest.raises(ValueError, match="least must be"):
        bars(counts, (10, 10), (0.0, 1.0), 2.0)


def test_light_adds_up_and_a_drawing_lies_over_it():
    canvas = np.full((4, 5, 4), 0.25, np.float32)
    lay(canvas, np.full((2, 2), 0.5, np.float32), (1.0, 0.5, 0.0), (3, 1))
    assert np.allclose(canvas[1:3, 3:, 0], 1 - 0.75 * 0.5) and np.allclose(canvas[1:3, 3:, 1], 1 - 0.75 * 0.75)
    assert np.allclose(canvas[..., 2:], 0.25) and np.allclose(canvas[0], 0.25) and np.allclose(canvas[:, :3], 0.25)
    with pytest.raises(ValueError, match="must fit"):
        lay(canvas, np.ones((2, 3), np.float32), (1, 1, 1), (3, 1))
    drawn = np.zeros((4, 5, 4), np.float32)
    drawn[2, 2] = 0.1, 0.1, 0.1, 0.5
    before = canvas.copy()
    Touched(drawn).lay(canvas)
    assert np.allclose(canvas[2, 2], before[2, 2] * 0.5 + drawn[2, 2])
    canvas[2, 2] = before[2, 2]
    assert np.array_equal(canvas, before)


def test_mixing_codes_rounds_half_up_and_keeps_what_is_not_mixed():
    under, made = np.array([[100, 101, 60000]], np.uint16), np.array([[101, 101, 0]], np.uint16)
    out = np.zeros_like(under)
    mix(under, made, 0.5, out)
    assert out.tolist() == [[101, 101, 30000]]
    mix(under, made, 0.0, out)
    assert np.array_equal(out, under)
    mix(under << 4 >> 4, made, 1.0, out)
    assert np.array_equal(out, made)
    shifted = np.zeros_like(under)
    mix(np.array([[100 << 6]], np.uint16), np.array([[103 << 6]], np.uint16), 0.5, shifted[:, :1], 6)
    assert shifted[0, 0] == 102 << 6  # 101.5, up
    clear = np.zeros((1, 1))
    mixed = np.zeros((1, 1), np.float32)
    mix(np.array([[0.9]], np.float32), np.array([[0.2]], np.float32), 0.5, mixed, alpha=clear)
    assert mixed[0, 0] == np.float32(0.2)  # what was transparent adds nothing
