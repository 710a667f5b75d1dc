"""Scopes in a corner of the picture: waveform, parade, vectorscope, histogram, in codes of its own encoding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

from ...kernels.encoding import Channel, Encoding, Model, Range
from ..effect import Choice, Effect, Image, Kind, Param, Premultiplied, Time, Values, Window
from ..scopes.names import KINDS
from .exposure_effect import CURVE
from .range_effect import ASSUME, assumed

KIND = Param(
    "kind", "Scope", Kind.CHOICE, "waveform", "Which scope is drawn.",
    choices=tuple(Choice(value, label) for value, label in KINDS.items()), animates=False,
)  # fmt: skip
DISPLAY = Param(
    "display", "Display", Kind.CHOICE, "none",
    "What a finished picture is made for: where its 18 % grey and its white lie. Of no account beside a log curve.",
    choices=(
        Choice("none", "Unsaid"), Choice("bt1886", "BT.1886"), Choice("hlg", "BT.2100 HLG"), Choice("pq", "BT.2100 PQ"),
    ),
    animates=False,
)  # fmt: skip
CORNER = Param(
    "corner", "Corner", Kind.CHOICE, "bottom-left", "Where in the picture it lies.",
    choices=tuple(
        Choice(f"{row}-{side}", f"{row.capitalize()} {side}") for row in ("top", "bottom") for side in ("left", "right")
    ),
    animates=False,
)  # fmt: skip
SIZE = Param(
    "size", "Size", Kind.NUMBER, 40.0, "Its width and height, to the picture's.", low=10.0, high=100.0, unit="%",
    animates=False,
)  # fmt: skip
OPACITY = Param(
    "opacity", "Opacity", Kind.NUMBER, 100.0, "How much of the picture it hides.", low=0.0, high=100.0, unit="%"
)

LEAST = 12
"""Pixels of a side below which a scope shows nothing."""
_MARGIN = 40
"""A margin's part of the picture's height."""


def is_identity(values: Values, source: Image) -> bool:
    """Whether nothing is drawn: it is wholly transparent, or the picture has no room."""
    return bool(values["opacity"] == 0) or box_of(values, source).empty


def box_of(values: Values, image: Image) -> Window:
    """Where the scope lies, in whole chroma samples; empty where the picture is too small for one."""
    whole, part = image.whole, values["size"] / 100
    columns, rows = whole.x1 - whole.x0, whole.y1 - whole.y0
    margin = 0 if values["size"] > 95 or rows < 200 else rows // _MARGIN
    wide, high = min(round(columns * part), columns - 2 * margin), min(round(rows * part), rows - 2 * margin)
    if min(wide, high) < LEAST:
        return Window(whole.x0, whole.y0, whole.x0, whole.y0)
    left = whole.x0 + (margin if values["corner"].endswith("left") else columns - margin - wide)
    top = whole.y0 + (margin if values["corner"].startswith("top") else rows - margin - high)
    return image.grown(Window(left, top, left + wide, top + high))


def region_needed(values: Values, window: Window, source: Image) -> Window:
    """The whole picture where the scope is in sight: it shows all of it, in every tile."""
    box = box_of(values, source)
    unseen = values["opacity"] == 0 or source.grown(window).common(box).empty
    return source.grown(window) if unseen else source.whole


def render(target: Image, clips: Mapping[str, Image], values: Values, time: Time, window: Window) -> None:
    """The source with the scope over it.

    Raises: ValueError for a scope that a gray picture has not.
    """
    del time
    source = clips["source"]
    box = box_of(values, source)
    made = None
    if values["opacity"] and not box.empty and not source.grown(window).common(box).empty:
        made = _drawn(source, values, box)
    for number, channel in enumerate(target.channels):
        own = target.samples(window, channel)
        target.view(number, own)[...] = source.view(number, own)
    if made is not None:
        _lay(target, source, made, box, window, values["opacity"] / 100)


def _drawn(source: Image, values: Values, box: Window) -> list[Any]:
    """Planes of the scope: of the picture's colour channels, as large as the box."""
    import numpy as np

    from ...kernels.coding import code_levels
    from ...kernels.framing import SAMPLING_STEPS
    from ...kernels.matrix import Matrix
    from ...kernels.overlay import Siting
    from ..headless.viewing import chroma_place
    from ..scopes.measure import measure
    from ..zones import linear
    from .exposure_effect import shown_by

    encoding = None if source.encoding is None else assumed(values, source.encoding)
    matrix = source.matrix or Matrix.BT709
    size = box.x1 - box.x0, box.y1 - box.y0
    page = page_for(values["kind"], size, encoding, source.model, matrix, values["curve"], values["display"])
    measured = measure(source, encoding, page.wanted(0), chroma_place(source.siting))
    canvas = page.draw([measured])
    if not values["curve"].strip() and values["display"] in ("hlg", "pq"):
        canvas[..., :3] = shown_by(values["display"])(linear(canvas[..., :3]))
    written = encoding or Encoding(16, Range.FULL, source.model)
    step = SAMPLING_STEPS[source.sampling] if source.model is Model.YCBCR else (1, 1)
    word = source.siting or "left"
    shapes = [
        (-(-size[1] // step[1]), -(-size[0] // step[0])) if channel is Channel.CHROMA else (size[1], size[0])
        for channel in written.channels()
    ]
    planes = [np.empty(shape, written.dtype_name) for shape in shapes]
    siting = Siting(step, (word.endswith("left"), word.startswith("top")))
    code_levels(canvas, written, planes, matrix=matrix, siting=siting)
    if not source.floating:
        return planes
    if encoding is not None:  # code / M
        return [plane / np.float32(encoding.maximum) for plane in planes]
    pairs = zip(planes, written.channels(), strict=True)
    return [(plane - np.float32(written.zero(channel))) / written.span(channel) for plane, channel in pairs]


def _lay(target: Image, source: Image, made: list[Any], box: Window, window: Window, share: float) -> None:
    """The scope's planes over the samples that lie in its box and belong to the window."""
    import numpy as np

    from ...kernels.traces import mix
    from .guides_effect import alpha_under

    encoding = target.encoding
    top = 1.0 if target.floating or encoding is None else float(encoding.maximum << encoding.bit_shift)
    straight = source.premultiplied is Premultiplied.NO and Channel.ALPHA in source.channels
    colours = iter(made)
    for number, channel in enumerate(target.channels):
        across, down = target.step(channel)
        area = Window(box.x0 // across, box.y0 // down, -(-box.x1 // across), -(-box.y1 // down))
        own = target.samples(window, channel).common(area)
        if channel is Channel.ALPHA:
            plane: Any = np.full((area.y1 - area.y0, area.x1 - area.x0), top, target.planes[number].dtype)
        else:
            plane = next(colours)
        if own.empty:
            continue
        part = plane[own.y0 - area.y0 : own.y1 - area.y0, own.x0 - area.x0 : own.x1 - area.x0]
        alpha = None
        if straight and channel is not Channel.ALPHA and share < 1:
            alpha = alpha_under(source, target, own, channel).astype(np.float64) / top
        shift = 0 if encoding is None or target.floating else encoding.bit_shift
        mix(source.view(number, own), part, share, target.view(number, own), shift, alpha)


@lru_cache(maxsize=8)
def page_for(
    kind: str, size: tuple[int, int], encoding: Encoding | None, model: Model, matrix: Any, curve: str, display: str
) -> Any:
    """The page of a scope; made once for every picture and set of values."""
    from ..scopes.page import Page, Shown
    from ..scopes.scales import encoding_words

    shown = encoding or Encoding(12, Range.FULL, model)
    words = encoding_words(shown, levels=encoding is None)
    marks = marks_for(curve, display, shown.depth)
    return Page(
        kind, size, [Shown(replace(shown, bit_shift=0), model, matrix, words, encoding is None)], curve=marks
    )  # fmt: skip


def marks_for(curve: str, display: str, depth: int) -> dict[str, float]:
    """Levels that people look for: of a log curve, or of a display; none where neither is named."""
    from ..transfer import transfer_of

    if curve.strip():
        return transfer_of(curve, None).marks(depth)
    return {} if display == "none" else transfer_of(None, display).marks(depth)


EFFECT = Effect(
    "footroom.scopes",
    "Footroom scopes",
    "Waveform, parade, vectorscope and histogram of the whole picture, in a corner of it. For looking at, not for delivery.",
    (KIND, CURVE, DISPLAY, ASSUME, CORNER, SIZE, OPACITY),
    render,
    is_identity=is_identity,
    region_needed=region_needed,
)
