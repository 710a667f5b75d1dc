"""The line between two noisy recordings' codes: what noise, clipping, drift and coders do to it, and its intervals."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from footroom.kernels.cells import Cells
from footroom.kernels.instruments import replicates
from footroom.kernels.pairing import fit_line, uncut


def grid_of(means: np.ndarray, ends: float = 0.004) -> Cells:
    return Cells(means, means - ends, means + ends)


def smooth(seed: int = 1, shape: tuple[int, int, int] = (4, 40, 60)) -> np.ndarray:
    """A picture's slow changes of tone, .15 to .85."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[1], : shape[2]]
    frames = [
        np.sin(x / 9 + rng.uniform(0, 6)) * np.cos(y / 7 + rng.uniform(0, 6))
        + 0.5 * np.sin(y / 13 + x / 17 + rng.uniform(0, 6))
        for _ in range(shape[0])
    ]
    field = np.stack(frames)
    return 0.15 + 0.7 * (field - field.min()) / (field.max() - field.min())


@pytest.mark.parametrize(("noise_a", "noise_b"), [(0.02, 0.0), (0.0, 0.02), (0.012, 0.015)])
def test_noise_on_either_side_does_not_bend_the_gain(noise_a, noise_b):
    """Where least squares is off by more than the limit, as its attenuation 1/(1 + noise/signal) says (Fuller 1987, from memory)."""
    rng = np.random.default_rng(3)
    truth = smooth(shape=(8, 60, 90))
    a = truth + rng.normal(size=truth.shape) * noise_a
    b = 0.856305 * truth + 0.062561 + rng.normal(size=truth.shape) * noise_b
    line = fit_line(grid_of(a), grid_of(b))
    assert line.gain == pytest.approx(0.856305, rel=0.002)
    assert line.offset == pytest.approx(0.062561, abs=1 / 1023)
    assert line.gain_range[0] < 0.856305 < line.gain_range[1]
    plain = float(np.polyfit(a.ravel(), b.ravel(), 1)[0])
    inverse = 1 / float(np.polyfit(b.ravel(), a.ravel(), 1)[0])
    assert max(abs(plain - 0.856305), abs(inverse - 0.856305)) > 0.002 * 0.856305


def test_clipping_does_not_bend_the_line():
    """Expanded by 1023/876 about 64 at ten bits: .15 and less end at 0, .93 and more at M."""
    rng = np.random.default_rng(5)
    truth = (smooth() - 0.15) * 1.4
    a = truth.clip(0, 1) + rng.normal(size=truth.shape) * 0.002
    b = (1.167808 * truth - 0.073059).clip(0, 1) + rng.normal(size=truth.shape) * 0.002
    cells = [Cells(each, (each - 0.006).clip(0, 1), (each + 0.006).clip(0, 1)) for each in (a, b)]
    line = fit_line(*cells)
    assert line.cut > 0.03
    assert line.gain == pytest.approx(1.167808, rel=0.002)
    assert line.offset == pytest.approx(-0.073059, abs=1 / 1023)
    plain = float(np.polyfit(a.ravel(), b.ravel(), 1)[0])
    assert abs(plain - 1.167808) > 0.01


def test_frames_that_drift_tell_the_gain_and_not_the_offset():
    """Each predicted frame is lifted by its own part of a code; the offset is that of the two coded by themselves."""
    rng = np.random.default_rng(6)
    truth = smooth(shape=(8, 60, 90))
    lifts = np.array([0, 3, 5, 2, 0, 6, 4, 5]) / 1023
    a = truth + rng.normal(size=truth.shape) * 0.002
    b = 0.9 * truth + 0.02 + lifts[:, None, None] + rng.normal(size=truth.shape) * 0.002
    line = fit_line(grid_of(a), grid_of(b), anchors=lifts == 0)
    assert line.gain == pytest.approx(0.9, rel=0.001)
    assert line.offset == pytest.approx(0.02, abs=0.5 / 1023)
    assert line.offset_range[0] < 0.02 < line.offset_range[1]
    assert fit_line(grid_of(a), grid_of(b)).offset > 0.02 + 2 / 1023


def test_told_the_scene_the_fit_needs_no_neighbours():
    """Detail that no neighbour shares tells a hollow instrument nothing; the scene itself tells it all."""
    told, blind = [], []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        truth = 0.5 + 0.1 * rng.normal(size=(4, 60, 90))
        a, b = grid_of(truth + rng.normal(size=truth.shape) * 0.03), grid_of(0.8 * truth + 0.1)
        told.append(fit_line(a, b, scene=truth).gain)
        blind.append(fit_line(a, b).gain)
    assert told == pytest.approx([0.8] * 5, rel=0.02)
    assert np.median(np.abs(np.array(blind) - 0.8)) > 0.1


@pytest.mark.parametrize("second", [True, False])
def test_codes_pulled_towards_the_middle_do_not_bend_the_gain(second):
    """A quantiser that cuts off what a block's mean has beyond a step: .25 codes nearer to 512, on either side of it."""
    rng = np.random.default_rng(9)
    truth = 0.5 + 0.12 * (smooth(shape=(4, 60, 90)) - 0.5)
    plain = [truth, 0.875855 * truth + 0.5 * (1 - 0.875855)]
    middle = 512 / 1023
    at = 1 if second else 0
    plain[at] = plain[at] - 0.25 / 1023 * np.sign(plain[at] - middle)
    a, b = (grid_of(each + rng.normal(size=truth.shape) * 0.0004) for each in plain)
    middles = (None, middle) if second else (middle, None)
    freed, bent = fit_line(a, b, middles=middles), fit_line(a, b)
    assert abs(freed.gain / 0.875855 - 1) < 0.002 < abs(bent.gain / 0.875855 - 1)
    assert freed.offset == pytest.approx(0.0620725, abs=1 / 1023)


def test_where_nothing_is_pulled_nothing_is_taken_out():
    rng = np.random.default_rng(9)
    truth = smooth(shape=(4, 60, 90))
    a, b = (grid_of(each + rng.normal(size=truth.shape) * 0.002) for each in (truth, 0.9 * truth + 0.05))
    assert fit_line(a, b, middles=(None, 512 / 1023)).gain == pytest.approx(fit_line(a, b).gain, rel=5e-4)
    beside = fit_line(a, b, middles=(0.05, None))  # no cell on the middle's other side
    assert beside.gain == pytest.approx(fit_line(a, b).gain, rel=1e-9)


def test_few_areas_widen_as_students_quantile_does():
    """Against scipy's quantiles: five degrees of freedom, where one term of the series is 5 % short, and many."""
    weights = np.ones((1, 80, 80))
    for areas in (6, 64):
        za = np.zeros((8, 8))
        za.ravel()[:areas] = 1
        parts = [np.kron(each, np.ones((10, 10)))[None] for each in (za, za, np.ones((8, 8)), za, za)]
        *_, few = replicates(parts, weights, 1)
        assert few * 1.96 == pytest.approx(scipy.stats.t.ppf(0.975, areas - 1), rel=0.06)


@pytest.mark.parametrize("grain", [1 / 1023, 1 / 255])
def test_a_coarser_code_widens_the_offset_by_a_quarter_of_itself(grain):
    truth = smooth()
    a, b = grid_of(truth), grid_of(0.9 * truth + 0.02)
    plain, wide = (fit_line(a, b, grain=each).offset_range for each in (0.0, grain))
    half = [(ends[1] - ends[0]) / 2 for ends in (plain, wide)]
    assert half[1] ** 2 - half[0] ** 2 == pytest.approx((grain / 4) ** 2, rel=0.05)


def test_what_is_cut_is_what_the_other_goes_past():
    """Expanded: codes under .0626 of M end at 0, so that A goes on where B stands; both at their ends is no cut."""
    truth = np.linspace(0, 0.9, 100).reshape(1, 10, 10)
    b = (1.167808 * truth - 0.073059).clip(0, 1)
    assert uncut(grid_of(truth, 0), grid_of(b, 0), 1.167808, -0.073059).mean() == pytest.approx(0.93, abs=0.011)
    assert uncut(grid_of(truth, 0), grid_of(truth, 0), 1.0, 0.0).all()


def test_something_burnt_in_does_not_bend_the_line():
    truth = smooth()
    b = 0.9 * truth + 0.02
    b[:, 2:6, 5:30] = 0.9
    line = fit_line(grid_of(truth), grid_of(b))
    assert line.gain == pytest.approx(0.9, rel=0.001)


def test_swapping_the_sides_gives_the_inverse():
    rng = np.random.default_rng(2)
    truth = smooth()
    a, b = truth + rng.normal(size=truth.shape) * 0.01, 0.8 * truth + 0.1 + rng.normal(size=truth.shape) * 0.01
    forth, back = fit_line(grid_of(a), grid_of(b)), fit_line(grid_of(b), grid_of(a))
    assert forth.gain * back.gain == pytest.approx(1, abs=0.002)


def test_too_little_to_tell_is_none():
    assert fit_line(grid_of(np.full((1, 4, 4), np.nan)), grid_of(np.full((1, 4, 4), 0.5))) is None
    assert fit_line(grid_of(np.zeros((2, 8, 8))), grid_of(np.zeros((2, 8, 8)))) is None
