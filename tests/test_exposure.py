"""Stops and shades, against colour-science's curves in double precision and against what a map must never do."""

import inspect
import math

import numpy as np
import pytest

from footroom.host_adapter.headless.curves import keys
from footroom.host_adapter.transfer import transfer_of
from footroom.kernels.exposure import _shade, _stops, meter, shade, shades, stops_of, zone_counts

EVEN = (1 / 3, 1 / 3, 1 / 3)
EDGES = (-4.0, -1.3, 0.5, 2.0)
COLOURS = [(value, value, value / 2) for value in (0.05, 0.1, 0.2, 0.4, 0.8)]
LOOK = shades(
    EDGES, COLOURS, encode=lambda linear: linear, clip=[(1, 1, 1), (0, 0, 0)], black=[(0.1, 0.1, 0.1), (0, 0, 0)]
)


def grey(levels):
    made = np.ones((1, len(levels), 4), np.float32)
    made[0, :, :3] = np.asarray(levels, np.float32)[:, None]
    return made


@pytest.mark.parametrize("key", [key for key in keys() if key != "ACESproxy"])  # whose codes are whole numbers
def test_stops_are_the_curve_s_own(key):
    """Every curve of colour-science's registry through its own decoding, where it has 1/256 of grey's light or more.

    Where two pieces of a curve do not quite meet (F-Log, L-Log) a level between the table's points lies between both.
    """
    import colour

    curve = transfer_of(key, None)
    level = curve.level(0.18 * 2.0 ** np.linspace(-8, 6, 500))
    level = level[(level > -0.2) & (level < 1.2)].astype(np.float32).astype(float)
    function = colour.LOG_DECODINGS[key]
    numbered = "in_normalised_code_value" in inspect.signature(getattr(function, "func", function)).parameters
    options = {"in_normalised_code_value": False} if numbered else {}
    light = np.asarray(colour.models.log_decoding(level, key, **options), float)
    got = stops_of(grey(level), meter(curve.light, weights=EVEN, clip=1.25, black=-0.25))[0]
    off = np.abs(got - np.log2(light / 0.18))
    assert len(level) > 200 and np.quantile(off, 0.99) < 0.01 and off.max() < 0.05


@pytest.mark.parametrize(
    ("display", "level", "stops"), [("hlg", 0.38, 0), ("hlg", 0.75, math.log2(1 / 0.18)), ("pq", 0.38, 0)]
)
def test_grey_and_white_are_where_bt2408_says(display, level, stops):
    """BT.2408-7 table 1: 18 % grey at 38 % of both, diffuse white at 75 % of HLG; .02 is what whole per cents leave."""
    by = meter(transfer_of(None, display).light, weights=EVEN, clip=1.25, black=-0.25)
    assert stops_of(grey([level]), by)[0, 0] == pytest.approx(stops, abs=0.02)


def test_luminance_is_weighed_in_light_and_not_in_the_signal():
    """BT.1886 light of (.8, .2, .5) with BT.709-6's weights, worked out here."""
    by = meter(transfer_of(None, "bt1886").light, weights=(0.2126, 0.7152, 0.0722), clip=1.0, black=0.0)
    levels = np.ones((1, 1, 4), np.float32)
    levels[0, 0, :3] = 0.8, 0.2, 0.5
    light = 0.2126 * 0.8**2.4 + 0.7152 * 0.2**2.4 + 0.0722 * 0.5**2.4
    assert stops_of(levels, by)[0, 0] == pytest.approx(math.log2(light / 0.18), abs=2e-3)


def test_one_channel_at_the_top_is_clipped_and_black_needs_all_three():
    by = meter(transfer_of(None, "bt1886").light, weights=EVEN, clip=1.0, black=0.0)
    levels = np.ones((1, 4, 4), np.float32)
    levels[0, :, :3] = [(0.2, 1.0, 0.2), (0.2, 0.9999, 0.2), (0, -0.1, 0), (0, 0.1, 0)]
    got = stops_of(levels, by)[0]
    assert got[0] == np.inf and math.isfinite(got[1]) and got[2] == -np.inf and math.isfinite(got[3])


def test_what_is_no_number_has_no_light_and_what_is_endless_is_clipped():
    """Floating-point pictures may hold both; neither may land in a zone of its own or spoil its neighbours."""
    transfer = transfer_of("V-Log", None)
    made = meter(transfer.light, weights=(0.2126, 0.7152, 0.0722), clip=1.0, black=transfer.black)
    levels = np.ones((1, 5, 4), np.float32)
    levels[0, :, :3] = np.array([np.nan, np.inf, -np.inf, 0.4, 0.0])[:, None]
    stops = stops_of(levels, made)[0]
    assert stops[0] == stops[2] == stops[4] == -np.inf and stops[1] == np.inf and np.isfinite(stops[3])
    assert zone_counts(stops[None], (0.0, 1.0)).tolist() == [3, 1, 0, 0, 1]


def test_a_zone_begins_exactly_at_its_edge():
    below, at = np.nextafter(np.float32(EDGES), np.float32(-9)), np.float32(EDGES)
    out = np.zeros((2, 4, 4), np.float32)
    shade(np.stack([below, at]), LOOK, EDGES, out, period=8)
    for number in range(len(EDGES)):
        before, after = out[0, number, 0], out[1, number, 0]
        assert before == pytest.approx(COLOURS[number][0] * 2**0.165, rel=0.02)
        assert after == pytest.approx(COLOURS[number + 1][0] * 2**-0.165, rel=0.02)


def test_lightness_follows_exposure_inside_a_zone():
    stops = np.linspace(-3.9, -1.4, 200, dtype=np.float32)[None]
    out = np.zeros((1, 200, 4), np.float32)
    shade(stops, LOOK, EDGES, out, period=8)
    assert np.all(np.diff(out[0, :, 0]) >= 0) and out[0, -1, 0] / out[0, 0, 0] == pytest.approx(2**0.31, rel=0.02)


def test_clipped_and_black_are_told_by_pattern():
    out = np.zeros((2, 32, 32, 4), np.float32)
    for number, value in enumerate((np.inf, -np.inf)):
        shade(np.full((32, 32), value, np.float32), LOOK, EDGES, out[number], period=8)
    stripes, dots = out[0, ..., 0] > 0.5, out[1, ..., 0] > 0.05
    assert stripes.mean() == 0.5 and dots.mean() == 0.25
    assert np.array_equal(stripes[1:, :-1], stripes[:-1, 1:]) and not np.array_equal(stripes[0], stripes[4])
    assert np.array_equal(dots[:, :8], dots[:, 8:16]) and np.array_equal(dots[:8], dots[8:16])


def test_tiles_join_without_a_seam():
    stops = np.random.default_rng(2).normal(0, 3, (40, 50)).astype(np.float32)
    stops[5:20, 10:30], stops[25:, :20] = np.inf, -np.inf
    whole, tiled = np.zeros((2, 40, 50, 4), np.float32)
    shade(stops, LOOK, EDGES, whole, period=10)
    for top, left in ((0, 0), (0, 23), (17, 0), (17, 23)):
        part = np.s_[top : 17 if top == 0 else 40, left : 23 if left == 0 else 50]
        piece = np.zeros((*stops[part].shape, 4), np.float32)
        shade(np.ascontiguousarray(stops[part]), LOOK, EDGES, piece, period=10, origin=(top, left))
        tiled[part] = piece
    assert np.array_equal(whole, tiled)


def test_counts_of_zones_are_those_of_a_plain_count():
    stops = np.random.default_rng(2).normal(0, 3, (40, 50)).astype(np.float32)
    stops[:2], stops[2:5] = np.inf, -np.inf
    counts = zone_counts(stops, EDGES)
    inside = stops[5:]
    plain = [np.sum((inside >= low) & (inside < high)) for low, high in zip((-99, *EDGES), (*EDGES, 99), strict=True)]
    assert counts.tolist() == [150, *plain, 100]


def test_loops_and_their_compiled_forms_agree():
    rng = np.random.default_rng(6)
    levels = rng.uniform(-0.2, 1.1, (5, 7, 4)).astype(np.float32)
    by = meter(transfer_of("V-Log", None).light, weights=EVEN, clip=1.0, black=0.07)
    numbers = np.array([by.low, (len(by.table) - 1) / (by.high - by.low), by.clip, by.black])
    found = []
    for run in (_stops, _stops.py_func):
        out = np.zeros((5, 7), np.float32)
        run(levels.reshape(5, 28), out, by.table, np.array(EVEN), numbers)
        found.append(out)
    assert np.allclose(*found, atol=1e-6) and np.isinf(found[0]).any()
    drawn = []
    for run in (_shade, _shade.py_func):
        out = np.zeros((5, 28), np.float32)
        pattern = np.stack([LOOK.clip, LOOK.black]).reshape(4, 3)
        run(
            found[0],
            out,
            LOOK.table,
            np.array(EDGES, np.float32),
            pattern,
            np.array([LOOK.start, 64.0]),
            np.array([3, 1, 6]),
        )
        drawn.append(out)
    assert np.array_equal(*drawn) and drawn[0].any()


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: meter(np.abs, weights=EVEN, clip=0.1, black=0.2), "must go up"),
        (lambda: shades((1, 0), COLOURS[:3], encode=np.abs, clip=[], black=[]), "edges must go up"),
        (lambda: shades((0, 1), COLOURS, encode=np.abs, clip=[], black=[]), "one more"),
        (
            lambda: shade(np.zeros((2, 2), np.float32), LOOK, EDGES, np.zeros((2, 3, 4), np.float32), period=8),
            "out must",
        ),
        (lambda: shade(np.zeros((2, 2), np.float32), LOOK, EDGES, np.zeros((2, 2, 4), np.float32), period=3), "period"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(make, says):
    with pytest.raises(ValueError, match=says):
        make()
