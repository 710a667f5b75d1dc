"""What rounding to whole codes left in a plane, against the exact tones: bias, noise, its spectrum, bands and the comb.

All errors are in steps of the result's codes: what came less the exact tone. Rounding without dither has a mean error of 0 and a variance
of 1/12, but the error is a function of the tone, and so shows; triangular dither has 1/4 whatever the tone.
Source: Lipshitz, Wannamaker, Vanderkooy, Quantization and dither (1992).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .encoding import Channel, Encoding, affine_map
from .tally import Histogram

Values = npt.NDArray[Any]

LOW = 0.1
"""Cycles a pixel under which noise is seen as blotches: the blue-noise criterion of the project."""
BLOCK = 8
"""Side of the areas whose mean tone is looked at: what an eye at a distance sees."""
LEAST_SPAN = 2.0
"""Steps that tones must span for bands to be seen in them."""
TILE = 64
"""Side of the squares whose spectra are averaged."""


def exact_tones(
    codes: Values, source: Encoding, target: Encoding, channel: Channel = Channel.LUMA
) -> npt.NDArray[np.float32]:
    """Codes through the exact map to the target's codes, neither rounded nor clipped: float32 [rows, columns]."""
    gain, offset = affine_map(source, target, channel)
    tones = (codes >> source.bit_shift).astype(np.float32) if source.bit_shift else codes.astype(np.float32)
    tones *= np.float32(gain)
    tones += np.float32(offset)
    return tones


def tone_bias(error: Values, tones: Values) -> float:
    """How much the error follows the tone: the rms, over the pixels, of the mean error of each sixteenth of a step.

    Rounding without dither has 1/sqrt(12) = .289 on smooth tones, noise none: 0 is what is wanted.
    """
    part = (np.floor(tones.astype(np.float64) * 16).astype(np.int64)).ravel()
    part -= part.min()
    count = np.bincount(part)
    total = np.bincount(part, error.ravel())
    known = count >= 64  # a mean of fewer is noise of its own
    if not known.any():
        return float("nan")
    pixels, power = count[known].sum(), (total[known] ** 2 / count[known]).sum()
    squares = np.bincount(part, error.ravel().astype(np.float64) ** 2)[known].sum()
    chance = (squares - power) / max(pixels - known.sum(), 1) * known.sum()  # what the means of pure noise would have
    return float(np.sqrt(max(power - chance, 0) / pixels))


def spectrum(error: Values) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Power over spatial frequency, as a multiple of what white noise of the same variance has.

    error : [rows, columns], 64 x 64 at least
    Returns: frequencies, cycles a pixel, 0..1/2, middle of each of 16 rings; and the power in each, 1 where it is as white noise's.
    """
    rows, columns = (size // TILE * TILE for size in error.shape)
    if not rows or not columns:
        raise ValueError(f"error must be at least {TILE} x {TILE}, got {error.shape}")
    parts = error[:rows, :columns].reshape(rows // TILE, TILE, columns // TILE, TILE)
    tiles = parts.transpose(0, 2, 1, 3).reshape(-1, TILE, TILE)
    tiles = tiles[:: max(len(tiles) // 256, 1)].astype(np.float32)
    variance = float((tiles - tiles.mean()).var())
    power = (np.abs(np.fft.fft2(tiles - tiles.mean())) ** 2).mean(axis=0) / TILE**2
    ring = np.hypot(*np.meshgrid(np.fft.fftfreq(TILE), np.fft.fftfreq(TILE)))
    edges = np.linspace(0, 0.5, 17)
    which = np.digitize(ring, edges) - 1
    means = np.array([power[which == number].mean() for number in range(16)])
    return (edges[:-1] + edges[1:]) / 2, means / max(variance, 1e-12)


def low_share(error: Values) -> float:
    """Mean power under LOW cycles a pixel over the variance: 1 for white noise, near 0 for blue, large for bands."""
    frequencies, power = spectrum(error)
    below = frequencies < LOW
    return float(
        (power[below] * frequencies[below]).sum() / frequencies[below].sum()
    )  # a ring's area grows with its radius


def staircase(error: Values) -> float:
    """How far areas of 8 x 8 pixels lie from their exact tone, in steps: the 95th percentile over the picture."""
    rows, columns = (size // BLOCK * BLOCK for size in error.shape)
    means = error[:rows, :columns].reshape(rows // BLOCK, BLOCK, columns // BLOCK, BLOCK).mean(axis=(1, 3))
    return float(np.quantile(np.abs(means), 0.95)) if means.size else float("nan")


def smoothest_window(tones: Values, size: tuple[int, int]) -> tuple[int, int]:
    """Top left (row, column) of the window whose tones change most evenly, and do change: where bands would be seen first.

    tones : [rows, columns], in steps; size : of the window, rows and columns, no more than the picture's
    """
    rows, columns = (size[0] // BLOCK, size[1] // BLOCK)
    down, across = tones.shape[0] // BLOCK, tones.shape[1] // BLOCK
    blocks = tones[: down * BLOCK, : across * BLOCK].reshape(down, BLOCK, across, BLOCK)
    rough = np.abs(np.diff(blocks, axis=3)).mean(axis=(1, 3)) + np.abs(np.diff(blocks, axis=1)).mean(axis=(1, 3))
    windows = np.lib.stride_tricks.sliding_window_view(rough, (rows, columns)).mean(axis=(2, 3))
    spans = np.ptp(np.lib.stride_tricks.sliding_window_view(blocks.mean(axis=(1, 3)), (rows, columns)), axis=(2, 3))
    wanted = np.where(spans >= LEAST_SPAN, windows, windows + (spans.max() < LEAST_SPAN or np.inf))
    top, left = np.unravel_index(int(np.argmin(wanted)), wanted.shape)
    return int(top) * BLOCK, int(left) * BLOCK


def longest_run(line: Values) -> int:
    """Pixels of the longest stretch of one code along a line."""
    edges = np.flatnonzero(np.diff(line.astype(np.int64)))
    return int(np.diff(np.concatenate([[-1], edges, [len(line) - 1]])).max())


def comb(histogram: Histogram, gain: float) -> float:
    """Amplitude of the histogram's comb that a map of that gain makes, over its smooth course; expected 2 |sinc(1 / gain)| undithered.

    histogram : counts of the result's codes; gain : its codes to one of the source's. 0 where the map makes none (1 / gain whole).
    Source: the Fourier series of a lattice of codes 1 / gain apart seen through steps of one code.
    """
    frequency = abs(1 / gain - round(1 / gain))
    if frequency < 1e-9:
        return 0.0
    counts = histogram.astype(np.float64)
    period = max(round(1 / frequency), 2)
    window = np.convolve(np.full(period, 1 / period), np.full(period, 1 / period))
    course = np.convolve(counts, window, mode="same")
    used = (course >= 16) & (np.arange(len(counts)) > 0) & (np.arange(len(counts)) < len(counts) - 1)
    used &= np.convolve(course < 16, np.ones(2 * period + 1), mode="same") < 0.5
    if used.sum() < 4 * period:
        return float("nan")
    deviation = np.where(used, counts / np.maximum(course, 1) - 1, 0)
    turn = np.exp(-2j * np.pi * frequency * np.arange(len(counts)))
    weight = np.hanning(int(used.sum()) + 2)[1:-1]
    return float(2 * abs((deviation * turn)[used] @ weight) / weight.sum())


def noise_of(tones: Values) -> float:
    """Standard deviation of the noise in a picture, whatever its tones: a median of second differences, so that edges count little.

    Source: Immerkaer, Fast noise variance estimation (1996), for the mask; a median in place of its mean.
    """
    across = tones[:, :-2] - 2 * tones[:, 1:-1] + tones[:, 2:]
    both = across[:-2] - 2 * across[1:-1] + across[2:]
    return float(np.median(np.abs(both)) / (0.6745 * 6))
