"""What scopes show of a picture: counts of codes by place, in the codes of its own encoding, for planes of any model."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ...kernels.crossing import cross_codes, crossed
from ...kernels.encoding import Channel, Encoding, Model, Range
from ...kernels.framing import SAMPLING_STEPS
from ...kernels.matrix import Matrix
from ...kernels.occupancy import counts
from ...kernels.scopes import vector_counts, waveform_counts
from ..image import Image
from .names import CHROMA, LUMA, RGB

_BAND = 64
"""Rows that are turned into another model at once; they stay in the processor's cache."""
_LEVELS = Encoding(12, Range.FULL, Model.RGB)
"""Codes that floating-point levels are counted in."""
_FINEST_VECTORS = 10
"""Bits of a vectorscope's codes."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which counts are asked for.

    waves : channels, and how many columns at most; rows : of the highest scope, which decides how finely codes are told apart
    vectors : of Cb and Cr; histograms : channels
    """

    waves: Mapping[str, int]
    rows: int
    vectors: bool
    histograms: tuple[str, ...]

    @property
    def channels(self) -> frozenset[str]:
        """All that have to be had."""
        return frozenset({*self.waves, *self.histograms, *(CHROMA if self.vectors else ())})


@dataclass(slots=True)
class Measured:
    """Counts of one picture.

    encoding : of the codes, without a shift; levels : they stand for floating-point levels
    waves : by channel, uint32 [columns, codes >> drop]; histograms : by channel, int64 [codes]
    vectors : uint32 [codes of Cb, codes of Cr], coarser than codes where there are more than 10 bits; None where nobody asked
    """

    encoding: Encoding
    model: Model
    levels: bool = False
    waves: dict[str, Any] = field(default_factory=dict)
    histograms: dict[str, Any] = field(default_factory=dict)
    vectors: Any = None


def measure(source: Image, encoding: Encoding | None, wanted: Wanted, place: tuple[int, int] = (0, 1)) -> Measured:
    """Count the codes of a whole picture.

    encoding : what its codes are; None for floating-point levels, which are counted in 4096 steps from 0 to 1
    place : of chroma samples, as crossing.cross_codes has it

    Raises: ValueError for a channel that the model has not (Cb and Cr of a gray picture).
    """
    counted = replace(encoding or replace(_LEVELS, model=source.model), bit_shift=0)
    found = Measured(counted, source.model, encoding is None)
    drop = _drop(counted.depth, wanted.rows)
    if source.model is Model.GRAY and set(wanted.channels) & {*CHROMA, *RGB}:
        raise ValueError("a gray picture has Y' alone: it has a waveform and a histogram, and nothing else")
    for planes, coded, names, width in _sources(source, encoding, counted, wanted, place):
        for name, plane in zip(names, planes, strict=True):
            if name in wanted.waves:
                columns = min(wanted.waves[name], width if name not in CHROMA else plane.shape[1])
                found.waves[name] = waveform_counts(plane, coded, columns, drop=drop, out=found.waves.get(name))
            if name in wanted.histograms:
                found.histograms[name] = counts(plane, coded, found.histograms.get(name))
        if wanted.vectors and CHROMA[0] in names:
            cb, cr = planes[names.index(CHROMA[0])], planes[names.index(CHROMA[1])]
            fine = max(coded.depth - _FINEST_VECTORS, 0)
            found.vectors = vector_counts(cb, cr, coded, drop=fine, out=found.vectors)
    return found


def _drop(depth: int, rows: int) -> int:
    """Bits of a code that a waveform of so many rows would not show: two counters a row are kept at least."""
    drop = 0
    while depth - drop > 8 and (1 << (depth - drop - 1)) >= 2 * rows:
        drop += 1
    return drop


Part = tuple[list[Any], Encoding, tuple[str, ...], int]


def _sources(
    source: Image, encoding: Encoding | None, counted: Encoding, wanted: Wanted, place: tuple[int, int]
) -> Iterator[Part]:
    """Planes with their encoding and channels: the picture's own, then band by band those of the other model."""
    colour = [number for number, channel in enumerate(source.channels) if channel is not Channel.ALPHA]
    planes = [source.view(number, source.samples(source.whole, source.channels[number])) for number in colour]
    width = source.whole.x1 - source.whole.x0
    own = _names(source.model)
    coded = encoding or counted
    if source.floating:
        coded = counted
        planes = [
            _codes(plane, encoding, counted, channel) for plane, channel in zip(planes, coded.channels(), strict=True)
        ]
    if wanted.channels & set(own):
        yield planes, coded, own, width
    other = Model.YCBCR if source.model is Model.RGB else Model.RGB
    if source.model is Model.GRAY or not wanted.channels & set(_names(other)):
        return
    step = SAMPLING_STEPS[source.sampling] if source.model is Model.YCBCR else (1, 1)
    rows, made = planes[0].shape[0], crossed(coded)
    out = [np.empty((min(_BAND, rows), width), made.dtype_name) for _ in range(3)]
    for top in range(0, rows, _BAND):
        end = min(top + _BAND, rows)
        band = [plane[: end - top] for plane in out]
        matrix = source.matrix or Matrix.BT709
        cross_codes(planes, coded, band, matrix=matrix, step=step, place=place, rows=range(top, end))
        yield band, made, _names(other), width


def _names(model: Model) -> tuple[str, ...]:
    return RGB if model is Model.RGB else (LUMA,) if model is Model.GRAY else (LUMA, *CHROMA)


def _codes(plane: Any, encoding: Encoding | None, counted: Encoding, channel: Channel) -> Any:
    """Codes of a floating-point plane: of code / M, or of levels."""
    scaled = np.nan_to_num(np.asarray(plane, np.float32), nan=0.0, posinf=2.0, neginf=-1.0)
    gain, zero = (counted.maximum, 0) if encoding is not None else (counted.span(channel), counted.zero(channel))
    return np.clip(np.floor(scaled * gain + zero + 0.5), 0, counted.maximum).astype(counted.dtype_name)
