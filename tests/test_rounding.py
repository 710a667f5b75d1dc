"""What rounding leaves, measured: against the theory of dither, the combs of scaling, and noise that is known."""

from __future__ import annotations

import numpy as np
import pytest

from footroom.kernels import Channel, Dither, Encoding, Model, Range, requantise
from footroom.kernels.encoding import affine_map
from footroom.kernels.occupancy import counts
from footroom.kernels.rounding import (
    comb,
    exact_tones,
    longest_run,
    low_share,
    noise_of,
    smoothest_window,
    spectrum,
    staircase,
    tone_bias,
)

FULL, NARROW = Encoding(8, Range.FULL), Encoding(8, Range.NARROW)
FINE = Encoding(16, Range.NARROW)


@pytest.fixture(scope="module")
def sky() -> np.ndarray:
    """A slow slope in 16-bit codes."""
    y, x = np.mgrid[0:512, 0:768]
    return (9000 + 8 * x + 1.7 * y).astype(np.uint16)


def error_of(sky: np.ndarray, dither: Dither) -> tuple[np.ndarray, np.ndarray]:
    """Error in 8-bit steps, and the exact tones."""
    tones = exact_tones(sky, FINE, NARROW)
    return requantise(sky, FINE, NARROW, channel=Channel.LUMA, dither=dither) - tones, tones


@pytest.mark.parametrize(
    ("source", "target", "amplitudes"),
    [(NARROW, FULL, (0.317, 0.050, 0.007)), (FULL, NARROW, (0.271, 0.036, 0.005))],
    ids=["expand", "compress"],
)
def test_the_comb_has_the_amplitude_of_theory(source, target, amplitudes):
    """2 |sinc(1/a)|^m, m 1 rounding, 2 rectangular, 3 triangular dither; the numbers were measured apart from this code."""
    random = np.random.default_rng(2)
    codes = np.clip(random.normal(125, 45, (1080, 1920)), 0, 255).astype(np.uint8)
    gain = float(affine_map(source, target, Channel.LUMA)[0])
    for dither, amplitude in zip((Dither.NONE, Dither.RECTANGULAR, Dither.TRIANGULAR), amplitudes, strict=True):
        result = requantise(codes, source, target, channel=Channel.LUMA, dither=dither)
        assert comb(counts(result, target), gain) == pytest.approx(amplitude, abs=0.004)


def test_no_comb_where_codes_fall_on_codes():
    """16 to 8 bits within narrow is a division by 256."""
    assert comb(np.full(256, 1000), float(affine_map(FINE, NARROW, Channel.LUMA)[0])) == 0


@pytest.mark.parametrize(
    ("dither", "variance", "bias"),
    [
        (Dither.NONE, 1 / 12, 12**-0.5),
        (Dither.TRIANGULAR, 1 / 4, 0),
        (Dither.BLUE_NOISE, 1 / 4, 0),
        (Dither.RECTANGULAR, 1 / 6, 0),
    ],
    ids=lambda value: getattr(value, "value", None),
)
def test_error_as_theory_has_it(sky, dither, variance, bias):
    """Lipshitz, Wannamaker, Vanderkooy 1992: 1/12 undithered, a function of the tone; 1/4 triangular; 1/6 on average rectangular."""
    error, tones = error_of(sky, dither)
    assert abs(error.mean(dtype=np.float64)) < 0.005
    assert error.var(dtype=np.float64) == pytest.approx(variance, rel=0.02)
    assert tone_bias(error, tones) == pytest.approx(bias, abs=0.012)


def test_where_the_power_lies(sky):
    """White noise is 1 everywhere; blue noise has under .05 of it at low frequencies near one tone; bands pile up there."""
    white = np.random.default_rng(1).normal(0, 3, (512, 512))
    frequencies, power = spectrum(white)
    assert frequencies[0] < 0.02 and frequencies[-1] > 0.45
    assert np.allclose(power, 1, atol=0.05)
    assert low_share(white) == pytest.approx(1, abs=0.03)
    assert low_share(error_of(sky, Dither.TRIANGULAR)[0]) == pytest.approx(1, abs=0.05)
    assert low_share(error_of(sky, Dither.BLUE_NOISE)[0]) < 0.25
    assert low_share(error_of(sky, Dither.NONE)[0]) > 10


def test_spectrum_finds_a_tone_at_its_frequency():
    """A cosine of 1/8 cycle a pixel lands in the ring that holds 1/8, with the power of all the rest."""
    x = np.arange(256)
    frequencies, power = spectrum(np.broadcast_to(np.cos(2 * np.pi * x / 8), (256, 256)))
    ring = int(np.argmax(power))
    assert abs(frequencies[ring] - 1 / 8) <= 1 / 64
    assert power[ring] > 50 * np.delete(power, ring).max()


def test_stairs_and_runs():
    """Half a step off everywhere is half a step; noise averages out over 64 pixels; the longest run is counted by hand."""
    assert staircase(np.full((64, 64), 0.5)) == pytest.approx(0.5)
    noise = np.random.default_rng(1).normal(0, 0.5, (512, 512))
    assert staircase(noise) == pytest.approx(1.96 * 0.5 / 8, rel=0.05)  # two-sided 95 % of a normal mean of 64
    assert longest_run(np.array([3, 3, 4, 4, 4, 4, 3, 9], np.uint8)) == 4
    assert longest_run(np.full(7, 5, np.uint8)) == 7


@pytest.mark.parametrize("sigma", [0.3, 2.5])
def test_noise_is_found_under_a_picture(sky, sigma):
    """Known noise on a slope with edges."""
    picture = exact_tones(sky, FINE, NARROW)
    picture[200:230] += 40
    noisy = picture + np.random.default_rng(5).normal(0, sigma, picture.shape)
    assert noise_of(noisy) == pytest.approx(sigma, rel=0.05)


def test_the_window_lies_where_bands_would_show():
    """Not in the busy part, and not in the flat one where nothing changes."""
    picture = np.zeros((160, 480), np.float32)
    picture[:, :160] = np.random.default_rng(1).uniform(0, 200, (160, 160))
    picture[:, 160:320] = 70
    picture[:, 320:] = 70 + np.arange(160) / 8
    top, left = smoothest_window(picture, (96, 128))
    assert 320 - 128 < left
    assert top + 96 <= 160 and left + 128 <= 480
    assert np.ptp(picture[top : top + 96, left : left + 128]) >= 2
    assert smoothest_window(np.full((96, 160), 5, np.float32), (96, 160)) == (0, 0)


def test_exact_tones_are_the_exact_map():
    """Two codes by hand, from the formulae of BT.2100-3 table 9; P010's shift."""
    codes = np.array([[64 << 6, 940 << 6]], np.uint16)
    source = Encoding(10, Range.NARROW, Model.YCBCR, bit_shift=6)
    assert exact_tones(codes, source, FULL)[0] == pytest.approx([0, 255], abs=1e-4)
