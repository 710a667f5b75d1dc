"""Noise as a pure function of (seed, frame, plane, row, column): no state, so no tile, thread or call order can change it.

White noise. Philox4x32-10 turns (row, block of 4,096 columns, frame, plane) under the seed into that block's keys: where to start in a line
of 8,192 random words, a word to exclude-or and an odd word to multiply with. A sample is `low(line[start + column] ^ flip, factor)`, a
16-bit word of which both bytes are used. Two rows that happen to read the same stretch of the line see it through different
permutations of the 65,536 words, so the line does not show as a repeat; the tests measure that.

Blue noise. One tile of 128 x 128 ranks made by void-and-cluster, shifted and turned for every frame and plane.

Sources: Salmon, Moraes, Dror, Shaw, Parallel random numbers: as easy as 1, 2, 3 (2011), for Philox4x32-10; Ulichney, The
void-and-cluster method for dither array generation (1993), for the tile. How a row's samples come from its keys is the project's own.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import inline

BLOCK = 4096
"""Columns that share one row's keys; a power of two."""
TILE = 128
"""Rows and columns of the blue-noise tile."""

_MASK = np.uint64(0xFFFFFFFF)
_HALF = np.uint64(32)
_A, _C = np.uint64(0xD2511F53), np.uint64(0xCD9E8D57)
_K0, _K1 = np.uint64(0x9E3779B9), np.uint64(0xBB67AE85)


def _philox(a: Any, b: Any, c: Any, d: Any, k0: Any, k1: Any) -> Any:
    """Philox4x32-10: four 32-bit words (in uint64) of a 128-bit counter under a 64-bit key. Source: Salmon et al. 2011."""
    for _ in range(10):
        first, second = _A * a, _C * c
        a, b, c, d = (second >> _HALF) ^ b ^ k0, second & _MASK, (first >> _HALF) ^ d ^ k1, first & _MASK
        k0, k1 = (k0 + _K0) & _MASK, (k1 + _K1) & _MASK
    return a, b, c, d


philox = inline(_philox)


def counter_key(seed: int, frame: int, plane: int) -> npt.NDArray[np.uint64]:
    """What every row's counter shares: uint64 [4], frame and plane, then the two halves of the seed; each modulo 2^32.

    Any int is taken, negative ones included.
    """
    words = (frame, plane, seed, seed >> 32)
    return np.array([word & 0xFFFFFFFF for word in words], np.uint64)


@lru_cache(maxsize=1)
def line() -> npt.NDArray[np.uint16]:
    """8,192 random words: Philox of 0..1023 under the key (1, 0), each 32-bit word low half first."""
    counter = np.arange(2 * BLOCK // 8, dtype=np.uint64)
    zero = np.zeros_like(counter)
    words = np.stack(_philox(counter, zero, zero, zero, zero + np.uint64(1), zero), axis=1).astype("<u4")
    return np.ascontiguousarray(words.view("<u2").astype(np.uint16).ravel())


@lru_cache(maxsize=1)
def ranks() -> npt.NDArray[np.uint16]:
    """The blue-noise tile: uint16 [128, 128], each of 0..16383 once. Made by void_and_cluster.py."""
    data = files(__package__).joinpath("blue_noise.bin").read_bytes()
    return np.frombuffer(data, "<u2").astype(np.uint16).reshape(TILE, TILE)


@lru_cache(maxsize=64)
def tile(seed: int, frame: int, plane: int) -> npt.NDArray[np.uint16]:
    """This frame's and plane's tile of triangular noise: uint16 [128, 128], 0..510, as two uniform bytes add up.

    The ranks shifted to any of 16,384 places and turned to any of 8, then mapped so that the values are distributed like the sum of two
    uniform bytes. The map is monotonic, so the noise stays blue.
    """
    shared = counter_key(seed, frame, plane)
    zero = np.uint64(0)
    word = int(_philox(zero, ~zero & _MASK, shared[0], shared[1], shared[2], shared[3])[0])
    turned = np.rot90(ranks(), word & 3)
    turned = turned.T if word & 4 else turned
    moved = np.roll(turned, (word >> 3 & TILE - 1, word >> 10 & TILE - 1), axis=(0, 1))
    mapped = np.ascontiguousarray(_triangular()[moved])
    mapped.setflags(write=False)
    return mapped


@lru_cache(maxsize=1)
def _triangular() -> npt.NDArray[np.uint16]:
    """The value of every rank: the quantile of the sum of two uniform bytes."""
    ways = 256 - np.abs(np.arange(511) - 255)  # of 65,536, that two bytes add up to 0..510
    middle = (np.arange(TILE * TILE) + 0.5) * (65536 / (TILE * TILE))
    return np.searchsorted(np.cumsum(ways), middle, side="right").astype(np.uint16)
