"""The demo's pictures: a harbour at dusk, all invented, drawn in scene-linear light.

The Kestrel is a ferry that never was, in a bay that is on no map.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.encoding import Channel, Encoding
from ..media import Plane

WIDTH, HEIGHT = 640, 360
HORIZON = 0.56
SUN = 400.0
"""Light of the sun's disc: beyond the last code of the log curve."""
LUMA_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
"""ITU-R BT.709-6 item 3.2."""

Light = npt.NDArray[Any]
"""float32 [rows, columns, 3], scene-linear, .18 is grey."""


@dataclass(frozen=True, slots=True)
class _Still:
    """What does not move: drawn once, used in every frame."""

    x: Light
    y: Light
    backdrop: Light
    sea: Light
    deep: Light
    water: Light
    quay: Light
    lamps: Light
    noise: Light


@lru_cache(maxsize=2)
def _still(lines: int) -> _Still:
    size = lines * WIDTH // HEIGHT
    rows, columns = np.mgrid[0:lines, 0:size].astype(np.float32)
    x, y = columns / size, rows / lines
    height = np.clip((HORIZON - y) / HORIZON, 0, 1)[..., None]
    glow = np.exp(-(((x - 0.68) * 2.2) ** 2 + ((y - 0.47) * 3.4) ** 2))[..., None]
    backdrop = _mix([0.62, 0.36, 0.24], [0.07, 0.12, 0.24], height**0.7) + glow * np.array([1.6, 0.75, 0.3], np.float32)
    hills = y > 0.47 + 0.05 * np.sin(x * 9 + 1) * np.sin(x * 4) + 0.03 * np.cos(x * 23)
    sun = np.hypot((x - 0.68) * size, (y - 0.47) * lines) < 0.045 * lines
    backdrop[sun] = SUN
    backdrop[hills] = [0.03, 0.032, 0.045]
    deep = np.clip((y - HORIZON) / (1 - HORIZON), 0, 1)
    water = _mix([0.3, 0.2, 0.17], [0.02, 0.035, 0.05], deep[..., None] ** 0.5)
    quay = (y > 0.86 + 0.03 * np.sin(x * 3)) & (x < 0.62)
    lamps = np.zeros_like(backdrop)
    for place, colour in ((0.08, [14, 8, 3]), (0.3, [12, 9, 5]), (0.52, [3, 12, 6])):
        lamp = np.exp(-(((x - place) * WIDTH / 4) ** 2 + ((y - 0.78) * HEIGHT / 4) ** 2))  # as large in every size
        lamps += lamp[..., None] * np.array(colour, np.float32)
    noise = np.random.default_rng(20).normal(size=(lines * 2, size * 2, 3)).astype(np.float32)
    return _Still(x, y, backdrop, y > HORIZON, deep, water, quay, lamps, noise)


def harbour(frame: int, *, noise: float = 0.003, take: int = 1, lines: int = HEIGHT) -> Light:
    """One frame: smooth sky, a sun past every curve's end, hills, sea with glitter, the ferry, lamps, and a dark quay.

    noise : sigma of the sensor's noise at black, in units of light
    take : the same frame of another take has other noise, and the ferry elsewhere
    lines : rows of the picture; it is 16:9 always
    """
    still = _still(lines)
    x, y, deep = still.x, still.y, still.deep
    wave = np.sin(x * 90 + frame * 0.25 + 9 * deep) * np.sin(deep * 70 - frame * 0.35)
    lane = np.exp(-(((x - 0.68) / (0.03 + 0.12 * deep)) ** 2)) * (wave > 0.55)
    sea = still.water * (1 + 0.25 * wave[..., None]) + lane[..., None] * np.array([9.0, 5.0, 2.2], np.float32)
    picture = np.where(still.sea[..., None], sea, still.backdrop)
    _draw_ferry(picture, x, y, 0.04 + 0.0022 * frame + 0.06 * take)
    picture[still.quay] = 0.004 * (np.sin(x[still.quay] * 120) > 0.92)[:, None]
    picture += still.lamps
    top, left = np.random.default_rng((take, frame)).integers(0, still.x.shape)
    grain = still.noise[top : top + lines, left : left + still.x.shape[1]]
    return np.asarray(picture + grain * np.sqrt(noise**2 + 0.00006 * np.clip(picture, 0, 4)))


def _mix(near: list[float], far: list[float], share: Light) -> Light:
    return np.asarray(np.array(near, np.float32) * (1 - share) + np.array(far, np.float32) * share)


def _draw_ferry(picture: Light, x: Light, y: Light, at: float) -> None:
    hull = (np.abs(x - at - 0.09) < 0.09 - 0.25 * np.clip(y - 0.6, 0, 1)) & (y > 0.585) & (y < 0.64)
    house = (np.abs(x - at - 0.08) < 0.055) & (y > 0.53) & (y <= 0.585)
    picture[hull] = [0.05, 0.11, 0.09]
    picture[house] = [0.6, 0.55, 0.47]
    picture[(np.abs(x - at - 0.11) < 0.012) & (y > 0.48) & (y <= 0.53)] = [0.5, 0.08, 0.04]
    picture[house & (np.mod((x - at) * WIDTH, 9) < 4) & (np.abs(y - 0.557) < 0.009)] = [5.0, 3.6, 1.6]


def log_signal(light: Light, curve: str) -> Light:
    """R'G'B' through a log curve that colour-science registers, in full-range numbering 0..1, excursions kept."""
    from ..curves import colour_science

    with np.errstate(invalid="ignore", divide="ignore"):  # noise below black leaves the logarithm to the curve's toe
        return np.asarray(colour_science().log_encoding(light, function=curve), dtype=np.float32)


def display_signal(light: Light) -> Light:
    """R'G'B' as a camera's display-referred profile makes it: BT.709's curve, its shoulder in super-white.

    Source: ITU-R BT.709-6 item 1.2 below the shoulder; super-whites up to 109 % are common practice.
    """
    safe = np.clip(light, 0, None)
    curve = np.where(safe < 0.018, 4.5 * safe, 1.099 * np.power(np.maximum(safe, 1e-9), 0.45) - 0.099)
    return np.where(curve < 0.8, curve, 0.8 + 0.29 * np.tanh((curve - 0.8) / 0.29))


def planes(signal: Light, encoding: Encoding, sampling: str) -> tuple[Plane, ...]:
    """Y'CbCr planes of a signal, BT.709 matrix, chroma averaged over its block.

    signal : R'G'B' [rows, columns, 3], 0..1 with excursions
    sampling : '4:2:0' | '4:2:2' | '4:4:4'
    """
    luma = signal @ LUMA_WEIGHTS
    blue, red = (signal[..., 2] - luma) / 1.8556, (signal[..., 0] - luma) / 1.5748
    across, down = {"4:2:0": (2, 2), "4:2:2": (2, 1), "4:4:4": (1, 1)}[sampling]

    def code(level: Light, channel: Channel) -> Plane:
        codes = np.floor(level * encoding.span(channel) + encoding.zero(channel) + 0.5)
        return np.clip(codes, 0, encoding.maximum).astype(encoding.dtype_name)

    def shrink(level: Light) -> Light:
        rows, columns = level.shape
        blocks = level.reshape(rows // down, down, columns // across, across)
        return np.asarray(blocks.mean(axis=(1, 3)))

    return code(luma, Channel.LUMA), code(shrink(blue), Channel.CHROMA), code(shrink(red), Channel.CHROMA)
