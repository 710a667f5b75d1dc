"""The effect of scopes: every conformance check, the picture around it untouched, and what it draws in codes of any kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from effect_conformance import CHECKS, Direct, empty_like, picture
from test_effects import Headless

from footroom.host_adapter.effect import Time, Window
from footroom.host_adapter.effects.scopes_effect import EFFECT, box_of
from footroom.kernels import Encoding, Model, Range


@pytest.mark.parametrize("host", [Direct(), Headless()], ids=lambda host: host.name)
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_conformance(host, check):
    check(host, EFFECT)


def large(depth=10, model=Model.YCBCR, sampling="4:2:0", alpha=False):
    """A picture that a scope with letters fits into."""
    source = picture(depth, model, sampling, alpha)
    planes = tuple(np.tile(plane, (10, 8)) for plane in source.planes)
    whole = Window(0, 0, planes[0].shape[1], planes[0].shape[0])
    return replace(source, planes=planes, bounds=whole, whole=whole)


def drawn(source, **given):
    values = EFFECT.values(given)
    target = empty_like(EFFECT, values, source)
    EFFECT.apply(target, source, values, Time())
    return values, target


@pytest.mark.parametrize("corner", ["top-left", "top-right", "bottom-left", "bottom-right"])
@pytest.mark.parametrize("sampling", ["4:2:0", "4:1:1"])
def test_every_sample_outside_its_box_keeps_its_code(corner, sampling):
    source = large(sampling=sampling)
    values, target = drawn(source, corner=corner, kind="all")
    box = box_of(values, source)
    assert not box.empty
    for number, channel in enumerate(source.channels):
        across, down = source.step(channel)
        changed = target.planes[number] != source.planes[number]
        inside = np.zeros_like(changed)
        inside[box.y0 // down : -(-box.y1 // down), box.x0 // across : -(-box.x1 // across)] = True
        assert changed.any() and not (changed & ~inside).any()
        assert changed[inside].mean() > 0.9
    assert (box.x0 < 40) == corner.endswith("left") and (box.y0 < 40) == corner.startswith("top")


@pytest.mark.parametrize("range_", ["narrow", "full"])
@pytest.mark.parametrize("depth", [8, 12, 16])
def test_it_is_drawn_in_the_codes_that_the_picture_has(depth, range_):
    """Its darkest ground is dark and its letters are light in the range that the codes are in, and it is without colour."""
    source = large(depth)
    _, target = drawn(source, assume=range_, size=100.0)
    encoding = Encoding(depth, Range.parse(range_))
    low, high = encoding.code(0.06), encoding.code(0.9)
    assert abs(int(target.planes[0].min()) - low) <= 2 * encoding.unit
    assert abs(int(target.planes[0].max()) - high) <= 6 * encoding.unit
    assert np.abs(target.planes[1].astype(int) - encoding.neutral).max() < 8 * encoding.unit


@pytest.mark.parametrize(("display", "white"), [("pq", 0.58), ("hlg", 0.75)])
def test_in_hdr_it_is_no_brighter_than_diffuse_white(display, white):
    """BT.2408-7 table 1: diffuse white is 58 % of PQ and 75 % of HLG. Its letters lie just below, not at the display's peak."""
    source = large(12)
    _, target = drawn(source, display=display, size=100.0, assume="narrow")
    encoding = Encoding(12, Range.NARROW)
    brightest = float(encoding.level(int(target.planes[0].max())))
    assert white - 0.08 < brightest < white + 0.01


def test_another_assumption_shows_the_same_codes_on_another_scale():
    source = large()
    narrow, full = (drawn(source, assume=word)[1].planes[0] for word in ("narrow", "full"))
    assert not np.array_equal(narrow, full)


def test_the_whole_picture_is_asked_for_where_the_scope_is_in_sight_alone():
    source = large()
    values = EFFECT.values({"size": 30.0, "corner": "top-left"})
    assert EFFECT.region_needed(values, Window(0, 0, 20, 20), source) == source.whole
    far = Window(source.whole.x1 - 21, source.whole.y1 - 21, source.whole.x1, source.whole.y1)
    assert EFFECT.region_needed(values, far, source) == source.grown(far)


def test_half_transparent_codes_lie_between():
    source = large(sampling="4:4:4")
    _, whole = drawn(source, opacity=100.0)
    values, half = drawn(source, opacity=50.0)
    box = box_of(values, source)
    part = np.s_[box.y0 : box.y1, box.x0 : box.x1]
    for under, made, mixed in zip(source.planes, whole.planes, half.planes, strict=True):
        exact = (under[part].astype(float) + made[part]) / 2
        assert np.abs(mixed[part] - exact).max() <= 0.5


def test_floating_point_pictures_hold_the_same_drawing():
    """A picture of code / M and the same in codes differ by no more than what a code is."""
    codes = large(10, sampling="4:4:4")
    floats = replace(codes, planes=tuple((plane / np.float32(1023)).astype(np.float32) for plane in codes.planes))
    _, first = drawn(codes, kind="parade")
    _, second = drawn(floats, kind="parade")
    for a, b in zip(first.planes, second.planes, strict=True):
        assert np.abs(a / 1023 - b).max() < 1e-6


def test_a_gray_picture_has_no_vectorscope_and_a_tiny_one_no_scope():
    with pytest.raises(ValueError, match="gray picture has no vectorscope"):
        drawn(large(10, Model.GRAY), kind="vectorscope")
    tiny = picture()
    tiny = replace(
        tiny, planes=tuple(plane[:1, :1] for plane in tiny.planes), whole=Window(0, 0, 1, 1), bounds=Window(0, 0, 1, 1)
    )
    values, target = drawn(tiny)
    assert EFFECT.is_identity(values, tiny)
    assert all(map(np.array_equal, target.planes, tiny.planes))


def test_a_curve_that_there_is_not_is_refused_with_the_near_ones():
    with pytest.raises(ValueError, match=r"curve: no log curve is called 'S-Log33'.*S-Log3"):
        EFFECT.values({"curve": "S-Log33"})
