"""Recordings of history_accuracy.py that move: a pan and a zoom over one scene, a sensor's noise new in each frame, in H.264 files.

They are coded as a camera or an export does it, with frames that are predicted from others (libx264's own settings, B frames too), and
surveyed as any file is: the survey chooses its frames, decodes and counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
from history_scenes import FULL_HD, LUMA, Codes, Levels, Pictures, photograph_without_noise, without_noise, y_cb_cr
from PIL import Image

from footroom.host_adapter.headless.evidence import gather
from footroom.host_adapter.headless.opening import open_recording
from footroom.kernels.history import History

LENGTH = 72
"""Frames of a recording, three seconds at 24 a second: the survey takes every third."""
LARGER = 1.3
"""How much larger than a frame the scene is in which it moves."""


@dataclass(frozen=True, slots=True)
class Shot:
    """A scene larger than the frame, and how the frame moves over it.

    levels : Y', Cb, Cr without noise, chroma halved both ways
    noise : standard deviation in R', G', B' at level .7
    start, end : place down and across, 0..1 of what is left over, and height of the frame as part of the scene's
    """

    levels: tuple[Levels, ...]
    noise: float
    start: tuple[float, float, float]
    end: tuple[float, float, float]

    def frames(self, count: int, draw: np.random.Generator) -> Iterator[tuple[Levels, ...]]:
        """Levels of every frame of 1920 x 1080, with noise."""
        for index in range(count):
            share = index / max(count - 1, 1)
            top, left, height = (a + share * (b - a) for a, b in zip(self.start, self.end, strict=True))
            yield tuple(
                self._noisy(self._window(plane, top, left, height), at, draw) for at, plane in enumerate(self.levels)
            )

    def _window(self, plane: Levels, top: float, left: float, part: float) -> Levels:
        rows, columns = plane.shape
        box = (left * (1 - part) * columns, top * (1 - part) * rows)
        size = FULL_HD if plane is self.levels[0] else (FULL_HD[0] // 2, FULL_HD[1] // 2)
        ends = (*box, box[0] + part * columns, box[1] + part * rows)
        image = Image.fromarray(np.ascontiguousarray(plane, np.float32))
        return np.asarray(image.resize((size[1], size[0]), Image.Resampling.BICUBIC, ends))

    def _noisy(self, plane: Levels, at: int, draw: np.random.Generator) -> Levels:
        """Noise of R', G' and B' as it comes to Y', Cb and Cr."""
        parts = LUMA if at == 0 else (np.eye(3)[3 - at if at == 1 else 0] - LUMA) / (1.8556, 1.5748)[at - 1] / 2
        strength = self.noise * float(np.linalg.norm(parts))
        light = np.sqrt(0.3 + np.clip(plane, 0, 1)) if at == 0 else 1.0
        return np.asarray(plane + draw.standard_normal(plane.shape, dtype=np.float32) * (strength * light), np.float32)


def shot(source: Pictures | None, name: str, draw: np.random.Generator) -> Shot:
    """A shot of a photograph-like scene, or without `source` of the large photograph whose path `name` is."""
    size = (int(FULL_HD[0] * LARGER) // 2 * 2, int(FULL_HD[1] * LARGER) // 2 * 2)
    if source is None:
        signal, noise = photograph_without_noise(Path(name), draw, size)
    else:
        signal, noise = without_noise(source, name, draw, size)
    places = [tuple(float(each) for each in (*draw.uniform(0, 1, 2), draw.uniform(0.7, 0.95))) for _ in range(2)]
    return Shot(y_cb_cr(signal), noise, places[0], places[1])  # type: ignore[arg-type]


class Writer:
    """An H.264 file, 8 bit 4:2:0, at constant quality, all else as libx264 has it."""

    def __init__(self, path: Path, quality: int = 20) -> None:
        self.output = av.open(str(path), "w")
        self.stream: Any = self.output.add_stream("libx264", rate=24, options={"crf": str(quality), "threads": "1"})
        self.stream.height, self.stream.width = FULL_HD
        self.stream.pix_fmt = "yuv420p"
        self.written = 0

    def add(self, codes: tuple[Codes, ...]) -> None:
        frame = av.VideoFrame(self.stream.width, self.stream.height, self.stream.pix_fmt)
        for target, plane in zip(frame.planes, codes, strict=True):
            view = np.frombuffer(target, np.uint8).reshape(target.height, -1)
            view[:, : target.width] = plane
        frame.pts = self.written
        self.written += 1
        self.output.mux(self.stream.encode(frame))

    def close(self) -> None:
        self.output.mux(self.stream.encode(None))
        self.output.close()


def surveyed(path: Path, frames: int) -> History:
    """The history that the survey finds in so many frames of its choice."""
    with open_recording(path) as recording:
        return gather(recording, frames).past
