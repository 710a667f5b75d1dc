"""A change of range applied to whole frames: the kernels, plane by plane, and what is kept to check the result by."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from ...kernels.dither import Dither
from ...kernels.encoding import Encoding
from ..effects import range_effect
from .host import render
from .media import Frame, Info, Plane

KEPT_FRAMES = 4
"""Frames held in memory to compare a lossy result with; bounds what a long recording costs."""


@dataclass(frozen=True, slots=True)
class Change:
    """From one encoding to another, dithered or not: the range effect; the same codes for the same seed on every run."""

    source: Encoding
    target: Encoding
    info: Info
    dither: Dither
    seed: int

    def apply(self, frame: Frame, targets: tuple[Plane, ...]) -> None:
        """Fill the target planes from a frame's. Alpha keeps its level: it has no range, only a depth."""
        values = {
            "assume": self.source.range.label,
            "to": self.target.range.label,
            "depth": str(self.target.depth),
            "dither": self.dither.value,
            "seed": self.seed,
        }
        render(range_effect.EFFECT, self.info, frame, targets, self.source, self.target, values)


def plane_sum(plane: Plane) -> int:
    """CRC-32 of a plane's samples, padding left out."""
    return zlib.crc32(np.ascontiguousarray(plane).data)


class Kept:
    """What the kernel made, remembered well enough to prove the written result.

    For a lossless result the CRC-32 of every plane of every frame; for a lossy one a few whole frames.
    """

    def __init__(self, frames: int | None, *, lossless: bool) -> None:
        self.lossless = lossless
        self.sums: list[tuple[int, ...]] = []
        self.frames: dict[int, tuple[Plane, ...]] = {}
        if frames and frames > 1:
            self._wanted = {round(step * (frames - 1) / (KEPT_FRAMES - 1)) for step in range(KEPT_FRAMES)}
        else:
            self._wanted = {0, 10, 100, 1000}

    def add(self, frame: Frame, made: tuple[Plane, ...]) -> None:
        """Remember the planes made for a frame; called in the order of frames."""
        if self.lossless:
            self.sums.append(tuple(plane_sum(plane) for plane in made))
        elif frame.index in self._wanted:
            self.frames[frame.index] = tuple(plane.copy() for plane in made)
