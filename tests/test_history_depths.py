"""Histories in which the depth changed too: counts, lines and heights of their combs from exact rationals, and what must stay silent."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
import reference
from survey_pictures import FULL, NARROW, info_of
from test_history import codes_of, counted, scaled_scene, scene

from footroom.host_adapter.headless.evidence import Evidence
from footroom.host_adapter.headless.finding import judge
from footroom.host_adapter.headless.past import end_of, lost_before, past_json, past_words
from footroom.host_adapter.headless.remedy import choose
from footroom.host_adapter.headless.report.comb_chart import comb_chart, line_between_depths
from footroom.kernels.comb import deviations, look, soften
from footroom.kernels.encoding import Channel, Encoding, Range, affine_map
from footroom.kernels.history import LEAST_Z, history, statistics
from footroom.kernels.scalings import (
    CHANGES,
    PADDINGS,
    WAYS,
    Scaling,
    candidates_between_depths,
    padded_codes,
    scaled,
    shallow_turns,
)
from footroom.kernels.templates import PERIOD, bank, templates

BETWEEN = [each for depth in (8, 10, 12) for each in candidates_between_depths(depth)]


def name_of(scaling: Scaling) -> str:
    return f"{scaling.name} {scaling.first_depth} to {scaling.depth} {scaling.cut or scaling.rounding}"


def frames(scaling: Scaling, seeds: range, sigma: float = 0.0) -> dict[Channel, np.ndarray]:
    """Counts of several scenes after a scaling and noise."""
    draw = np.random.default_rng(7)
    before = Encoding(scaling.first_depth, WAYS[scaling.name][0])
    total = np.zeros(1 << scaling.depth, np.int64)
    for seed in seeds:
        codes = scaling.mapped(Channel.LUMA)[codes_of(scene(seed), before)]
        moved = np.floor(codes + draw.normal(0, sigma, codes.shape) + 0.5).astype(np.int64) if sigma else codes
        total += counted(moved, scaling.depth)[Channel.LUMA]
    return {Channel.LUMA: total}


@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA])
@pytest.mark.parametrize(
    "scaling", [each for each in BETWEEN if each.rounding == "rounded" and each.cut != "dropped"], ids=name_of
)
def test_every_code_is_the_exact_rational_s(scaling, channel):
    full, chroma = scaling.name == "to-full", channel is Channel.CHROMA
    if scaling.cut is None:
        ends = [((scaling.first_depth, not full), (scaling.depth, full))]
    else:
        ends = [((scaling.first_depth, not full), (scaling.first_depth, full))]
        ends.append(((scaling.first_depth, full), (scaling.depth, full)))
    wanted = list(range(1 << scaling.first_depth))
    for before, after in ends:
        wanted = [reference.mapped(code, before, after, chroma) for code in wanted]
    assert scaling.mapped(channel).tolist() == wanted


def test_codes_scaled_and_then_cut_off_lose_their_lower_bits():
    dropped = Scaling("to-full", 8, "rounded", 10, "dropped").mapped(Channel.LUMA)
    wanted = [reference.mapped(code, (10, False), (10, True), False) >> 2 for code in range(1024)]
    assert dropped.tolist() == wanted


@pytest.mark.parametrize(
    ("name", "few", "many", "counts"),
    [
        ("to-full", 10, 8, {3: 143, 4: 111}), ("to-full", 12, 8, {13: 65, 14: 189}), ("to-full", 12, 10, {3: 587, 4: 435}),
        ("to-narrow", 10, 8, {4: 72, 5: 146}), ("to-narrow", 12, 8, {18: 66, 19: 152}), ("to-narrow", 12, 10, {4: 285, 5: 590}),
    ],
)  # fmt: skip
def test_how_many_deeper_codes_make_each_code(name, few, many, counts):
    """Counted by the exact reference, of the codes between the first and the last that are reached."""
    deep, shallow = few, many
    full = name == "to-full"
    made = [reference.mapped(code, (deep, not full), (shallow, full), False) for code in range(1 << deep)]
    sources = np.bincount(made, minlength=1 << shallow)
    inner = sources[min(made) + 1 : max(made)]
    assert dict(zip(*(each.tolist() for each in np.unique(inner, return_counts=True)), strict=True)) == counts
    assert Scaling(name, shallow, "rounded", deep).multiplicity(Channel.LUMA).tolist() == sources.tolist()


@pytest.mark.parametrize(
    ("name", "deep", "shallow", "channel", "frequency"),
    [
        ("to-full", 10, 8, Channel.LUMA, 0.435294), ("to-narrow", 10, 8, Channel.LUMA, 0.328767),
        ("to-full", 10, 8, Channel.CHROMA, 0.486275), ("to-narrow", 10, 8, Channel.CHROMA, 0.433036),
        ("to-full", 12, 8, Channel.LUMA, 0.258824), ("to-narrow", 12, 8, Channel.LUMA, 0.301370),
        ("to-full", 12, 10, Channel.LUMA, 0.425220), ("to-narrow", 12, 10, Channel.LUMA, 0.325342),
        ("to-narrow", 8, 10, Channel.LUMA, 0.291096), ("to-full", 8, 10, Channel.LUMA, 0.214076),
        ("to-narrow", 10, 12, Channel.LUMA, 0.291952), ("to-full", 10, 12, Channel.LUMA, 0.213919),
    ],
)  # fmt: skip
def test_the_comb_stands_at_the_frequency_that_the_slopes_say(name, deep, shallow, channel, frequency):
    """One cycle to a source code: 1/a cycles a code, folded to below one half (876/255 = 3.435294, and so on)."""
    scaling = Scaling(name, shallow, "rounded", deep)
    slope, _ = scaling.affine(channel)
    turn = 1 / slope
    assert abs(float(turn - round(turn))) == pytest.approx(frequency, abs=6e-7)
    counts = scaling.multiplicity(channel).astype(float)
    counts = (
        soften(counts, 1.0) if deep < shallow else counts
    )  # whose gaps are left out of the statistic where nothing fills them
    comb = look(np.random.default_rng(2).poisson(2000 * counts), PERIOD[channel])
    near = np.abs(comb.frequencies - frequency) < 0.02
    peak = comb.frequencies[near][np.argmax(np.abs(comb.spectrum[near]))]
    assert peak == pytest.approx(frequency, abs=0.5 / (1 << shallow))
    if channel is Channel.LUMA:
        assert line_between_depths(scaling) == pytest.approx(frequency, abs=6e-7)


@pytest.mark.parametrize(
    ("name", "deep", "shallow", "height"),
    [("to-full", 10, 8, 0.181), ("to-narrow", 10, 8, 0.117), ("to-full", 12, 8, 0.034), ("to-narrow", 12, 8, 0.028)],
)
def test_the_comb_is_as_high_as_the_window_s_transform(name, deep, shallow, height):
    """2 |sinc(1/a)|: a code gathers 1/a source codes (transform of a rectangle; figures from the slopes)."""
    scaling = Scaling(name, shallow, "rounded", deep)
    slope, _ = scaling.affine(Channel.LUMA)
    turn = 1 / float(slope)
    assert 2 * abs(np.sinc(turn)) == pytest.approx(height, abs=6e-4)
    counts = scaling.multiplicity(Channel.LUMA)[20:230].astype(float)
    window = np.hanning(len(counts))
    wave = np.exp(-2j * np.pi * turn * np.arange(20, 230)) * window
    assert 2 * abs(((counts / counts.mean() - 1) * wave).sum()) / window.sum() == pytest.approx(height, abs=0.004)


@pytest.mark.parametrize("scaling", [each for each in BETWEEN if each.first_depth > each.depth], ids=name_of)
def test_codes_from_deeper_ones_are_named_after_rounding_alone(scaling):
    found = history(frames(scaling, range(4)), scaling.depth)
    assert (found.scaled, found.from_depth, found.scaling) == (scaling.name, scaling.first_depth, scaling)
    assert found.z > LEAST_Z and found.false_alarm < 1e-3
    gain, offset = scaling.affine(Channel.LUMA)
    assert (found.gain, found.offset) == (float(gain), float(offset))


@pytest.mark.parametrize("scaling", [each for each in BETWEEN if each.first_depth < each.depth], ids=name_of)
@pytest.mark.parametrize("sigma", [0.6, 1.0, 2.0])
def test_codes_from_shallower_ones_are_named_where_noise_filled_their_gaps(scaling, sigma):
    found = history(frames(scaling, range(4), sigma), scaling.depth)
    assert (found.scaled, found.from_depth, found.padding) == (scaling.name, scaling.first_depth, None)


@pytest.mark.parametrize(("first", "last"), [(10, 8), (12, 8), (12, 10), (8, 10), (8, 12), (10, 12)])
@pytest.mark.parametrize("range_", Range)
@pytest.mark.parametrize("how", ["rounded", "shifted"])
@pytest.mark.parametrize("sigma", [0.0, 0.7, 1.5])
def test_another_depth_of_the_same_range_is_no_change_of_range(first, last, range_, how, sigma):
    source, target = Encoding(first, range_), Encoding(last, range_)
    gain, offset = affine_map(source, target, Channel.LUMA)
    if how == "shifted":
        gain, offset = Fraction(1 << last, 1 << first), Fraction(0)
    draw = np.random.default_rng(9)
    for seed in range(2):
        codes = scaled(codes_of(scene(seed), source), gain, offset, truncated=how == "shifted")
        moved = np.floor(codes + draw.normal(0, sigma, codes.shape) + 0.5).astype(np.int64) if sigma else codes
        assert history(counted(moved, last), last).scaled == "none-found"


@pytest.mark.parametrize(("deep", "shallow"), [(10, 8), (12, 8), (12, 10)])
def test_the_unevenness_of_full_codes_brought_to_fewer_bits_is_no_sign_of_a_scaling(deep, shallow):
    """Found wrong: three in 85 codes of 8 bits gather five of 10 bits where the others gather four (1023/255 = 4.01)."""
    scaling = Scaling("to-full", shallow, "rounded", deep, "rounded")
    alone = scaling.cut_multiplicity(Channel.LUMA)
    made = [reference.mapped(code, (deep, True), (shallow, True), False) for code in range(1 << deep)]
    assert alone.tolist() == np.bincount(made, minlength=1 << shallow).tolist()
    inner = np.concatenate([alone[1:2], alone[1:-1], alone[-2:-1]])
    uneven = deviations(1e4 * inner, PERIOD[Channel.LUMA])
    lefts = [
        left
        for left, (each, softness) in zip(templates(shallow, Channel.LUMA), bank(shallow), strict=True)
        if each == scaling and softness == 0
    ]
    for left in lefts:
        assert abs(left @ uneven) < 1e-6 * np.sqrt((left @ left) * (uneven @ uneven))
    places = np.arange(1 << shallow) / (1 << shallow)
    level = 40000 * np.exp(-(((places - 0.5) / 0.25) ** 2)) * alone / alone.mean()
    counts = {Channel.LUMA: np.random.default_rng(3).poisson(level)}
    z, _ = statistics(counts, shallow)
    assert max(z[i] for i, (each, _) in enumerate(bank(shallow)) if each == scaling) < 3
    assert history(counts, shallow).scaled == "none-found"


@pytest.mark.parametrize("sigma", [0.6, 1.0, 1.6, 2.5])
@pytest.mark.parametrize("name", CHANGES)
def test_eight_bits_spread_over_twelve_under_noise_say_nothing(name, sigma):
    """Their comb turns as slowly as a scene, and its harmonics lie where other histories have lines: 4 x 255/4095 is .249."""
    assert any(turn == pytest.approx(0.0623, abs=1e-4) for turn in shallow_turns(12))
    codes = np.asarray(padded_codes(8, 12, name))
    for seed in range(3):
        first = codes_of(scene(seed), Encoding(8, WAYS[name][0]))
        moved = codes[first] + np.random.default_rng(seed).normal(0, sigma, first.shape)
        assert history(counted(np.floor(moved + 0.5).astype(np.int64), 12), 12).scaled == "none-found"


def test_a_gain_of_its_own_with_the_same_line_is_not_taken_for_it():
    """10-bit narrow to 8-bit full turns at 3.435 - 3 cycles a code, a gain of .697 at 1.435 - 1, 2.4 times as high."""
    codes = scaled(codes_of(scene(2), Encoding(8, Range.FULL)), Fraction(255, 366), Fraction(40))
    found = history(counted(codes, 8), 8)
    assert found.scaled == "other-gain"
    assert found.gain == pytest.approx(255 / 366, abs=0.002)


def evidence_of(scaling: Scaling) -> Evidence:
    return Evidence.from_histograms(scaling.depth, frames(scaling, range(3)))


def test_the_record_says_which_depth_it_came_from_and_what_is_gone():
    """1024 codes in 256: 63 and 82 clipped, 1024 - 145 - 256 merged."""
    past = evidence_of(Scaling("to-full", 8, "rounded", 10)).past
    record = past_json(past)
    assert record is not None
    assert (record["scaled"], record["depth"], record["from_depth"], record["cut"]) == ("to-full", 8, 10, None)
    assert record["gain"] == pytest.approx(255 / 876)
    assert lost_before(past) == {"merged": 623, "clipped_low": 63, "clipped_high": 82}
    assert end_of(past) is Range.FULL
    words = past_words(past)
    assert "scaled from narrow to full before, and brought from 10 to 8 bits in the same step" in words
    assert "623 codes merged, 63 clipped low, 82 clipped high of 1024, which nothing brings back" in words


@pytest.mark.parametrize(
    ("cut", "words"), [("rounded", "then rounded to 8 bits"), ("dropped", "then cut off after 8 bits")]
)
def test_two_steps_are_told_from_one(cut, words):
    past = evidence_of(Scaling("to-full", 8, "rounded", 10, cut)).past
    assert (past.from_depth, past.scaling.cut) == (10, cut)
    assert f"at 10 bits, and {words}" in past_words(past)


def test_an_undo_does_not_promise_the_bits_that_are_gone():
    evidence = evidence_of(Scaling("to-narrow", 8, "rounded", 10))
    finding = judge(evidence, NARROW)
    assert finding.finding is Range.NARROW
    remedy = choose(info_of(tag=FULL), finding, Range.FULL, None, evidence.past)
    assert remedy.price["lost_before"]["merged"] == 1024 - 220
    assert "which brings the range back and not the 10 bits" in remedy.why[-1]


def test_the_comb_s_picture_marks_the_line_that_was_found():
    chart = comb_chart(evidence_of(Scaling("to-full", 8, "rounded", 10)).past)
    assert chart is not None
    assert any(mark.label == "to full from 10 bits 0.435" for mark in chart.across)
    assert "One to full from 10 bits to 8 leaves 0.435" in chart.alt


@pytest.mark.parametrize(("shallow", "deep"), [(8, 10), (8, 12), (10, 12), (8, 16)])
@pytest.mark.parametrize("how", PADDINGS)
def test_shallow_codes_in_a_deep_file_are_seen(shallow, deep, how):
    codes = np.asarray(padded_codes(shallow, deep, how))[codes_of(scene(1), Encoding(shallow, Range.FULL))]
    found = history(counted(codes, deep), deep)
    assert found.padding is not None
    assert (found.padding.depth, found.padding.stray) == (shallow, 0)
    assert padded_codes(shallow, deep, found.padding.how) == padded_codes(
        shallow, deep, how
    )  # 8 to 16: two ways are one
    assert found.scaled == (how if how in WAYS else "none-found")


@pytest.mark.parametrize(
    ("how", "code"), [("shifted", 4 * 77), ("repeated", 4 * 77 + 1), ("scaled", 309), ("to-narrow", 329)]
)
def test_padded_codes_by_hand(how, code):
    """77: 77 << 2; its upper bits 01 below; 77 x 1023 / 255 = 308.9; 64 + 77 x 876 / 255 = 328.5, half away from zero."""
    assert padded_codes(8, 10, how)[77] == code


def test_codes_scaled_before_they_were_padded_are_named_at_their_depth():
    codes = np.asarray(padded_codes(8, 10, "shifted"))[scaled_scene(Scaling("to-narrow", 8))]
    found = history(counted(codes, 10), 10)
    assert (found.scaled, found.depth) == ("to-narrow", 8)
    assert found.padding is not None


def test_a_second_scaling_taken_back_into_deeper_bits_is_known_to_be_undone():
    twice = Scaling("to-narrow-twice", 10)
    codes = np.asarray(padded_codes(10, 12, "to-full"))[scaled_scene(twice)]
    found = history(counted(codes, 12), 12)
    assert (found.scaled, found.scaling) == ("to-narrow", twice)
    assert found.gain == pytest.approx(float(Scaling("to-narrow", 10).affine(Channel.LUMA)[0]) * 4095 / 1023, rel=1e-3)
