"""Blue-noise ranks by void-and-cluster, on a torus, in whole numbers so that every machine makes the same tile.

Run as a module, it writes the tile that the package keeps: python -m footroom.kernels.void_and_cluster PATH
Source: Ulichney, The void-and-cluster method for dither array generation (1993); Gaussian of sigma 1.5, three phases.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

SIGMA = 1.5
_SEED = 0x9E3779B9


def make_ranks(size: int) -> npt.NDArray[np.uint16]:
    """Ranks 0..size^2 - 1, each once: uint16 [size, size]; thresholded at any rank, the points are spread evenly.

    size : 8..256, a power of two
    Raises: ValueError naming the size.
    """
    if size not in (8, 16, 32, 64, 128, 256):
        raise ValueError(f"size must be a power of two from 8 to 256, got {size}")
    weights = _weights(size)
    pattern = _initial(size)
    energy = _energy(pattern, weights)
    while True:  # move the tightest cluster's point into the largest void until it would move back
        cluster = _tightest(energy, pattern)
        _toggle(cluster, -1, energy, pattern, weights)
        void = _widest(energy, pattern)
        _toggle(void, 1, energy, pattern, weights)
        if void == cluster:
            break
    ranks = np.empty((size, size), np.uint16)
    points = int(pattern.sum())
    thinned, thinned_energy = pattern.copy(), energy.copy()
    for rank in range(points - 1, -1, -1):  # phase 1: take points out of the tightest clusters
        spot = _tightest(thinned_energy, thinned)
        _toggle(spot, -1, thinned_energy, thinned, weights)
        ranks[spot] = rank
    for rank in range(points, size * size // 2):  # phase 2: put points into the widest voids
        spot = _widest(energy, pattern)
        _toggle(spot, 1, energy, pattern, weights)
        ranks[spot] = rank
    holes = ~pattern  # phase 3: the holes are the minority now, so fill their tightest clusters
    energy = _energy(holes, weights)
    for rank in range(size * size // 2, size * size):
        spot = _tightest(energy, holes)
        _toggle(spot, -1, energy, holes, weights)
        ranks[spot] = rank
    return ranks


Spot = tuple[int, int]
_Energy = npt.NDArray[np.int64]
_Pattern = npt.NDArray[np.bool_]


def _weights(size: int) -> _Energy:
    """The Gaussian round (0, 0) of the torus, in units of 2^-32."""
    distance = np.minimum(np.arange(size), size - np.arange(size))
    line = [math.exp(-(int(d) ** 2) / (2 * SIGMA**2)) for d in distance]
    return np.array([[round(a * b * 2**32) for b in line] for a in line], np.int64)


def _initial(size: int) -> _Pattern:
    """A tenth of the spots set, by a linear congruential shuffle that is the same everywhere."""
    state, spots = _SEED, list(range(size * size))
    for i in range(len(spots) - 1, 0, -1):
        state = (state * 6364136223846793005 + 1442695040888963407) % 2**64
        j = (state >> 33) % (i + 1)
        spots[i], spots[j] = spots[j], spots[i]
    pattern = np.zeros(size * size, np.bool_)
    pattern[spots[: size * size // 10]] = True
    return pattern.reshape(size, size)


def _energy(pattern: _Pattern, weights: _Energy) -> _Energy:
    total = np.zeros(pattern.shape, np.int64)
    for y, x in np.argwhere(pattern):
        total += np.roll(weights, (y, x), axis=(0, 1))
    return total


def _toggle(spot: Spot, sign: int, energy: _Energy, pattern: _Pattern, weights: _Energy) -> None:
    """Set (sign 1) or clear (sign -1) a spot and carry the energy along."""
    y, x = spot
    pattern[spot] = sign > 0
    size = energy.shape[0]
    energy[y:, x:] += sign * weights[: size - y, : size - x]
    energy[:y, x:] += sign * weights[size - y :, : size - x]
    energy[y:, :x] += sign * weights[: size - y, size - x :]
    energy[:y, :x] += sign * weights[size - y :, size - x :]


def _spot(index: Any, size: int) -> Spot:
    return int(index) // size, int(index) % size


def _tightest(energy: _Energy, pattern: _Pattern) -> Spot:
    """The point with the most energy; the first of equals."""
    return _spot(np.argmax(np.where(pattern, energy, -1)), energy.shape[0])


def _widest(energy: _Energy, pattern: _Pattern) -> Spot:
    """The hole with the least energy; the first of equals."""
    return _spot(np.argmin(np.where(pattern, np.iinfo(np.int64).max, energy)), energy.shape[0])


if __name__ == "__main__":
    Path(sys.argv[1]).write_bytes(make_ranks(128).astype("<u2").tobytes())
