"""Dither against the published theory, and the promise that tiles, threads and layouts never change a code."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference import unrounded

from footroom.kernels import Channel, Dither, Encoding, Range, requantise, rescale
from footroom.kernels.noise import _philox, ranks
from footroom.kernels.occupancy import counts
from footroom.kernels.scaling import code_map

FULL, NARROW = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
NOISY = (Dither.RECTANGULAR, Dither.TRIANGULAR, Dither.BLUE_NOISE)
ROWS, COLUMNS = 512, 512


def dithered(code: int, dither: Dither, rows: int = ROWS, **key: int) -> np.ndarray:
    plane = np.full((rows, COLUMNS), code, np.uint16)
    return requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=dither, **key).astype(np.float64)


# Codes away from the rails, with many fractions of a step (clipping after dither biases the ends).
CODES = [100, 101, 203, 307, 402, 515, 640, 777, 901]


@pytest.mark.parametrize("dither", NOISY)
@pytest.mark.parametrize("code", CODES)
def test_the_mean_error_is_zero(dither, code):
    # Lipshitz, Wannamaker, Vanderkooy 1992 (from memory): both kinds make the mean error zero for every input.
    exact = float(unrounded(code, (10, True), (10, False), False))
    error = dithered(code, dither).mean() - exact
    assert abs(error) < 5 * 0.5 / np.sqrt(ROWS * COLUMNS) + 1 / 2048  # five sigma, and the noise's own grain


@pytest.mark.parametrize("code", CODES)
def test_the_variance_is_the_theorys(code):
    # Same source: rectangular f (1 - f), which depends on the input; triangular 1/4 step^2, which does not.
    exact = float(unrounded(code, (10, True), (10, False), False))
    f = exact % 1
    assert abs(np.mean((dithered(code, Dither.RECTANGULAR) - exact) ** 2) - f * (1 - f)) < 0.006
    for dither in (Dither.TRIANGULAR, Dither.BLUE_NOISE):
        assert abs(np.mean((dithered(code, dither) - exact) ** 2) - 0.25) < 0.006


def low_power(picture: np.ndarray) -> float:
    """Mean power of a square picture below 0.1 cycle a pixel, over its variance; 1 for white noise."""
    size = picture.shape[0]
    spectrum = np.abs(np.fft.fft2(picture - picture.mean())) ** 2 / picture.size
    f = np.fft.fftfreq(size)
    radius = np.hypot(f[:, None], f[None])
    return float(spectrum[(radius > 0) & (radius < 0.1)].mean() / picture.var())


def test_the_tile_is_blue_and_its_ranks_are_a_permutation():
    # Ulichney 1993 (from memory) for the method; the bound of .05 with white noise at about .95 was computed for such tiles.
    data = ranks()
    assert sorted(data.ravel().tolist()) == list(range(data.size))
    assert low_power(data.astype(float)) < 0.01
    assert low_power((data < data.size // 2).astype(float)) < 0.05
    white = np.random.default_rng(1).permutation(data.size).reshape(data.shape).astype(float)
    assert low_power(white) > 0.8


def test_the_tile_is_the_methods_own_product():
    """Made anew at a small size: ranks a permutation and blue; the kept data is held to the same by the test above."""
    from footroom.kernels.void_and_cluster import make_ranks

    small = make_ranks(32)
    assert sorted(np.asarray(small).ravel().tolist()) == list(range(1024))
    assert low_power((np.asarray(small) < 512).astype(float)) < 0.08


def test_philox_gives_the_known_answers():
    # Salmon et al. 2011, known-answer vectors of Philox4x32-10.
    def run(word):
        value = np.uint64(word)
        return [int(each) for each in _philox(value, value, value, value, value, value)]

    assert run(0) == [0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8]
    assert run(0xFFFFFFFF) == [0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD]


def test_white_dither_is_white_and_blue_dither_blue():
    error = dithered(203, Dither.TRIANGULAR)
    assert 0.9 < low_power(error) < 1.1
    assert low_power(dithered(203, Dither.BLUE_NOISE)) < 0.25


@pytest.mark.parametrize("dither", NOISY)
def test_frames_planes_and_seeds_are_independent(dither):
    base = dithered(901, dither)
    base -= base.mean()
    for key in ({"frame": 1}, {"plane": 1}, {"seed": 1}, {"frame": 1, "plane": 2, "seed": 3}):
        other = dithered(901, dither, **key)
        other -= other.mean()
        assert not np.array_equal(base, other)
        correlation = float((base * other).mean() / (base.std() * other.std()))
        assert abs(correlation) < 0.05, key


@pytest.mark.parametrize("dither", [Dither.RECTANGULAR, Dither.TRIANGULAR])
def test_rows_do_not_repeat_each_other(dither):
    """No two rows resemble each other at any lag: a line of noise that is read again would show as a peak."""
    noise = dithered(901, dither, rows=300)  # half-way between two codes: as many up as down
    noise = (noise - noise.mean()) / noise.std()
    spectra = np.fft.rfft(noise, axis=1)
    worst = 0.0
    for row in range(0, 300, 10):
        lags = (
            np.fft.irfft(spectra[row : row + 1].conj() * np.delete(spectra, row, axis=0), n=COLUMNS, axis=1) / COLUMNS
        )
        worst = max(worst, float(np.abs(lags).max()))
    # 299 x 512 x 30 values of sigma 1/sqrt(512): the largest of independent ones lies near 5.3 sigma = .24.
    assert worst < 0.33


def picture(rows: int = 96, columns: int = 160, seed: int = 5, dtype=np.uint16) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 1024, (rows, columns)).astype(dtype)


@settings(max_examples=60, deadline=None)
@given(
    cut=st.integers(1, 159),
    split=st.integers(1, 95),
    origin=st.tuples(st.integers(-5000, 9000), st.integers(-9000, 70000)),
    dither=st.sampled_from(NOISY),
    frame=st.integers(-3, 2**40),
)
def test_tiles_join_without_a_seam(cut, split, origin, dither, frame):
    source = picture()

    def run(part, y, x):
        where = (origin[0] + y, origin[1] + x)
        return requantise(part, FULL, NARROW, channel=Channel.LUMA, dither=dither, frame=frame, origin=where)

    whole = run(source, 0, 0)
    top = np.hstack([run(source[:split, :cut], 0, 0), run(source[:split, cut:], 0, cut)])
    below = np.hstack([run(source[split:, :cut], split, 0), run(source[split:, cut:], split, cut)])
    assert np.array_equal(whole, np.vstack([top, below]))


LAYOUTS = {
    "padded": lambda plane: np.pad(plane, ((0, 0), (0, 13)))[:, :-13],
    "flipped": lambda plane: plane[::-1].copy()[::-1],
    "mirrored": lambda plane: plane[:, ::-1].copy()[:, ::-1],
    "every other column": lambda plane: np.repeat(plane, 2, axis=1)[:, ::2],
    "columns first": np.asfortranarray,
    "read-only": lambda plane: np.frombuffer(plane.tobytes(), plane.dtype).reshape(plane.shape),
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("dither", list(Dither))
def test_the_layout_of_memory_changes_no_code(layout, dither):
    source = picture()
    expected = requantise(source, FULL, NARROW, channel=Channel.CHROMA, dither=dither, seed=9)
    got = requantise(LAYOUTS[layout](source), FULL, NARROW, channel=Channel.CHROMA, dither=dither, seed=9)
    assert np.array_equal(got, expected)
    if layout != "read-only":
        out = LAYOUTS[layout](np.zeros_like(source))
        requantise(source, FULL, NARROW, channel=Channel.CHROMA, dither=dither, seed=9, out=out)
        assert np.array_equal(out, expected)
    assert np.array_equal(counts(LAYOUTS[layout](source), FULL), np.bincount(source.ravel(), minlength=1024))


def test_threads_over_bands_give_the_same_codes():
    source = picture(400, 300)
    out = np.empty_like(source)

    def band(start):
        requantise(source[start : start + 40], FULL, NARROW, channel=Channel.LUMA, dither=Dither.TRIANGULAR,
                   origin=(start, 0), out=out[start : start + 40])  # fmt: skip

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(band, range(0, 400, 40)))
    whole = requantise(source, FULL, NARROW, channel=Channel.LUMA, dither=Dither.TRIANGULAR)
    assert np.array_equal(out, whole)


def test_kernels_release_the_interpreter():
    """While one thread is inside a long kernel, another one's Python loop goes on."""
    plane = np.zeros((6000, 4000), np.uint16)
    requantise(plane[:8], FULL, NARROW, channel=Channel.LUMA, dither=Dither.ERROR_DIFFUSION)
    ticks, inside = 0, threading.Event()

    def long():
        inside.set()
        requantise(plane, FULL, NARROW, channel=Channel.LUMA, dither=Dither.ERROR_DIFFUSION)

    worker = threading.Thread(target=long)
    worker.start()
    inside.wait()
    while worker.is_alive():
        ticks += 1
        worker.join(0.0005)
    assert ticks > 5


def test_none_is_rescale_and_a_whole_map_needs_no_noise():
    source = picture()
    plain = requantise(source, FULL, NARROW, channel=Channel.LUMA, dither=Dither.NONE)
    assert np.array_equal(plain, rescale(source, FULL, NARROW, channel=Channel.LUMA))
    deep = Encoding(12, Range.NARROW)
    shifted = requantise(source, NARROW, deep, channel=Channel.LUMA, dither=Dither.TRIANGULAR)
    assert np.array_equal(shifted, source << 2)


def test_error_diffusion_keeps_the_mean_and_is_floyd_and_steinbergs():
    # Floyd and Steinberg 1976 (from memory): 7/16 right; 3/16, 5/16, 1/16 below. The plain loop, in exact sixteenths.
    source = picture(24, 40, seed=3)
    source = np.clip(source, 40, 980).astype(np.uint16)
    out = requantise(source, FULL, NARROW, channel=Channel.LUMA, dither=Dither.ERROR_DIFFUSION)
    error = np.zeros((25, 42))
    expected = np.zeros_like(source, dtype=np.int64)
    near_tie = np.zeros(source.shape, bool)
    for y in range(24):
        for x in range(40):
            value = int(source[y, x]) * 876 / 1023 + 64 + error[y, x + 1]
            near_tie[y, x] = abs(value % 1 - 0.5) < 0.02
            expected[y, x] = np.floor(value + 0.5)
            left = value - expected[y, x]
            error[y, x + 2] += left * 7 / 16
            error[y + 1, x] += left * 3 / 16
            error[y + 1, x + 1] += left * 5 / 16
            error[y + 1, x + 2] += left * 1 / 16
    # Fixed point differs from floating point by less than a hundredth of a code, so the first rows must agree outside ties.
    first = slice(0, 1)
    assert np.array_equal(out[first][~near_tie[first]], expected[first][~near_tie[first]])
    assert abs(int(out.sum()) - int(expected.sum())) <= 40
    assert np.abs(out.astype(int) - expected).max() <= 1
    flat = dithered(515, Dither.ERROR_DIFFUSION)
    assert abs(flat.mean() - float(unrounded(515, (10, True), (10, False), False))) < 0.005


def test_error_diffusion_takes_whole_planes_only():
    with pytest.raises(ValueError, match=r"origin must be \(0, 0\).*whole plane"):
        requantise(picture(), FULL, NARROW, channel=Channel.LUMA, dither=Dither.ERROR_DIFFUSION, origin=(0, 1))


@pytest.mark.parametrize("dither", [Dither.RECTANGULAR, Dither.TRIANGULAR, Dither.BLUE_NOISE, Dither.ERROR_DIFFUSION])
@pytest.mark.parametrize("depths", [(10, 8), (12, 10), (16, 8), (8, 10), (16, 12)])
def test_every_pair_of_depths_dithers_without_bias(dither, depths):
    source, target = Encoding(depths[0], Range.FULL), Encoding(depths[1], Range.NARROW)
    code = round(source.maximum * 0.4137)
    plane = np.full((256, 256), code, source.dtype_name)
    mean = requantise(plane, source, target, channel=Channel.LUMA, dither=dither).mean()
    exact = float(unrounded(code, (depths[0], True), (depths[1], False), False))
    assert abs(mean - exact) < 0.012


def test_the_plain_loops_equal_the_compiled_ones():
    from footroom.kernels import occupancy, scaling

    source = picture(3, 9)
    form = scaling._form(FULL, NARROW, Channel.LUMA, False)
    slow, fast = np.empty_like(source), np.empty_like(source)
    form.apply(source, fast)
    form.loop.py_func(source, slow, form.number, form.limits)
    assert np.array_equal(slow, fast)
    assert np.array_equal(fast, code_map(FULL, NARROW, Channel.LUMA)[source])
    total = np.zeros(1024, np.int64)
    occupancy._count.py_func(source, 0, total)
    assert np.array_equal(total, counts(source, FULL))


@pytest.mark.parametrize("dither", list(Dither))
@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA])
@pytest.mark.parametrize(
    ("source", "target", "shifts"),
    [
        ((10, Range.FULL), (10, Range.NARROW), (6, 6)),
        ((10, Range.NARROW), (10, Range.FULL), (6, 6)),
        ((10, Range.FULL), (8, Range.NARROW), (6, 0)),
        ((8, Range.FULL), (8, Range.NARROW), (0, 8)),
        ((12, Range.FULL), (12, Range.NARROW), (4, 4)),
    ],
)
def test_where_codes_lie_in_their_words_does_not_matter(dither, channel, source, target, shifts):
    """Shifted words (P010 and its like) get the very codes that unshifted ones get: a recording is mended alike whatever holds it."""
    codes = np.random.default_rng(4).integers(0, 1 << source[0], (60, 200)).astype(np.uint16)
    plain = requantise(
        codes, Encoding(*source), Encoding(*target), channel=channel, dither=dither, seed=3, frame=5, plane=1
    )
    given = (codes << shifts[0]).astype(np.uint16)
    into, out_of = Encoding(*source, bit_shift=shifts[0]), Encoding(*target, bit_shift=shifts[1])
    out = np.zeros(codes.shape, np.uint16)
    requantise(given, into, out_of, channel=channel, dither=dither, seed=3, frame=5, plane=1, out=out)
    assert np.array_equal(out >> shifts[1], plain) and not (out & ((1 << shifts[1]) - 1)).any()
