"""R'G'B' to Y'CbCr against colour-science and against the standards' equations as printed."""

from __future__ import annotations

from fractions import Fraction

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from footroom.kernels.matrix import Matrix

LEVELS = st.fractions(-1, 2, max_denominator=1 << 16)
COLOURS = st.tuples(LEVELS, LEVELS, LEVELS)

PRINTED = {
    # Weights of R', G', B' in luma, then the divisors of B' - Y' and R' - Y'.
    Matrix.BT601: (("0.299", "0.587", "0.114"), "1.772", "1.402"),  # BT.601-7 items 2.5.1 and 2.5.2
    Matrix.BT709: (("0.2126", "0.7152", "0.0722"), "1.8556", "1.5748"),  # BT.709-6 items 3.2 and 3.3
    Matrix.BT2020: (("0.2627", "0.6780", "0.0593"), "1.8814", "1.4746"),  # BT.2020-2 table 4
    Matrix.ST240: (("0.212", "0.701", "0.087"), "1.826", "1.576"),  # SMPTE ST 240, from memory; Kr, Kb in H.273 table 4
    Matrix.FCC: (("0.30", "0.59", "0.11"), "1.78", "1.40"),  # H.273 table 4, value 4; the divisors follow
}


@pytest.mark.parametrize("matrix", list(Matrix))
@settings(max_examples=50)
@given(COLOURS)
def test_the_equations_are_the_printed_ones(matrix, rgb):
    weights, blue, red = PRINTED[matrix]
    luma = sum(Fraction(weight) * level for weight, level in zip(weights, rgb, strict=True))
    assert matrix.ycbcr(rgb) == (luma, (rgb[2] - luma) / Fraction(blue), (rgb[0] - luma) / Fraction(red))


@pytest.mark.parametrize("matrix", list(Matrix))
@settings(max_examples=50)
@given(COLOURS)
def test_there_and_back_is_exact(matrix, rgb):
    assert matrix.rgb(matrix.ycbcr(rgb)) == rgb
    assert matrix.ycbcr(matrix.rgb(rgb)) == rgb


REGISTERED = {Matrix.BT601: "ITU-R BT.601", Matrix.BT709: "ITU-R BT.709", Matrix.BT2020: "ITU-R BT.2020"}
"""colour-science's 'SMPTE-240M' holds 0.2122 and 0.0865, derived from primaries; H.273 and ST 240 print 0.212 and 0.087, which it is
handed here instead."""


@pytest.mark.parametrize("matrix", list(Matrix))
def test_colour_science_gives_the_same_levels(matrix):
    weights = np.array([float(matrix.red), float(matrix.blue)])
    if matrix in REGISTERED:
        assert weights.tolist() == colour.WEIGHTS_YCBCR[REGISTERED[matrix]].tolist()
    rgb = np.random.default_rng(7).uniform(-0.1, 1.1, (200, 3))
    theirs = colour.RGB_to_YCbCr(
        rgb, K=weights, in_bits=10, in_legal=False, in_int=False, out_bits=10, out_legal=False, out_int=False
    )
    ours = [[float(level) for level in matrix.ycbcr(tuple(map(Fraction, line)))] for line in rgb.tolist()]
    assert np.abs(np.array(ours) - theirs).max() < 1e-12
    back = colour.YCbCr_to_RGB(
        theirs, K=weights, in_bits=10, in_legal=False, in_int=False, out_bits=10, out_legal=False, out_int=False
    )
    again = [[float(level) for level in matrix.rgb(tuple(map(Fraction, line)))] for line in theirs.tolist()]
    assert np.abs(np.array(again) - back).max() < 1e-12


@pytest.mark.parametrize("matrix", list(Matrix))
def test_greys_have_no_colour_and_primaries_reach_the_ends(matrix):
    for level in (Fraction(0), Fraction(1, 3), Fraction(1)):
        assert matrix.ycbcr((level, level, level)) == (level, 0, 0)
    one, none = Fraction(1), Fraction(0)
    assert matrix.ycbcr((none, none, one))[1] == Fraction(1, 2) == matrix.ycbcr((one, none, none))[2]
    assert matrix.ycbcr((one, one, none))[1] == Fraction(-1, 2) == matrix.ycbcr((none, one, one))[2]
    assert matrix.red + matrix.green + matrix.blue == 1
