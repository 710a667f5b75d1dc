"""Things of history_accuracy.py that leave no comb of a change of range: untouched ones of many kinds, and stretched photographs."""

from __future__ import annotations

import numpy as np
from history_scenes import FULL_HD, Codes, Levels, Pictures, coded, h264, scene, y_cb_cr
from PIL import Image, ImageDraw, ImageFont
from scenes import CLIPS

from footroom.kernels.encoding import Encoding, Range

KINDS = (
    "photograph",
    "gamma table",
    "screen",
    "posterised",
    "ramp",
    "drawn",
    "small crop",
    "camera clip",
    "8-bit photograph",
)


def untouched(
    pictures: Pictures, names: tuple[str, ...], kind: str, draw: np.random.Generator
) -> tuple[tuple[Codes, ...], int]:
    """Something that was never scaled, as codes with their depth."""
    name = names[int(draw.integers(len(names)))]
    depth = int(draw.choice([8, 8, 10, 12]))
    encoding = Encoding(depth, Range(int(draw.integers(2))))
    full = Encoding(8, Range.FULL)  # an 8-bit R'G'B' grey made into narrow codes is scaled in truth
    if kind == "photograph":
        size = [(270, 480), (540, 960), FULL_HD][int(draw.choice(3, p=[0.6, 0.3, 0.1]))]
        codes = coded(scene(pictures, name, draw, size), encoding)
        return (h264(codes, depth, int(draw.integers(14, 30))) if depth < 12 and draw.random() < 0.5 else codes), depth
    if kind in ("ramp", "drawn"):
        levels = _ramp(draw) if kind == "ramp" else _drawn(draw)
        return coded(levels, encoding), depth
    if kind == "camera clip":
        clips = [each for each in names if each in CLIPS]
        frames = pictures.recorded(clips[0])
        return frames[int(draw.integers(len(frames)))], 8
    if kind == "screen":
        codes = coded(y_cb_cr(_screen(draw)), full)
        return (h264(codes, 8) if draw.random() < 0.5 else codes), 8
    stills = [each for each in names if each not in CLIPS]  # a clip as R'G'B' was expanded in truth
    taken = pictures(stills[int(draw.integers(len(stills)))])
    rows, columns = (64, 96) if kind == "small crop" else (taken.shape[0] * 2 // 3, taken.shape[1] * 2 // 3)
    top, left = draw.integers(0, taken.shape[0] - rows + 1), draw.integers(0, taken.shape[1] - columns + 1)
    taken = taken[top : top + rows, left : left + columns]
    if kind == "posterised":
        steps = int(draw.integers(4, 64))
        taken = np.floor(taken * steps) / steps
    if kind == "gamma table":
        codes = np.round(taken * 255).astype(np.int64)
        taken = (np.round(255 * (np.arange(256) / 255) ** draw.uniform(0.5, 2)) / 255).astype(np.float32)[codes]
    return coded(y_cb_cr(taken), full), 8


def stretched(pictures: Pictures, names: tuple[str, ...], draw: np.random.Generator) -> tuple[tuple[Codes, ...], float]:
    """A photograph whose luma was stretched in 8 bit, with the gain."""
    codes = coded(scene(pictures, names[int(draw.integers(len(names)))], draw, (540, 960)), Encoding(8, Range.FULL))
    gain = float(draw.uniform(1.05, 1.45))
    table = np.clip(np.floor((np.arange(256) - int(draw.integers(0, 20))) * gain + 0.5), 0, 255).astype(np.uint8)
    return (table[codes[0]], *codes[1:]), gain


def _ramp(draw: np.random.Generator) -> tuple[Levels, ...]:
    low, high = sorted(draw.uniform(0, 1, 2))
    line = np.linspace(low, high, int(draw.integers(150, 2000)) * 2, dtype=np.float32) ** draw.uniform(0.4, 2.4)
    grey = np.zeros((32, len(line) // 2), np.float32)
    return np.repeat(line[None], 64, 0), grey, grey


def _drawn(draw: np.random.Generator) -> tuple[Levels, ...]:
    y, x = np.mgrid[:540, :960].astype(np.float32)
    picture = np.zeros((540, 960, 3), np.float32)
    for _ in range(20):
        column, row, radius = draw.uniform(0, 960), draw.uniform(0, 540), draw.uniform(30, 300)
        inside = 1 - ((x - column) ** 2 + (y - row) ** 2) / radius**2
        shade = np.clip(inside, 0, 1) ** draw.uniform(0.3, 1)
        picture[inside > 0] = (shade[..., None] * draw.uniform(0, 1, 3) * 0.95 + 0.05)[inside > 0]
    return y_cb_cr(picture)


def _screen(draw: np.random.Generator) -> Levels:
    image = Image.new("RGB", (960, 540), tuple(int(each) for each in draw.integers(180, 256, 3)))
    pen = ImageDraw.Draw(image)
    for _ in range(60):
        left, top = (int(each) for each in draw.integers(0, 500, 2))
        ink, paper = (tuple(int(each) for each in draw.integers(0, 256, 3)) for _ in range(2))
        pen.rectangle([left, top, left + int(draw.integers(10, 300)), top + int(draw.integers(5, 60))], fill=paper)
        font = ImageFont.load_default(int(draw.integers(10, 30)))
        pen.text((int(draw.integers(0, 900)), top), "The ferry leaves at ten", fill=ink, font=font)
    return np.asarray(image).astype(np.float32) / 255
