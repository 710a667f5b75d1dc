"""Effects as data, and every effect through the conformance checks: called directly, and by the headless host."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from effect_conformance import BUSY, Direct, cases, empty_like, picture

from footroom.host_adapter.effect import Effect, Field, Image, Kind, Premultiplied, Time, Window
from footroom.host_adapter.effects import NAMES, effect, effects
from footroom.host_adapter.headless import host
from footroom.host_adapter.headless.media import Frame, Info, Tag
from footroom.kernels import Channel, Encoding, Range, requantise


@dataclass(frozen=True)
class Headless:
    """The host that `mend` runs effects in: whole frames of a recording, from the top, by number."""

    name: str = "headless"

    def takes(self, image: Image) -> bool:
        return True

    def render(
        self, effect: Effect, values: dict[str, Any], source: Image, target: Image, time: Time, window: Window | None
    ) -> None:
        bare = (
            source.encoding is None or source.premultiplied is not Premultiplied.OPAQUE
        )  # which `info` below says otherwise
        tiled = source.bounds != source.whole or target.bounds != target.whole
        if bare or tiled or window is not None or source.scale != (1, 1):
            effect.apply(target, source, values, time, window)  # a recording has neither tiles nor previews
            return
        info = Info(
            path=Path("x.mkv"), kind="movie", container="mkv", codec="ffv1", profile=None, width=source.whole.x1,
            height=source.whole.y1, frames=2, rate=Fraction(25), depth=10, model=source.model, sampling=source.sampling,
            alpha=Channel.ALPHA in source.channels, pixel_format="", bit_shift=0, tag=Tag(None, None, True), transfer=None,
            primaries=None, matrix=None,
        )  # fmt: skip
        frame = Frame(time.frame, source.planes, None)
        host.render(effect, info, frame, target.planes, source.encoding, target.encoding, values)


@pytest.mark.parametrize(("host", "effect", "check"), [*cases(Direct()), *cases(Headless())])
def test_conformance(host, effect, check):
    check(host, effect)


def test_a_scan_of_the_effects_loads_nothing_heavy():
    code = (
        "import sys\nfrom footroom.host_adapter.effects import effects\nfound = effects()\n"
        "heavy = {'numpy', 'numba', 'PIL', 'colour', 'av', 'matplotlib'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy or len(found) != 5 else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("one", effects(), ids=lambda one: one.identifier)
def test_a_declaration_says_all_that_a_host_asks_for(one):
    assert one.identifier == one.identifier.lower() and "." in one.identifier
    assert one.label and one.help and one.contexts == ("filter",)
    assert len({param.name for param in one.params}) == len(one.params)
    for param in one.params:
        assert param.label and param.help.endswith("."), param.name
        assert param.checked(param.default) == param.default, param.name
        assert (param.kind is Kind.CHOICE) == bool(param.choices)
        assert param.name.isidentifier()


def test_an_unknown_effect_is_refused_by_name():
    with pytest.raises(ValueError, match="'polish'"):
        effect("polish")
    assert NAMES == ("range", "requantise", "guides", "exposure", "scopes")


def test_the_range_effect_gives_the_kernels_codes():
    source = picture()
    one = effect("range")
    values = one.values(BUSY["footroom.range"])
    target = empty_like(one, values, source)
    one.apply(target, source, values, Time(5))
    full, narrow = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
    for number, (plane, channel) in enumerate(zip(source.planes, source.channels, strict=True)):
        expected = requantise(plane, full, narrow, channel=channel, dither="triangular", seed=3, frame=5, plane=number)
        assert np.array_equal(target.planes[number], expected)


def test_a_window_beyond_the_target_and_other_planes_are_refused():
    source, one = picture(), effect("range")
    values = one.values(BUSY["footroom.range"])
    target = empty_like(one, values, source)
    with pytest.raises(ValueError, match="window"):
        one.apply(target, source, values, window=Window(0, 0, 65, 36))
    with pytest.raises(ValueError, match="planes"):
        one.apply(picture(alpha=True), source, values)


def test_a_view_never_begins_before_its_plane():
    """A negative index would take samples from the other end."""
    source = replace(picture(sampling="4:2:0"), bounds=Window(10, 6, 74, 42), whole=Window(0, 0, 100, 100))
    for samples in (Window(4, 3, 8, 6), Window(5, 2, 8, 6), Window(5, 3, 38, 6), Window(5, 3, 8, 22)):
        with pytest.raises(ValueError, match="samples must lie in plane 1"):
            source.view(1, samples)
    assert np.shares_memory(source.view(1, Window(5, 3, 8, 6)), source.planes[1])
    assert source.view(1, Window(8, 3, 8, 6)).shape == (3, 0)


def test_an_effect_that_is_no_filter_is_not_run_as_one():
    source, one = picture(), replace(effect("range"), contexts=("general",))
    with pytest.raises(ValueError, match="is no filter of one clip; it is made for general"):
        one.apply(source, source, one.values())


def test_guides_in_a_single_field_are_half_as_high():
    """An image of one field has half the picture's rows; its guides are those of the whole picture, half as high."""
    one = effect("guides")
    values = one.values({"windows": "1:1", "shade": 100.0})
    source = replace(picture(sampling="4:4:4"), field=Field.UPPER)
    target = empty_like(one, values, source)
    one.apply(target, source, values)
    # 36 rows of a field are 72 of a 64 x 72 frame: the square is 64 x 64 in rows 4 to 68, in the field's rows 2 to 34.
    assert (target.planes[0][:1] == 64).all() and (target.planes[0][-1:] == 64).all()
    assert np.array_equal(target.planes[0][6:30], source.planes[0][6:30])
