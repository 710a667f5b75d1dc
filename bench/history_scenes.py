"""Material of history_accuracy.py: photograph-like frames deeper than any code, and untouched things that leave combs too.

The photographs at hand are small and have 8 bits, whose own steps would show. So they are averaged down (which gives deeper bits),
enlarged, the fine detail that enlarging leaves out put back as 1/f noise that follows the square of the picture's contrast, a tone
curve drawn, and a sensor's noise added. How the detail follows the contrast was set so that the frames are as busy as photographs of
that size: 20 of Debian's mate-backgrounds and plasma-workspace-wallpapers have 8 x 8 blocks whose deviations, in 8-bit codes, have
these quantiles (medians over the pictures), and those amplitudes in octaves of .016 to .5 cycles a pixel:

                   10 %   25 %   50 %   75 %   90 %     .016-   .032-   .064-  .125-  .25-.5
    photographs     .84   1.14   1.69   3.67   8.50     173.6    57.3    20.9    8.6    2.7
    frames here     .88   1.10   2.01   4.60  11.22     208.6    59.7    15.4    6.2    2.8

Detail that was the same in all parts of a frame, as it was at first (1.21, 1.96, 3.19, 5.86, 10.78), leaves no sky, skin or wall
even, and coding moves its codes more than a photograph's. Large photographs of one's own can be put in as well (`--photographs`).
All seeds are fixed.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
from PIL import Image
from scenes import CLIPS, clip_path

from footroom.kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model, Range, affine_map
from footroom.kernels.history import History, history
from footroom.kernels.occupancy import counts
from footroom.kernels.quiet import counts_by_quiet
from footroom.kernels.scalings import Scaling, scaled

Levels = npt.NDArray[np.float32]
Codes = npt.NDArray[Any]
Histograms = dict[Channel, npt.NDArray[np.int64]]

TUNING = ("astronaut", "coffee", "hubble_deep_field", "bikes", "brick", "moon", "coins", "camera")
"""What the kernel's limits were set on."""
REPORTED = (
    "chelsea", "rocket", "immunohistochemistry", "stereo_motorcycle", "retina", "grass", "gravel", "clock", "cell", "carphone",
)  # fmt: skip
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)
"""ITU-R BT.709-6 item 3.2."""
FULL_HD = (1080, 1920)


@dataclass(slots=True)
class Pictures:
    """Photographs and frames of camera clips, read once. cache : folder of the clips."""

    cache: Path
    read: dict[str, Levels] = field(default_factory=dict)
    clips: dict[str, list[tuple[Codes, ...]]] = field(default_factory=dict)

    def __call__(self, name: str) -> Levels:
        """R'G'B', 0..1, float32 [rows, columns, 3]."""
        if name not in self.read:
            import skimage.data

            if name in CLIPS:
                with av.open(str(clip_path(self.cache, CLIPS[name]))) as container:
                    taken: Any = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)][60]
            else:
                taken = getattr(skimage.data, name)()
                taken = np.asarray(taken[0] if isinstance(taken, tuple) else taken)
            taken = np.stack([taken] * 3, -1) if taken.ndim == 2 else taken[..., :3]
            self.read[name] = taken.astype(np.float32) / 255
        return self.read[name]

    def recorded(self, name: str) -> list[tuple[Codes, ...]]:
        """A clip's own Y'CbCr codes, every tenth frame."""
        if name not in self.clips:
            with av.open(str(clip_path(self.cache, CLIPS[name]))) as container:
                frames = list(container.decode(video=0))[::10]
            self.clips[name] = [planes_of(frame, np.uint8) for frame in frames]
        return self.clips[name]


def scene(
    pictures: Pictures, name: str, draw: np.random.Generator, size: tuple[int, int] = FULL_HD
) -> tuple[Levels, ...]:
    """A photograph-like frame: luma, Cb, Cr as levels, chroma halved both ways."""
    toned, noise = without_noise(pictures, name, draw, size)
    strength = noise * np.sqrt(0.3 + np.clip(toned, 0, 1))
    return y_cb_cr(toned + draw.standard_normal(toned.shape, dtype=np.float32) * strength)


def without_noise(
    pictures: Pictures, name: str, draw: np.random.Generator, size: tuple[int, int]
) -> tuple[Levels, float]:
    """R'G'B' of such a frame before a sensor's noise, and how strong that is at level .7."""
    taken = pictures(name)
    rows, columns = (int(side * draw.uniform(0.7, 1)) // 2 * 2 for side in taken.shape[:2])
    top, left = draw.integers(0, taken.shape[0] - rows + 1), draw.integers(0, taken.shape[1] - columns + 1)
    taken = taken[top : top + rows, left : left + columns]
    mean = taken.reshape(rows // 2, 2, columns // 2, 2, 3).mean((1, 3))
    if draw.random() < 0.5:
        mean = mean[:, ::-1]
    edges = np.hypot(*np.gradient(mean @ LUMA))
    coarse = np.asarray(Image.fromarray(edges / (edges.mean() + 1e-6)).resize((48, 27), Image.Resampling.BOX)) ** 2
    contrast = np.clip(_enlarged(coarse / (coarse.mean() + 1e-6), size), 0.02, 8) * 0.02
    large = np.stack([_enlarged(mean[..., each], size) for each in range(3)], -1)
    large = np.clip(large, 0, None) * (1 + (_fine(size, draw) * contrast * draw.uniform(0.5, 2))[..., None])
    large += (_fine(size, draw) * contrast * 0.3)[..., None]
    gamma, low, high = draw.uniform(0.6, 1.5), draw.uniform(-0.02, 0.12), draw.uniform(0.75, 1.05)
    toned = np.clip(large, 0, 1) ** gamma * (high - low) + low
    return toned, draw.uniform(0.001, 0.008)


def photograph(path: Path, draw: np.random.Generator) -> tuple[Levels, ...]:
    """The middle of a large photograph at 1920 x 1080, its tone curve and its noise drawn, as `scene` gives one."""
    large, noise = photograph_without_noise(path, draw, FULL_HD)
    return y_cb_cr(large + draw.standard_normal(large.shape, dtype=np.float32) * noise)


def photograph_without_noise(path: Path, draw: np.random.Generator, size: tuple[int, int]) -> tuple[Levels, float]:
    """R'G'B' of it at another size, and how strong the noise is."""
    with Image.open(path) as opened:
        image = opened.convert("RGB")
    scale = max(size[1] / image.width, size[0] / image.height)
    across, down = max(round(image.width * scale), size[1]), max(round(image.height * scale), size[0])
    how = Image.Resampling.BOX if scale < 1 else Image.Resampling.BICUBIC
    taken = np.asarray(image, np.float32) / 255
    large = np.stack(
        [np.asarray(Image.fromarray(taken[..., each].copy()).resize((across, down), how)) for each in range(3)], -1
    )
    top, left = (down - size[0]) // 2, (across - size[1]) // 2
    large = np.clip(large[top : top + size[0], left : left + size[1]], 0, 1) ** draw.uniform(0.8, 1.25)
    return large, draw.uniform(0.001, 0.004)


def y_cb_cr(signal: Levels) -> tuple[Levels, ...]:
    """Levels of Y', Cb, Cr of R'G'B' levels, chroma averaged over 2 x 2."""
    rows, columns = signal.shape[0] // 2, signal.shape[1] // 2
    signal = signal[: 2 * rows, : 2 * columns]
    luma = signal @ LUMA
    chroma = ((signal[..., 2] - luma) / 1.8556, (signal[..., 0] - luma) / 1.5748)
    return luma, *(each.reshape(rows, 2, columns, 2).mean((1, 3)) for each in chroma)


def coded(levels: tuple[Levels, ...], encoding: Encoding) -> tuple[Codes, ...]:
    """Codes of levels, rounded once: what a recording holds that nothing was done to."""
    made = []
    for level, channel in zip(levels, PLANE_CHANNELS[Model.YCBCR], strict=True):
        codes = np.floor(level * encoding.span(channel) + encoding.zero(channel) + 0.5)
        made.append(np.clip(codes, 0, encoding.maximum).astype(encoding.dtype_name))
    return tuple(made)


def through(codes: tuple[Codes, ...], scaling: Scaling) -> tuple[Codes, ...]:
    """Codes after a scaling."""
    channels = PLANE_CHANNELS[Model.YCBCR]
    return tuple(
        scaling.mapped(channel).astype(plane.dtype)[plane] for plane, channel in zip(codes, channels, strict=True)
    )


def requantised(codes: tuple[Codes, ...], source: Encoding, target: Encoding) -> tuple[Codes, ...]:
    """Codes after a change of depth, and of range if they differ, in one rounding."""
    made = []
    for plane, channel in zip(codes, PLANE_CHANNELS[Model.YCBCR], strict=True):
        mapped = scaled(np.arange(1 << source.depth, dtype=np.int64), *affine_map(source, target, channel))
        made.append(np.clip(mapped, 0, target.maximum).astype(target.dtype_name)[plane])
    return tuple(made)


def noisy(codes: tuple[Codes, ...], sigma: float, depth: int, draw: np.random.Generator) -> tuple[Codes, ...]:
    """Codes after normal noise, rounded again."""
    made = []
    for plane in codes:
        moved = np.floor(plane + draw.standard_normal(plane.shape, dtype=np.float32) * sigma + 0.5)
        made.append(np.clip(moved, 0, (1 << depth) - 1).astype(plane.dtype))
    return tuple(made)


def h264(codes: tuple[Codes, ...], depth: int, quality: int = 20) -> tuple[Codes, ...]:
    """Codes after H.264 at constant quality, one picture."""
    buffer = io.BytesIO()
    dtype = codes[0].dtype
    with av.open(buffer, "w", format="mp4") as output:
        stream: Any = output.add_stream("libx264", rate=25, options={"crf": str(quality), "preset": "veryfast"})
        stream.height, stream.width = codes[0].shape
        stream.pix_fmt = "yuv420p" if depth == 8 else "yuv420p10le"
        frame = av.VideoFrame(stream.width, stream.height, stream.pix_fmt)
        for target, plane in zip(frame.planes, codes, strict=True):
            view = np.frombuffer(target, dtype).reshape(target.height, -1)
            view[:, : target.width] = plane
        frame.pts = 0
        output.mux(stream.encode(frame))
        output.mux(stream.encode(None))
    buffer.seek(0)
    with av.open(buffer) as source:
        return planes_of(next(source.decode(video=0)), dtype)


@dataclass(slots=True)
class Seen:
    """Counts of luma and of both chroma planes together, as the survey has them, of all frames added.

    counts : of all pixels; quiet : by how quiet the block is
    """

    depth: int
    counts: Histograms = field(default_factory=dict)
    quiet: Histograms = field(default_factory=dict)

    def add(self, codes: tuple[Codes, ...]) -> Seen:
        encoding = Encoding(self.depth, Range.FULL)
        for plane, channel in zip(codes, PLANE_CHANNELS[Model.YCBCR], strict=True):
            self.counts[channel] = counts(plane, encoding, self.counts.get(channel))
            self.quiet[channel] = counts_by_quiet(plane, encoding, out=self.quiet.get(channel))
        return self

    def history(self) -> History:
        """What the survey would say of it."""
        return history(self.counts, self.depth, self.quiet)


def _enlarged(plane: Levels, size: tuple[int, int]) -> Levels:
    image = Image.fromarray(np.ascontiguousarray(plane, dtype=np.float32))
    return np.asarray(image.resize((size[1], size[0]), Image.Resampling.BICUBIC))


@lru_cache(maxsize=4)
def _detail(size: tuple[int, int]) -> Levels:
    """1/f noise without what is coarser than 32 pixels, of standard deviation 1."""
    noise = np.random.default_rng(99).standard_normal(size)
    down, across = np.fft.fftfreq(size[0])[:, None], np.fft.rfftfreq(size[1])[None]
    turn = np.hypot(down, across)
    part = np.where(turn >= 1 / 32, 1 / np.maximum(turn, 1e-9), 0)
    made = np.fft.irfft2(np.fft.rfft2(noise) * part, size)
    return (made / made.std()).astype(np.float32)


def _fine(size: tuple[int, int], draw: np.random.Generator) -> Levels:
    """The detail, moved and perhaps turned over."""
    moved = np.roll(_detail(size), (int(draw.integers(size[0])), int(draw.integers(size[1]))), (0, 1))
    return -moved if draw.random() < 0.5 else moved


def planes_of(frame: av.VideoFrame, dtype: Any) -> tuple[Codes, ...]:
    return tuple(
        np.frombuffer(plane, dtype).reshape(plane.height, -1)[:, : plane.width].copy() for plane in frame.planes
    )
