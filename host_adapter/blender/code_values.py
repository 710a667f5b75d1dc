# SPDX-License-Identifier: GPL-3.0-or-later
"""How Blender's floating-point pixels stand for code values, and effects over them.

Blender holds a picture as float32 R'G'B'A, rows from the bottom. What its decoder makes of a code c of n bits, measured on 5.0.1:

=================================  =================================================================
movie, R'G'B', whatever its flag   c / 255 at 8 bit; deeper c 2^(16-n) / 65535: white of 10 bit is 0.99904
movie, Y'CbCr flagged full         the same, out of the matrix; 8 bit rounded to whole R'G'B' codes
movie, Y'CbCr flagged narrow       levels, clipped below black and above white, before anyone can see them
stills (PNG, TIFF, DPX)            c / M
=================================  =================================================================

A movie without a flag counts as narrow. A movie strip's pixels are those in the strip's colour space; they become the sequencer's,
and the compositor's working space, by colour management.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from footroom.host_adapter.effect import Effect, Image, Premultiplied, Time, Window
from footroom.kernels.encoding import Channel, Encoding, Model, Range

from . import versions

if TYPE_CHECKING:
    from footroom.host_adapter.headless.media import Frame, Info

START = Time()
CHANNELS = (Channel.RED, Channel.GREEN, Channel.BLUE, Channel.ALPHA)
DATA = "Non-Color"
"""The colour space of pixels that colour management leaves alone."""


def held(depth: int, movie: bool) -> Fraction:
    """What Blender holds for a code, over code / M: 1, but a little less for movies deeper than 8 bit (see the module)."""
    if not movie or depth == 8:
        return Fraction(1)
    return Fraction(((1 << depth) - 1) << (16 - depth), 65535)


def read_as(info: Info) -> Range:
    """The range that Blender's decoder takes a recording's codes for."""
    if info.kind == "stills" or info.model is Model.RGB:
        return Range.FULL
    return info.tag.trusted


def code_space(strip: Any, scene: Any) -> str:
    """The colour space in which a strip's pixels are what its decoder made of the codes."""
    settings = getattr(strip, "colorspace_settings", None)
    sequencer = str(scene.sequencer_colorspace_settings.name)
    if settings is None or settings.name == "":
        return sequencer
    if settings.is_data or settings.name == DATA:
        return versions.data_space(sequencer)
    return str(settings.name)


@dataclass(frozen=True, slots=True)
class View:
    """What part of which picture a buffer holds.

    bounds : where its pixels lie in the picture, from the top left corner; whole : the picture; None is the buffer itself
    scale, aspect : as effect.Image has them
    """

    bounds: Window | None = None
    whole: Window | None = None
    scale: tuple[Fraction, Fraction] = (Fraction(1), Fraction(1))
    aspect: Fraction = Fraction(1)
    premultiplied: Premultiplied = Premultiplied.OPAQUE


ALL = View()


def image_of(pixels: Any, encoding: Encoding | None, view: View = ALL) -> Image:
    """A buffer of Blender's as effects take it: views, no copy.

    pixels : float32 [rows, columns, 4], rows from the bottom
    encoding : of R'G'B' codes held as code / M; None for levels
    Raises: ValueError naming the argument.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 4 or pixels.dtype.name != "float32":
        raise ValueError(f"pixels must be float32 [rows, columns, 4], got {pixels.dtype} {pixels.shape}")
    if encoding is not None and encoding.model is not Model.RGB:
        raise ValueError(f"encoding must be of R'G'B', got {encoding.model.value}")
    rows, columns = pixels.shape[:2]
    bounds = view.bounds or Window(0, 0, columns, rows)
    if (bounds.x1 - bounds.x0, bounds.y1 - bounds.y0) != (columns, rows):
        raise ValueError(f"bounds must be {columns} x {rows} pixels, got {bounds}")
    upright = pixels[::-1]
    planes = tuple(upright[:, :, number] for number in range(4))
    return Image(
        planes, CHANNELS, encoding, bounds, view.whole or bounds, scale=view.scale, aspect=view.aspect,
        premultiplied=view.premultiplied,
    )  # fmt: skip


def run(
    effect: Effect,
    source: Any,
    target: Any,
    values: Mapping[str, Any],
    *,
    encoding: Encoding | None,
    time: Time = START,
    window: Window | None = None,
    view: View = ALL,
    target_view: View | None = None,
) -> None:
    """Fill a buffer from another by an effect.

    source, target : float32 [rows, columns, 4], rows from the bottom
    encoding : of the source; the target's follows from it
    window : the part to fill, absolute, from the top; all by default
    view : what the buffers hold; target_view : of the target where it holds another part
    Raises: ValueError naming what does not fit.
    """
    image = image_of(source, encoding, view)
    made = replace(image_of(target, encoding, target_view or view), encoding=effect.output_encoding(values, encoding))
    effect.apply(made, image, values, time, window)


def fill(pixels: Any, frame: Frame, info: Info, range_: Range) -> None:
    """Fill a buffer with the R'G'B' levels of a frame's codes, alpha 1; excursions go beyond 0 and 1.

    pixels : float32 [rows, columns, 4], rows from the bottom
    range_ : what the codes are, whatever the flag says
    Raises: Problem for a matrix without constant weights; ValueError where the buffer does not fit.
    """
    from footroom.host_adapter.headless.viewing import chroma_place, matrix_of
    from footroom.kernels.framing import SAMPLING_STEPS
    from footroom.kernels.signals import rgba_levels

    rgba_levels(
        frame.planes, info.encoding(range_), pixels[::-1], matrix=matrix_of(info), step=SAMPLING_STEPS[info.sampling],
        place=chroma_place(info.siting),
    )  # fmt: skip
