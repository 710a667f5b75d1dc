"""Blender's floating-point buffers as a host of effects: the conformance checks through images of the real bpy.

Blender holds R'G'B'A in float32, so the checks run on such pictures. Three of them know integer codes alone: noise does
not follow the frame here, because levels are not dithered; the other two (nothing is written outside the window; guides at half size)
follow below in a form for levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import effect_conformance
import numpy as np
import pytest
from effect_conformance import BUSY, cases, empty_like

bpy = pytest.importorskip("bpy", reason="Blender as a module is not installed: pip install -e '.[blender]'")

from footroom.host_adapter.blender import code_values  # noqa: E402
from footroom.host_adapter.effect import Effect, Image, Time, Window  # noqa: E402
from footroom.host_adapter.effects import effect  # noqa: E402
from footroom.kernels import Channel, Encoding, Model, Range, rescale  # noqa: E402

random_picture = effect_conformance.picture


@dataclass(frozen=True)
class Blender:
    """Pictures go into images of Blender's and come out of them, before and after the effect."""

    name: str = "blender"

    def takes(self, image: Image) -> bool:
        return image.floating and image.model is Model.RGB

    def render(
        self, effect: Effect, values: dict[str, Any], source: Image, target: Image, time: Time, window: Window | None
    ) -> None:
        if not self.takes(source):
            raise AssertionError(
                f"a picture that this host does not take reached it: {source.model}, {source.encoding}"
            )
        view, own = (
            code_values.View(each.bounds, each.whole, each.scale, each.aspect, each.premultiplied)
            for each in (source, target)
        )
        given, made = through_blender(source), through_blender(target)
        code_values.run(
            effect, given, made, values, encoding=source.encoding, time=time, window=window, view=view, target_view=own
        )  # fmt: skip
        again = through_blender(target, made)
        for number, plane in enumerate(target.planes):
            plane[...] = again[::-1, :, number]


def through_blender(image: Image, pixels: Any = None) -> Any:
    """What an image of Blender's gives back of a buffer, or of planes laid into one from the bottom."""
    rows, columns = image.planes[0].shape
    if pixels is None:
        pixels = np.ones((rows, columns, 4), np.float32)
        for number, plane in enumerate(image.planes):
            pixels[::-1, :, number] = plane
    held = bpy.data.images.new("held", columns, rows, alpha=True, float_buffer=True)
    held.pixels.foreach_set(pixels.reshape(-1))
    back = np.empty_like(pixels)
    held.pixels.foreach_get(back.reshape(-1))
    bpy.data.images.remove(held)
    return back


def float_picture(
    depth: int | None = None, model: Model = Model.RGB, sampling: str = "4:4:4", alpha: bool = False, seed: int = 1
) -> Image:
    """The checks' random picture, as Blender holds one unless another is asked for."""
    return random_picture(depth, model, sampling, alpha, seed)


OTHERWISE = {"noise_follows_the_frame", "nothing_outside_the_window_is_written", "render_scale_keeps_the_picture_alike"}


def checks():
    for case in cases(Blender()):
        _, one, check = case.values
        scale = check.__name__ == "render_scale_keeps_the_picture_alike" and one.identifier != "footroom.guides"
        if scale or check.__name__ not in OTHERWISE:
            yield case


@pytest.mark.parametrize(("host", "effect", "check"), list(checks()))
def test_conformance(monkeypatch, addon, host, effect, check):
    monkeypatch.setattr(effect_conformance, "picture", float_picture)
    check(host, effect)


@pytest.mark.parametrize("name", ["range", "requantise", "guides"])
def test_nothing_outside_the_window_is_written(addon, name):
    one = effect(name)
    source, values = float_picture(alpha=True), one.values(BUSY[one.identifier])
    target = empty_like(one, values, source)
    Blender().render(one, values, source, target, Time(), Window(8, 4, 40, 30))
    for plane in target.planes:
        outside = np.ones(plane.shape, bool)
        outside[4:30, 8:40] = False
        assert (plane[outside] == 0.375).all() and (plane[~outside] != 0.375).any()


def test_guides_at_half_size_lie_at_half_their_place(addon):
    """The full picture is 128 x 72: its square keeps columns 28 to 100, at half size 14 to 50. Shaded to black."""
    one = effect("guides")
    half = replace(float_picture(), scale=(Fraction(1, 2), Fraction(1, 2)))
    values = one.values({"windows": "1:1", "shade": 100.0})
    target = empty_like(one, values, half)
    Blender().render(one, values, half, target, Time(), None)
    black = np.float32(64 / 1023)  # the picture is narrow, held as code / M
    kept = (np.abs(target.planes[0][18] - black) > 1e-6).nonzero()[0]
    assert 13 <= kept.min() <= 15 and 48 <= kept.max() <= 50


def test_range_gives_the_kernels_levels(addon):
    """Bit for bit what the kernel gives headless, over views of Blender's buffer."""
    one, source = effect("range"), float_picture(alpha=True)
    values = one.values({"assume": "narrow", "to": "full"})
    target = empty_like(one, values, source)
    Blender().render(one, values, source, target, Time(), None)
    narrow, full = Encoding(10, Range.NARROW, Model.RGB), Encoding(10, Range.FULL, Model.RGB)
    for plane, channel, made in zip(source.planes, source.channels, target.planes, strict=True):
        assert np.array_equal(made, rescale(plane, narrow, full, channel=channel))
    assert source.channels[3] is Channel.ALPHA and np.array_equal(source.planes[3], target.planes[3])


def test_a_buffer_is_not_copied_and_must_be_blenders():
    pixels = np.zeros((36, 64, 4), np.float32)
    image = code_values.image_of(pixels, None)
    assert all(np.shares_memory(plane, pixels) and plane.strides == (-1024, 16) for plane in image.planes)
    image.planes[1][0, 5] = 1  # top row
    assert pixels[-1, 5, 1] == 1
    with pytest.raises(ValueError, match="pixels"):
        code_values.image_of(pixels[..., :3], None)
    with pytest.raises(ValueError, match="encoding"):
        code_values.image_of(pixels, Encoding(10, Range.FULL))
    with pytest.raises(ValueError, match="bounds"):
        code_values.image_of(pixels, None, code_values.View(Window(0, 0, 10, 10)))
