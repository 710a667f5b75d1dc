"""Guides over straight alpha: Porter and Duff's 'over' divided by its alpha, exactly, in codes and in levels.

Source: T. Porter and T. Duff, Compositing Digital Images, SIGGRAPH 1984, for premultiplied colour: over = source + (1 - alpha) backdrop.
Straight colour is that divided by the alpha that comes out.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from overlay_reference import RANGES, RGBA, SITINGS, YCBCR, drawings, mixed, plane_pixels, random_codes
from reference import round_half_away

from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.coverage import Box, Drawing, Layer
from footroom.kernels.matrix import Matrix
from footroom.kernels.overlay import blend, sparse_planes, under_chroma

YCBCRA = (*YCBCR, Channel.ALPHA)
ENCODINGS = [Encoding(depth, range_) for depth in (8, 10, 16) for range_ in RANGES]
IDS = [f"{encoding.range.label}{encoding.depth}" for encoding in ENCODINGS]


def over(code: int, under: Fraction, pixel, channels, number: int, encoding: Encoding) -> Fraction:
    """A straight code after the drawing went over it, before rounding. under : alpha 0..1 at the sample."""
    cover = pixel[3]
    drawn = mixed(
        0, pixel, channels, number, encoding, Matrix.BT709
    )  # the drawing times its coverage, on black of code 0
    return (drawn + (1 - cover) * under * code) / (cover + (1 - cover) * under)


def allowed(value: Fraction, made: Fraction, maximum: int) -> set[int]:
    """As overlay_reference.allowed: coverage is kept to 65536ths and colour comes in float32, here both over the alpha that comes out."""
    error = (Fraction(maximum, 2**16) + Fraction(1, 2**17) + Fraction(maximum, 2**24)) / made
    return {min(max(c, 0), maximum) for c in range(round_half_away(value - error), round_half_away(value + error) + 1)}


@pytest.mark.parametrize("channels", [RGBA, YCBCRA], ids=["rgba", "ycbcra"])
@pytest.mark.parametrize("shift", [0, 6], ids=["", "shifted"])
@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@settings(max_examples=8, deadline=None)
@given(drawings(), st.integers(0, 99))
def test_straight_codes_are_the_exact_over(encoding, channels, shift, drawing, seed):
    if shift and encoding.depth + shift > 16:
        return
    plain, encoding = encoding, Encoding(encoding.depth, encoding.range, encoding.model, shift)
    word = np.uint8 if encoding.depth == 8 and not shift else np.uint16
    made = sparse_planes(drawing, encoding, channels)
    alpha = random_codes((drawing.height, drawing.width), plain, seed).astype(word)
    for number, sparse in enumerate(made[:3]):
        codes = random_codes(alpha.shape, plain, seed + number + 1).astype(word)
        out = codes << shift
        blend(out, sparse, alpha=alpha << shift)
        out >>= shift
        pixels = plane_pixels(drawing, channels[number], SITINGS["4:4:4"])
        for y, x in np.ndindex(alpha.shape):
            pixel, under = pixels[y][x], Fraction(int(alpha[y, x]), plain.maximum)
            if not pixel[3]:
                assert out[y, x] == codes[y, x]
                continue
            value = over(int(codes[y, x]), under, pixel, channels, number, plain)
            fits = allowed(value, pixel[3] + (1 - pixel[3]) * under, plain.maximum)
            assert int(out[y, x]) in fits, (y, x, codes[y, x], out[y, x], fits)


@settings(max_examples=30, deadline=None)
@given(drawings(), st.integers(0, 99))
def test_straight_levels_are_the_exact_over(drawing, seed):
    rng = np.random.default_rng(seed)
    alpha = rng.uniform(0, 1, (drawing.height, drawing.width)).astype(np.float32)
    alpha[rng.integers(0, 4, alpha.shape) == 0] = 0
    *colours, last = sparse_planes(drawing, None, RGBA)
    for number, sparse in enumerate(colours):
        pixels = np.array(plane_pixels(drawing, RGBA[number], SITINGS["4:4:4"])).astype(float)
        cover, drawn = pixels[..., 3], pixels[..., number]
        levels = rng.uniform(-1, 4, alpha.shape).astype(np.float32)
        out, half = levels.copy(), levels.astype(np.float16)
        blend(out, sparse, alpha=alpha)
        made = cover + (1 - cover) * alpha
        expected = np.divide(drawn + (1 - cover) * alpha * levels, made, out=levels.astype(float), where=cover > 0)
        bound = (5 * 2**-16 + 1e-6) / np.where(made > 0, made, 1)  # coverage is kept to 65536ths
        assert (np.abs(out - expected) <= bound + 2e-6).all()
        assert np.array_equal(out[cover == 0], levels[cover == 0])
        blend(half, sparse, alpha=alpha.astype(np.float16))
        assert (np.abs(half - expected) <= 0.05 + bound).all()
    result = alpha.copy()
    blend(result, last)
    assert np.abs(result - made).max() < 2**-16


@pytest.mark.parametrize("encoding", [*ENCODINGS, None], ids=[*IDS, "levels"])
@settings(max_examples=10, deadline=None)
@given(drawings(), st.integers(0, 99))
def test_over_opaque_alpha_it_is_the_plain_blend_to_the_code(encoding, drawing, seed):
    for sparse in sparse_planes(drawing, encoding, YCBCR, siting=SITINGS["4:2:0"]):
        codes = random_codes((sparse.rows, sparse.columns), encoding or Encoding(10, Range.FULL), seed)
        codes = codes if encoding else codes.astype(np.float32) / 1023
        plain, straight = codes.copy(), codes.copy()
        blend(plain, sparse)
        blend(straight, sparse, alpha=np.full_like(codes, encoding.maximum if encoding else 1))
        assert np.array_equal(plain, straight) if encoding else np.abs(plain - straight).max() < 2e-7


def test_over_nothing_the_drawing_keeps_its_own_colour():
    """Half coverage over alpha 0: the colour is the drawing's alone, however little of it there is; alpha is its coverage."""
    drawing = Drawing(3, 1, (Layer((Box(0, 0, 2, 1),), (1.0, 0.0, 1.0), 0.5),))
    encoding = Encoding(8, Range.FULL, Model.RGB)
    planes = [np.full((1, 3), code, np.uint8) for code in (10, 200, 30)]
    alpha = np.array([[0, 255, 0]], np.uint8)
    *colours, last = sparse_planes(drawing, encoding, RGBA)
    for plane, sparse in zip(planes, colours, strict=True):
        blend(plane, sparse, alpha=alpha)
    blend(alpha, last)
    # (0.5 * 255 + 0.5 * 10) = 132.5, rounded up; (0.5 * 0 + 0.5 * 200) = 100; (0.5 * 255 + 0.5 * 30) = 142.5.
    assert [plane.tolist() for plane in planes] == [[[255, 133, 10]], [[0, 100, 200]], [[255, 143, 30]]]
    assert alpha.tolist() == [[128, 255, 0]]


@pytest.mark.parametrize("step", [(2, 1), (2, 2), (4, 1), (1, 2)])
@pytest.mark.parametrize(("dtype", "shift"), [(np.uint8, 0), (np.uint16, 0), (np.uint16, 6), (np.float32, 0)])
def test_alpha_under_chroma_is_the_mean_of_what_a_sample_lies_under(step, dtype, shift):
    floating = np.dtype(dtype).kind == "f"
    (across, down), rng = step, np.random.default_rng(2)
    codes = rng.integers(0, 256, (7, 13))
    alpha = (codes / 255).astype(dtype) if floating else (codes << shift).astype(dtype)
    found = under_chroma(alpha, step, shift)
    assert found.shape == (-(-7 // down), -(-13 // across)) and found.dtype == alpha.dtype
    for y, x in np.ndindex(found.shape):
        # Beyond the edges the last pixel repeats, as in the drawing's own chroma.
        under = [
            int(codes[min(y * down + dy, 6), min(x * across + dx, 12)]) for dy in range(down) for dx in range(across)
        ]
        mean = Fraction(sum(under), len(under))
        if floating:
            assert found[y, x] == pytest.approx(float(mean) / 255, abs=1e-6)
        else:
            assert int(found[y, x]) >> shift == round_half_away(mean)


@pytest.mark.parametrize("wrong", [np.zeros((1, 4), np.uint8), np.zeros((1, 5), np.uint16)], ids=["shape", "type"])
def test_an_alpha_that_does_not_fit_is_refused(wrong):
    sparse = sparse_planes(Drawing(5, 1, ()), Encoding(8, Range.FULL), (Channel.LUMA,))[0]
    with pytest.raises(ValueError, match="alpha must have the plane's shape"):
        blend(np.zeros((1, 5), np.uint8), sparse, alpha=wrong)
