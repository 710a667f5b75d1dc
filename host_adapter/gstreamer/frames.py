"""An effect over one frame: views of the buffers become images.

v210, interleaved samples and big-endian words go through planes in between, band by band: kernels take neighbouring columns adjacent.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ...kernels.encoding import Encoding
from ..effect import Effect, Image, Premultiplied, Time, Window
from .caps import Signal
from .formats import Format

Planes = tuple[np.ndarray[Any, Any], ...]
Rows = tuple[int, int]
"""First, and first no more."""

BAND = 540
"""Rows that are planes at a time, of what is none in memory; even, for chroma. Measured on v210 of 1080 x 1920: 270 rows take 1.15 of 540's
time, all at once 1.35; of 2160 x 3840 all at once takes 1.2. Of 16-bit interleaved samples bands take .4 of kernels' own copies."""


def image_of(signal: Signal, planes: Planes, encoding: Encoding, rows: Rows | None = None) -> Image:
    """A whole frame, or a band of its rows, as effects take it."""
    whole = Window(0, 0, signal.width, signal.height)
    bounds = whole if rows is None else Window(0, rows[0], signal.width, rows[1])
    alpha = Premultiplied.NO if signal.form.alpha else Premultiplied.OPAQUE
    return Image(
        planes, signal.form.channels, encoding, bounds, whole, signal.form.sampling, signal.siting, signal.matrix,
        aspect=signal.aspect, premultiplied=alpha,
    )  # fmt: skip


@dataclass(slots=True)
class FrameWork:
    """What a negotiated element does to every frame.

    source, target : what comes in and goes out; the target's size is the source's
    source_encoding : what the caps say of the codes; target_encoding : of the result
    in_place : the source's memory becomes the target. Right for what touches few samples; kernels over all of them are vectorised for
        source and target apart, and are several times slower within one
    """

    effect: Effect
    source: Signal
    target: Signal
    source_encoding: Encoding
    target_encoding: Encoding
    in_place: bool = False
    _scratch: dict[tuple[str, int, int], np.ndarray[Any, Any]] = field(default_factory=dict)

    def run(self, source: Planes, target: Planes, values: dict[str, Any], time: Time) -> None:
        """Fill the target's views from the source's; they may be the same memory.

        Raises: ValueError naming what does not fit.
        """
        if self.source.form.all_bare and self.target.form.all_bare:
            self._apply(source, target, values, time, None)
            return
        for rows in self._bands(values):
            read = self._brought(source, rows)
            written = self._target_of(read, target, rows)
            self._apply(read, written, values, time, rows)
            self._put(written, target, rows)

    def _apply(self, source: Planes, target: Planes, values: dict[str, Any], time: Time, rows: Rows | None) -> None:
        self.effect.apply(
            image_of(self.target, target, self.target_encoding, rows),
            image_of(self.source, source, self.source_encoding, rows),
            values,
            time,
        )

    def _bands(self, values: dict[str, Any]) -> Iterator[Rows]:
        height = self.source.height
        # Error diffusion carries errors from row to row, so it takes the picture in one piece.
        whole = not self.effect.pointwise or values.get("dither") == "error-diffusion"
        band = height if whole else BAND
        for first in range(0, height, band):
            yield first, min(first + band, height)

    def _brought(self, views: Planes, rows: Rows) -> Planes:
        """The source's samples of a band as planes that kernels take."""
        form = self.source.form
        planes = self._planes("source", form, views, rows)
        if form.packing == "v210":
            from ...kernels.v210 import unpack

            luma, blue, red = planes
            unpack(views[0][slice(*rows)], luma, blue, red)
            return planes
        for number, (plane, view) in enumerate(zip(planes, views, strict=True)):
            if not form.bare(number):
                np.copyto(plane, _under(view, rows, self.source.height))
        return planes

    def _target_of(self, read: Planes, views: Planes, rows: Rows) -> Planes:
        return read if self.in_place else self._planes("target", self.target.form, views, rows)

    def _put(self, planes: Planes, views: Planes, rows: Rows) -> None:
        """A band's samples to where they lie in a frame; nothing where the planes are views of it."""
        form = self.target.form
        if form.packing == "v210":
            from ...kernels.v210 import pack

            luma, blue, red = planes
            pack(luma, blue, red, views[0][slice(*rows)])
            return
        for number, (plane, view) in enumerate(zip(planes, views, strict=True)):
            if not form.bare(number):
                np.copyto(_under(view, rows, self.target.height), plane)

    def _planes(self, side: str, form: Format, views: Planes, rows: Rows) -> Planes:
        """A frame's own planes under a band, and where kernels cannot take them some that are kept from frame to frame."""
        count = rows[1] - rows[0]
        planes = []
        for number, channel in enumerate(form.channels):
            if form.bare(number):
                planes.append(_under(views[number], rows, self.source.height))
                continue
            key = side, number, count
            if key not in self._scratch:
                self._scratch[key] = np.zeros(form.shape(channel, self.source.width, count), form.word)
            planes.append(self._scratch[key])
        return tuple(planes)

    def warm(self, values: dict[str, Any]) -> None:
        """Once over a frame of zeros: kernels are compiled and tables made, and values that do not fit are found.

        Raises: ValueError naming what does not fit.
        """
        source = self._empty(self.source)
        self.run(source, source if self.in_place else self._empty(self.target), values, Time())

    def warm_apart(self, given: dict[str, Any]) -> None:
        """The same for other values, while frames are under way; values that are wrong or do not fit are left to the next frame."""
        with suppress(ValueError):
            replace(self, _scratch={}).warm(self.effect.values(given))

    def _empty(self, signal: Signal) -> Planes:
        form = signal.form
        if form.packing == "v210":
            from ...kernels.v210 import words_to

            return (np.zeros((signal.height, words_to(signal.width)), np.uint32),)
        return tuple(
            np.zeros(form.shape(channel, signal.width, signal.height), form.dtype) for channel in form.channels
        )


def _under(plane: np.ndarray[Any, Any], rows: Rows, height: int) -> np.ndarray[Any, Any]:
    """What of a plane, which may be subsampled, lies under rows of the picture."""
    step = -(-height // plane.shape[0])
    return plane[rows[0] // step : -(-rows[1] // step)]
