"""Twins for tests: a photograph under a pan, recorded twice through maps that the test knows."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from media_files import make_movie
from PIL import Image

from footroom.host_adapter.headless.pixel_formats import layout

WIDTH, HEIGHT = 480, 270
Signal = npt.NDArray[np.float32]
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""ITU-R BT.709-6 item 3.2."""


@lru_cache(maxsize=2)
def photograph(name: str = "astronaut") -> npt.NDArray[np.float32]:
    """R'G'B' 0..1 [rows, columns, 3] of a photograph of scikit-image."""
    import skimage.data

    return np.asarray(getattr(skimage.data, name)())[..., :3].astype(np.float32) / 255


def view(
    index: float, name: str = "astronaut", *, size: tuple[int, int] = (WIDTH, HEIGHT), seed: int = 1
) -> list[Signal]:
    """Y', Cb, Cr levels of a window that pans with the index, with a sensor's noise that is the same for each index."""
    picture = photograph(name)
    rows, columns = picture.shape[:2]
    width = columns * 0.8
    height = width * 9 / 16
    left, top = min(4.0 + 3 * index, columns - width), min(3.0 + 2 * index, rows - height)
    box = (left, top, left + width, top + height)
    planes = [Image.fromarray(np.ascontiguousarray(picture[..., at])) for at in range(3)]
    seen = np.stack(
        [np.asarray(each.resize((WIDTH, HEIGHT), Image.Resampling.LANCZOS, box=box)) for each in planes], -1
    )
    seen = seen * 0.9 + 0.04
    seen += np.random.default_rng([seed, round(index * 10)]).normal(size=seen.shape).astype(np.float32) * 0.004
    luma = seen @ LUMA
    levels = [luma, (seen[..., 2] - luma) / 1.8556, (seen[..., 0] - luma) / 1.5748]
    if size != (WIDTH, HEIGHT):
        levels = [np.asarray(Image.fromarray(level).resize(size, Image.Resampling.LANCZOS)) for level in levels]
    return levels


Code = Callable[[Signal, bool], npt.NDArray[Any]]
"""Levels and whether they are chroma, to codes in units of M, unclipped."""


def full(level: Signal, chroma: bool) -> npt.NDArray[Any]:
    """H.273 full range, but for the half code between M/2 and 2^(n-1) of chroma, which the tests' limits leave room for."""
    return level + 512 / 1023 if chroma else level


def twice(level: Signal, chroma: bool, *, gain: float, offset: float, chroma_gain: float) -> npt.NDArray[Any]:
    """Full codes through a gain and an offset."""
    return chroma_gain * level + 512 / 1023 if chroma else gain * level + offset


def paint(pixel_format: str, code: Code, *, start: int = 0, size: tuple[int, int] = (WIDTH, HEIGHT),
          turn: Callable[[Signal], Signal] = lambda level: level, still: bool = False, name: str = "astronaut",
          seed: int = 1) -> Callable[[int], tuple[npt.NDArray[Any], ...]]:  # fmt: skip
    """A painter for media_files.make_movie. still : every frame is the first, with the noise of its own index."""
    taken = layout(pixel_format)
    most = (1 << taken.depth) - 1
    dtype = np.uint8 if taken.depth == 8 else np.uint16

    def made(index: int) -> tuple[npt.NDArray[Any], ...]:
        levels = view(0 if still else start + index, name, size=size, seed=seed)
        planes = []
        for number, level in enumerate(levels):
            turned = turn(level)
            part = turned
            if number:
                across = np.pad(turned, ((0, 0), (1, 1)), mode="edge")
                part = (across[:, 0:-2:2] + 2 * across[:, 1:-1:2] + across[:, 2::2]) / 4
                if "420" in pixel_format:
                    part = (part[0::2] + part[1::2]) / 2
            planes.append(np.clip(np.floor(code(part, number > 0) * most + 0.5), 0, most).astype(dtype))
        return tuple(planes)

    return made


def record(path: Path, code: Code = full, *, pixel_format: str = "yuv422p10le", codec: str = "ffv1", frames: int = 10,
           size: tuple[int, int] = (WIDTH, HEIGHT), rate: Fraction | int = 25, **options: Any) -> Path:  # fmt: skip
    """Write a recording; what is no option of `paint` goes to make_movie."""
    own = {key: options.pop(key) for key in ("start", "turn", "still", "name", "seed") if key in options}
    painter = paint(pixel_format, code, size=size, **own)
    make_movie(path, codec, pixel_format, size=size, frames=frames, rate=rate, paint=painter, **options)
    return path


def narrow(level: Signal, chroma: bool) -> npt.NDArray[Any]:
    """Narrow codes of ten bits. Source: BT.709-6 item 4.6."""
    return (level * 896 + 512) / 1023 if chroma else (level * 876 + 64) / 1023


def expanded(level: Signal, chroma: bool) -> npt.NDArray[Any]:
    """Full codes taken for narrow and expanded: what an editor makes of them. Source: the same, solved for the code."""
    return level * 1023 / 896 + 512 / 1023 if chroma else (level * 1023 - 64) / 876


def narrow_twice(level: Signal, chroma: bool) -> npt.NDArray[Any]:
    """Full codes scaled to narrow two times over."""
    return level * (896 / 1023) ** 2 + 512 / 1023 if chroma else (narrow(level, False) * 876 + 64) / 1023
