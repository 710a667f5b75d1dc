"""What the codes say of the range, rule by rule, on pictures whose codes are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from survey_pictures import FULL, NARROW, SILENT, SIZE, evidence_of, pixels, slope, slopes

from footroom.host_adapter.headless.evidence import Evidence
from footroom.host_adapter.headless.finding import AGREE, DISAGREE, judge
from footroom.host_adapter.headless.media import Tag
from footroom.kernels.encoding import Model, Range

RANDOM = np.random.default_rng(7)


def test_codes_over_white_do_not_make_a_narrow_recording_full():
    """Cameras record super-whites in narrow, up to the interface's last codes or the last of all (common practice)."""
    for highest in (1019, 1023):
        clipped = [np.minimum(frame, highest) for frame in slopes(70, 1200)]
        found = judge(evidence_of(clipped), NARROW)
        assert found.finding is not Range.FULL
        assert any("super-whites" in why for why in found.why)


def test_areas_under_black_in_every_frame_are_full_codes():
    found = judge(evidence_of(slopes(6, 900)), NARROW)
    assert found.finding is Range.FULL
    assert found.confidence >= DISAGREE
    assert "under narrow black" in found.why[0]


@pytest.mark.parametrize("depth", [8, 10, 12])
def test_depth_does_not_matter(depth):
    unit = 1 << (depth - 8)
    assert judge(evidence_of(slopes(2 * unit, 200 * unit), depth), NARROW).finding is Range.FULL
    assert judge(evidence_of(slopes(24 * unit, 200 * unit), depth), NARROW).finding is not Range.FULL


def test_ringing_and_stray_pixels_convince_nobody():
    """Coding rings beside edges: many single pixels far under black, none of them in areas."""
    frames = slopes(70, 900)
    for frame in frames:
        stray = RANDOM.random(SIZE) < 0.02
        frame[stray & (frame < 200)] = 4
    found = judge(evidence_of(frames), NARROW)
    assert found.finding is not Range.FULL
    assert found.leaning < 0.5 + 1e-9


def test_sensor_noise_around_black_convinces_nobody():
    """Blacks at narrow black with noise of 6 eight-bit codes on them reach code 0 in single pixels."""
    frames = [np.maximum(slope(16, 200, index), 16) + RANDOM.normal(0, 6, SIZE) for index in range(8)]
    for frame in frames:
        frame[:60] = 16 + RANDOM.normal(0, 6, (60, SIZE[1]))
    evidence = evidence_of(frames, 8)
    assert np.flatnonzero(evidence.tones(evidence.pixels))[0] == 0
    assert judge(evidence, NARROW).finding is not Range.FULL


def test_a_test_card_under_black_in_one_frame_convinces_nobody():
    """Line-up bars hold patches 4 % under black (common practice); here they stand at the head of a narrow recording."""
    card = slope(64, 940)
    card[:40, :80] = 64 - 35
    assert judge(evidence_of([card, *slopes(64, 940, 23)]), NARROW).finding is not Range.FULL


def test_walls_at_black_and_white_are_narrow_whatever_the_flag():
    clipped = [np.clip(frame, 64, 940) for frame in slopes(-100, 1100)]
    for tag in (NARROW, FULL, SILENT):
        assert judge(evidence_of(clipped), tag).finding is Range.NARROW


def test_one_nominal_wall_is_not_enough_to_go_against_the_flag():
    clipped = [np.maximum(frame, 64) for frame in slopes(-100, 800)]
    assert judge(evidence_of(clipped), FULL).finding is None
    assert judge(evidence_of(clipped), NARROW).finding is Range.NARROW


def test_walls_at_both_end_codes_are_full_whatever_the_flag():
    clipped = [np.clip(frame, 0, 1023) for frame in slopes(-100, 1200)]
    for tag in (NARROW, FULL, SILENT):
        assert judge(evidence_of(clipped), tag).finding is Range.FULL


def test_code_zero_apart_from_the_picture_is_no_wall():
    """Graphics and padding at code 0 in an otherwise narrow picture."""
    found = judge(Evidence.from_histograms(8, pixels(8, code_0=0.01, code_16_235=0.99)), NARROW)
    assert found.finding is not Range.FULL


@pytest.mark.parametrize(("code", "expected"), [(64, Range.NARROW), (0, None)])
def test_letterbox_bars_tell_black(code, expected):
    """Bars at exactly 16 k go against a full flag; bars at 0 speak for full, but padding can be wrong by itself."""
    frames = slopes(120, 800)
    for frame in frames:
        frame[:24], frame[-24:] = code, code
    evidence = evidence_of(frames)
    assert {bar.edge for bar in evidence.bars} == {"top", "bottom"}
    assert all(bar.size == 24 and bar.code == code for bar in evidence.bars)
    found = judge(evidence, FULL if code else NARROW)
    assert found.finding is expected
    assert (found.leaning < 0.1) if code else (found.leaning > 0.9)


def test_a_full_picture_padded_with_narrow_black_stays_full():
    """Some padding tools draw 16 k whatever the range (common practice)."""
    frames = slopes(5, 900)
    for frame in frames:
        frame[:24], frame[-24:] = 64, 64
    assert judge(evidence_of(frames), FULL).finding is Range.FULL


def test_bars_are_kept_out_of_walls_and_floors():
    frames = slopes(200, 800)
    for frame in frames:
        frame[:24] = 0
    evidence = evidence_of(frames)
    assert not any("cut off at code 0" in why for why in judge(evidence, NARROW).why)
    assert evidence.to_json()["channels"]["luma"]["floor"] >= 200


@pytest.mark.parametrize(("code", "side"), [(64, Range.NARROW), (0, Range.FULL)])
def test_a_black_frame_at_the_head_tells_black(code, side):
    found = judge(evidence_of([np.full(SIZE, code), *slopes(150, 800)]), FULL if side is Range.FULL else NARROW)
    assert found.finding is side
    other = judge(evidence_of([np.full(SIZE, code), *slopes(150, 800)]), NARROW if side is Range.FULL else FULL)
    assert other.finding is None  # one fact alone does not go against the flag


def test_nothing_to_tell_by_is_undetermined_and_says_what_would_settle_it():
    found = judge(evidence_of(slopes(200, 700)), NARROW)
    assert found.finding is None
    assert found.label == "undetermined"
    assert found.confidence == 0
    assert found.settle is not None
    assert "--curve" in found.settle
    assert "lens capped" in found.settle
    assert found.why[-1] == "nothing in the codes contradicts the flag"


def test_flags_that_contradict_each_other_are_named_and_neither_is_trusted_lightly():
    conflict = Tag(Range.FULL, Range.NARROW, True)
    slight = [np.maximum(frame, 64) for frame in slopes(-100, 800)]
    assert judge(evidence_of(slight), NARROW).finding is Range.NARROW
    found = judge(evidence_of(slight), conflict)
    assert found.finding is None
    assert "container says full, the stream narrow" in found.why[0]


def test_red_green_and_blue_are_looked_at_together():
    """A full R'G'B' picture whose black shows in one channel only."""
    shades = pixels(8, code_30_220=1.0)
    dark = pixels(8, code_0=0.05, code_1_220=0.95)
    luma = next(iter(shades))
    from footroom.kernels.encoding import Channel

    histograms = {Channel.RED: shades[luma], Channel.GREEN: shades[luma], Channel.BLUE: dark[luma]}
    evidence = Evidence.from_histograms(8, histograms, model=Model.RGB)
    assert judge(evidence, NARROW).finding is Range.FULL


def test_histograms_of_the_wrong_length_are_refused():
    with pytest.raises(ValueError, match="1024"):
        Evidence.from_histograms(10, pixels(8, code_0=1.0))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.integers(0, 255), min_size=1, max_size=6),
    st.sampled_from([NARROW, FULL, SILENT, Tag(Range.FULL, Range.NARROW, True)]),
)
def test_going_against_the_flag_takes_more_than_going_along(codes, tag):
    """Whatever the histogram: the thresholds hold, the confidence is a probability, and there is always a reason."""
    histogram = np.zeros(256, np.int64)
    histogram[codes] = 1000
    found = judge(Evidence.from_histograms(8, {next(iter(pixels(8))): histogram}), tag)
    assert 0 <= found.confidence <= 1
    assert found.why
    if found.finding is None:
        assert found.settle
    else:
        assert found.confidence >= (AGREE if found.finding is tag.trusted else DISAGREE) - 1e-4
