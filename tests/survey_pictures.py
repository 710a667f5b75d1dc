"""Pictures and evidence for the tests of the survey: codes that the test knows, no files."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from footroom.host_adapter.headless.evidence import Evidence, gather_frames
from footroom.host_adapter.headless.media import Frame, Info, Tag
from footroom.kernels.encoding import Channel, Model, Range

NARROW = Tag(Range.NARROW, Range.NARROW, True)
FULL = Tag(Range.FULL, Range.FULL, True)
SILENT = Tag(None, None, False)
SIZE = (192, 320)


def info_of(depth: int | None = 10, tag: Tag = NARROW, **changes: Any) -> Info:
    """The facts of an invented recording."""
    facts: dict[str, Any] = {
        "path": Path("kestrel.mov"),
        "kind": "movie",
        "container": "mov",
        "codec": "h264",
        "profile": None,
        "width": SIZE[1],
        "height": SIZE[0],
        "frames": 24,
        "rate": Fraction(24),
        "depth": depth,
        "model": Model.YCBCR,
        "sampling": "4:2:2",
        "alpha": False,
        "pixel_format": "yuv422p10le",
        "bit_shift": 0,
        "tag": tag,
        "transfer": None,
        "primaries": None,
        "matrix": None,
    }
    return Info(**{**facts, **changes})


def evidence_of(frames: Sequence[npt.NDArray[Any]], depth: int = 10) -> Evidence:
    """What gathering finds in luma planes; chroma is neutral."""
    dtype = np.uint8 if depth == 8 else np.uint16
    neutral = np.full((SIZE[0], SIZE[1] // 2), 1 << (depth - 1), dtype)
    made = [
        Frame(index, (np.clip(luma, 0, (1 << depth) - 1).astype(dtype), neutral, neutral), None)
        for index, luma in enumerate(frames)
    ]
    return gather_frames(made, info_of(depth))


def slope(low: float, high: float, index: int = 0) -> npt.NDArray[np.float64]:
    """A smooth picture between two codes that moves from frame to frame."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    wave = 0.5 - 0.5 * np.cos(2 * np.pi * ((x + 11 * index) / SIZE[1] + 0.3 * y / SIZE[0]))
    return np.rint(low + (high - low) * wave)


def slopes(low: float, high: float, count: int = 8) -> list[npt.NDArray[np.float64]]:
    """Frames of `slope`."""
    return [slope(low, high, index) for index in range(count)]


def pixels(depth: int, **shares: float) -> dict[Channel, npt.NDArray[np.int64]]:
    """A luma histogram of a million pixels: code_LOW_HIGH or code_C = share, e.g. code_64_940=0.9, code_0=0.1."""
    histogram = np.zeros(1 << depth, np.int64)
    for key, share in shares.items():
        ends = [int(part) for part in key.split("_")[1:]]
        codes = range(ends[0], ends[-1] + 1)
        histogram[codes.start : codes.stop] += round(share * 1_000_000 / len(codes))
    return {Channel.LUMA: histogram}
