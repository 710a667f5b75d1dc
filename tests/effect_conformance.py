"""What any effect and any host that runs effects must do; each host's tests run `checks` with a host of their own.

A host here is an object with `name`, `takes(image)` and `render(effect, values, source, target, time, window)`, which fills the target
as that host would. What it does not take (a host of float pictures takes no 8-bit codes) is left out by `takes`, visibly.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from typing import Any, Protocol

import numpy as np

from footroom.host_adapter.effect import Effect, Image, Kind, Premultiplied, Time, Window
from footroom.host_adapter.effects import effects
from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.encoding import PLANE_CHANNELS
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.matrix import Matrix

ROWS, COLUMNS = 36, 64
START = Time()
BUSY = {
    "footroom.range": {"assume": "full", "to": "narrow", "dither": "triangular", "seed": 3},
    "footroom.requantise": {"depth": "8", "dither": "triangular", "seed": 3},
    "footroom.guides": {
        "windows": "9:16 1:1@left,8,0",
        "grid": "thirds",
        "safe": "title",
        "shade": 40.0,
        "centre": True,
    },
    "footroom.exposure": {"curve": "V-Log"},
    "footroom.scopes": {"kind": "waveform", "assume": "full", "size": 60.0},
}
"""Values under which each effect has something to do."""

IDLE: dict[str, dict[str, Any]] = {
    "footroom.range": {"assume": "narrow", "to": "narrow"},
    "footroom.requantise": {"depth": "same"},
    "footroom.guides": {},
    "footroom.exposure": {"mix": 0.0},
    "footroom.scopes": {"opacity": 0.0},
}
"""Values under which it has not, for a narrow source."""


class Host(Protocol):
    name: str

    def takes(self, image: Image) -> bool: ...

    def render(
        self, effect: Effect, values: dict[str, Any], source: Image, target: Image, time: Time, window: Window | None
    ) -> None: ...


def picture(
    depth: int | None = 10, model: Model = Model.YCBCR, sampling: str = "4:2:2", alpha: bool = False, seed: int = 1
) -> Image:
    """A random picture; depth None is floating point."""
    rng = np.random.default_rng(seed)
    sampling = "gray" if model is Model.GRAY else "4:4:4" if model is Model.RGB else sampling
    channels = PLANE_CHANNELS[model] + ((Channel.ALPHA,) if alpha else ())
    encoding = Encoding(depth or 10, Range.NARROW, model)
    step = SAMPLING_STEPS[sampling]
    planes = []
    for channel in channels:
        across, down = step if channel is Channel.CHROMA else (1, 1)
        codes = rng.integers(0, encoding.maximum + 1, (-(-ROWS // down), -(-COLUMNS // across)))
        planes.append(
            (codes / encoding.maximum).astype(np.float32) if depth is None else codes.astype(encoding.dtype_name)
        )
    whole = Window(0, 0, COLUMNS, ROWS)
    return Image(tuple(planes), channels, encoding, whole, whole, sampling, None, Matrix.BT709)


def empty_like(effect: Effect, values: dict[str, Any], source: Image) -> Image:
    """A target for an effect: the source's form in the effect's output encoding, full of what no effect writes."""
    encoding = effect.output_encoding(values, source.encoding)
    assert encoding is not None
    form = source.planes[0].dtype if source.floating else np.dtype(encoding.dtype_name)
    planes = tuple(np.full(plane.shape, 0.375 if source.floating else 201, form) for plane in source.planes)
    return replace(source, planes=planes, encoding=encoding)


def rendered(host: Host, effect: Effect, given: dict[str, Any], source: Image, time: Time = START) -> tuple[Any, ...]:
    values = effect.values(given)
    target = empty_like(effect, values, source)
    host.render(effect, values, source, target, time, None)
    return target.planes


def tile_of(image: Image, bounds: Window) -> Image:
    """A tile as a host hands it over: copies of all samples that lie over it."""
    planes = []
    for plane, channel in zip(image.planes, image.channels, strict=True):
        across, down = image.step(channel)
        rows = slice(bounds.y0 // down, -(-bounds.y1 // down))
        planes.append(plane[rows, bounds.x0 // across : -(-bounds.x1 // across)].copy())
    return replace(image, planes=tuple(planes), bounds=bounds)


def same(a: tuple[Any, ...], b: tuple[Any, ...]) -> bool:
    return len(a) == len(b) and all(np.array_equal(x, y) for x, y in zip(a, b, strict=True))


def identity_is_identity(host: Host, effect: Effect) -> None:
    source = picture()
    values = effect.values(IDLE[effect.identifier])
    assert effect.is_identity(values, source)
    assert same(rendered(host, effect, IDLE[effect.identifier], source), source.planes)
    assert not effect.is_identity(effect.values(BUSY[effect.identifier]), source)


def two_renders_agree_and_change_the_picture(host: Host, effect: Effect) -> None:
    first = rendered(host, effect, BUSY[effect.identifier], picture())
    assert same(first, rendered(host, effect, BUSY[effect.identifier], picture()))
    assert not same(first, tuple(plane.astype(first[0].dtype) for plane in picture().planes))


def tiles_join(host: Host, effect: Effect) -> None:
    source, values = picture(), effect.values(BUSY[effect.identifier])
    whole = rendered(host, effect, BUSY[effect.identifier], source)
    target = empty_like(effect, values, source)
    for (x0, x1), (y0, y1) in product(((0, 10), (10, 38), (38, COLUMNS)), ((0, 7), (7, ROWS))):
        host.render(effect, values, source, target, Time(), Window(x0, y0, x1, y1))
    assert same(target.planes, whole)


def nothing_outside_the_window_is_written(host: Host, effect: Effect) -> None:
    source, values = picture(sampling="4:4:4"), effect.values(BUSY[effect.identifier])
    target = empty_like(effect, values, source)
    host.render(effect, values, source, target, Time(), Window(8, 4, 40, 30))
    for plane in target.planes:
        outside = np.ones(plane.shape, bool)
        outside[4:30, 8:40] = False
        assert (plane[outside] == 201).all()


def bounds_may_have_an_offset(host: Host, effect: Effect) -> None:
    """A host may hold a tile whose corner is anywhere; absolute places decide the result."""
    source, values = picture(), effect.values(BUSY[effect.identifier])
    whole = rendered(host, effect, BUSY[effect.identifier], source)
    bounds = Window(12, 5, 44, 31)
    part = tile_of(source, effect.region_needed(values, bounds, source))
    target = empty_like(effect, values, tile_of(source, bounds))
    host.render(effect, values, part, target, Time(), None)
    assert same(target.planes, tile_of(replace(source, planes=whole), bounds).planes)


ODD = ((0, 9), (9, 10), (10, 37), (37, COLUMNS)), ((0, 7), (7, 20), (20, 35), (35, ROWS))
"""Cuts amid chroma samples, across and down."""


def odd_windows_have_samples_of_their_own(host: Host, effect: Effect) -> None:
    """Cut amid chroma samples, tiles write each sample once and none of a neighbour's, luma as well as chroma, and they join."""
    values = effect.values(BUSY[effect.identifier])
    for sampling in ("4:2:0", "4:2:2", "4:4:4"):
        source = picture(sampling=sampling)
        whole, empty = rendered(host, effect, BUSY[effect.identifier], source), empty_like(effect, values, source)
        joined = empty_like(effect, values, source)
        counts = [np.zeros(plane.shape, int) for plane in source.planes]
        for (x0, x1), (y0, y1) in product(*ODD):
            window, alone = Window(x0, y0, x1, y1), empty_like(effect, values, source)
            host.render(effect, values, source, alone, Time(), window)
            host.render(effect, values, source, joined, Time(), window)
            for number, plane in enumerate(alone.planes):
                across, down = source.step(source.channels[number])
                # A sample belongs where the first pixel is that it lies under.
                firsts = np.indices(plane.shape)
                own = (
                    (firsts[0] * down >= y0)
                    & (firsts[0] * down < y1)
                    & (firsts[1] * across >= x0)
                    & (firsts[1] * across < x1)
                )
                counts[number] += own
                assert np.array_equal(plane[~own], empty.planes[number][~own]), (sampling, window, number)
                assert np.array_equal(plane[own], whole[number][own]), (sampling, window, number)
        assert same(joined.planes, whole) and all((count == 1).all() for count in counts)


def odd_bounds_are_filled_from_the_region_needed(host: Host, effect: Effect) -> None:
    """A target that begins and ends amid chroma samples is filled whole; a source that does not hold what it takes is refused."""
    values = effect.values(BUSY[effect.identifier])
    for sampling, alpha in product(("4:2:0", "4:2:2"), (False, True)):
        source = picture(sampling=sampling, alpha=alpha)
        if alpha:
            source = replace(source, premultiplied=Premultiplied.NO)
        whole, bounds = rendered(host, effect, BUSY[effect.identifier], source), Window(13, 5, 44, 31)
        needed = effect.region_needed(values, bounds, source)
        target = empty_like(effect, values, tile_of(source, bounds))
        if needed == bounds:
            continue  # a host without chroma
        host.render(effect, values, tile_of(source, needed), target, Time(), None)
        assert same(target.planes, tile_of(replace(source, planes=whole), bounds).planes)
        try:
            host.render(effect, values, tile_of(source, bounds), target, Time(), None)
        except ValueError as error:
            assert "source must cover" in str(error)
        else:
            raise AssertionError(f"{effect.identifier} reads beyond its source")


def straight_alpha_is_drawn_over(host: Host, effect: Effect) -> None:
    """What is drawn over straight alpha shows as what is drawn over the same picture premultiplied: multiplied, they are one."""
    if effect.identifier != "footroom.guides":
        return
    values = effect.values(BUSY[effect.identifier])
    straight = replace(picture(None, Model.RGB, alpha=True), premultiplied=Premultiplied.NO, encoding=None)
    alpha = straight.planes[3]
    alpha[:, ::3] = 0
    multiplied = replace(
        straight,
        planes=(*(plane * alpha for plane in straight.planes[:3]), alpha.copy()),
        premultiplied=Premultiplied.YES,
    )
    made = []
    for source in (straight, multiplied):
        target = replace(source, planes=tuple(np.full_like(plane, 0.375) for plane in source.planes))
        host.render(effect, values, source, target, Time(), None)
        made.append(target.planes)
    assert np.array_equal(made[0][3], made[1][3])
    for one, two in zip(made[0][:3], made[1][:3], strict=True):
        assert np.abs(one * made[0][3] - two).max() < 1e-6
    nothing = made[0][3] == 0
    assert nothing.any() and all(
        np.array_equal(one[nothing], two[nothing]) for one, two in zip(made[0], straight.planes, strict=True)
    )


def rows_may_run_backwards(host: Host, effect: Effect) -> None:
    """A host that counts from the bottom hands planes over with a negative row stride."""
    source, values = picture(), effect.values(BUSY[effect.identifier])
    whole = rendered(host, effect, BUSY[effect.identifier], source)
    upside = replace(source, planes=tuple(plane[::-1].copy()[::-1] for plane in source.planes))
    target = empty_like(effect, values, source)
    flipped = replace(target, planes=tuple(plane[::-1].copy()[::-1] for plane in target.planes))
    assert all(plane.strides[0] < 0 for plane in (*upside.planes, *flipped.planes))
    host.render(effect, values, upside, flipped, Time(), None)
    assert same(flipped.planes, whole)


def render_scale_keeps_the_picture_alike(host: Host, effect: Effect) -> None:
    """At half size a guide lies at half its place; the others know nothing of size."""
    half = replace(picture(sampling="4:4:4"), scale=(Fraction(1, 2), Fraction(1, 2)))
    made = rendered(host, effect, BUSY[effect.identifier], half)
    if effect.identifier != "footroom.guides":
        plain = rendered(host, effect, BUSY[effect.identifier], picture(sampling="4:4:4"))
        assert same(made, plain)
        return
    shade = {"windows": "1:1", "shade": 100.0}
    planes = rendered(host, effect, shade, half)
    # The full picture is 128 x 72: its square keeps columns 28 to 100, at half size 14 to 50. Shaded to black.
    black = half.encoding.black() if half.encoding else 0
    kept = (planes[0][ROWS // 2] != black).nonzero()[0]
    assert 13 <= kept.min() <= 15 and 48 <= kept.max() <= 50


def every_declared_depth_and_model(host: Host, effect: Effect) -> None:
    for depth, model, alpha in product((8, 10, 12, 16, None), Model, (False, True)):
        source = picture(depth, model, "4:2:0", alpha)
        if not host.takes(source):
            continue
        assert depth in effect.clips[0].depths and model in effect.clips[0].models
        given = BUSY[effect.identifier] | (
            {"depth": "same"} if depth is None and "depth" in BUSY[effect.identifier] else {}
        )
        made = rendered(host, effect, given, source)
        assert all(plane.shape == of.shape for plane, of in zip(made, source.planes, strict=True))
        idle = rendered(host, effect, IDLE[effect.identifier], source)
        assert same(idle, source.planes), (depth, model, alpha)


def animated_parameters_follow_the_time(host: Host, effect: Effect) -> None:
    """A host asks for values at a time; the effect holds nothing back from another one."""
    for param in effect.params:
        if not param.animates or param.kind is not Kind.NUMBER:
            continue
        low, high = (BUSY[effect.identifier] | {param.name: value} for value in (param.low, param.high))
        first = rendered(host, effect, low, picture(), Time(0))
        assert not same(first, rendered(host, effect, high, picture(), Time(1)))
        assert same(first, rendered(host, effect, low, picture(), Time(0)))


def noise_follows_the_frame(host: Host, effect: Effect) -> None:
    if "dither" not in {param.name for param in effect.params}:  # it has none
        return
    given = BUSY[effect.identifier]
    assert not same(
        rendered(host, effect, given, picture(), Time(0)), rendered(host, effect, given, picture(), Time(1))
    )


def bad_values_are_refused_by_name(host: Host, effect: Effect) -> None:
    for param in effect.params:
        bad: list[Any] = [object()]
        if param.kind in (Kind.INTEGER, Kind.NUMBER):
            bad += [float("nan"), "x", *([param.high + 1] if param.high is not None else [])]
        if param.kind is Kind.CHOICE:
            bad += ["no such word", 3]
        if param.reads is not None:
            bad += ["9:0", "no such word"]
        for value in bad:
            try:
                effect.values({param.name: value})
            except ValueError as error:
                assert str(error).startswith(param.name), error
            else:
                raise AssertionError(f"{effect.identifier}: {param.name} takes {value!r}")
    try:
        effect.values({"polish": 1})
    except ValueError as error:
        assert "polish" in str(error)
    else:
        raise AssertionError(f"{effect.identifier} takes a parameter that it does not have")


CHECKS: tuple[Callable[[Host, Effect], None], ...] = (
    identity_is_identity,
    two_renders_agree_and_change_the_picture,
    tiles_join,
    nothing_outside_the_window_is_written,
    bounds_may_have_an_offset,
    odd_windows_have_samples_of_their_own,
    odd_bounds_are_filled_from_the_region_needed,
    straight_alpha_is_drawn_over,
    rows_may_run_backwards,
    render_scale_keeps_the_picture_alike,
    every_declared_depth_and_model,
    animated_parameters_follow_the_time,
    noise_follows_the_frame,
    bad_values_are_refused_by_name,
)


@dataclass(frozen=True)
class Direct:
    """No host at all: the effect called as it is."""

    name: str = "direct"

    def takes(self, image: Image) -> bool:
        return True

    def render(
        self, effect: Effect, values: dict[str, Any], source: Image, target: Image, time: Time, window: Window | None
    ) -> None:
        effect.apply(target, source, values, time, window)


def cases(host: Host) -> Iterator[Any]:
    """pytest parameters: every check for every effect."""
    import pytest

    for effect, check in product(effects(), CHECKS):
        yield pytest.param(host, effect, check, id=f"{host.name}-{effect.identifier}-{check.__name__}")
