"""Every effect through the conformance checks in real pipelines.

GStreamer knows whole frames alone: windows, tiles and previews go to the effect itself, as no element is ever asked for them. So do
pictures, or results, that GStreamer has no format for: floating point, 4:2:2 of 8 bits with alpha.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

import numpy as np
from effect_conformance import cases
from gst_running import Running, element_words, info_of

from footroom.host_adapter.effect import Effect, Image, Time, Window
from footroom.host_adapter.gstreamer import ELEMENTS
from footroom.host_adapter.gstreamer.formats import FORMATS
from footroom.kernels import Model

pytestmark = pytest.mark.usefixtures("gst")


@dataclass(frozen=True)
class GStreamer:
    """A pipeline for each picture: planes go in as a buffer and come out of one."""

    name: str = "gstreamer"

    def form(self, image: Image) -> str | None:
        if image.floating or image.encoding is None:
            return None
        sampling, alpha = image.sampling, len(image.channels) in (2, 4)
        held = (image.encoding.depth, image.model, sampling, alpha)
        return next((f.name for f in FORMATS.values() if (f.depth, f.model, f.sampling, f.alpha) == held), None)

    def takes(self, image: Image) -> bool:
        return self.form(image) is not None

    def render(
        self, effect: Effect, values: dict[str, Any], source: Image, target: Image, time: Time, window: Window | None
    ) -> None:
        tiled = window is not None or source.scale != (1, 1) or any(i.bounds != i.whole for i in (source, target))
        if tiled or not self.takes(source) or not self.takes(target):
            effect.apply(target, source, values, time, window)
            return
        element = next(name for name, of in ELEMENTS.items() if effect.identifier == f"footroom.{of}")
        said = "2:1:7:1" if source.model is Model.RGB else "2:3:5:1"
        caps = (
            f"video/x-raw,format={self.form(source)},width={source.whole.x1},height={source.whole.y1},framerate=25/1,"
            f"colorimetry={said}"
        )
        with Running(f"{element} {element_words(values)}", caps, first=time.frame) as running:
            running.push(tuple(np.ascontiguousarray(plane) for plane in source.planes))
            made = running.pull()
            running.listen()
            assert made is not None, running.ran.errors
            for plane, codes in zip(target.planes, made, strict=True):
                plane[...] = codes
            assert int(info_of(running.ran.caps[0]).colorimetry.range) == (2 if target.encoding.range == 0 else 1)


def test_some_of_every_model_is_taken():
    """What is left out is left out because GStreamer 1.22 has no such format: no floating point, no gray but 8 and 16 bit."""
    held = {(f.depth, f.model) for f in FORMATS.values()}
    assert {(8, model) for model in Model} | {(16, model) for model in Model} <= held
    assert {(10, Model.YCBCR), (12, Model.YCBCR), (10, Model.RGB), (12, Model.RGB)} <= held


@pytest.mark.parametrize(("host", "effect", "check"), list(cases(GStreamer())))
def test_conformance(host, effect, check):
    check(host, effect)


def test_texts_with_blanks_and_quotes_reach_the_element():
    assert element_words({"windows": '9:16 a"b', "even": True}) == 'windows="9:16 a\\"b" even="True"'
