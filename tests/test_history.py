"""The history of codes against numbers from outside: comb frequencies and amplitudes, doubled and missing codes, and frames made here."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
import reference
from hypothesis import given, settings
from hypothesis import strategies as st

from footroom.kernels.comb import look, soften
from footroom.kernels.dither import Dither, requantise
from footroom.kernels.encoding import Channel, Encoding, Range
from footroom.kernels.history import LEAST_Z, History, false_alarm, history, statistics
from footroom.kernels.padding import find_padding
from footroom.kernels.scalings import DEEPEST, WAYS, Scaling
from footroom.kernels.templates import PERIOD, bank

# ITU-R BT.709-6 item 4.6 and BT.2100-3 table 9 (the codes); lists and counts computed from them with exact rationals.
DOUBLED = (
    "19 25 31 37 43 49 56 62 68 74 80 86 92 98 104 110 116 122 129 135 141 147 153 159 165 171 177 183 189 195 202 208 214 "
    "220 226 232"
)
MISSING = (
    "4 11 18 25 32 39 46 53 60 67 74 81 89 96 103 110 117 124 131 138 145 152 159 166 174 181 188 195 202 209 216 223 230 237 "
    "244 251"
)


@lru_cache(maxsize=16)
def scene(seed: int = 0, size: tuple[int, int] = (540, 960)) -> np.ndarray:
    """Levels 0..1 of a smooth scene with texture and a sensor's noise; any code may be in it."""
    draw = np.random.default_rng(seed)
    y, x = np.mgrid[: size[0], : size[1]]
    slow = sum(
        draw.uniform(0.2, 1) * np.cos(x / draw.uniform(90, 400) + y / draw.uniform(-300, 300) + draw.uniform(0, 6))
        for _ in range(6)
    )
    level = 0.5 + 0.17 * slow / np.std(slow) + draw.normal(0, 0.004, size)
    return np.clip(level, 0, 1)


def codes_of(levels: np.ndarray, encoding: Encoding, channel: Channel = Channel.LUMA) -> np.ndarray:
    codes = np.floor(levels * encoding.span(channel) + encoding.zero(channel) + 0.5)
    return np.clip(codes, 0, encoding.maximum).astype(np.int64)


def counted(codes: np.ndarray, depth: int) -> dict[Channel, np.ndarray]:
    return {Channel.LUMA: np.bincount(np.clip(codes, 0, (1 << depth) - 1).ravel(), minlength=1 << depth)}


def scaled_scene(scaling: Scaling, seed: int = 0) -> np.ndarray:
    before = Encoding(scaling.depth, WAYS[scaling.name][0])
    return scaling.mapped(Channel.LUMA)[codes_of(scene(seed), before)]


def test_the_codes_that_are_doubled_and_missing_are_the_arithmetic_s():
    narrowed = Scaling("to-narrow", 8).multiplicity(Channel.LUMA)
    assert np.flatnonzero(narrowed == 2).tolist() == [int(code) for code in DOUBLED.split()]
    expanded = Scaling("to-full", 8).multiplicity(Channel.LUMA)
    assert np.flatnonzero(expanded == 0).tolist() == [int(code) for code in MISSING.split()]


@pytest.mark.parametrize(
    ("depth", "left", "merged", "chroma"), [(8, 220, 36, 31), (10, 877, 147, 127), (12, 3505, 591, 511)]
)
def test_codes_left_and_lost_are_the_arithmetic_s(depth, left, merged, chroma):
    """Computed from the same tables with exact rationals: 220, 877, 3505 distinct codes of full are left in narrow."""
    narrowed, expanded = Scaling("to-narrow", depth), Scaling("to-full", depth)
    assert np.count_nonzero(narrowed.multiplicity(Channel.LUMA)) == left
    assert narrowed.lost(Channel.LUMA) == {"merged": merged, "clipped_low": 0, "clipped_high": 0}
    assert narrowed.lost(Channel.CHROMA)["merged"] == chroma
    assert np.count_nonzero(expanded.multiplicity(Channel.LUMA) == 0) == merged
    ends = {8: (16, 20), 10: (64, 83), 12: (256, 335)}[depth]
    assert expanded.lost(Channel.LUMA) == {"merged": 0, "clipped_low": ends[0], "clipped_high": ends[1]}


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA])
def test_every_code_of_every_history_is_the_exact_rational_s(name, depth, channel):
    scaling = Scaling(name, depth)
    wanted = list(range(1 << depth))
    ranges = WAYS[name]
    chroma = channel is Channel.CHROMA
    for before, after in pairwise(ranges):
        full = before is Range.FULL if before is not after else after is Range.NARROW  # a scaling that is done again
        ends = (depth, full), (depth, after is Range.FULL)
        wanted = [reference.mapped(code, *ends, chroma) for code in wanted]
    assert scaling.mapped(channel).tolist() == wanted


@pytest.mark.parametrize(("depth", "black", "white"), [(8, 30, 218), (10, 119, 869), (12, 475, 3473)])
def test_black_and_white_after_two_scalings(depth, black, white):
    mapped = Scaling("to-narrow-twice", depth).mapped(Channel.LUMA)
    assert (mapped[0], mapped[-1]) == (black, white)


def test_the_map_of_two_scalings_is_the_published_pair_fit_s():
    """10 bit, in units of M: .733258, .116132 (exact rationals); to the code that is half a code at most."""
    gain, offset = Scaling("to-narrow-twice", 10).affine(Channel.LUMA)
    assert float(gain) == pytest.approx(0.733258, abs=1e-6)
    assert float(offset) / 1023 == pytest.approx(0.116132, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "depth", "channel", "frequency"),
    [
        ("to-full", 8, Channel.LUMA, 0.141176), ("to-narrow", 8, Channel.LUMA, 0.164384),
        ("to-full", 10, Channel.LUMA, 0.143695), ("to-narrow", 10, Channel.LUMA, 0.167808),
        ("to-full", 12, Channel.LUMA, 0.144322), ("to-narrow", 12, Channel.LUMA, 0.168664),
        ("to-full", 8, Channel.CHROMA, 0.121569), ("to-narrow", 8, Channel.CHROMA, 0.138393),
        ("to-full", 10, Channel.CHROMA, 0.124145), ("to-narrow", 10, Channel.CHROMA, 0.141741),
        ("to-full", 12, Channel.CHROMA, 0.124786), ("to-narrow", 12, Channel.CHROMA, 0.142578),
    ],
)  # fmt: skip
def test_the_comb_stands_at_the_frequency_that_the_slopes_say(name, depth, channel, frequency):
    """One cycle to a step of the slopes: 1 - 1/a and 1/a - 1 cycles a code (computed with exact rationals)."""
    comb = look(10000 * Scaling(name, depth).multiplicity(channel), PERIOD[channel])
    near = (comb.frequencies > 0.08) & (comb.frequencies < 0.2)
    peak = comb.frequencies[near][np.argmax(np.abs(comb.spectrum[near]))]
    assert peak == pytest.approx(frequency, abs=0.3 / (1 << depth))


@pytest.mark.parametrize(
    ("name", "amplitudes"), [("to-full", (0.318, 0.051, 0.008)), ("to-narrow", (0.270, 0.036, 0.005))]
)
def test_the_comb_is_as_high_as_theory_says_and_dither_lowers_it(name, amplitudes):
    """2 |sinc(1/a)|^m with a the slope, m = 1 rounding, 2 rectangular, 3 triangular dither: theory of dithered quantisation
    (Lipshitz, Wannamaker, Vanderkooy 1992, from memory), figures computed from the slopes with exact rationals."""
    before, after = (Encoding(8, each) for each in WAYS[name])
    slope = Fraction(after.span(Channel.LUMA), before.span(Channel.LUMA))
    draw = np.random.default_rng(1)
    plane = draw.integers(20, 230, (2000, 3000)).astype(
        np.uint8
    )  # as often every code, so nothing but the comb is left
    turn = 1 / float(slope)
    for power, dither, wanted in zip((1, 2, 3), ("none", "rectangular", "triangular"), amplitudes, strict=True):
        assert 2 * abs(np.sinc(turn)) ** power == pytest.approx(wanted, abs=6e-4)
        codes = requantise(plane, before, after, channel=Channel.LUMA, dither=Dither(dither), seed=3)
        inner = np.bincount(codes.ravel(), minlength=256).astype(float)
        low, high = (int(slope * (end - before.black()) + after.black()) for end in (25, 225))
        low, high = max(low, 8), min(high, 247)
        places = np.arange(low, high)
        wave = np.exp(-2j * np.pi * turn * places) * np.hanning(len(places))
        flat = inner[low:high] / inner[low:high].mean() - 1
        assert 2 * abs((flat * wave).sum()) / np.hanning(len(places)).sum() == pytest.approx(wanted, abs=0.006)


@pytest.mark.parametrize("sigma", [0.8, 1.0, 1.5])
def test_noise_lowers_a_line_by_the_transform_of_its_density(sigma):
    """exp(-2 pi^2 sigma^2 f^2): the transform of the normal density."""
    codes = np.arange(4096)
    for frequency in (0.1412, 0.1644, 0.25):
        line = np.cos(2 * np.pi * frequency * codes)
        left = soften(line, sigma)[100:-100] @ line[100:-100] / (line[100:-100] @ line[100:-100])
        assert left == pytest.approx(np.exp(-2 * np.pi**2 * sigma**2 * frequency**2), rel=0.02)


@pytest.mark.parametrize("name", WAYS)
@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("rounding", ["rounded", "truncated"])
def test_every_history_is_found_after_rounding_alone(name, depth, rounding):
    scaling = Scaling(name, depth, rounding)
    found = history(counted(scaled_scene(scaling), depth), depth)
    assert (found.scaled, found.scaling) == (name, scaling)
    assert found.z > LEAST_Z
    assert found.false_alarm < 1e-4
    gain, offset = scaling.affine(Channel.LUMA)
    assert (found.gain, found.offset) == (float(gain), float(offset))


@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("name", ["to-narrow", "to-full"])
def test_a_history_is_found_under_noise_of_two_codes(depth, name):
    draw = np.random.default_rng(4)
    total = None
    for seed in range(4):
        codes = scaled_scene(Scaling(name, depth), seed)
        found = counted(np.floor(codes + draw.normal(0, 2, codes.shape) + 0.5).astype(np.int64), depth)[Channel.LUMA]
        total = found if total is None else total + found
    found = history({Channel.LUMA: total}, depth)
    assert found.scaled == name
    assert found.softness is not None and found.softness > 1


@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("range_", Range)
def test_untouched_codes_and_dithered_ones_say_nothing(depth, range_):
    for seed in range(4):
        codes = codes_of(scene(seed), Encoding(depth, range_))
        assert history(counted(codes, depth), depth).scaled == "none-found"
        before, after = Encoding(depth, range_), Encoding(depth, Range(1 - range_))
        dithered = requantise(
            codes.astype(before.dtype_name), before, after, channel=Channel.LUMA, dither=Dither.TRIANGULAR, seed=seed
        )
        assert history(counted(dithered.astype(np.int64), depth), depth).scaled == "none-found"


@pytest.mark.parametrize("gain", [0.8, 0.92, 1.1, 1.25, 1.4])
def test_another_gain_is_no_change_of_range(gain):
    codes = np.floor(codes_of(scene(2), Encoding(10, Range.FULL)) * gain + 3.5).astype(np.int64)
    found = history(counted(codes, 10), 10)
    assert found.scaled == "other-gain"
    assert found.gain == pytest.approx(gain, abs=0.002)


@pytest.mark.parametrize("power", [0.45, 0.7, 1.4, 2.2])
def test_a_gamma_table_is_no_scaling(power):
    table = np.floor(255 * (np.arange(256) / 255) ** power + 0.5).astype(np.int64)
    codes = table[codes_of(scene(5), Encoding(8, Range.FULL))]
    assert history(counted(codes, 8), 8).scaled == "none-found"


def test_few_tones_and_drawn_ramps_are_no_scaling():
    levels = scene(6)
    for steps in (5, 16, 40):
        codes = codes_of(np.floor(levels * steps) / steps, Encoding(8, Range.FULL))
        assert history(counted(codes, 8), 8).scaled == "none-found"
    for width in (300, 1000, 1700, 3840):
        ramp = np.repeat(np.linspace(0.05, 0.9, width)[None], 200, 0)
        for depth in (8, 10):
            assert history(counted(codes_of(ramp, Encoding(depth, Range.FULL)), depth), depth).scaled == "none-found"


def test_a_narrow_picture_there_and_back_leaves_nothing_to_see():
    """Narrow to full to narrow gives every code again (exact rationals), so there is nothing to find."""
    codes = codes_of(scene(3), Encoding(10, Range.NARROW))
    there = Scaling("to-full", 10).mapped(Channel.LUMA)[codes]
    back = Scaling("to-narrow", 10).mapped(Channel.LUMA)[there]
    assert np.array_equal(back, codes)
    assert history(counted(back, 10), 10).scaled == "none-found"


def test_more_frames_tell_more():
    draw = np.random.default_rng(8)
    one, total = [], np.zeros(256, np.int64)
    for seed in range(6):
        codes = scaled_scene(Scaling("to-narrow", 8), seed)
        here = counted(np.floor(codes + draw.normal(0, 2, codes.shape) + 0.5).astype(np.int64), 8)[Channel.LUMA]
        one.append(history({Channel.LUMA: here}, 8).z)
        total += here
    assert history({Channel.LUMA: total}, 8).z > np.median(one)


def test_z_scatters_about_like_a_normal_deviate_where_there_is_no_comb():
    """The variance that the filter is divided by is the one it has: every template's z over 40 scenes, near 1."""
    every = []
    for seed in range(40):
        z, _ = statistics(counted(codes_of(scene(100 + seed, (180, 320)), Encoding(10, Range.FULL)), 10), 10)
        every.append(z)
    spread = np.std(every, axis=0)
    assert 0.6 < float(np.median(spread)) < 1.3
    assert abs(float(np.mean(every))) < 0.3


def test_the_picture_of_the_comb_is_plain_data():
    found = history(counted(scaled_scene(Scaling("to-full", 8)), 8), 8)
    assert found.comb is not None and found.expected is not None
    for values in (found.comb.deviation, found.comb.weight, found.expected):
        assert values.shape == (256,) and values.dtype == np.float64
    missing = [int(code) for code in MISSING.split() if found.comb.weight[int(code)] > 0]
    assert (found.comb.deviation[missing] < -0.3).all()
    assert (found.expected[missing] < -0.3).all()
    assert found.comb.frequencies.shape == found.comb.power.shape == found.comb.relative_power.shape


def test_deeper_than_can_be_told_and_empty_counts_are_silent():
    assert history({Channel.LUMA: np.full(1 << 14, 9)}, 14).scaled == "none-found"
    assert DEEPEST < 14
    for histogram in (np.zeros(256, np.int64), np.eye(1, 256, 40, dtype=np.int64)[0] * 1000):
        found = history({Channel.LUMA: histogram}, 8)
        assert (found.scaled, found.false_alarm) == ("none-found", 1.0)
    assert find_padding({Channel.LUMA: np.zeros(1024, np.int64)}, 10) is None


def test_histograms_of_the_wrong_length_are_refused():
    with pytest.raises(ValueError, match="luma must have 1024 counts"):
        history({Channel.LUMA: np.zeros(256, np.int64)}, 10)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 5000), min_size=256, max_size=256))
def test_whatever_the_counts_the_answer_is_a_history(histogram):
    found = history({Channel.LUMA: np.array(histogram)}, 8)
    assert isinstance(found, History)
    assert 0 <= found.false_alarm <= 1
    assert np.isfinite(found.z)


def test_false_alarm_falls_with_z_and_every_template_has_a_name():
    assert false_alarm(0) == 1.0
    assert false_alarm(LEAST_Z) < 1e-3  # what is promised of untouched recordings
    assert len(bank(8)) == len(set(bank(8)))
