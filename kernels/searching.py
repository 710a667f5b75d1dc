"""Where one picture lies inside another, at an unknown scale, mirrored or not: for crops and windows of one recording."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .aligning import Place
from .cells import cell_means

Picture = npt.NDArray[Any]
"""float [rows, columns], square cells."""

SCALES = tuple(float(scale) for scale in np.geomspace(1.0, 0.25, 48))
"""How large one picture may be in the other when it is looked for: steps of 3 %, well within reach of refining."""
SMALLEST = 20
"""Cells across or down below which a match says nothing."""
TURNS = ((False, False), (True, False), (False, True), (True, True))
"""Mirrored from left to right, from top to bottom."""


def find_window(first: Picture, second: Picture) -> tuple[Place, float]:
    """Where the first picture lies in the second, whichever is the larger part of the scene, and the correlation there.

    first, second : luma with square cells, some 160 cells wide
    """
    best = Place(), -1.0
    for inner, outer, inverse in ((first, second, False), (second, first, True)):
        for scale in SCALES:
            columns = round(outer.shape[1] * scale)
            rows = round(columns * inner.shape[0] / inner.shape[1])
            if min(rows, columns) < SMALLEST or rows > outer.shape[0] or columns > outer.shape[1]:
                continue
            if columns > 2 * inner.shape[1]:
                continue
            template = _resized(inner, rows, columns)
            for mirrored, flipped in TURNS:
                turned = template[:: -1 if flipped else 1, :: -1 if mirrored else 1]
                score, y, x = _best_match(outer, turned)
                if score > best[1]:
                    place = _place(x, y, columns, rows, outer.shape, mirrored, flipped)
                    best = (_inverse(place) if inverse else place), score
    return best


def _resized(picture: Picture, rows: int, columns: int) -> Picture:
    edges = np.linspace(0, picture.shape[1], columns + 1), np.linspace(0, picture.shape[0], rows + 1)
    return cell_means(picture, *edges)


def _best_match(outer: Picture, template: Picture) -> tuple[float, int, int]:
    """The largest normalised correlation of the template with a part of the picture, and where.

    Source: Lewis, Fast Normalized Cross-Correlation, 1995 (from memory).
    """
    rows, columns = template.shape
    zero = template - template.mean()
    norm = float(np.sqrt(np.square(zero).sum()))
    if norm == 0:
        return -1.0, 0, 0
    shape = outer.shape
    product = np.fft.irfft2(np.fft.rfft2(outer - outer.mean()) * np.conj(np.fft.rfft2(zero, shape)), shape)
    valid = product[: shape[0] - rows + 1, : shape[1] - columns + 1]
    centred = outer - outer.mean()
    total, square = _sums(centred, rows, columns), _sums(np.square(centred), rows, columns)
    spread = np.sqrt(np.maximum(square - total * total / (rows * columns), 1e-12))
    score = np.where(spread > 1e-3 * norm, valid / (spread * norm), -1.0)
    y, x = np.unravel_index(int(np.argmax(score)), score.shape)
    return float(score[y, x]), int(y), int(x)


def _sums(values: Picture, rows: int, columns: int) -> Picture:
    """Sum over every rows x columns part."""
    table = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    table[1:, 1:] = values.cumsum(0).cumsum(1)
    return table[rows:, columns:] - table[:-rows, columns:] - table[rows:, :-columns] + table[:-rows, :-columns]


def _place(x: int, y: int, columns: int, rows: int, shape: tuple[int, ...], mirrored: bool, flipped: bool) -> Place:
    across, down = (x / shape[1], (x + columns) / shape[1]), (y / shape[0], (y + rows) / shape[0])
    left, right = across[::-1] if mirrored else across
    top, bottom = down[::-1] if flipped else down
    return Place(left, top, right, bottom)


def _inverse(place: Place) -> Place:
    """Where the second lies in the first becomes where the first lies in the second."""
    width, height = place.right - place.left, place.bottom - place.top
    return Place(-place.left / width, -place.top / height, (1 - place.left) / width, (1 - place.top) / height)
