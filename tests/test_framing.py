"""Windows, safe areas and squeeze: published rectangles, and the properties that every window must have."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise, product

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from footroom.kernels.areas import ACTION_SAFE, TITLE_SAFE, Rect, divisions, rect, safe_area
from footroom.kernels.framing import (
    SAMPLING_STEPS,
    Picture,
    Wanted,
    Window,
    common_area,
    exact_size,
    outside,
    place,
    place_at,
)

HALF = Fraction(1, 2)
STEPS = st.sampled_from(sorted(set(SAMPLING_STEPS.values())))
HD, UHD = Picture(1920, 1080, step=(2, 2)), Picture(3840, 2160, step=(2, 2))


def number(ratio: str) -> Fraction:
    width, height = ratio.split(":")
    return Fraction(width) / Fraction(height)


def by_ratio(ratio: str, **more) -> Wanted:
    return Wanted(ratio, number(ratio), **more)


# Centred windows, even sizes and offsets. Source: computed by hand from the nearest size congruent to the picture's mod 4.
RECTANGLES = [
    (HD, "1:1", (420, 0, 1080, 1080)),
    (HD, "4:5", (528, 0, 864, 1080)),
    (HD, "9:16", (656, 0, 608, 1080)),
    (HD, "1.91:1", (0, 38, 1920, 1004)),
    (HD, "2.39:1", (0, 138, 1920, 804)),
    (HD, "1.85:1", (0, 22, 1920, 1036)),
    (UHD, "1:1", (840, 0, 2160, 2160)),
    (UHD, "4:5", (1056, 0, 1728, 2160)),
    (UHD, "9:16", (1312, 0, 1216, 2160)),
    (UHD, "1.91:1", (0, 74, 3840, 2012)),
    (UHD, "2.39:1", (0, 276, 3840, 1608)),
    (UHD, "1.85:1", (0, 42, 3840, 2076)),
]


@pytest.mark.parametrize(("picture", "ratio", "pixels"), RECTANGLES)
def test_centred_windows_of_hd_and_uhd(picture, ratio, pixels):
    window = place(by_ratio(ratio), picture)
    assert window.rect.pixels() == pixels
    assert window.moved == (0, 0)
    assert window.kept == Fraction(pixels[2] * pixels[3], picture.width * picture.height)


# Containers of digital cinema. Source: DCI Digital Cinema System Specification, flat and scope in 2K and 4K.
CONTAINERS = [
    ((2048, 1080), "1.85:1", (1998, 1080)),
    ((2048, 1080), "2.39:1", (2048, 858)),
    ((4096, 2160), "1.85:1", (3996, 2160)),
    ((4096, 2160), "2.39:1", (4096, 1716)),
]


@pytest.mark.parametrize(("size", "ratio", "container"), CONTAINERS)
@pytest.mark.parametrize("step", [(1, 1), (2, 1), (2, 2)], ids=str)
def test_cinema_containers_by_size_and_by_ratio(size, ratio, container, step):
    picture = Picture(*size, step=step)
    by_size, found = place(Wanted("container", size=container), picture), place(by_ratio(ratio), picture)
    assert by_size.rect.pixels()[2:] == container and by_size.grown == (0, 0)
    assert abs(by_size.moved[0]) <= Fraction(step[0], 2) and abs(by_size.moved[1]) <= Fraction(step[1], 2)
    # The containers' own sizes are rounded from the ratio: 2048 / 858 is 2.3869; and windows by ratio go in two steps.
    assert abs(found.rect.width - container[0]) <= 2 * step[0]
    assert abs(found.rect.height - container[1]) <= 2 * step[1]
    assert (found.rect.x0 + found.rect.x1, found.rect.y0 + found.rect.y1) == size


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_a_size_in_whole_steps_is_kept(data):
    """Who asks for 1080x1350 delivers 1080x1350: not the size but the place gives way to the sampling."""
    step, aspect = data.draw(STEPS), data.draw(st.sampled_from([Fraction(1), Fraction(2)]))
    picture = Picture(data.draw(st.integers(8, 4096)), data.draw(st.integers(8, 4096)), aspect, step)
    width = step[0] * data.draw(st.integers(1, picture.width // step[0]))
    height = step[1] * data.draw(st.integers(1, picture.height // step[1]))
    assume(Fraction(1, 100) <= aspect * width / height <= 100)
    window = place(Wanted("w", size=(int(aspect * width), height)), picture)
    assert window.rect.pixels()[2:] == (width, height)
    assert abs(window.moved[0]) <= step[0] and abs(window.moved[1]) <= step[1]


# Source: SMPTE ST 2046-1:2009, ITU-R BT.1848-1, EBU R 95 v1.1: 93 and 90 per cent; rectangles computed from them.
@pytest.mark.parametrize(
    ("part", "picture", "pixels"),
    [
        (ACTION_SAFE, HD, (67, 38, 1786, 1004)),
        (TITLE_SAFE, HD, (96, 54, 1728, 972)),
        (ACTION_SAFE, UHD, (134, 76, 3572, 2008)),
        (TITLE_SAFE, UHD, (192, 108, 3456, 1944)),
    ],
)
def test_safe_areas_of_hd_and_uhd(part, picture, pixels):
    assert safe_area(part, picture.rect).pixels() == pixels
    assert (ACTION_SAFE, TITLE_SAFE) == (Fraction("0.93"), Fraction("0.90"))


# Displayed ratio = squeeze x W / H; arithmetic, to four places.
@pytest.mark.parametrize(
    ("size", "squeeze", "displayed"),
    [
        ((1920, 1080), "1.3333", "2.3703"),  # 16:9 by 1.3333 itself; by 4/3 it is 2.3704
        ((1920, 1080), "4/3", "2.3704"),
        ((1920, 1080), "1.5", "2.6667"),
        ((1920, 1080), "2", "3.5556"),
        ((1440, 1080), "2", "2.6667"),
        ((1920, 1080), "1.25", "2.2222"),
        ((1920, 1080), "1.8", "3.2000"),
    ],
)
def test_the_displayed_ratio_of_squeezed_pictures(size, squeeze, displayed):
    assert f"{float(Picture(*size, Fraction(squeeze)).ratio):.4f}" == displayed


def test_windows_on_a_squeezed_picture_have_their_ratio_once_it_is_desqueezed():
    squeezed = Picture(1920, 1080, Fraction(2), (2, 2))
    assert squeezed.displayed_size() == (3840, 1080)
    wide = Picture(*squeezed.displayed_size(), step=(2, 2))
    for ratio in ("1:1", "4:5", "9:16", "1.91:1", "2.39:1", "1.85:1"):
        on_recorded, on_displayed = place(by_ratio(ratio), squeezed), place(by_ratio(ratio), wide)
        wanted = number(ratio)
        assert on_recorded.rect.height == on_displayed.rect.height == 1080
        # Sizes go in steps of 4: at most 2 recorded columns, twice as many displayed ones, from the exact width.
        assert abs(on_recorded.ratio - wanted) <= Fraction(2 * 2, 1080)
        assert abs(2 * on_recorded.rect.width - on_displayed.rect.width) <= 2 * 2 + 2
        assert abs(2 * on_recorded.rect.x0 - on_displayed.rect.x0) <= 3
        assert on_recorded.rect.x0 + on_recorded.rect.x1 == 1920
    assert place(by_ratio("1:1"), squeezed).rect.pixels() == (690, 0, 540, 1080)  # by hand: 1080 / 2


def test_anchors_and_offsets_by_hand():
    corner = (Fraction(0), Fraction(1))
    assert place(Wanted("w", size=(1080, 1350), anchor=corner), UHD).rect.pixels() == (0, 810, 1080, 1350)
    moved = Wanted("w", size=(1080, 1350), anchor=corner, offset=(Fraction(11), Fraction(-10)))
    assert place(moved, UHD).rect.pixels() == (12, 800, 1080, 1350)  # 11 is amid two steps: the higher
    shared = by_ratio("9:16", anchor=(HALF, HALF), offset_share=(Fraction(1, 4), Fraction(0)))
    assert place(shared, UHD).rect.pixels() == (2272, 0, 1216, 2160)  # 1312 + 960
    squeezed = Picture(1920, 1080, Fraction(2), (2, 2))
    by_displayed = Wanted(
        "w", size=(800, 400), anchor=(Fraction(0), Fraction(0)), offset=(Fraction(100), Fraction(100))
    )
    assert place(by_displayed, squeezed).rect.pixels() == (50, 100, 400, 400)
    assert place(by_ratio("16:9", part=HALF), UHD).rect.pixels() == (960, 540, 1920, 1080)


ASPECTS = st.sampled_from([Fraction(1), Fraction(4, 3), Fraction(2), Fraction("1.8"), Fraction(12, 11), Fraction(1, 2)])
UNIT = st.fractions(0, 1, max_denominator=200)
RATIOS = st.one_of(
    st.sampled_from([Fraction(each) for each in ("1", "4/5", "9/16", "1.91", "2.39", "1.85", "1/100", "100")]),
    st.fractions(Fraction(1, 20), 20, max_denominator=500),
)


@st.composite
def pictures(draw, most=8000) -> Picture:
    step = draw(STEPS)
    return Picture(draw(st.integers(step[0], most)), draw(st.integers(step[1], most)), draw(ASPECTS), step)


@st.composite
def requests(draw, picture: Picture) -> Wanted:
    """Windows by ratio and by size that fit; offsets that may not."""
    sized = draw(st.booleans())
    most = max(int(picture.aspect * picture.width), 1), picture.height
    size = draw(st.tuples(st.integers(1, most[0]), st.integers(1, most[1]))) if sized else None
    if size is not None:
        assume(Fraction(1, 100) <= Fraction(*size) <= 100)
    still = draw(st.booleans())
    return Wanted(
        "w",
        ratio=None if sized else draw(RATIOS),
        size=size,
        anchor=(HALF, HALF) if still else draw(st.tuples(UNIT, UNIT)),
        offset=(Fraction(0), Fraction(0))
        if still
        else draw(st.tuples(*[st.fractions(-40, 40, max_denominator=7)] * 2)),
        offset_share=(Fraction(0),) * 2 if still else draw(st.tuples(*[st.fractions(-1, 1, max_denominator=9)] * 2)),
        part=draw(st.one_of(st.just(Fraction(1)), st.fractions(Fraction(1, 50), 1, max_denominator=99))),
    )


@st.composite
def windows(draw, most=8000) -> Window:
    picture = draw(pictures(most))
    wanted = draw(requests(picture))
    try:
        return place(wanted, picture)
    except ValueError as refused:
        assert wanted.offset != (0, 0) or wanted.offset_share != (0, 0) or wanted.size is not None, refused
        assume(False)
        raise


def fits(window: Window) -> None:
    """Inside, in whole steps, and no farther from the exact window than rounding may take it."""
    picture, box, exact = window.picture, window.rect, window.exact
    assert box.within(picture.rect) and exact.within(picture.rect)
    for edges, step in (((box.x0, box.width), picture.step[0]), ((box.y0, box.height), picture.step[1])):
        assert all(edge.denominator == 1 and edge % step == 0 for edge in edges) and edges[1] >= step
    for axis, (side, wanted, whole) in enumerate(
        ((box.width, exact.width, picture.width), (box.height, exact.height, picture.height))
    ):
        step = picture.step[axis]
        # Sizes of a ratio go in two steps, so one step off at most; but a size never is none, and never more than whole steps hold.
        assert abs(side - wanted) <= step or side in (step, 2 * step)
        assert abs(side - wanted) < 2 * step
        assert side <= whole // step * step


@settings(max_examples=80, deadline=None)
@given(windows())
def test_every_window_fits(window):
    fits(window)
    box, exact = window.rect, window.exact
    # Ratio within the rounding: |w'/h' - w/h| = |h (w' - w) - w (h' - h)| / (h h'), with both differences known to be small.
    by_width, by_height = (2 * step for step in window.picture.step)
    bound = window.picture.aspect * (by_width / box.height + exact.width * by_height / (exact.height * box.height))
    assert abs(window.ratio - window.picture.aspect * exact.width / exact.height) < bound
    assert window.grown == (box.width - exact.width, box.height - exact.height)
    asked = window.wanted.ratio if window.wanted.ratio is not None else Fraction(*window.wanted.size)
    assert window.picture.aspect * exact.width / exact.height == asked


@settings(max_examples=80, deadline=None)
@given(windows())
def test_a_window_in_the_middle_of_whole_steps_is_exactly_in_the_middle(window):
    picture, box = window.picture, window.rect
    assume(window.wanted.size is None)  # a size in pixels is kept, and its place gives way
    across, down = window.wanted.plainly_centred
    if across and picture.width % picture.step[0] == 0:
        assert box.x0 + box.x1 == picture.width
    if down and picture.height % picture.step[1] == 0:
        assert box.y0 + box.y1 == picture.height
    if across and down:
        # Elsewhere the odd rest lies on one side, and offsets in whole steps cannot halve it.
        assert abs(box.x0 + box.x1 - picture.width) <= 2 * picture.step[0]
        assert abs(box.y0 + box.y1 - picture.height) <= 2 * picture.step[1]


def allowed_sizes(whole: int, step: int, ratio: bool) -> list[int]:
    """All sizes of a window's kind, by trying every one: those of a ratio can lie exactly in the middle."""
    sizes = [size for size in range(1, whole + 1) if size % step == 0]
    if ratio and whole % step == 0:
        sizes = [size for size in sizes if (whole - size) % 2 == 0 and (whole - size) // 2 % step == 0]
    return sizes


@settings(max_examples=80, deadline=None)
@given(windows(most=60))
@example(place(Wanted("w", ratio=Fraction(1, 50)), Picture(8, 50, step=(4, 1))))
@example(place(Wanted("w", ratio=Fraction(1), part=Fraction(1, 50)), Picture(6, 5, step=(2, 1))))
def test_no_allowed_size_and_no_allowed_place_lies_nearer(window):
    picture, wanted = window.picture, window.wanted
    exact, box, step = window.exact, window.rect, picture.step
    sides = ((exact.width, box.width, picture.width), (exact.height, box.height, picture.height))
    for axis, (ideal, side, whole) in enumerate(sides):
        sizes = allowed_sizes(whole, step[axis], wanted.size is None)
        if wanted.size is None:
            assert side in sizes
            assert abs(side - ideal) == min(abs(size - ideal) for size in sizes)
        else:
            assert abs(side - ideal) <= min(abs(size - ideal) for size in sizes)
    # The place is the nearest to where the anchor and the offset put a window of the resolved size.
    moved = (wanted.offset[0] / picture.aspect, wanted.offset[1])
    for axis, (_, side, whole) in enumerate(sides):
        ideal = wanted.anchor[axis] * (whole - side) + moved[axis] + wanted.offset_share[axis] * whole
        places = range(0, int(whole - side) + 1, step[axis])
        at = (box.x0, box.y0)[axis]
        assert at in places and abs(at - ideal) == min(abs(each - ideal) for each in places)


@settings(max_examples=80, deadline=None)
@given(pictures(), RATIOS, st.tuples(UNIT, UNIT), st.fractions(Fraction(1, 50), 1, max_denominator=99))
def test_a_window_by_its_middle_moves_no_further_than_it_must(picture, ratio, middle, part):
    wanted = Wanted("w", ratio)
    window = place_at(wanted, picture, middle, part)
    fits(window)
    width, height = (side * part for side in exact_size(wanted, picture))
    assert (window.exact.width, window.exact.height) == (width, height)
    free = rect(middle[0] * picture.width - width / 2, middle[1] * picture.height - height / 2, width, height)
    if free.within(picture.rect):
        assert window.exact == free
    else:
        assert window.exact.x0 in (free.x0, 0, picture.width - width)
        assert window.exact.y0 in (free.y0, 0, picture.height - height)


def test_a_window_has_one_size_at_rest_at_a_side_and_on_the_move():
    """9:16 of 640x360 was 204 wide in the middle and 202 elsewhere: one delivery, two sizes. 202.5 is nearer to 202, but 202 of 640
    in even places cannot lie in the middle (check-values E's rule)."""
    picture, wanted = Picture(640, 360, step=(2, 2)), by_ratio("9:16")
    assert place(wanted, picture).rect.pixels() == (218, 0, 204, 360)
    assert place(by_ratio("9:16", anchor=(Fraction(0), HALF)), picture).rect.pixels() == (0, 0, 204, 360)
    assert place(by_ratio("9:16", offset=(Fraction(-160), Fraction(0))), picture).rect.pixels() == (58, 0, 204, 360)
    assert place_at(wanted, picture, (Fraction(1, 4), HALF)).rect.pixels() == (58, 0, 204, 360)


@settings(max_examples=80, deadline=None)
@given(pictures(), RATIOS, st.tuples(UNIT, UNIT), st.tuples(UNIT, UNIT))
def test_the_size_of_a_ratio_does_not_depend_on_the_place(picture, ratio, anchor, middle):
    sizes = {
        window.rect.pixels()[2:]
        for window in (
            place(Wanted("w", ratio), picture),
            place(Wanted("w", ratio, anchor=anchor), picture),
            place_at(Wanted("w", ratio), picture, middle),
        )
    }
    assert len(sizes) == 1


@settings(max_examples=100, deadline=None)
@given(pictures(), RATIOS)
def test_the_largest_window_of_a_ratio_reaches_two_sides(picture, ratio):
    width, height = exact_size(Wanted("w", ratio), picture)
    assert width == picture.width or height == picture.height
    assert width <= picture.width and height <= picture.height
    assert picture.aspect * width / height == ratio


def cells(area: Rect | None) -> set[tuple[int, int]]:
    if area is None:
        return set()
    x, y, width, height = area.pixels()
    return set(product(range(x, x + width), range(y, y + height)))


@st.composite
def several(draw) -> tuple[Picture, list[Window]]:
    picture = draw(pictures(most=30))
    found = []
    for _ in range(draw(st.integers(0, 4))):
        wanted = Wanted("w", draw(RATIOS), part=draw(st.fractions(Fraction(1, 5), 1, max_denominator=9)))
        found.append(place_at(wanted, picture, draw(st.tuples(UNIT, UNIT))))
    return picture, found


@settings(max_examples=80, deadline=None)
@given(several())
def test_the_common_area_is_all_that_every_window_keeps(drawn):
    _, found = drawn
    area = common_area(found)
    kept = [cells(window.rect) for window in found]
    assert cells(area) == (set.intersection(*kept) if kept else set())
    assert area is None or all(area.within(window.rect) for window in found)
    assert common_area(iter(found)) == common_area(reversed(found)) == area


@settings(max_examples=80, deadline=None)
@given(several())
def test_the_outside_is_the_rest_of_the_picture_without_overlap(drawn):
    picture, found = drawn
    strips = outside(picture, found)
    rest = cells(picture.rect) - set().union(*(cells(window.rect) for window in found))
    parts = [cells(strip) for strip in strips]
    assert set().union(*parts) == rest
    assert sum(map(len, parts)) == len(rest) and all(parts)
    assert [(strip.y0, strip.x0) for strip in strips] == sorted((strip.y0, strip.x0) for strip in strips)


def test_nothing_in_common_and_nothing_outside():
    left, right = (place_at(by_ratio("9:16"), UHD, (Fraction(x), HALF)) for x in (0, 1))
    assert common_area([left, right]) is None is common_area([])
    assert common_area([left, right, left]) is None
    assert outside(UHD, []) == [UHD.rect]
    assert outside(UHD, [place(by_ratio("16:9"), UHD)]) == []


@settings(max_examples=80, deadline=None)
@given(
    windows(),
    st.one_of(st.just(ACTION_SAFE), st.just(TITLE_SAFE), st.fractions(Fraction(1, 100), 1, max_denominator=100)),
)
def test_safe_areas_are_centred_whole_and_within_one_pixel_of_their_part(window, part):
    within = window.rect
    area = safe_area(part, within)
    assert area.whole and area.within(within)
    assert (area.x0 + area.x1, area.y0 + area.y1) == (within.x0 + within.x1, within.y0 + within.y1)
    # Each inset is rounded to a whole pixel: half a pixel at each side. Where nothing would be left, one pixel or two are.
    for side, of in ((area.width, within.width), (area.height, within.height)):
        assert abs(side - part * of) <= 1 or side <= 2


@pytest.mark.parametrize("within", [rect(0, 0, 2, 1), rect(4, 6, 1, 2), rect(0, 0, 2, 2)], ids=["2x1", "1x2", "2x2"])
def test_a_safe_area_always_has_pixels(within):
    """Half a pixel of inset at each side of two, rounded up at both, would leave none."""
    area = safe_area(HALF, within)
    assert area.width > 0 and area.height > 0
    assert area.within(within)


@settings(max_examples=80, deadline=None)
@given(st.integers(1, 100), st.fractions(-50, 50), st.fractions(Fraction(1, 9), 5000))
def test_divisions_make_equal_parts(count, start, length):
    places = [start, *divisions(count, start, start + length), start + length]
    assert {b - a for a, b in pairwise(places)} == {length / count}
    assert len(places) == count + 1


@pytest.mark.parametrize("count", [0, -1, 101])
def test_no_or_countless_divisions_are_refused(count):
    with pytest.raises(ValueError, match=f"count must be 1..100, got {count}$"):
        divisions(count, Fraction(0), Fraction(1))


@settings(max_examples=80, deadline=None)
@given(pictures())
def test_the_displayed_size_has_square_pixels_within_the_rounding(picture):
    width, height = picture.displayed_size()
    assert height == picture.height
    assert width % picture.step[0] == 0 and width > 0
    assert abs(width - picture.aspect * picture.width) <= Fraction(picture.step[0], 2) or width == picture.step[0]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Picture(0, 5), "0x5"),
        (lambda: Picture(5, -1), "5x-1"),
        (lambda: Picture(5, 5, Fraction(0)), "aspect must be .*got 0$"),
        (lambda: Picture(5, 5, Fraction(-2)), "aspect must be .*got -2$"),
        (lambda: Picture(5, 5, Fraction(101)), "aspect must be .*got 101$"),
        (lambda: Picture(5, 5, step=(0, 1)), r"step must be positive, got \(0, 1\)"),
        (lambda: Wanted("w", Fraction(0)), "ratio must be above 0, got 0$"),
        (lambda: Wanted("w", Fraction(-16, 9)), "ratio must be above 0, got -1.77778$"),
        (lambda: Wanted("w", Fraction(101)), "ratio must be 1:100 to 100:1, got 101:1"),
        (lambda: Wanted("w", Fraction(1, 101)), "ratio must be 1:100 to 100:1, got 0.0099"),
        (lambda: Wanted("w", size=(5000, 1)), "ratio must be 1:100 to 100:1, got 5000:1"),
        (lambda: Wanted("w", size=(0, 10)), "size must be at least 1x1, got 0x10"),
        (lambda: Wanted("w", size=(10, -10)), "size must be at least 1x1, got 10x-10"),
        (lambda: Wanted("w", Fraction(1), part=Fraction(0)), "part must be above 0 and at most 1, got 0$"),
        (lambda: Wanted("w", Fraction(1), part=Fraction(9, 8)), "part must be above 0 and at most 1, got 1.125"),
        (lambda: Wanted("both", Fraction(1), (1, 1)), r"'both'.*ratio or a size, got 1 and \(1, 1\)"),
        (lambda: Wanted("none"), "'none'.*got None and None"),
        (lambda: safe_area(Fraction(0), HD.rect), "part must be above 0 and at most 1, got 0$"),
        (lambda: safe_area(Fraction(11, 10), HD.rect), "part must be .*got 1.1$"),
        (lambda: rect(Fraction(1, 2), 0, 1, 1).pixels(), "whole edges, got .*1, 2"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_name_and_value(make, says):
    with pytest.raises(ValueError, match=says):
        make()


@pytest.mark.parametrize(
    ("wanted", "picture", "says"),
    [
        (Wanted("big", size=(1922, 1080)), HD, r"'big' is 1922x1080, larger than the picture \(1920x1080\)"),
        (Wanted("high", size=(100, 1081)), HD, r"'high' is 100x1081, larger than the picture \(1920x1080\)"),
        # Sizes are displayed pixels, so the picture's is given displayed too.
        (Wanted("wide", size=(3842, 80)), Picture(1920, 1080, Fraction(2)), r"3842x80, larger .*\(3840x1080\)"),
        (by_ratio("1:1", offset=(Fraction(500), Fraction(0))), HD, "'1:1' reaches 80 pixels beyond the right"),
        (by_ratio("1:1", offset=(Fraction(-421), Fraction(0))), HD, "reaches 1 pixels? beyond the left"),
        (by_ratio("2.39:1", offset=(Fraction(0), Fraction(-200))), HD, r"reaches 61\.\d+ pixels beyond the top"),
        (by_ratio("2.39:1", offset_share=(Fraction(0), Fraction(1, 2))), HD, "beyond the bottom"),
        (by_ratio("1:1", offset=(Fraction(500), Fraction(9))), HD, "80 pixels beyond the right and 9 .* the bottom"),
        (by_ratio("1:1", anchor=(Fraction(2), HALF)), HD, "beyond the right"),
        (by_ratio("1:1"), Picture(1, 1, step=(2, 2)), "picture must be at least 2 pixels .*got 1$"),
        (by_ratio("1:1"), Picture(100, 1, step=(2, 2)), "picture must be at least 2 pixels .*got 1$"),
        (by_ratio("1:1"), Picture(3, 100, step=(4, 1)), "picture must be at least 4 pixels .*got 3$"),
    ],
)
def test_windows_that_do_not_fit_are_refused_with_the_numbers(wanted, picture, says):
    with pytest.raises(ValueError, match=says):
        place(wanted, picture)


def test_one_pixel_and_odd_pictures():
    assert place(by_ratio("9:16"), Picture(1, 1)).rect.pixels() == (0, 0, 1, 1)
    assert place(by_ratio("100:1"), Picture(2, 2, step=(2, 2))).rect.pixels() == (0, 0, 2, 2)
    assert Picture(2, 4, Fraction(1, 8), (2, 2)).displayed_size() == (2, 4)  # a quarter of a pixel is still one step
    odd = Picture(1080, 607, step=(2, 2))  # a 16:9 clip as phones write it
    assert place(by_ratio("1080:607"), odd).rect.pixels() == (0, 0, 1080, 606)
    square = place(by_ratio("1:1"), odd)
    assert square.rect.pixels() == (236, 0, 608, 606)  # by hand: 607 wide lies amid 604 and 608, centred
    assert square.rect.within(odd.rect)
