"""A moving window against its own geometry, frame by frame, in exact fractions."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from footroom.kernels.framing import SAMPLING_STEPS, Picture, Wanted, place_at
from footroom.kernels.motion import Ease, Key, WindowPath

HALF = Fraction(1, 2)
UHD = Picture(3840, 2160, step=(2, 2))
VERTICAL = Wanted("9:16", Fraction(9, 16))
RATES = (Fraction(24), Fraction(25), Fraction(30000, 1001), Fraction(60000, 1001))
PARTS = st.fractions(0, 1, max_denominator=100)
SIZES = st.fractions(Fraction(1, 20), 1, max_denominator=60)
PICTURES = st.builds(
    Picture,
    st.integers(8, 600),
    st.integers(8, 600),
    st.sampled_from([Fraction(1), Fraction(4, 3), Fraction(2), Fraction(16, 15), Fraction(1, 2)]),
    st.sampled_from(sorted(set(SAMPLING_STEPS.values()))),
)
WINDOWS = st.builds(Wanted, st.just("w"), st.fractions(Fraction(1, 4), 4, max_denominator=30))


@st.composite
def paths(draw, sizes=SIZES, most=4) -> WindowPath:
    times = sorted(draw(st.sets(st.fractions(0, 10, max_denominator=24), min_size=1, max_size=most)))
    keys = [Key(time, draw(PARTS), draw(PARTS), draw(sizes), draw(st.sampled_from(Ease))) for time in times]
    return WindowPath(tuple(keys))


def inside(key: Key, wanted: Wanted, picture: Picture) -> tuple[Fraction, Fraction]:
    """The key's middle, moved no further than the window's own size asks for; worked out anew from the ratio."""
    ratio = wanted.ratio / picture.aspect
    width = min(Fraction(picture.width), picture.height * ratio) * key.part
    height = width / ratio
    x = min(max(key.x, width / 2 / picture.width), 1 - width / 2 / picture.width)
    y = min(max(key.y, height / 2 / picture.height), 1 - height / 2 / picture.height)
    return x, y


@settings(max_examples=50, deadline=None)
@given(paths(), WINDOWS, PICTURES)
def test_at_a_keys_time_the_window_is_where_the_key_says(path, wanted, picture):
    for key in path.keys:
        window = path.window(wanted, picture, key.time)
        assert window == place_at(wanted, picture, (key.x, key.y), key.part)
        assert window == place_at(wanted, picture, inside(key, wanted, picture), key.part)


@settings(max_examples=50, deadline=None)
@given(paths(), WINDOWS, PICTURES, st.fractions(0, 20, max_denominator=48))
def test_before_the_first_key_and_after_the_last_it_rests(path, wanted, picture, apart):
    first, last = path.keys[0], path.keys[-1]
    assert path.window(wanted, picture, first.time - apart) == path.window(wanted, picture, first.time)
    assert path.window(wanted, picture, last.time + apart) == path.window(wanted, picture, last.time)


@settings(max_examples=40, deadline=None)
@given(paths(), WINDOWS, PICTURES, st.sampled_from(RATES))
def test_on_every_frame_it_lies_inside_in_whole_steps_and_near_the_exact_one(path, wanted, picture, rate):
    across, down = picture.step
    for frame in range(0, 12 * int(rate), 7):
        window = path.window(wanted, picture, frame / rate)
        assert window.exact.within(picture.rect) and window.rect.within(picture.rect)
        x, y, width, height = window.rect.pixels()
        assert x % across == y % down == width % across == height % down == 0
        assert width >= across and height >= down
        moved = window.moved
        # Size and offset are each rounded to the nearest step; only at the picture's edge, which may cut a step, by more.
        assert abs(moved[0]) <= across and abs(moved[1]) <= down


@settings(max_examples=40, deadline=None)
@given(paths(sizes=st.just(Fraction(3, 5))), WINDOWS, PICTURES)
def test_a_constant_size_is_the_same_number_of_pixels_on_every_frame(path, wanted, picture):
    rects = [path.window(wanted, picture, Fraction(frame, 24)).rect for frame in range(0, 250, 3)]
    assert len({(each.width, each.height) for each in rects}) == 1
    assert not path.zooms


@settings(max_examples=50, deadline=None)
@given(paths(most=2), WINDOWS, PICTURES)
def test_between_two_keys_it_never_turns_back(path, wanted, picture):
    start, end = path.keys[0].time, path.keys[-1].time
    windows = [path.window(wanted, picture, start + (end - start) * Fraction(step, 40)) for step in range(41)]

    def one_way(values):
        rises = [b - a for a, b in pairwise(values)]
        return all(rise >= 0 for rise in rises) or all(rise <= 0 for rise in rises)

    assert one_way([each.exact.x0 + each.exact.x1 for each in windows])
    assert one_way([each.exact.y0 + each.exact.y1 for each in windows])
    assert one_way([each.exact.width for each in windows]) and one_way([each.exact.height for each in windows])
    assert one_way([each.rect.width for each in windows]) and one_way([each.rect.height for each in windows])
    if not path.zooms:
        assert one_way([each.rect.x0 for each in windows]) and one_way([each.rect.y0 for each in windows])


@settings(max_examples=50, deadline=None)
@given(paths(), WINDOWS, PICTURES, st.fractions(0, 1, max_denominator=50))
def test_the_way_between_two_keys_is_that_of_the_ease(path, wanted, picture, part):
    # Cubic Hermite interpolation with no slope at either end: h(t) = 3 t^2 - 2 t^3. Source: its definition.
    eases = {Ease.SMOOTH: 3 * part**2 - 2 * part**3, Ease.LINEAR: part, Ease.HOLD: Fraction(part == 1)}
    for key, following in pairwise(path.keys):
        here, there = inside(key, wanted, picture), inside(following, wanted, picture)
        gone = eases[key.ease]
        middle = tuple(a + (b - a) * gone for a, b in zip(here, there, strict=True))
        size = key.part + (following.part - key.part) * gone
        exact = path.window(wanted, picture, key.time + (following.time - key.time) * part).exact
        assert exact == place_at(wanted, picture, middle, size).exact
        assert ((exact.x0 + exact.x1) / 2 / picture.width, (exact.y0 + exact.y1) / 2 / picture.height) == middle


def test_smooth_starts_and_ends_at_rest_and_passes_the_middle_halfway():
    smooth = Ease.SMOOTH.apply
    # The values of 3 t^2 - 2 t^3, by hand.
    quarters = [smooth(Fraction(step, 4)) for step in range(5)]
    assert quarters == [0, Fraction(5, 32), HALF, Fraction(27, 32), 1]
    for step in (Fraction(1, 10), Fraction(1, 1000), Fraction(1, 10**6)):
        # Exactly 3 h - 2 h^2, so that the slope vanishes with h at both ends.
        assert smooth(step) / step == 3 * step - 2 * step**2 == (1 - smooth(1 - step)) / step
        assert (smooth(HALF + step) - smooth(HALF - step)) / (2 * step) == Fraction(3, 2) - 2 * step**2
    assert all(smooth(Fraction(k, 97)) + smooth(1 - Fraction(k, 97)) == 1 for k in range(98))


def test_a_vertical_window_panned_over_a_wide_picture():
    """By hand: 9:16 of 3840x2160 is 1215 wide, 1216 in steps of two, between x 0 and 2624."""
    path = WindowPath((Key(Fraction(0), Fraction(0), HALF, ease=Ease.LINEAR), Key(Fraction(4), Fraction(1), HALF)))
    found = [path.window(VERTICAL, UHD, Fraction(second)).rect.pixels() for second in range(6)]
    assert found == [(x, 0, 1216, 2160) for x in (0, 656, 1312, 1968, 2624, 2624)]
    assert path.held_in(VERTICAL, UHD) == [1, 2]


def test_a_hold_is_a_cut():
    keys = (Key(Fraction(1), Fraction(1, 4), HALF, ease=Ease.HOLD), Key(Fraction(2), Fraction(3, 4), HALF))
    path = WindowPath(keys)
    just_before = Fraction(2) - Fraction(1, 10**9)
    assert path.window(VERTICAL, UHD, just_before) == path.window(VERTICAL, UHD, Fraction(1))
    assert path.window(VERTICAL, UHD, Fraction(2)).rect.x0 - path.window(VERTICAL, UHD, just_before).rect.x0 == 1920


@settings(max_examples=50, deadline=None)
@given(paths(), WINDOWS, PICTURES)
def test_keys_too_near_the_edge_are_listed(path, wanted, picture):
    held = [n for n, key in enumerate(path.keys, 1) if inside(key, wanted, picture) != (key.x, key.y)]
    assert path.held_in(wanted, picture) == held


def test_a_size_in_pixels_moves_and_zooms_too():
    wanted = Wanted("w", size=(1080, 1920))
    keys = (Key(Fraction(0), HALF, HALF, ease=Ease.LINEAR), Key(Fraction(2), HALF, HALF, HALF))
    path = WindowPath(keys)
    assert path.zooms
    assert path.window(wanted, UHD, Fraction(0)).rect.pixels() == (1380, 120, 1080, 1920)
    assert path.window(wanted, UHD, Fraction(1)).rect.pixels() == (1516, 360, 810, 1440)  # 1515 is no even offset
    assert path.window(wanted, UHD, Fraction(2)).rect.pixels() == (1650, 600, 540, 960)
    with pytest.raises(ValueError, match=r"4000x100.*3840x2160"):
        path.window(Wanted("wide", size=(4000, 100)), UHD, Fraction(0))


@pytest.mark.parametrize(
    ("times", "says"),
    [
        ((0, 2, 1), ["key 2", "2 s", "key 3", "1 s"]),
        ((1.5, 1.5), ["key 1", "1.5 s", "key 2"]),
        ((), ["at least one key"]),
    ],
)
def test_times_out_of_order_are_refused_with_the_numbers(times, says):
    with pytest.raises(ValueError) as refused:  # every part of the words is checked below
        WindowPath(tuple(Key(Fraction(time), HALF, HALF) for time in times))
    assert all(each in str(refused.value) for each in says), refused.value


@pytest.mark.parametrize(
    ("field", "value"),
    [("time", "-1/4"), ("x", "-1/8"), ("x", "9/8"), ("y", "-1/8"), ("y", "5/4"), ("part", "0"), ("part", "3/2"), ("part", "-1")],
)  # fmt: skip
def test_keys_that_make_no_sense_are_refused_with_field_and_value(field, value):
    fields = {"time": Fraction(0), "x": HALF, "y": HALF, "part": Fraction(1), field: Fraction(value)}
    with pytest.raises(ValueError, match=f"{field} must.*got {float(Fraction(value)):g}$"):
        Key(**fields)
