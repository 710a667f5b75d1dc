"""Points and lines of tables, against rationals and against what they are meant to be."""

from fractions import Fraction

import numpy as np
import pytest

from footroom.kernels.encoding import Range
from footroom.kernels.lut import Line, between, cube_points, curve_points, level_line, range_line, roll_off


@pytest.mark.parametrize(("depth", "gain"), [(8, "0.85882353"), (10, "0.85630499"), (12, "0.85567766")])
def test_the_line_between_ranges_is_the_standards(depth, gain):
    """Slopes of check-values B, from BT.2100-3 table 9: 219 k / M; black of narrow is 16 k of M."""
    line = range_line(Range.FULL, Range.NARROW, depth)
    scale, top = 1 << depth - 8, (1 << depth) - 1
    assert line == Line(Fraction(219 * scale, top), Fraction(16 * scale, top))
    assert f"{float(line.gain):.8f}" == gain
    assert range_line(Range.NARROW, Range.FULL, depth) == line.back
    assert level_line(Range.NARROW, depth).at(Fraction(235 * scale, top)) == 1
    assert level_line(Range.FULL, depth) == Line()


def test_points_are_even_and_reach_both_ends():
    points = curve_points(5, (Fraction(-1, 2), Fraction(3, 2)))
    assert points.tolist() == [-0.5, 0, 0.5, 1, 1.5] and between(points).tolist() == [-0.25, 0.25, 0.75, 1.25]
    cube = cube_points(3, (Fraction(0), Fraction(1)))
    assert cube.shape == (27, 3) and cube[1].tolist() == [0, 0, 0.5] and cube[9].tolist() == [0.5, 0, 0]


@pytest.mark.parametrize(("size", "domain"), [(1, (0, 1)), (4, (1, 1)), (4, (1, 0))])
def test_points_that_cannot_be_are_refused(size, domain):
    with pytest.raises(ValueError, match=r"size|domain"):
        curve_points(size, tuple(map(Fraction, domain)))


@pytest.mark.parametrize("peak", [1.0, 1.0001, 2.0, 50.0, 4000.0])
def test_highlights_roll_off_without_a_corner(peak):
    knee = 0.5
    rolled = roll_off(peak, knee)
    light = np.linspace(0, peak, 20001)
    made = rolled(light)
    assert np.array_equal(made[light <= knee], light[light <= knee])
    assert made[-1] == pytest.approx(1, abs=1e-9) and np.all(np.diff(made) > 0)
    step = (peak - knee) * 1e-9
    assert (rolled(np.array([knee + step]))[0] - knee) / step == pytest.approx(1, abs=1e-3)
    assert np.all(np.diff(made, 2) < 1e-9)


@pytest.mark.parametrize(("peak", "knee"), [(0.5, 0.5), (2, 0), (2, 1)])
def test_a_roll_off_that_cannot_be_is_refused(peak, knee):
    with pytest.raises(ValueError, match=r"peak|knee"):
        roll_off(peak, knee)
