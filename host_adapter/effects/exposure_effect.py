"""Exposure map: every pixel's stops from 18 % grey as zones, with a legend in the picture."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from ...kernels.encoding import Channel, Encoding, Model, Range
from ...kernels.framing import SAMPLING_STEPS
from ..effect import Choice, Clip, Effect, Image, Kind, Param, Time, Values, Window
from .range_effect import ASSUME, assumed


def _read_curve(text: str) -> None:
    if text.strip():
        from ..headless.curves import find_key
        from ..headless.errors import Problem

        try:
            find_key(text)
        except Problem as problem:
            raise ValueError(str(problem)) from None


def _read_zones_file(text: str) -> None:
    if text.strip():
        from ..headless.errors import Problem
        from ..zones import read_zones

        try:
            read_zones(Path(text))
        except Problem as problem:
            raise ValueError(str(problem)) from None


CURVE = Param(
    "curve", "Log curve", Kind.TEXT, "", "The log curve it was recorded with, by colour-science's key; empty for a finished picture.",
    animates=False, reads=_read_curve,
)  # fmt: skip
DISPLAY = Param(
    "display", "Display", Kind.CHOICE, "bt1886", "What a finished picture is made for, where no curve is named.",
    choices=(Choice("bt1886", "BT.1886"), Choice("hlg", "BT.2100 HLG"), Choice("pq", "BT.2100 PQ")), animates=False,
)  # fmt: skip
ZONES = Param(
    "zones", "Zones", Kind.TEXT, "", "A TOML file with zones of your own; empty for footroom's.", animates=False,
    reads=_read_zones_file,
)  # fmt: skip
CLIP = Param(
    "clip", "Clipped from", Kind.NUMBER, 0.0,
    "Per cent of signal from which a channel counts as clipped; 0 for the highest code that a recording may hold.",
    low=0.0, high=109.0, unit="%", animates=False,
)  # fmt: skip
LEGEND = Param(
    "legend", "Legend", Kind.CHOICE, "none", "A legend in the picture.",
    choices=(Choice("none", "None"), Choice("left", "Left"), Choice("right", "Right")), animates=False,
)  # fmt: skip
MIX = Param(
    "mix",
    "Mix",
    Kind.NUMBER,
    100.0,
    "How much of the map, and how little of the picture.",
    low=0.0,
    high=100.0,
    unit="%",
)

MARGIN = 8
"""Pixels round a window that its chroma and the map's are filtered from; twice the widest step of a chroma plane."""
_PLATE, _LEGEND = 0.85, 0.6
"""Opacity of the plate under a legend in the picture, and its height to the picture's."""
_STRIPES = 72
"""Stripes of the clip pattern to a picture's height."""


def is_identity(values: Values, _source: Image) -> bool:
    """Whether nothing of the map is asked for."""
    return bool(values["mix"] == 0)


def region_needed(_values: Values, window: Window, source: Image) -> Window:
    """The window with the margin."""
    wide = Window(window.x0 - MARGIN, window.y0 - MARGIN, window.x1 + MARGIN, window.y1 + MARGIN)
    return source.grown(wide.common(source.whole))


def look_for(values: Values, encoding: Encoding | None, matrix: Any = None) -> Any:
    """The zones, meter and shades that values ask for over pictures of an encoding (None: levels); see `Look`."""
    return _look(values["curve"], values["display"], values["zones"], values["clip"], encoding, matrix)


def render(target: Image, clips: Mapping[str, Image], values: Values, time: Time, window: Window) -> None:
    """The map over the picture, band by band.

    Raises: ValueError for a legend that does not fit the picture's height.
    """
    del time
    from ...kernels.exposure import shade, stops_of
    from ...kernels.overlay import blend

    source = clips["source"]
    encoding = None if source.encoding is None else assumed(values, source.encoding)
    look = look_for(values, encoding, source.matrix)
    rows = max(64 // source.step(Channel.CHROMA)[1] * source.step(Channel.CHROMA)[1], 1)
    for top in range(window.y0, window.y1, rows):
        band = Window(window.x0, top, window.x1, min(top + rows, window.y1))
        region = region_needed(values, band, source)
        levels = levels_of(source, region, encoding)
        stops = stops_of(levels, look.meter)
        shade(stops, look.shades, look.edges, levels, period=stripe_period(source), origin=(region.y0, region.x0))
        _write(target, source, region, band, levels, values["mix"] / 100)
    if values["legend"] == "none":
        return
    for number, (channel, sparse) in enumerate(zip(target.channels, _legend(target, values, encoding), strict=True)):
        own = target.samples(window, channel)
        (across, down) = target.step(channel)
        if channel is not Channel.ALPHA:
            origin = own.y0 - target.whole.y0 // down, own.x0 - target.whole.x0 // across
            blend(target.view(number, own), sparse, origin=origin)


def stripe_period(source: Image) -> int:
    """Pixels from stripe to stripe, which follow the picture's height."""
    return max(4, round((source.whole.y1 - source.whole.y0) / _STRIPES))


def levels_of(source: Image, region: Window, encoding: Encoding | None) -> Any:
    """R'G'B'A levels under a region, float32 [rows, columns, 4]."""
    import numpy as np

    from ...kernels.matrix import Matrix
    from ...kernels.signals import rgba_levels
    from ..headless.viewing import chroma_place

    out = np.ones((region.y1 - region.y0, region.x1 - region.x0, 4), np.float32)
    colour = [number for number, channel in enumerate(source.channels) if channel is not Channel.ALPHA]
    planes = [source.view(number, source.samples(region, source.channels[number])) for number in colour]
    if source.floating and source.model is Model.YCBCR:  # 16 bits are finer than any shade
        from ...kernels.dither import Dither, requantise

        assert encoding is not None
        fine = Encoding(16, encoding.range)
        channels = (source.channels[number] for number in colour)
        planes = [
            requantise(plane, encoding, fine, channel=channel, dither=Dither.NONE)
            for plane, channel in zip(planes, channels, strict=True)
        ]
        encoding = fine
    if not source.floating or source.model is Model.YCBCR:
        assert encoding is not None
        step = SAMPLING_STEPS[source.sampling] if source.model is Model.YCBCR else (1, 1)
        rgba_levels(
            planes, encoding, out, matrix=source.matrix or Matrix.BT709, step=step, place=chroma_place(source.siting)
        )
        return out
    for number in range(3):
        out[..., number] = planes[number if len(planes) == 3 else 0]
    if encoding is not None:  # code / M
        channel = encoding.channels()[0]
        gain = np.float32(encoding.maximum / encoding.span(channel))
        out[..., :3] = out[..., :3] * gain - np.float32(encoding.zero(channel) / encoding.span(channel))
    return out


def _made(target: Image, region: Window, levels: Any, colour: list[int]) -> list[Any]:
    """The map as planes of the target's form under a region."""
    import numpy as np

    from ...kernels.coding import code_levels
    from ...kernels.matrix import Matrix
    from ...kernels.overlay import Siting

    encoding, matrix = target.encoding, target.matrix or Matrix.BT709
    if not target.floating or target.model is Model.YCBCR:
        assert encoding is not None
        coded = Encoding(16, encoding.range) if target.floating else encoding
        shapes = [target.samples(region, target.channels[number]) for number in colour]
        made = [np.empty((own.y1 - own.y0, own.x1 - own.x0), coded.dtype_name) for own in shapes]
        siting = Siting.of(target.sampling if target.model is Model.YCBCR else "4:4:4", target.siting)
        code_levels(levels, coded, made, matrix=matrix, siting=siting)
        if not target.floating:
            return made
        return [_as_float(plane, coded, encoding, target.channels[at]) for at, plane in zip(colour, made, strict=True)]
    grey = np.array([float(matrix.red), float(matrix.green), float(matrix.blue)], np.float32)
    planes = [levels[..., number] for number in range(3)] if len(colour) == 3 else [levels[..., :3] @ grey]
    if encoding is None:
        return planes
    channel = encoding.channels()[0]
    return [(plane * encoding.span(channel) + encoding.zero(channel)) / encoding.maximum for plane in planes]


def _as_float(codes: Any, coded: Encoding, encoding: Encoding, channel: Channel) -> Any:
    """Codes of one encoding as code / M of another."""
    level = (codes.astype("float64") - coded.zero(channel)) / coded.span(channel)
    return (level * encoding.span(channel) + encoding.zero(channel)) / encoding.maximum


def _write(target: Image, source: Image, region: Window, band: Window, levels: Any, mix: float) -> None:
    """What the band's samples become: the map's codes or levels, mixed with the picture's."""
    colour = [number for number, channel in enumerate(target.channels) if channel is not Channel.ALPHA]
    made, encoding = _made(target, region, levels, colour), target.encoding
    for number, plane in zip(colour, made, strict=True):
        channel = target.channels[number]
        own, whole = target.samples(band, channel), target.samples(region, channel)
        part = plane[own.y0 - whole.y0 : own.y1 - whole.y0, own.x0 - whole.x0 : own.x1 - whole.x0]
        out = target.view(number, own)
        if mix == 1:
            out[...] = part
            continue
        under = source.view(number, own)
        mixed = under + (part.astype("float64") - under) * mix
        out[...] = mixed if target.floating else _words(mixed, encoding)
    for number, channel in enumerate(target.channels):
        if channel is Channel.ALPHA:
            own = target.samples(band, channel)
            target.view(number, own)[...] = source.view(number, own)


def _words(mixed: Any, encoding: Encoding | None) -> Any:
    """Rounded half up to whole codes."""
    import numpy as np

    assert encoding is not None
    scale = 1 << encoding.bit_shift
    return (np.floor(mixed / scale + 0.5) * scale).astype(encoding.dtype_name)


class Look:
    """transfer, zones, edges, meter, shades: what a map is made with. clip, black : levels"""

    def __init__(
        self, curve: str, display: str, zones: str, clip: float, encoding: Encoding | None, matrix: Any
    ) -> None:
        from ...kernels.exposure import meter
        from ...kernels.matrix import Matrix
        from ..transfer import transfer_of
        from ..zones import read_zones

        self.transfer = transfer_of(curve or None, None if curve else display)
        self.zones = read_zones(Path(zones) if zones.strip() else None)
        self.edges = self.zones.edges
        self.encoding = encoding or Encoding(16, Range.FULL, Model.RGB)
        self.clip = clip / 100 if clip else highest_level(self.encoding)
        black = self.transfer.black
        lowest = -self.encoding.zero(self.encoding.channels()[0]) / self.encoding.span(self.encoding.channels()[0])
        self.black = lowest if black is None else max(black, lowest)
        weights = matrix or Matrix.BT709
        self.meter = meter(
            self.transfer.light, weights=(float(weights.red), float(weights.green), float(weights.blue)),
            clip=self.clip, black=self.black,
        )  # fmt: skip
        self.shades = self.shades_for(self.transfer.key)

    def shades_for(self, key: str) -> Any:
        """The zones' shades for a picture of a display (a log curve: sRGB's)."""
        from ...kernels.exposure import shades

        return shades(
            self.edges, [zone.colour for zone in self.zones.zones], encode=shown_by(key),
            clip=self.zones.clip, black=self.zones.black,
        )  # fmt: skip


def highest_level(encoding: Encoding) -> float:
    """Of the code at which a recording is cut off: the highest, but in narrow range the last before the interface's reserved codes."""
    channel = encoding.channels()[0]
    top = encoding.maximum if encoding.range is Range.FULL else encoding.reserved[1].start - 1
    return (top - encoding.zero(channel)) / encoding.span(channel)


def shown_by(key: str) -> Any:
    """Linear light of a map, white 1, to levels of the picture that it is drawn into: sRGB's, but of HLG and PQ their own, white at
    BT.2408's diffuse white."""
    import numpy as np

    from ..transfer import transfer_of
    from ..zones import encoded

    if key not in ("hlg", "pq"):
        return encoded
    transfer = transfer_of(None, key)
    white = float(transfer.light(transfer.marks()["diffuse white"]))
    return lambda light: transfer.level(np.clip(light, 0, 1) * white)


@lru_cache(maxsize=16)
def _look(curve: str, display: str, zones: str, clip: float, encoding: Encoding | None, matrix: Any) -> Look:
    return Look(curve, display, zones, clip, encoding, matrix)


@lru_cache(maxsize=8)
def _legend_sparse(
    items: tuple[Any, ...], encoding: Encoding | None, written: Encoding | None, size: tuple[int, int], floating: bool,
    channels: tuple[Channel, ...], sampling: str, siting: str | None, matrix: Any,
) -> Any:  # fmt: skip
    from ...kernels.matrix import Matrix
    from ...kernels.overlay import Siting, sparse_planes
    from ..legend import legend_of
    from ..legend_drawing import draw_legend, least_height, legend_width

    values = dict(items)
    look = look_for(values, encoding, matrix)
    legend = legend_of(look.zones, look.transfer, look.encoding, clip=look.clip, black=look.black)
    high = min(max(round(size[1] * _LEGEND), least_height(legend)), size[1])
    try:
        wide = legend_width(legend, high)
    except ValueError as error:
        raise ValueError(f"legend: {error}; set it to none") from None
    if wide > size[0]:
        raise ValueError(f"legend: it takes {wide} columns, and the picture has {size[0]}; set it to none")
    left = 0 if values["legend"] == "left" else size[0] - wide
    drawing = draw_legend(legend, high, picture=size, at=(left, size[1] - high), opacity=_PLATE)
    return sparse_planes(
        drawing, written, channels, matrix=matrix or Matrix.BT709, siting=Siting.of(sampling, siting), floating=floating
    )  # fmt: skip


def _legend(target: Image, values: Values, encoding: Encoding | None) -> Any:
    size = target.whole.x1 - target.whole.x0, target.whole.y1 - target.whole.y0
    return _legend_sparse(
        tuple(sorted(values.items())), encoding, target.encoding, size, target.floating, target.channels,
        target.sampling if target.model is Model.YCBCR else "4:4:4", target.siting, target.matrix,
    )  # fmt: skip


EFFECT = Effect(
    "footroom.exposure",
    "Footroom exposure",
    "Every pixel's exposure in stops from 18 % grey, as zones. For looking at, not for delivery.",
    (CURVE, DISPLAY, ASSUME, ZONES, CLIP, LEGEND, MIX),
    render,
    clips=(Clip("source", "Source"),),
    is_identity=is_identity,
    region_needed=region_needed,
)
