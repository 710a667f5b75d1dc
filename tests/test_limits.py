"""Excursions, against EBU R 103's filter in exact rationals."""

from fractions import Fraction

import numpy as np
import pytest

from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.limits import GRID, SPAN, excursions
from footroom.kernels.matrix import Matrix

ROWS, COLUMNS = 11, 19
R103 = {8: (5, 246), 10: (20, 984), 12: (80, 3936)}
"""Preferred range of R'G'B' and luma. Source: EBU R 103 v3.0 table 1."""
FILTER = [Fraction(each, 16) for each in (1, 2, 3, 4, 3, 2, 1)], [Fraction(each, 4) for each in (1, 2, 1)]
"""Source: EBU R 103 v3.0."""


def planes_of(encoding, step, seed=3):
    rng = np.random.default_rng(seed)
    made = []
    for channel in encoding.channels():
        across, down = step if channel is Channel.CHROMA else (1, 1)
        shape = -(-ROWS // down), -(-COLUMNS // across)
        coarse = rng.integers(0, encoding.maximum + 1, (4, 4))
        coarse[0, 0], coarse[1, 1] = 1, encoding.maximum - 1  # outside, whatever the rest is
        smooth = coarse.repeat(8, 0).repeat(8, 1)[: shape[0], : shape[1]]
        made.append((smooth << encoding.bit_shift).astype(encoding.dtype_name))
    return made


def interpolated(plane, step, place):
    """Chroma at luma's places, exactly, the ends held."""
    found = plane
    for axis, count in ((0, ROWS), (1, COLUMNS)):
        size, where = step[1 - axis], place[1 - axis]
        last = found.shape[axis] - 1
        lines = []
        for at in range(count):
            exact = Fraction(2 * at - where * (size - 1), 2 * size)
            first = exact.numerator // exact.denominator
            share = exact - first
            one, two = (np.take(found, min(max(each, 0), last), axis) for each in (first, first + 1))
            lines.append(one * (1 - share) + two * share)
        found = np.stack(lines, axis)
    return found


def exact_channels(planes, encoding, matrix, step, place):
    """Y', R', G', B' in luma codes, arrays of Fraction. Source: BT.709-6 items 3.2 and 3.3 with any weights."""
    codes = [
        np.array([[Fraction(int(code)) for code in line] for line in plane >> encoding.bit_shift]) for plane in planes
    ]
    if encoding.model is Model.GRAY:
        return codes * 4
    if encoding.model is Model.RGB:
        red, green, blue = codes
        return [matrix.red * red + matrix.green * green + matrix.blue * blue, red, green, blue]
    k, top = 1 << encoding.depth - 8, (1 << encoding.depth) - 1
    spans = (219 * k, 224 * k) if encoding.range is Range.NARROW else (top, top)
    cb, cr = ((interpolated(plane, step, place) - (1 << encoding.depth - 1)) * Fraction(*spans) for plane in codes[1:])
    red = codes[0] + 2 * (1 - matrix.red) * cr
    blue = codes[0] + 2 * (1 - matrix.blue) * cb
    return [codes[0], red, (codes[0] - matrix.red * red - matrix.blue * blue) / matrix.green, blue]


def exact_filtered(channel):
    for axis, weights in ((1, FILTER[0]), (0, FILTER[1])):
        reach = len(weights) // 2
        lines = np.moveaxis(channel, axis, 0)
        last = len(lines) - 1
        lines = np.stack(
            [sum(w * lines[min(max(at + i - reach, 0), last)] for i, w in enumerate(weights)) for at in range(last + 1)]
        )
        channel = np.moveaxis(lines, 0, axis)
    return channel


@pytest.mark.parametrize("filtered", [True, False])
@pytest.mark.parametrize("range_", Range)
@pytest.mark.parametrize(("depth", "shift"), [(8, 0), (10, 0), (10, 6), (12, 0)])
@pytest.mark.parametrize(
    ("model", "sampling", "place"),
    [
        (Model.YCBCR, "4:4:4", (0, 0)), (Model.YCBCR, "4:2:2", (0, 1)), (Model.YCBCR, "4:2:0", (0, 1)), (Model.YCBCR, "4:2:0", (1, 1)),
        (Model.YCBCR, "4:1:1", (0, 1)), (Model.RGB, "4:4:4", (0, 0)), (Model.GRAY, "4:4:4", (0, 0)),
    ],
)  # fmt: skip
def test_counts_are_those_of_exact_arithmetic(filtered, range_, depth, shift, model, sampling, place):
    encoding, step = Encoding(depth, range_, model, shift), SAMPLING_STEPS[sampling]
    limits, matrix = R103[depth], Matrix.BT709
    planes = planes_of(encoding, step)
    found = excursions(planes, encoding, limits, matrix=matrix, step=step, place=place, filtered=filtered)
    channels = exact_channels(planes, encoding, matrix, step, place)
    if filtered:
        channels = [exact_filtered(channel) for channel in channels]
    close = Fraction(1, 200)  # of a code: nearer to a limit single precision may fall to either side
    assert not any(
        0 < abs(value - limit) < close for channel in channels for value in channel.ravel() for limit in limits
    )
    below, above = ([channel < limits[0] for channel in channels], [channel > limits[1] for channel in channels])
    assert found.below == tuple(int(each.sum()) for each in below)
    assert found.above == tuple(int(each.sum()) for each in above)
    out = np.any(below + above, axis=0)
    assert found.area == out.sum() > 0 and found.share == found.area / (ROWS * COLUMNS)
    areas = np.zeros(GRID, int)
    np.add.at(areas, (np.nonzero(out)[0] * GRID[0] // ROWS, np.nonzero(out)[1] * GRID[1] // COLUMNS), 1)
    assert np.array_equal(found.grid, areas)
    for channel, low, high in zip(channels, found.lowest, found.highest, strict=True):
        for place_, limit, best in ((low, limits[0], min), (high, limits[1], max)):
            value = best(channel.ravel())
            if place_ is None:
                assert limits[0] <= value or best is max
                assert value <= limits[1] or best is min
            else:
                assert place_.code == pytest.approx(float(value), abs=0.01) and (value < limit or value > limit)
                assert float(channel[place_.y, place_.x]) == pytest.approx(float(value), abs=0.01)


@pytest.mark.parametrize("code", [20, 984])
def test_a_neutral_picture_at_the_very_limit_passes_and_one_code_further_does_not(code):
    """EBU R 103 v3.0 table 1: 20 to 984 themselves are inside."""
    encoding = Encoding(10, Range.NARROW)
    planes = [np.full((ROWS, COLUMNS), value, np.uint16) for value in (code, 512, 512)]
    assert excursions(planes, encoding, R103[10]).area == 0
    planes[0] = planes[0] + np.uint16(1) if code > 500 else planes[0] - np.uint16(1)
    found = excursions(planes, encoding, R103[10])
    assert found.area == ROWS * COLUMNS and sum(found.below) + sum(found.above) == 4 * ROWS * COLUMNS


def test_a_lone_pixel_is_what_the_filter_forgives():
    """One pixel of white 1019 on 940: 940 + 79 * 4/16 * 2/4 = 949.9, inside 984; a patch of 7 x 3 is not forgiven."""
    encoding = Encoding(10, Range.NARROW)
    luma = np.full((ROWS, COLUMNS), 940, np.uint16)
    neutral = np.full((ROWS, COLUMNS), 512, np.uint16)
    luma[5, 9] = 1019
    assert excursions([luma, neutral, neutral], encoding, R103[10]).area == 0
    plain = excursions([luma, neutral, neutral], encoding, R103[10], filtered=False)
    assert plain.area == 1 and plain.highest[0].code == 1019 and (plain.highest[0].y, plain.highest[0].x) == (5, 9)
    luma[4:7, 6:13] = 1019
    assert excursions([luma, neutral, neutral], encoding, R103[10]).highest[0].code == 1019


@pytest.mark.parametrize("filtered", [True, False])
@pytest.mark.parametrize("columns", [SPAN - 1, SPAN, SPAN + 1, 3 * SPAN + 5])
def test_wide_rows_are_exact_at_every_column(filtered, columns):
    """Of gray codes all is whole numbers: 64 times the filtered code, in int64. A spike in each column, near and far from others."""
    rng, encoding = np.random.default_rng(columns), Encoding(10, Range.NARROW, Model.GRAY)
    codes = rng.integers(0, 5, (40, columns))  # within the limits, and close to them
    for y in range(0, 40, 4):
        high, apart = y % 8 == 0, 3 + y // 2  # up to two spikes that one filter sees
        codes[y : y + 4] += 980 if high else 20
        codes[y + 1 : y + 3, rng.integers(0, apart) :: apart] = 1019 if high else 4
    total = 64 * codes
    if filtered:
        padded = np.pad(codes, ((1, 1), (3, 3)), "edge")
        down = padded[:-2] + 2 * padded[1:-1] + padded[2:]
        total = sum(weight * down[:, at : at + columns] for at, weight in enumerate((1, 2, 3, 4, 3, 2, 1)))
    found = excursions([codes.astype(np.uint16)], encoding, R103[10], filtered=filtered)
    low, high = total < 64 * 20, total > 64 * 984
    assert found.below == (low.sum(),) * 4 and found.above == (high.sum(),) * 4
    assert found.area == (low | high).sum() > 0
    for places, best, out in ((found.lowest, total.min(), low), (found.highest, total.max(), high)):
        for place in places:
            if not out.any():
                assert place is None
            else:
                first = np.argwhere(total == best)[0]  # in the order of reading
                assert place.code == best / 64 and [place.y, place.x] == first.tolist()


def test_a_colour_that_no_display_has_is_outside_though_its_codes_are_not():
    """Y' 500 with Cr 900 of narrow 10 bit: R' = 500 + 1.5748 * 388 * 876/896 = 1097.3, BT.709-6."""
    encoding = Encoding(10, Range.NARROW)
    planes = [np.full((ROWS, COLUMNS), value, np.uint16) for value in (500, 512, 900)]
    found = excursions(planes, encoding, R103[10])
    assert found.above == (0, ROWS * COLUMNS, 0, 0)
    assert found.highest[1].code == pytest.approx(500 + 1.5748 * 388 * 876 / 896, abs=0.01)


@pytest.mark.parametrize("asked", [(0,), (1, 2, 3), (2,), (0, 3)])
def test_channels_that_are_not_asked_for_do_not_count(asked):
    encoding = Encoding(10, Range.NARROW)
    planes = planes_of(encoding, (2, 1))
    whole = excursions(planes, encoding, R103[10], step=(2, 1))
    some = excursions(planes, encoding, R103[10], step=(2, 1), channels=asked)
    for channel in range(4):
        of = channel in asked
        assert some.below[channel] == (whole.below[channel] if of else 0)
        assert some.highest[channel] == (whole.highest[channel] if of else None)
    assert max(some.below[each] + some.above[each] for each in asked) <= some.area <= whole.area


def test_one_row_and_one_pixel_are_pictures_too():
    encoding = Encoding(8, Range.FULL, Model.RGB)
    for shape in ((1, 1), (1, 5), (5, 1), (2, 2)):
        planes = [np.full(shape, code, np.uint8) for code in (0, 128, 255)]
        found = excursions(planes, encoding, R103[8])
        assert found.below[1] == found.above[3] == found.area == shape[0] * shape[1]


@pytest.mark.parametrize(
    ("planes", "limits", "step", "says"),
    [
        ([np.zeros((4, 4), np.uint8)] * 2, (5, 246), (1, 1), "planes must be 3"),
        ([np.zeros((4, 4), np.uint8)] * 3, (5, 246), (2, 1), "planes must fit"),
        ([np.full((4, 4), 0.5, np.float32)] * 3, (5, 246), (1, 1), "planes"),
        ([np.zeros((4, 4), np.uint8)] * 3, (246, 5), (1, 1), "limits must go up"),
        ([np.zeros((4, 4), np.uint8)] * 3, (5, 300), (1, 1), "limits must go up"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(planes, limits, step, says):
    with pytest.raises(ValueError, match=says):
        excursions(planes, Encoding(8, Range.FULL), limits, step=step)
