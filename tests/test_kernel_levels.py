"""Floating-point planes (code / M) to whole codes, under every dither."""

from __future__ import annotations

import numpy as np
import pytest

from footroom.kernels import Channel, Dither, Encoding, Range, requantise, rescale

FULL, NARROW = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
SHIFTED = Encoding(10, Range.NARROW, bit_shift=6)
EVERY = np.arange(1024, dtype=np.uint16)[None]


@pytest.mark.parametrize("source_encoding", [FULL, NARROW], ids=lambda encoding: encoding.range.label)
@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA], ids=lambda channel: channel.value)
def test_levels_of_codes_round_to_what_the_codes_do(source_encoding, channel):
    # Exact halves (check values, table B) may go either way from float32 and are compared within one code.
    target_encoding = NARROW if source_encoding is FULL else FULL
    levels = EVERY.astype(np.float32) / np.float32(1023)
    found = requantise(levels, source_encoding, target_encoding, channel=channel, dither=Dither.NONE).astype(int)
    exact = rescale(EVERY, source_encoding, target_encoding, channel=channel).astype(int)
    apart = np.flatnonzero(found != exact)
    assert np.abs(found - exact).max() <= 1
    halves = [210, 502, 794] if channel is Channel.LUMA else [64, 192, 320, 448, 576, 704, 832, 960]
    assert set(apart.tolist()) <= set(halves if source_encoding is NARROW else [])


@pytest.mark.parametrize("dither", list(Dither), ids=lambda dither: dither.value)
@pytest.mark.parametrize("dtype", [np.float32, np.float16])
def test_mean_of_a_flat_level_is_kept(dither, dtype):
    # Source: Lipshitz, Wannamaker, Vanderkooy 1992: a dithered mean is the value itself. Undithered, it is the nearest code.
    level = dtype(0.40283203)  # exact in half precision
    plane = np.full((256, 512), level)
    exact = float(level) * 876 + 64
    mean = requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=dither).mean()
    if dither is Dither.NONE:
        assert mean == np.floor(exact + 0.5)
    else:
        assert abs(mean - exact) < 0.01


@pytest.mark.parametrize("dither", list(Dither), ids=lambda dither: dither.value)
def test_levels_past_the_codes_end_at_the_end_codes(dither):
    plane = np.repeat(np.array([[-np.inf, -9.0, np.nan, 9.0, np.inf]], np.float32), 8, axis=0)
    found = requantise(plane, NARROW, FULL, channel=Channel.LUMA, dither=dither)
    assert set(found[:, [0, 1, 2]].ravel()) == {0}  # NaN counts as level 0, which lies under narrow black
    assert set(found[:, [3, 4]].ravel()) == {1023}


@pytest.mark.parametrize("dither", list(Dither), ids=lambda dither: dither.value)
def test_a_shifted_target_holds_the_same_codes(dither):
    plane = np.random.default_rng(1).random((40, 300), np.float32)
    packed = requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=dither)
    shifted = requantise(plane, FULL, SHIFTED, channel=Channel.LUMA, dither=dither)
    assert np.array_equal(packed << 6, shifted)


def test_diffusion_of_levels_and_of_codes_agree():
    codes = np.random.default_rng(2).integers(0, 1024, (64, 200)).astype(np.uint16)
    levels = codes.astype(np.float32) / np.float32(1023)
    key = {"channel": Channel.LUMA, "dither": Dither.ERROR_DIFFUSION}
    apart = requantise(levels, FULL, NARROW, **key).astype(int) - requantise(codes, FULL, NARROW, **key)
    # Both carry errors at 15 bits; float32 levels are off by less than that, so only rare ties of rounding differ.
    assert np.abs(apart).max() <= 1
    assert np.count_nonzero(apart) < 0.02 * apart.size


def test_the_plain_loop_gives_what_the_compiled_one_does():
    from footroom.kernels.diffusion import _diffuse_fine

    fine = (np.random.default_rng(3).integers(0, 1023 << 15, (5, 9))).astype(np.int32)
    compiled, plain = np.empty((2, *fine.shape), np.uint16)
    _diffuse_fine(fine, compiled, 0)
    _diffuse_fine.py_func(fine, plain, 0)
    assert np.array_equal(compiled, plain)
