"""Blending against exact rationals, and what it must leave alone: untouched samples, tiles' seams, rows' layouts."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from overlay_reference import (
    DEPTHS,
    RANGES,
    RGBA,
    SITINGS,
    WEIGHTS,
    YCBCR,
    allowed,
    drawings,
    level_of,
    mixed,
    plane_pixels,
    random_codes,
)  # fmt: skip
from reference import exact, round_half_away

from footroom.host_adapter.lettering import lettering
from footroom.kernels import Channel, Encoding, Range, blending
from footroom.kernels import overlay as overlay_module
from footroom.kernels import runs as runs_module
from footroom.kernels.coverage import Box, Drawing, Layer, Polygon, Stencil, Tables
from footroom.kernels.matrix import Matrix
from footroom.kernels.overlay import Siting, Sparse, blend, premultiplied, sparse_planes

ENCODINGS = [Encoding(depth, range_) for depth in DEPTHS for range_ in RANGES]
IDS = [f"{encoding.range.label}{encoding.depth}" for encoding in ENCODINGS]
WHITE, BLACK = (1.0, 1.0, 1.0), (0.0, 0.0, 0.0)
CORNERS = [WHITE, BLACK, (0, 0, 1), (1, 0, 0), (1, 1, 0), (0, 1, 1)]
"""Colours that lie on end codes."""


def shape_of(sparse: Sparse) -> tuple[int, int]:
    return sparse.rows, sparse.columns


def check_exact(drawing: Drawing, encoding: Encoding, channels, siting: Siting, matrix: Matrix, seed: int) -> None:
    """Every sample of every plane against the rational blend; untouched ones and touched() against the coverage."""
    for number, sparse in enumerate(sparse_planes(drawing, encoding, channels, matrix=matrix, siting=siting)):
        pixels = plane_pixels(drawing, channels[number], siting)
        assert shape_of(sparse) == (len(pixels), len(pixels[0]))
        codes = random_codes(shape_of(sparse), encoding, seed + number)
        out = codes.copy()
        blend(out, sparse)
        covered = np.array([[pixel[3] > 0 for pixel in line] for line in pixels])
        assert np.array_equal(sparse.touched(), covered)
        assert np.array_equal(out[~covered], codes[~covered])
        for y, x in np.argwhere(covered):
            value = mixed(int(codes[y, x]), pixels[y][x], channels, number, encoding, matrix)
            fits = allowed(value, pixels[y][x][3], encoding.maximum)
            assert int(out[y, x]) in fits, f"{channels[number]} {y},{x}: {codes[y, x]} to {out[y, x]}, not {fits}"


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@settings(max_examples=20, deadline=None)
@given(drawings(), st.sampled_from(sorted(SITINGS)), st.sampled_from(sorted(WEIGHTS, key=str)), st.integers(0, 99))
def test_luma_and_chroma_are_the_exact_blend(encoding, drawing, siting, matrix, seed):
    check_exact(drawing, encoding, YCBCR, SITINGS[siting], matrix, seed)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@settings(max_examples=10, deadline=None)
@given(drawings(), st.integers(0, 99))
def test_red_green_blue_and_alpha_are_the_exact_blend(encoding, drawing, seed):
    check_exact(drawing, encoding, RGBA, Siting(), Matrix.BT709, seed)


@pytest.mark.parametrize("siting", SITINGS)
def test_every_sampling_is_the_exact_blend_where_text_slants_and_long_lines_meet(siting):
    """Random drawings seldom hold all kinds of runs in one row; this one does."""
    text = lettering("gÅ 9:16", 9, edge=1.0)
    layers = (
        Layer((Box(0, 0, 117, 24),), BLACK, 0.5),
        Layer((Box(3.25, 0, 4.5, 30), Box(2, 11.5, 118, 12.75)), (1.0, 0.75, 0.5)),
        Layer((Polygon(((20, 2), (115, 9), (115, 11), (20, 4))),), (0.5, 1.0, 0.75), 0.75),
        Layer((Stencil(-2, 5, text.edge),), BLACK, 0.625),
        Layer((Stencil(-2, 5, text.core),), WHITE),
    )
    check_exact(Drawing(121, 27, layers), Encoding(10, Range.NARROW), YCBCR, SITINGS[siting], Matrix.BT709, 5)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@pytest.mark.parametrize("matrix", sorted(WEIGHTS, key=str), ids=str)
@pytest.mark.parametrize("channels", [YCBCR, RGBA], ids=["ycbcr", "rgba"])
def test_full_coverage_gives_the_very_code_of_the_colour(encoding, matrix, channels):
    steps = (0.0, 0.0625, 0.5, 0.9375, 1.0)
    colours = [(red, green, blue) for red in steps for green in steps for blue in steps]
    layers = tuple(Layer((Box(x, 0, x + 1, 2),), colour) for x, colour in enumerate(colours))
    drawing = Drawing(len(colours), 2, layers)
    for number, sparse in enumerate(sparse_planes(drawing, encoding, channels, matrix=matrix)):
        out = random_codes(shape_of(sparse), encoding, 3)
        blend(out, sparse)
        for x, colour in enumerate(colours):
            pixel = (*(Fraction(part) for part in colour), Fraction(1))
            level, channel = level_of(pixel, channels, number, matrix), channels[number]
            full = encoding.range is Range.FULL or channel is Channel.ALPHA
            code = round_half_away(exact(level, encoding.depth, full, channel is Channel.CHROMA))
            code = min(code, encoding.maximum)
            assert code == encoding.code(level, channel)
            assert out[:, x].tolist() == [code] * 2, (channel, colour)


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@settings(max_examples=25, deadline=None)
@given(st.floats(0, 1, width=32), st.floats(0.0078125, 1, width=32), st.sampled_from(CORNERS))
@example(1.0, 1.0, (0, 0, 1))
@example(1.0, 1.0, (1, 0, 0))
def test_no_mixture_leaves_the_codes_and_a_colour_on_itself_stays(encoding, opacity, part, colour):
    """The end codes are where a rounding error would run over, into another 2^16 or past the depth."""
    drawing = Drawing(9, 1, (Layer((Box(0, 0, 9, part),), colour, opacity),))
    for number, sparse in enumerate(sparse_planes(drawing, encoding, (*YCBCR, *RGBA))):
        channel = (*YCBCR, *RGBA)[number]
        pixel = (*(Fraction(each) for each in colour), Fraction(1))
        own = encoding.code(level_of(pixel, (*YCBCR, *RGBA), number, Matrix.BT709), channel)
        out = np.array([[0, encoding.maximum, own] * 3], np.uint8 if encoding.depth == 8 else np.uint16)
        blend(out, sparse)
        dark, light, same = (int(code) for code in out[0, :3])
        assert out.tolist() == [[dark, light, same] * 3]  # blocks of eight and what is left over agree
        assert same == own
        assert 0 <= dark <= own <= light <= encoding.maximum


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@pytest.mark.parametrize("width", [7, 8, 16, 47, 60])
def test_every_code_is_the_exact_blend_in_blocks_and_what_is_left_of_them(encoding, width):
    """Alphas and colours that 65536ths hold, so nothing is near: (1 - a) code + a (zero + span level), rounded half up, of every code."""
    sixteenths = [(1 + 5 * x % 16, 3 * x % 17) for x in range(width)]  # of alpha and level
    if width == 60:
        sixteenths = [(7, 5)] * width  # alike from end to end
    layers = tuple(
        Layer((Box(x, 0, x + 1, 1 << 16),), (level / 16,) * 3, a / 16) for x, (a, level) in enumerate(sixteenths)
    )
    sparse = sparse_planes(Drawing(width, encoding.maximum + 1, layers), encoding, (Channel.RED,))[0]
    codes = np.arange(encoding.maximum + 1)[:, None] + np.zeros(width, int)
    out = codes.astype(np.uint8 if encoding.depth == 8 else np.uint16)
    blend(out, sparse)
    zero, span = encoding.zero(Channel.RED), encoding.span(Channel.RED)
    alpha, level = np.array(sixteenths).T
    exact256 = (16 - alpha) * 16 * codes + alpha * (16 * zero + span * level)
    assert np.array_equal(out, (exact256 + 128) // 256)


def test_rows_that_are_alike_share_runs_in_bands_and_blends():
    """What makes drawing cheap: an upright line of 100 rows, broken once, is a run for each band and each part, blended alike."""
    layer = Layer((Box(40.25, 0, 60, 50), Box(40.25, 52, 60, 100)), WHITE, 0.5)
    sparse = sparse_planes(Drawing(200, 100, (layer,)), Encoding(10, Range.NARROW), (Channel.LUMA,))[0]
    edges = [0, 16, 32, 48, 50, 52, 64, 80, 96, 100]
    assert runs_module.TALL == 16
    assert sparse.runs[:, :2].tolist() == [list(each) for each in pairwise(edges) if each != (50, 52)]
    assert sparse.runs[:, 2:].tolist() == [[40, 64, 0]] * 8 and sparse.blends.size == 3 * 24


def tiles(length: int, cuts: list[int]) -> list[tuple[int, int]]:
    edges = sorted({0, length, *(cut % (length + 1) for cut in cuts)})
    return list(pairwise(edges))


CUTS = st.lists(st.integers(0, 999), max_size=5)


@settings(max_examples=60, deadline=None)
@given(drawings(), st.sampled_from(sorted(SITINGS)), st.sampled_from([0, 6]), CUTS, CUTS, st.booleans())
def test_tiles_join_without_a_seam(drawing, siting, bit_shift, across, down, floating):
    encoding = None if floating else Encoding(10, Range.NARROW, bit_shift=bit_shift)
    for sparse in sparse_planes(drawing, encoding, YCBCR, siting=SITINGS[siting]):
        whole = random_codes(shape_of(sparse), Encoding(10, Range.NARROW), 8) << (0 if floating else bit_shift)
        whole = whole.astype(np.float32) / 1023 if floating else whole
        tiled = whole.copy()
        blend(whole, sparse)
        for y0, y1 in tiles(sparse.rows, down):
            for x0, x1 in tiles(sparse.columns, across):
                blend(tiled[y0:y1, x0:x1], sparse, origin=(y0, x0))
        assert np.array_equal(tiled, whole)


@settings(max_examples=15, deadline=None)
@given(drawings(), st.integers(-9, 9), st.integers(-9, 9))
def test_a_tile_may_reach_beyond_the_picture(drawing, top, beside):
    """A host's buffer with a border of its own: what lies outside the picture is left alone."""
    encoding = Encoding(10, Range.FULL)
    sparse = sparse_planes(drawing, encoding, YCBCR)[0]
    canvas = random_codes((sparse.rows + 40, sparse.columns + 40), encoding, 4)
    expected = canvas.copy()
    blend(expected[20:-20, 20:-20], sparse)
    y, x = 20 + top, 20 + beside
    view = canvas[y : y + sparse.rows, x : x + sparse.columns]
    blend(view, sparse, origin=(top, beside))
    inside = np.zeros(canvas.shape, bool)
    inside[y : y + sparse.rows, x : x + sparse.columns] = True
    before = random_codes(canvas.shape, encoding, 4)
    assert np.array_equal(canvas, np.where(inside, expected, before))


RICH = Drawing(
    61, 9,
    (
        Layer((Box(0, 1, 55.5, 8),), BLACK, 0.5),
        Layer((Box(3.25, 0.5, 4.75, 9), Box(8, 3, 9, 4), Box(58, 2, 60.25, 3)), (1.0, 0.75, 0.25), 0.875),
        Layer((Polygon(((12, 0), (50, 7), (50, 9), (12, 2))),), WHITE),
    ),
)  # fmt: skip
"""All kinds of runs: long alike ones, short ones, ones that end inside the last block of a row."""

LAYOUTS = {
    "rows from the bottom": lambda codes, spare: spare[: codes.shape[0], : codes.shape[1]][::-1],
    "padded rows": lambda codes, spare: spare[: codes.shape[0], : codes.shape[1]],
    "every second row": lambda codes, spare: spare[: 2 * codes.shape[0] : 2, : codes.shape[1]],
    "interleaved": lambda codes, spare: spare[: codes.shape[0], 1 : 2 * codes.shape[1] : 2],
    "columns from the right": lambda codes, spare: spare[: codes.shape[0], : codes.shape[1]][:, ::-1],
    "transposed": lambda codes, spare: spare.T[: codes.shape[0], : codes.shape[1]],
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float16, np.float32])
def test_the_layout_of_memory_makes_no_difference_and_nothing_beside_the_plane_changes(layout, dtype):
    floating = np.dtype(dtype).kind == "f"
    encoding = None if floating else Encoding(8 if dtype is np.uint8 else 10, Range.NARROW)
    for sparse in sparse_planes(RICH, encoding, YCBCR, siting=SITINGS["4:2:0"]):
        rng = np.random.default_rng(6)
        spare = rng.integers(0, 256, (150, 150)).astype(dtype)
        view = LAYOUTS[layout](np.empty(shape_of(sparse)), spare)
        packed = view.copy(order="C")
        marked = np.zeros(spare.shape, bool)
        LAYOUTS[layout](packed, marked)[...] = True
        before = spare.copy()
        blend(packed, sparse)
        blend(view, sparse)
        assert np.array_equal(view, packed) and not np.array_equal(packed, LAYOUTS[layout](packed, before))
        assert np.array_equal(spare[~marked], before[~marked])


@settings(max_examples=25, deadline=None)
@given(drawings(), st.sampled_from([(8, 8), (10, 6), (12, 4), (15, 1)]), st.sampled_from(RANGES), st.integers(0, 63))
def test_codes_in_the_high_bits_blend_as_codes_do(drawing, layout, range_, low_bits):
    """P010 and its like. Words that no guide touches stay as they are, whatever a careless writer left below the code."""
    depth, shift = layout
    plain, shifted = Encoding(depth, range_), Encoding(depth, range_, bit_shift=shift)
    sparse = sparse_planes(drawing, plain, YCBCR)
    for each, high in zip(sparse, sparse_planes(drawing, shifted, YCBCR), strict=True):
        codes = random_codes(shape_of(each), plain, 2).astype(np.uint16)
        words = (codes << shift) | (low_bits & ((1 << shift) - 1))
        out, high_out = codes.copy(), words.copy()
        blend(out, each)
        blend(high_out, high)
        assert np.array_equal(high_out >> shift, out)
        assert np.array_equal(high.touched(), each.touched())
        assert np.array_equal(high_out[~high.touched()], words[~high.touched()])


@settings(max_examples=40, deadline=None)
@given(drawings(), st.sampled_from(sorted(SITINGS)), st.integers(0, 99))
def test_levels_are_neither_clipped_nor_rounded_to_codes(drawing, siting, seed):
    for number, sparse in enumerate(sparse_planes(drawing, None, YCBCR, siting=SITINGS[siting])):
        pixels = plane_pixels(drawing, YCBCR[number], SITINGS[siting])
        levels = np.random.default_rng(seed).uniform(-2, 12, shape_of(sparse)).astype(np.float32)
        out, half = levels.copy(), levels.astype(np.float16)
        before_half = half.copy()
        blend(out, sparse)
        blend(half, sparse)
        alpha = np.array([[float(pixel[3]) for pixel in line] for line in pixels])
        colour = np.array([[float(level_of(pixel, YCBCR, number, Matrix.BT709)) for pixel in line] for line in pixels])
        # Alpha is kept to 65536ths; half of one at levels up to 12, and 24 bits of a float32.
        bound = 14 * 2**-17 + 1e-5
        assert np.abs(out - (levels * (1 - alpha) + colour)).max() <= bound
        assert np.abs(half - (before_half * (1 - alpha) + colour)).max() <= bound + 12 * 2**-11
        untouched = ~sparse.touched()
        assert np.array_equal(untouched, alpha == 0)
        assert np.array_equal(out[untouched], levels[untouched])
        assert np.array_equal(half[untouched], before_half[untouched])


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@pytest.mark.parametrize("channels", [YCBCR, RGBA], ids=["ycbcr", "rgba"])
def test_codes_over_the_last_code_blend_as_codes_do(encoding, channels):
    """Floating-point planes of a picture whose black is not 0: they hold code / M."""
    sampling = SITINGS["4:2:2"]
    for number, sparse in enumerate(sparse_planes(RICH, encoding, channels, siting=sampling, floating=True)):
        pixels = plane_pixels(RICH, channels[number], sampling)
        codes = random_codes(shape_of(sparse), encoding, number)
        out = (codes / encoding.maximum).astype(np.float32)
        blend(out, sparse)
        exact_codes = [
            [
                float(mixed(int(code), pixel, channels, number, encoding, Matrix.BT709, levels=True))
                for code, pixel in zip(*lines, strict=True)
            ]
            for lines in zip(codes, pixels, strict=True)
        ]
        # Alpha is kept to 65536ths, half of one at most from the exact one; the rest is float32.
        assert np.abs(out.astype(float) - np.array(exact_codes) / encoding.maximum).max() < 2**-17 + 2**-22
    with pytest.raises(ValueError, match="encoding must be given for integer planes, got None"):
        sparse_planes(RICH, None, channels, floating=False)


def test_levels_above_white_shine_through_half_coverage():
    drawing = Drawing(3, 1, (Layer((Box(0, 0, 1, 1),), BLACK, 0.5), Layer((Box(1, 0, 2, 1),), WHITE)))
    out = np.array([[8.0, 8.0, 8.0]], np.float32)
    blend(out, sparse_planes(drawing, None, (Channel.LUMA,))[0])
    assert out.tolist() == [[4.0, 1.0, 8.0]]


@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_untouched_levels_keep_their_very_bits(dtype):
    """Negative zero, infinities and not-a-number are in no guide's way."""
    levels = np.array([[-0.0, np.inf, -np.inf, np.nan, 65504, 6e-8, -6e-8, 1] * 4], dtype)
    before = levels.view(np.uint8).copy()
    sparse = sparse_planes(
        Drawing(32, 1, (Layer((Box(7, 0, 8, 1), Box(15, 0, 16, 1)), WHITE),)), None, (Channel.LUMA,)
    )[0]
    blend(levels, sparse)
    same = (levels.view(np.uint8) == before).reshape(1, 32, -1).all(2)
    assert np.array_equal(same, ~sparse.touched() | (np.arange(32) % 8 == 7)[None])


def test_two_builds_are_identical():
    for siting in SITINGS.values():
        pairs = zip(
            *(sparse_planes(RICH, Encoding(10, Range.NARROW), YCBCR, siting=siting) for _ in range(2)), strict=True
        )
        for one, two in pairs:
            for name in Sparse.__slots__:
                a, b = getattr(one, name), getattr(two, name)
                assert np.array_equal(a, b) and getattr(a, "dtype", None) == getattr(b, "dtype", None), name


@pytest.mark.parametrize("straight", [False, True])
@pytest.mark.parametrize(
    ("encoding", "dtype"),
    [
        (Encoding(8, Range.NARROW), np.uint8),
        (Encoding(16, Range.FULL), np.uint16),
        (Encoding(10, Range.NARROW, bit_shift=6), np.uint16),
        (None, np.float32),
    ],
)
@pytest.mark.parametrize("origin", [(0, 0), (2, 5), (-1, -3)])
def test_the_loops_and_their_compiled_forms_agree(encoding, dtype, origin, straight):
    for sparse in sparse_planes(RICH, encoding, YCBCR, siting=SITINGS["4:2:2"]):
        codes = np.random.default_rng(1).integers(0, 256, (7, 50)).astype(dtype)
        fast, plain, whole = codes.copy(), codes.copy(), codes.copy()
        alpha = codes[::-1].copy() if straight else None
        blend(whole, sparse, origin=origin, alpha=alpha)
        if not straight and encoding is not None and not encoding.bit_shift:
            given = (*origin, sparse.runs, sparse.blends)
            loop = blending._blend
        else:
            last = 0 if encoding is None else (1 << encoding.depth) - 1
            shift = encoding.bit_shift if encoding else 0
            given = (blending.OPAQUE if alpha is None else alpha, *origin, shift, last, sparse.runs, sparse.blends)
            loop = blending._blend_each
        loop(fast, *given)
        loop.py_func(plain, *given)
        assert np.array_equal(fast, plain) and np.array_equal(fast, whole) and not np.array_equal(fast, codes)


def test_the_search_for_runs_and_its_compiled_form_agree():
    dense = np.zeros((4, RICH.width))
    tables = Tables(RICH)
    coefficients = overlay_module._coefficients(Encoding(10, Range.NARROW), YCBCR, 0, Matrix.BT709, False)
    for y in range(RICH.height):
        tables.paint(y, dense)
        found = []
        for find in (runs_module._find_runs, runs_module._find_runs.py_func):
            runs, blends = np.zeros((3, 61), np.int64), np.zeros((2, 63 * 8))
            found.append((find(dense, coefficients, 48, 8, runs, blends), runs.tolist(), blends.tolist()))
        assert found[0] == found[1] and found[0][0][0] > 0


def test_joining_runs_and_its_compiled_form_agree():
    dense, tables = np.zeros((4, RICH.width)), Tables(RICH)
    coefficients = overlay_module._coefficients(Encoding(10, Range.NARROW), YCBCR, 0, Matrix.BT709, False)
    kept = []
    for join in (runs_module._join, runs_module._join.py_func):
        runs, blends = np.zeros((64, 5), np.int32), np.zeros((2, 2048))
        above, count, length = np.zeros(0, np.int64), 0, 0
        for y in range(RICH.height):
            tables.paint(y, dense)
            found, fresh = np.zeros((3, 61), np.int64), np.zeros((2, 63 * 8))
            numbers = np.zeros(runs_module._find_runs(dense, coefficients, 48, 8, found, fresh)[0], np.int64)
            count, length = join(found, fresh, y, y + 1, above, numbers, runs, blends, count, length)
            above = numbers
        kept.append((runs.tolist(), blends.tolist(), count, length))
    assert kept[0] == kept[1] and 0 < kept[0][2] < 64


def test_premultiplied_rows_are_rows_of_the_whole():
    whole = premultiplied(RICH)
    assert whole.shape == (9, 61, 4) and whole.dtype == np.float32
    for rows in (range(0, 1), range(2, 7), range(8, 9), range(4, 4)):
        assert np.array_equal(premultiplied(RICH, rows), whole[rows.start : rows.stop])


def test_a_drawing_of_nothing_touches_nothing():
    for drawing in (Drawing(5, 3, ()), Drawing(5, 3, (Layer((Box(9, 0, 12, 2), Box(1, 1, 1, 3)), WHITE),))):
        for sparse in sparse_planes(drawing, Encoding(8, Range.FULL), YCBCR, siting=SITINGS["4:2:0"]):
            codes = random_codes(shape_of(sparse), Encoding(8, Range.FULL), 1)
            out = codes.copy()
            blend(out, sparse)
            assert np.array_equal(out, codes) and not sparse.touched().any()


@pytest.mark.parametrize(
    ("plane", "encoding", "says"),
    [
        (np.zeros((1, 5), np.float32), Encoding(8, Range.FULL), "plane must be one of uint8, uint16, got float32"),
        (np.zeros((1, 5), np.uint8), None, "plane must be one of float16, float32, got uint8"),
        (np.zeros((1, 5), np.uint8), Encoding(10, Range.FULL), "plane"),
        (np.zeros((1, 5), np.int16), Encoding(10, Range.FULL), "int16"),
        (np.zeros((1, 5, 3), np.uint8), Encoding(8, Range.FULL), r"shape \(1, 5, 3\)"),
        (np.broadcast_to(np.uint8(0), (1, 5)), Encoding(8, Range.FULL), "plane is read-only"),
        ([[0]], Encoding(8, Range.FULL), "list"),
    ],
    ids=["levels for codes", "codes for levels", "8 bits for 10", "signed", "three axes", "read-only", "list"],
)
def test_a_plane_that_does_not_fit_is_refused(plane, encoding, says):
    sparse = sparse_planes(Drawing(5, 1, (Layer((Box(0, 0, 5, 1),), WHITE),)), encoding, (Channel.LUMA,))[0]
    with pytest.raises(ValueError, match=says):
        blend(plane, sparse)
