"""The frames that are tried: a stretch of a recording, or gradients made for the purpose."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from ....kernels.banding import SMALLEST
from ....kernels.encoding import Channel, Encoding, Model, Range, affine_map
from ....kernels.framing import SAMPLING_STEPS
from ..errors import Problem
from ..media import Info, Plane, Recording
from ..opening import open_recording
from ..reaching import Reach

LARGEST = 1920, 1080
"""Columns and rows tried; of a larger picture the middle."""
GRADIENT_SIZE = 640, 360
GRADIENT_DEPTH = 16


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """Frames to requantise.

    frames : the planes of each, tone first (luma, gray, or green of R'G'B'), then Cb and Cr where there are; contiguous, unshifted
    source, target : their encoding, and what it is to become
    sampling : '4:2:0' | '4:2:2' | '4:4:4' | 'gray' (the tone alone)
    note : what was left out, in words
    """

    name: str
    path: Path | None
    note: str
    frames: tuple[tuple[Plane, ...], ...]
    source: Encoding
    target: Encoding
    sampling: str
    rate: Fraction

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows."""
        rows, columns = self.frames[0][0].shape
        return columns, rows

    def channels(self) -> tuple[Channel, ...]:
        """The channel of each plane."""
        return (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)[: len(self.frames[0])]


def from_recording(
    path: Path, *, frames: int, depth: int, assume: Range | None = None, to: Range | None = None
) -> Material:
    """Consecutive frames from the middle of a movie, or the first ones of a sequence.

    assume : what the codes are, whatever the flag says; to : the result's range; None for the source's own

    Raises: Problem where it cannot be read, holds no codes, is too small, or nothing would be rounded.
    """
    with open_recording(path) as recording:
        info = recording.info
        if info.depth is None:
            raise Problem(path, "it holds floating-point levels, not codes", "Give a recording of 8 to 16 bits.")
        model = (
            Model.YCBCR if info.model is Model.YCBCR and info.sampling in ("4:2:0", "4:2:2", "4:4:4") else Model.GRAY
        )
        source = Encoding(info.depth, info.tag.trusted if assume is None else assume, model)
        target = Encoding(depth, source.range if to is None else to, model)
        _check(info, source, target)
        window, note = _window(info)
        kept = [_planes(frame, info, model, window) for frame in _stretch(recording, path, frames)]
    if not kept:
        raise Problem(path, "no frame of it can be decoded", "Copy it again from the card, or leave it out.")
    if info.model is Model.RGB:
        note = "; ".join(filter(None, [note, "the green plane alone"]))
    sampling = info.sampling if model is Model.YCBCR else "gray"
    return Material(
        info.path.name, path, note, tuple(kept), source, target, sampling, info.rate or Fraction(25)
    )  # fmt: skip


def _check(info: Info, source: Encoding, target: Encoding) -> None:
    gain, offset = affine_map(source, target, Channel.LUMA)
    if gain.denominator == offset.denominator == 1:
        raise Problem(
            info.path,
            f"from {source.depth}-bit {source.range.label} to {target.depth}-bit {target.range.label} nothing is rounded, so there "
            "is nothing to dither",
            "Choose a smaller --depth, or another range with --to.",
        )
    if max(info.width, info.height) < SMALLEST or min(info.width, info.height) < 64:
        raise Problem(
            info.path,
            f"its picture of {info.width}x{info.height} is too small for a banding index",
            f"Give one of at least {SMALLEST} columns or rows and 64 of the other.",
        )


def _window(info: Info) -> tuple[tuple[int, int, int, int], str]:
    """x, y, width, height of the part that is tried, even and on chroma samples; and that in words where it is not all."""
    width, height = (min(size, most) // 2 * 2 for size, most in zip((info.width, info.height), LARGEST, strict=True))
    x, y = (info.width - width) // 4 * 2, (info.height - height) // 4 * 2
    if (width, height) == (info.width, info.height):
        return (x, y, width, height), ""
    return (x, y, width, height), f"the middle {width}x{height} of {info.width}x{info.height}"


def _stretch(recording: Recording, path: Path, count: int) -> Iterator[Any]:
    """At most `count` frames in a row, from the middle of a movie; the first ones of stills."""
    total = 0
    if recording.info.kind == "movie":
        total = recording.info.frames or max((frame.index for frame in recording.sample(3)), default=0) + 1
    first = max((total - count) // 2, 0)
    if first == 0:
        yield from islice(recording.frames(), count)
        return
    reach = Reach(path)
    try:
        for index in range(first, first + count):
            yield reach.at(index)
    finally:
        reach.close()


def _planes(frame: Any, info: Info, model: Model, window: tuple[int, int, int, int]) -> tuple[Plane, ...]:
    """Copies of the window: the decoder's memory is not ours to keep."""
    x, y, width, height = window
    across, down = SAMPLING_STEPS[info.sampling] if model is Model.YCBCR else (1, 1)
    cut = []
    for number, plane in enumerate(frame.planes[: 3 if model is Model.YCBCR else 1]):
        dx, dy = (across, down) if number else (1, 1)
        part = plane[y // dy : (y + height) // dy, x // dx : (x + width) // dx]
        cut.append(np.ascontiguousarray(part >> info.bit_shift if info.bit_shift else part))
    return tuple(cut)


def gradients(*, frames: int, depth: int, to: Range | None = None) -> tuple[Material, ...]:
    """Four made pictures, 16-bit narrow, drifting by a pixel a frame: what bands are made of, and one that hides them.

    Raises: Problem for a depth of 16 bits, where nothing is rounded.
    """
    source = Encoding(GRADIENT_DEPTH, Range.NARROW, Model.GRAY)
    target = replace(source, depth=depth, range=Range.NARROW if to is None else to)
    gain, offset = affine_map(source, target, Channel.LUMA)
    if gain.denominator == offset.denominator == 1:
        raise Problem(
            None,
            f"the gradients have {GRADIENT_DEPTH} bits: at --depth {depth} nothing is rounded",
            "Choose a smaller --depth.",
        )
    columns, rows = GRADIENT_SIZE
    made: dict[str, list[tuple[Plane, ...]]] = {name: [] for name in GRADIENTS}
    for number in range(frames):
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
        x = (x + number) / columns
        y = y / rows
        for name, level in _levels(x, y, number).items():
            codes = np.floor(level * source.span(Channel.LUMA) + source.black() + 0.5)
            made[name].append((np.clip(codes, 0, source.maximum).astype(np.uint16),))
    return tuple(
        Material(name, None, "", tuple(planes), source, target, "gray", Fraction(25)) for name, planes in made.items()
    )  # fmt: skip


GRADIENTS = ("dusk sky", "lamp in fog", "dark water", "sky with grain")


def _levels(x: Any, y: Any, number: int) -> dict[str, Any]:
    """Levels 0..1 of the gradients; the grain is two and a half 8-bit codes wide and new in each frame."""
    sky = 0.18 + 0.10 * x + 0.06 * y
    lamp = 0.12 + 0.22 * np.exp(-((x - 0.55) ** 2 * 3 + (y - 0.45) ** 2 * 2.2))
    water = 0.03 + 0.05 * y + 0.012 * np.sin(7 * x + 3 * y)
    grain = np.random.default_rng([7, number]).normal(0, 2.5 / 219, x.shape)
    return dict(zip(GRADIENTS, (sky, lamp, water, sky + grain), strict=True))
