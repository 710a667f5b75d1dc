"""R'G'B' for looking at, against colour-science's equations, and chroma where its samples lie."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import colour
import numpy as np
import pytest
from survey_pictures import info_of

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.viewing import as_shown, in_proportion, matrix_of
from footroom.kernels.encoding import Encoding, Model, Range
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.matrix import Matrix

ENCODINGS = [Encoding(depth, range_) for depth in (8, 10, 12) for range_ in Range]


def dtype_of(encoding: Encoding) -> type:
    return np.uint8 if encoding.dtype_name == "uint8" else np.uint16


def by_colour(codes: np.ndarray, encoding: Encoding, matrix: Matrix) -> np.ndarray:
    """R'G'B' 0..255, unrounded, by colour-science from codes [..., 3]; its full-range chroma zero is M/2, ours 2^(n-1)."""
    legal = encoding.range is Range.NARROW
    given = codes.astype(np.float64)
    if not legal:
        # H.273 puts the neutral code of full range at 2^(n-1): handed over as levels about colour's own zero.
        given = (given - [0, encoding.neutral, encoding.neutral]) / encoding.maximum
        shown = colour.YCbCr_to_RGB(
            given,
            K=[float(matrix.red), float(matrix.blue)],
            in_legal=False,
            in_int=False,
            out_legal=False,
            out_int=False,
        )
    else:
        shown = colour.YCbCr_to_RGB(
            given, K=[float(matrix.red), float(matrix.blue)], in_bits=encoding.depth, in_legal=True, in_int=True,
            out_legal=False, out_int=False,
        )  # fmt: skip
    return np.clip(shown, 0, 1) * 255


@pytest.mark.parametrize("matrix", Matrix)
@pytest.mark.parametrize("encoding", ENCODINGS, ids=lambda e: f"{e.depth}-{e.range.label}")
def test_codes_are_shown_as_colour_science_shows_them(encoding, matrix):
    ends = (0, encoding.black(), encoding.neutral, encoding.white(), encoding.maximum)
    corners = np.array(list(itertools.product(ends, repeat=3)))
    some = np.random.default_rng(encoding.depth).integers(0, encoding.maximum + 1, (4000, 3))
    codes = np.concatenate([corners, some])
    planes = [codes[:, channel][None].astype(dtype_of(encoding)) for channel in range(3)]
    shown = as_shown(planes, encoding, matrix=matrix, sampling="4:4:4")[0]
    assert np.abs(shown - by_colour(codes, encoding, matrix)).max() <= 0.5 + 1e-3


@pytest.mark.parametrize("sampling", [name for name in SAMPLING_STEPS if name != "gray"])
@pytest.mark.parametrize("size", [(1, 1), (2, 2), (3, 5), (7, 4), (16, 9)])
def test_a_flat_colour_is_that_colour_in_every_sampling(sampling, size):
    encoding = Encoding(10, Range.NARROW)
    # 100 % red of BT.709 in 10-bit narrow codes: check-value from colour-science, RGB_to_YCbCr([1, 0, 0]).
    step = SAMPLING_STEPS[sampling]
    small = tuple(-(-side // by) for side, by in zip(size, (step[1], step[0]), strict=True))
    planes = [
        np.full(shape, code, np.uint16) for shape, code in zip((size, small, small), (250, 409, 960), strict=True)
    ]
    shown = as_shown(planes, encoding, matrix=Matrix.BT709, sampling=sampling)
    assert shown.dtype == np.uint8
    assert shown.shape == (*size, 3)
    assert (shown == [255, 0, 0]).all()


def test_grey_steps_have_no_colour_and_the_right_level():
    for encoding in ENCODINGS:
        luma = np.array([[encoding.code(Fraction(step, 255)) for step in range(256)]], dtype_of(encoding))
        chroma = np.full((1, 128), encoding.neutral, dtype_of(encoding))
        shown = as_shown([luma, chroma, chroma], encoding, matrix=Matrix.BT2020, sampling="4:2:2")[0]
        assert (shown == shown[:, :1]).all()
        assert np.abs(shown[:, 0] - np.arange(256.0)).max() <= 1


@pytest.mark.parametrize(
    ("sampling", "siting", "place"),
    # Luma columns and rows from the first luma sample to the first chroma sample. Source: H.273 8.7, from memory.
    [
        ("4:2:0", None, (0, 0.5)),
        ("4:2:0", "left", (0, 0.5)),
        ("4:2:0", "centre", (0.5, 0.5)),
        ("4:2:0", "top left", (0, 0)),
        ("4:2:0", "top", (0.5, 0)),
        ("4:2:0", "bottom left", (0, 1)),
        ("4:2:0", "bottom", (0.5, 1)),
        ("4:2:2", None, (0, 0)),
        ("4:1:1", None, (0, 0)),
        ("4:4:0", None, (0, 0.5)),
    ],
)
@pytest.mark.parametrize("across", [True, False])
def test_a_slope_of_chroma_stays_where_its_samples_lie(sampling, siting, place, across):
    encoding = Encoding(12, Range.FULL)
    step = SAMPLING_STEPS[sampling][0 if across else 1]
    first = place[0 if across else 1]
    rows, columns = 32, 64
    luma = np.full((rows, columns), encoding.code(Fraction(1, 2)), np.uint16)
    small = (rows // SAMPLING_STEPS[sampling][1], columns // SAMPLING_STEPS[sampling][0])
    samples = np.arange(small[1 if across else 0])
    slope = encoding.neutral + 20 * (first + step * samples)  # 20 codes to a luma sample, exact at its place
    slope = slope[None, :] if across else slope[:, None]
    red = np.broadcast_to(slope, small).astype(np.uint16)
    blue = np.full(small, encoding.neutral, np.uint16)
    shown = as_shown([luma, blue, red], encoding, matrix=Matrix.BT709, sampling=sampling, siting=siting)
    line = (shown[rows // 2] if across else shown[:, columns // 2])[:, 0].astype(float)
    at = np.arange(line.size)
    expected = 255 * (0.5 + 1.5748 * 20 * at / encoding.maximum)  # BT.709-6 item 3.2: R' = Y' + 1.5748 Cr
    inner = slice(step, -2 * step)  # beyond the outermost samples chroma is held
    assert (
        np.abs(line - np.clip(expected, 0, 255))[inner].max() <= 0.6
    )  # half a step of eight bits, and luma's half code


def test_odd_sizes_keep_the_last_column_and_row():
    encoding = Encoding(8, Range.NARROW)
    luma = np.full((5, 7), 126, np.uint8)
    red = np.full((3, 4), 128, np.uint8)
    red[-1, -1] = 240
    shown = as_shown([luma, np.full_like(red, 128), red], encoding, matrix=Matrix.BT601, sampling="4:2:0")
    assert shown[4, 6, 0] == 255
    assert (shown[:2, :4] == shown[0, 0]).all()


def test_rgb_gray_shifted_codes_and_levels():
    rgb = Encoding(10, Range.NARROW, Model.RGB)
    planes = [
        np.array([[64, 940, 1023]], np.uint16),
        np.array([[940, 502, 4]], np.uint16),
        np.array([[64] * 3], np.uint16),
    ]
    assert as_shown(planes, rgb, matrix=Matrix.BT709, sampling="4:4:4").tolist() == [
        [[0, 255, 0], [255, 128, 0], [255, 0, 0]]
    ]
    gray = Encoding(8, Range.FULL, Model.GRAY)
    every = np.arange(256, dtype=np.uint8)[None]
    assert (as_shown([every], gray, matrix=Matrix.BT709, sampling="gray") == every[..., None]).all()
    levels = [np.array([[-1.0, 0.5, 7.0, np.inf, np.nan]], kind) for kind in (np.float16, np.float32, np.float32)]
    shown = as_shown(levels, None, matrix=Matrix.BT709, sampling="4:4:4")
    assert shown[0, :, 0].tolist() == [0, 128, 255, 255, 0]
    shifted = Encoding(10, Range.NARROW, Model.YCBCR, bit_shift=6)
    plain = [np.array([[code]], np.uint16) for code in (600, 300, 700)]
    assert np.array_equal(
        as_shown([plane << 6 for plane in plain], shifted, matrix=Matrix.BT709, sampling="4:4:4"),
        as_shown(plain, Encoding(10, Range.NARROW), matrix=Matrix.BT709, sampling="4:4:4"),
    )


def test_planes_are_left_alone():
    planes = [np.full((2, 2), 0.5, np.float32) for _ in range(3)]
    for plane in planes:
        plane.setflags(write=False)
    as_shown(planes, None, matrix=Matrix.BT709, sampling="4:4:4")
    assert all((plane == 0.5).all() for plane in planes)


@pytest.mark.parametrize(
    ("shapes", "encoding", "sampling", "said"),
    [
        ([(4, 4)], Encoding(8, Range.FULL), "4:2:0", "must be 3 of ycbcr, got 1"),
        ([(4, 4), (2, 2), (4, 2)], Encoding(8, Range.FULL), "4:2:0", r"\(2, 2\) for luma of \(4, 4\), got \(4, 2\)"),
        ([(4, 4), (2, 2), (2, 2)], Encoding(8, Range.FULL), "4:2:9", "sampling must be one of .* got '4:2:9'"),
        ([(4, 4), (2, 2), (4, 4)], Encoding(8, Range.FULL, Model.RGB), "4:4:4", "one shape"),
        ([(4, 4)] * 3, None, "4:4:4", "encoding must be given for codes"),
    ],
)
def test_what_does_not_fit_together_is_named(shapes, encoding, sampling, said):
    with pytest.raises(ValueError, match=said):
        as_shown([np.zeros(shape, np.uint8) for shape in shapes], encoding, matrix=Matrix.BT709, sampling=sampling)


@pytest.mark.parametrize(
    ("matrix", "primaries", "size", "expected"),
    [
        ("bt709", None, (64, 36), Matrix.BT709),
        ("smpte170m", None, (1920, 1080), Matrix.BT601),
        ("bt470bg", None, (1920, 1080), Matrix.BT601),
        ("smpte240m", None, (1920, 1080), Matrix.ST240),
        ("fcc", None, (1920, 1080), Matrix.FCC),
        ("bt2020nc", None, (64, 36), Matrix.BT2020),
        ("chroma-derived-nc", "bt2020", (64, 36), Matrix.BT2020),
        (None, None, (720, 576), Matrix.BT601),
        (None, None, (1280, 720), Matrix.BT709),
        (None, None, (608, 1080), Matrix.BT709),
        (None, None, (1280, 536), Matrix.BT709),
        ("gbr", None, (720, 576), Matrix.BT601),
    ],
)
def test_the_matrix_is_the_files_word_else_common_practice(matrix, primaries, size, expected):
    info = replace(info_of(), matrix=matrix, primaries=primaries, width=size[0], height=size[1])
    assert matrix_of(info) is expected


@pytest.mark.parametrize("matrix", ["ictcp", "ycgco", "bt2020c", "chroma-derived-c", "chroma-derived-nc", "ipt-c2"])
def test_a_matrix_of_other_equations_is_a_problem(matrix):
    with pytest.raises(Problem, match=f"'{matrix}'"):
        matrix_of(replace(info_of(), matrix=matrix, primaries=None))
    assert matrix_of(replace(info_of(), matrix=matrix, model=Model.RGB, height=1080)) is Matrix.BT709


def test_squeezed_and_turned_pictures_are_put_in_proportion():
    shown = np.zeros((4, 6, 3), np.uint8)
    shown[:, :3] = 255
    wide = in_proportion(shown, Fraction(2))
    assert wide.shape == (4, 12, 3)
    assert (wide[:, :4] > 240).all()  # the filter rings beside an edge
    assert (wide[:, 8:] < 15).all()
    assert in_proportion(shown, Fraction(4, 3), turned=90).shape == (8, 4, 3)
    # Turned clockwise, what was left is at the top.
    assert (in_proportion(shown, Fraction(1), turned=90)[:3] == 255).all()
    assert np.array_equal(in_proportion(shown, Fraction(1), turned=180), shown[::-1, ::-1])
