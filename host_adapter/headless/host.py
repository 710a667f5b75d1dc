"""Headless as a host of effects: a recording's planes become an image, and an effect fills another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ...kernels.encoding import Encoding
from ...kernels.matrix import Matrix
from ..effect import Effect, Image, Premultiplied, Time, Window
from .media import Frame, Info, Plane


def alpha_of(info: Info) -> Premultiplied:
    """How colour and alpha go together: multiplied in EXR, by OpenEXR's own rule; elsewhere they count as straight."""
    return Premultiplied.OPAQUE if not info.alpha else Premultiplied.YES if info.codec == "exr" else Premultiplied.NO


def image_of(info: Info, planes: tuple[Plane, ...], encoding: Encoding | None, matrix: Matrix | None = None) -> Image:
    """A whole frame of a recording as effects take it.

    encoding : what its codes are; None for floating-point levels
    matrix : where the effect needs one
    """
    rows, columns = planes[0].shape
    whole = Window(0, 0, columns, rows)
    return Image(
        planes, info.channels(), encoding, whole, whole, info.sampling, info.siting, matrix, aspect=info.aspect,
        premultiplied=alpha_of(info),
    )  # fmt: skip


def render(
    effect: Effect,
    info: Info,
    frame: Frame,
    targets: tuple[Plane, ...],
    source: Encoding | None,
    target: Encoding | None,
    values: Mapping[str, Any],
    matrix: Matrix | None = None,
) -> None:
    """Fill the target planes of a frame by an effect.

    source : the encoding that the effect is told of; target : that of the target planes
    matrix : where the effect needs one
    """
    time = Time(frame.index, frame.index / info.rate if info.rate else Time().seconds)
    effect.apply(image_of(info, targets, target, matrix), image_of(info, frame.planes, source, matrix), values, time)
