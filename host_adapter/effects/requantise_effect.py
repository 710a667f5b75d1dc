"""Fewer bits at the same range, dithered."""

from __future__ import annotations

from collections.abc import Mapping

from ...kernels.encoding import Encoding
from ..effect import Effect, Image, Time, Values, Window
from .shared import DEPTH, DITHER, SEED, recode


def output_encoding(values: Values, source: Encoding | None) -> Encoding | None:
    """The source's with the depth asked for."""
    if source is None:
        return None
    depth = source.depth if values["depth"] == "same" else int(values["depth"])
    return Encoding(depth, source.range, source.model)


def is_identity(values: Values, source: Image) -> bool:
    """Whether the depth is what it is to be."""
    return source.encoding is None or output_encoding(values, source.encoding) == source.encoding


def render(target: Image, clips: Mapping[str, Image], values: Values, time: Time, window: Window) -> None:
    """Every code to the other depth; see kernels.dither.requantise."""
    recode(target, clips["source"], window, time, dither=values["dither"], seed=values["seed"])


EFFECT = Effect(
    "footroom.requantise",
    "Footroom requantise",
    "Codes to another depth at the same range, with dither so that skies stay free of bands.",
    (DEPTH, DITHER, SEED),
    render,
    output_encoding=output_encoding,
    is_identity=is_identity,
)
