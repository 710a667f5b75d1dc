"""Change of range: what the codes are, what they are to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ...kernels.encoding import Encoding, Range
from ..effect import Choice, Effect, Image, Kind, Param, Time, Values, Window
from .shared import DEPTH, DITHER, SEED, recode

ASSUME = Param(
    "assume",
    "Codes are",
    Kind.CHOICE,
    "flag",
    "What the codes of the source are, whatever its flag says.",
    choices=(Choice("flag", "As flagged"), Choice("narrow", "Narrow"), Choice("full", "Full")),
    animates=False,
)
TO = Param(
    "to",
    "Make them",
    Kind.CHOICE,
    "narrow",
    "The range of the result.",
    choices=(Choice("narrow", "Narrow"), Choice("full", "Full")),
    animates=False,
)


def assumed(values: Values, source: Encoding) -> Encoding:
    """What the source's codes are."""
    return source if values["assume"] == "flag" else replace(source, range=Range.parse(values["assume"]))


def output_encoding(values: Values, source: Encoding | None) -> Encoding | None:
    """The result's encoding; levels have none, and stay what they are."""
    if source is None:
        return None
    depth = source.depth if values["depth"] == "same" else int(values["depth"])
    return Encoding(depth, Range.parse(values["to"]), source.model)


def is_identity(values: Values, source: Image) -> bool:
    """Whether the codes are what they are to be."""
    if source.encoding is None:
        return True
    return output_encoding(values, source.encoding) == assumed(values, source.encoding)


def render(target: Image, clips: Mapping[str, Image], values: Values, time: Time, window: Window) -> None:
    """Every code through the exact map; see kernels.dither.requantise."""
    source = clips["source"]
    assert source.encoding is not None and target.encoding is not None
    recode(
        target,
        source,
        window,
        time,
        dither=values["dither"],
        seed=values["seed"],
        assume=assumed(values, source.encoding),
    )


EFFECT = Effect(
    "footroom.range",
    "Footroom range",
    "Codes from one range to the other, exactly, with dither where codes merge.",
    (ASSUME, TO, DITHER, DEPTH, SEED),
    render,
    output_encoding=output_encoding,
    is_identity=is_identity,
)
