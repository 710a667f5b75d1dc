"""Pairs of encoded files whose map is known, for `pairing_accuracy.py`: one take, recorded twice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import numpy as np
import scenes as material
from PIL import Image

from footroom.host_adapter.headless.resampling import scaled
from footroom.host_adapter.headless.twins.maps import KEYS, named_maps
from footroom.kernels.encoding import Encoding, Range

FRAMES, ROWS, COLUMNS = 14, 360, 640
MOST = 1600
"""Columns of a photograph from a folder, averaged down where it has more."""
RELATIONS = ("same", "to-narrow", "to-full", "to-narrow-twice", "to-full-twice", "other")
OTHER_GAIN, OTHER_OFFSET = 0.93, 0.021
"""A map that is no change of range: somebody's gain and lift."""

CODECS: dict[str, tuple[str, str, str, int, dict[str, str]]] = {
    "h264 8 bit 4:2:0": ("mp4", "libx264", "yuv420p", 8, {"crf": "20", "preset": "veryfast", "g": "12"}),
    "h264 10 bit 4:2:2": ("mov", "libx264", "yuv422p10le", 10, {"crf": "18", "preset": "veryfast", "g": "12"}),
    "ffv1 8 bit 4:2:0": ("mkv", "ffv1", "yuv420p", 8, {}),
    "ffv1 10 bit 4:2:2": ("mkv", "ffv1", "yuv422p10le", 10, {}),
    "prores 10 bit 4:2:2": ("mov", "prores_ks", "yuv422p10le", 10, {"profile": "3"}),
}


@dataclass(frozen=True, slots=True)
class Pair:
    """One pair to be made. scale : B's size over A's; later : frames that B begins after A; other : a scene of its own for B."""

    scene: str
    relation: str
    couple: tuple[str, str]
    scale: Fraction
    later: int
    seed: int
    other: str | None = None


@lru_cache(maxsize=4)
def photograph(name: str) -> Any:
    """R'G'B' [rows, columns, 3], 0..1 float32."""
    import skimage.data

    if Path(name).suffix:
        with Image.open(name) as opened:
            picture = opened.convert("RGB")
        width = min(picture.width, MOST)
        picture = picture.resize((width, picture.height * width // picture.width), Image.Resampling.BOX)
        return np.asarray(picture).astype(np.float32) / 255
    picture = getattr(skimage.data, name)()
    picture = picture[0] if isinstance(picture, tuple) else picture
    return np.asarray(picture)[..., :3].astype(np.float32) / 255


def signals(name: str, frames: int, cache: Path) -> Iterator[Any]:
    """R'G'B' of each frame: a window that pans and zooms over a photograph, or a camera clip's own frames."""
    if name in material.CLIPS:
        with av.open(str(material.clip_path(cache, material.CLIPS[name]))) as container:
            for index, frame in enumerate(container.decode(video=0)):
                if index == frames:
                    return
                yield _window(frame.to_ndarray(format="rgb24").astype(np.float32) / 255, 0.0, 1.0)
        return
    for index in range(frames):
        yield _window(photograph(name), index / max(frames - 1, 1), 1.35 - 0.01 * index)


def _window(picture: Any, share: float, zoom: float) -> Any:
    rows, columns = picture.shape[:2]
    width = min(columns, rows * COLUMNS / ROWS) / zoom
    height = width * ROWS / COLUMNS
    left, top = share * (columns - width), (0.2 + 0.6 * share) * (rows - height)
    box = (left, top, left + width, top + height)
    return np.stack([scaled(np.ascontiguousarray(picture[..., at]), (COLUMNS, ROWS), box, 1) for at in range(3)], -1)


def _ycbcr(signal: Any) -> list[Any]:
    luma = signal @ material.LUMA.astype(np.float32)
    blue = (signal[..., 2] - luma) / (2 * (1 - material.LUMA[2]))
    red = (signal[..., 0] - luma) / (2 * (1 - material.LUMA[0]))
    return [luma, blue, red]


def true_map(pair: Pair) -> dict[str, tuple[float, float]]:
    """Gain and offset of each channel, codes in units of each M."""
    depths = CODECS[pair.couple[0]][3], CODECS[pair.couple[1]][3]
    if pair.relation == "other":
        return {
            key: (OTHER_GAIN, OTHER_OFFSET + (0 if key == "y" else 0.5 * (1 - OTHER_GAIN) - OTHER_OFFSET))
            for key in KEYS
        }
    named = [each for each in named_maps(*depths) if each.relation == pair.relation]
    wanted = named[-1] if pair.relation == "same" and pair.seed % 2 else named[0]
    return {key: wanted.normalised(channel) for key, channel in KEYS.items()}


def make(pair: Pair, folder: Path, cache: Path) -> tuple[Path, Path, Path]:
    """Write both files, and A once more without loss; returns their paths."""
    noise = np.random.default_rng(pair.seed)
    range_ = (
        Range.NARROW
        if pair.relation.startswith("to-full") or (pair.relation == "same" and not pair.seed % 2)
        else Range.FULL
    )
    encoding = Encoding(12, range_)
    frames = FRAMES + abs(pair.later)
    taken = []
    for signal in signals(pair.scene, frames, cache):
        shot = signal + noise.normal(size=signal.shape).astype(np.float32) * np.sqrt(
            1e-6 + 4e-5 * np.clip(signal, 0, 1)
        )
        levels = _ycbcr(shot * 0.94 + 0.015)
        taken.append([
            (level * encoding.span(channel) + encoding.zero(channel)) / encoding.maximum
            for level, channel in zip(levels, encoding.channels(), strict=True)
        ])  # fmt: skip
    maps = list(true_map(pair).values())
    if pair.other is not None:
        mapped = [_ycbcr(signal) for signal in signals(pair.other, frames, cache)]
        mapped = [[planes[0], planes[1] + 0.5, planes[2] + 0.5] for planes in mapped]
    else:
        mapped = [
            [gain * plane + offset for plane, (gain, offset) in zip(planes, maps, strict=True)] for planes in taken
        ]
    start_a, start_b = max(0, -pair.later), max(0, pair.later)
    paths = []
    for name, planes, start, scale, word in (
        (pair.couple[0], taken, start_a, Fraction(1), "a"),
        (pair.couple[1], mapped, start_b, pair.scale, "b"),
        (f"ffv1 {pair.couple[0].partition(' ')[2]}", taken, start_a, Fraction(1), "scene"),
    ):
        paths.append(_write(folder / f"{pair.seed}{word}", name, planes[start : start + FRAMES], scale))
    return paths[0], paths[1], paths[2]


def _write(stem: Path, name: str, frames: list[list[Any]], scale: Fraction) -> Path:
    """Encode planes of codes in units of M: resampled, quantised, chroma averaged down."""
    container, encoder, pixel_format, depth, options = CODECS[name]
    most = (1 << depth) - 1
    width, height = int(COLUMNS * scale), int(ROWS * scale)
    path = stem.with_suffix(f".{container}")
    dtype = np.dtype(np.uint8 if depth == 8 else np.uint16)
    with av.open(str(path), "w") as output:
        stream: Any = output.add_stream(encoder, rate=Fraction(25), options=dict(options))
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        stream.codec_context.thread_count = 2
        for index, planes in enumerate(frames):
            frame = av.VideoFrame(width, height, pixel_format)
            for number, (target, plane) in enumerate(zip(frame.planes, planes, strict=True)):
                fine = plane.astype(np.float32)
                if scale != 1:
                    fine = scaled(fine, (width, height), (0, 0, COLUMNS, ROWS), 1)
                if number:
                    fine = _down(fine, tall="420" in pixel_format)
                codes = np.clip(np.floor(fine * most + 0.5), 0, most)
                view = np.frombuffer(target, dtype).reshape(target.height, target.line_size // dtype.itemsize)
                view[:, : target.width] = codes
            frame.pts = index
            output.mux(stream.encode(frame))
        output.mux(stream.encode(None))
    return path


def _down(plane: Any, *, tall: bool) -> Any:
    """Chroma on the first of its two luma columns ('left', what files mean that say nothing), between its two rows."""
    padded = np.pad(plane, ((0, 0), (1, 1)), mode="edge")
    across = (padded[:, 0:-2:2] + 2 * padded[:, 1:-1:2] + padded[:, 2::2]) / 4
    return (across[0::2] + across[1::2]) / 2 if tall else across
