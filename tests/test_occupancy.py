"""What counts of codes say: floors, ceilings, excursions and walls, on histograms whose answer is plain."""

from __future__ import annotations

import numpy as np
import pytest

from footroom.kernels import Channel, Encoding, Range
from footroom.kernels.occupancy import ceiling, counts, excursions, floor, walls

NARROW, FULL = Encoding(10, Range.NARROW), Encoding(10, Range.FULL)


def smooth(low: int, high: int, size: int = 1024) -> np.ndarray:
    histogram = np.zeros(size, np.int64)
    histogram[low : high + 1] = 1000
    return histogram


def test_counts_add_up_over_planes():
    total = None
    for seed in range(3):
        plane = np.random.default_rng(seed).integers(0, 1024, (37, 41)).astype(np.uint16)
        total = counts(plane, FULL, out=total)
    expected = sum(np.bincount(np.random.default_rng(s).integers(0, 1024, 37 * 41), minlength=1024) for s in range(3))
    assert np.array_equal(total, expected)


def test_words_past_the_last_code_count_as_the_last_beside_good_rows():
    plane = np.full((4, 40), 7, np.uint16)
    plane[2, 5] = 40000
    total = counts(plane, FULL)
    assert (total[7], total[1023], total.sum()) == (159, 1, 160)


def test_eight_bit_and_shifted_planes():
    plane = np.arange(256, dtype=np.uint8).reshape(16, 16)
    assert counts(plane, Encoding(8, Range.FULL)).tolist() == [1] * 256
    codes = np.arange(1024, dtype=np.uint16).reshape(32, 32)
    assert counts(codes << 6, Encoding(10, Range.FULL, bit_shift=6)).tolist() == [1] * 1024


def test_floor_and_ceiling_pass_over_strays():
    histogram = smooth(200, 800)
    histogram[3] = histogram[1020] = 1
    assert (floor(histogram), ceiling(histogram)) == (200, 800)
    assert (floor(histogram, 0), ceiling(histogram, 0)) == (3, 1020)
    with pytest.raises(ValueError, match="empty"):
        floor(np.zeros(1024, np.int64))


def test_excursions_are_shares_beyond_the_nominal_codes():
    histogram = np.zeros(1024, np.int64)
    histogram[[63, 64, 500, 940, 941, 1023]] = [10, 20, 30, 20, 15, 5]
    assert excursions(histogram, NARROW, Channel.LUMA) == (0.1, 0.2)
    assert excursions(histogram, FULL, Channel.LUMA) == (0, 0)


@pytest.mark.parametrize(
    ("code", "end"),
    [(0, "codes"), (1023, "codes"), (4, "reserved"), (1019, "reserved"), (64, "nominal"), (940, "nominal")],
)
def test_a_pile_at_an_end_is_a_wall(code, end):
    low, high = (code, 700) if code < 512 else (300, code)
    histogram = smooth(low, high)
    assert walls(histogram, NARROW, Channel.LUMA) == ()
    histogram[code] = 30000
    (wall,) = walls(histogram, NARROW, Channel.LUMA)
    assert (wall.code, wall.end) == (code, end)
    assert wall.share == 30000 / histogram.sum()


def test_a_pile_with_codes_beyond_it_is_no_wall():
    histogram = smooth(0, 1023)
    histogram[64] = 30000
    assert walls(histogram, NARROW, Channel.LUMA) == ()


def test_full_range_ends_are_not_named_twice():
    histogram = smooth(0, 700)
    histogram[0] = 90000
    assert [(wall.code, wall.end) for wall in walls(histogram, FULL, Channel.LUMA)] == [(0, "codes")]
