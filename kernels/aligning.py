"""Where one recording's picture lies in another's of the same scene, to a fraction of a pixel, and how alike they are.

Neither range nor gain matters here: every likeness is a correlation, or a fit with a gain and an offset of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .cells import Grid, cell_means

Pictures = npt.NDArray[Any]
"""float [frames, rows, columns]: small pictures of luma, of equal size in both recordings where they are compared."""

LEVELS = (48, 96, 192, 384)
"""Columns of the pictures that a place is refined on, from coarse to fine."""
STEPS = 6


@dataclass(frozen=True, slots=True)
class Place:
    """Where the first picture lies in the second: its left, top, right and bottom edge in widths and heights of the second.

    The whole of it is (0, 0, 1, 1); left beyond right is a picture mirrored from left to right.
    """

    left: float = 0.0
    top: float = 0.0
    right: float = 1.0
    bottom: float = 1.0

    @property
    def scale(self) -> tuple[float, float]:
        """Share of the second's width and height that the first spans, without sign."""
        return abs(self.right - self.left), abs(self.bottom - self.top)

    def across(self, share: npt.NDArray[Any] | float) -> Any:
        """Where a share of the first's width lies, in widths of the second."""
        return self.left + (self.right - self.left) * share

    def down(self, share: npt.NDArray[Any] | float) -> Any:
        """Where a share of the first's height lies, in heights of the second."""
        return self.top + (self.bottom - self.top) * share


def sample(plane: npt.NDArray[Any], place: Place, shares: tuple[Any, Any], grid: tuple[Any, Any]) -> Grid:
    """Cells of the first's picture as the second's plane holds them: float64 [rows, columns], NaN outside it.

    shares : edges of the cells across and down, ascending, in widths and heights of the first
    grid : (gain, offset) across and down, from widths (heights) of the second to samples of the plane
    """
    (x, columns, mirrored), (y, rows, flipped) = spans(plane.shape, place, shares, grid)
    out = np.full((len(shares[1]) - 1, len(shares[0]) - 1), np.nan)
    if len(x) > 1 and len(y) > 1:
        means = cell_means(plane, x, y)
        out[rows, columns] = means[:: -1 if flipped else 1, :: -1 if mirrored else 1]
    return out


def spans(shape: tuple[int, ...], place: Place, shares: tuple[Any, Any], grid: tuple[Any, Any]) -> tuple[Any, Any]:
    """Per direction: ascending edges in samples, the run of cells that they are, and whether they run backwards."""
    found = []
    for at, size, (gain, offset) in (
        (place.across(shares[0]), shape[1], grid[0]),
        (place.down(shares[1]), shape[0], grid[1]),
    ):
        edges = at * gain + offset
        within = np.flatnonzero(
            (edges >= -0.51) & (edges <= size + 0.51)
        )  # subsampled chroma reaches a little less far
        run = slice(0, 0)
        taken = np.zeros(0)
        if len(within) > 1:
            run = slice(int(within[0]), int(within[-1]))
            taken = np.clip(edges[within], 0, size)
        backwards = len(taken) > 1 and taken[0] > taken[-1]
        taken = taken[::-1] if backwards else taken
        if len(taken) > 1 and not (np.diff(taken) > 0).all():
            run, taken = slice(0, 0), np.zeros(0)
        found.append((taken, run, backwards))
    return found[0], found[1]


def level(first: Pictures, second: Pictures) -> tuple[float, float]:
    """Gain and offset by which the second is the first, by least squares: good enough to take them away."""
    a, b = first - first.mean(), second - second.mean()
    below = float(np.square(a).sum())
    gain = float((a * b).sum()) / below if below else 0.0
    return gain, float(second.mean() - gain * first.mean())


def likeness(first: Pictures, second: Pictures) -> float:
    """Correlation of the detail of two stacks of pictures, what is coarser than five cells taken away; NaN cells left out."""
    a, b = detail(first), detail(second)
    there = np.isfinite(a) & np.isfinite(b)
    if there.sum() < 64:
        return 0.0
    one, two = a[there], b[there]
    # One lamp or sun would decide alone; half the weight of the largest deviations is plenty.
    one, two = (np.clip(values, -4 * _sigma(values), 4 * _sigma(values)) for values in (one, two))
    spread = float(np.std(one) * np.std(two))
    return float(np.mean((one - one.mean()) * (two - two.mean())) / spread) if spread > 0 else 0.0


def _sigma(values: npt.NDArray[Any]) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) + 0.25 * float(values.std())


def detail(pictures: Pictures, reach: int = 2) -> Pictures:
    """Each cell less the mean of the square of 2 reach + 1 cells around it; NaN at the border and beside NaN."""
    total = np.zeros_like(pictures)
    rows, columns = pictures.shape[-2:]
    if rows <= 2 * reach or columns <= 2 * reach:
        return np.full_like(pictures, np.nan)
    inner = np.zeros((*pictures.shape[:-2], rows - 2 * reach, columns - 2 * reach))
    for dy in range(2 * reach + 1):
        for dx in range(2 * reach + 1):
            inner += pictures[..., dy : rows - 2 * reach + dy, dx : columns - 2 * reach + dx]
    total[:] = np.nan
    total[..., reach:-reach, reach:-reach] = inner / (2 * reach + 1) ** 2
    return pictures - total


def refine(
    first: Sequence[npt.NDArray[Any]], second: Sequence[npt.NDArray[Any]], place: Place, *, most: int = LEVELS[-1]
) -> Place:
    """The place made exact: shift and scale in both directions by which the second's pictures fit the first's best.

    first, second : luma of frames that belong together; sizes may differ between the two
    place : right to a few hundredths of the picture
    most : columns of the finest pictures that are compared
    """
    finest = min(first[0].shape[1], second[0].shape[1], most)
    for columns in [*(level for level in LEVELS if level < finest), finest]:
        rows = max(round(columns * first[0].shape[0] / first[0].shape[1]), 4)
        shares = np.linspace(0, 1, columns + 1), np.linspace(0, 1, rows + 1)
        fixed = _sampled(first, Place(), shares)
        for _ in range(STEPS):
            moving = _sampled(second, place, shares)
            change = _step(fixed, moving, shares)
            if change is None:
                break
            place, moved = _moved(place, change)
            if moved < 0.002 / columns:
                break
    return place


def _sampled(planes: Sequence[npt.NDArray[Any]], place: Place, shares: tuple[Any, Any]) -> Pictures:
    return np.stack([sample(plane, place, shares, ((plane.shape[1], 0), (plane.shape[0], 0))) for plane in planes])


def _step(fixed: Pictures, moving: Pictures, shares: tuple[Any, Any]) -> npt.NDArray[np.float64] | None:
    """Shift and stretch across, shift and stretch down that bring `moving` nearer, by the slopes of both; None if blind."""
    there = np.isfinite(fixed) & np.isfinite(moving)
    if there.mean() < 0.05 or min(fixed.shape[1:]) < 4:
        return None
    with np.errstate(invalid="ignore"):
        gain, _ = level(fixed[there], moving[there])
        slope = (moving + gain * fixed) / 2
        across = np.gradient(slope, axis=2) * (len(shares[0]) - 1)
        down = np.gradient(slope, axis=1) * (len(shares[1]) - 1)
    there &= np.isfinite(across) & np.isfinite(down)
    if there.sum() < 64:
        return None
    x = np.broadcast_to((shares[0][1:] + shares[0][:-1]) / 2 - 0.5, fixed.shape)[there]
    y = np.broadcast_to(((shares[1][1:] + shares[1][:-1]) / 2 - 0.5)[:, None], fixed.shape)[there]
    dx, dy, a, b = across[there], down[there], fixed[there], moving[there]
    unknowns = np.stack([dx, dx * x, dy, dy * y, -a, -np.ones_like(a)], axis=1)
    weights = np.ones_like(b)
    found = np.zeros(6)
    for _ in range(3):
        squares = (unknowns * weights[:, None]).T @ unknowns
        squares[np.diag_indices(6)] += 1e-9 * np.trace(squares) / 6
        found = np.linalg.solve(squares, -(unknowns * weights[:, None]).T @ b)
        off = b + unknowns @ found
        scale = 1.4826 * float(np.median(np.abs(off))) + 1e-9
        weights = np.square(np.clip(1 - np.square(off / (6 * scale)), 0, None))
    return np.clip(found[:4], -0.05, 0.05)


def _moved(place: Place, change: npt.NDArray[np.float64]) -> tuple[Place, float]:
    """The place after a step, and how far its edges went."""
    ax, bx, ay, by = (float(value) for value in change)
    made = Place(
        float(place.across(ax - bx / 2)),
        float(place.down(ay - by / 2)),
        float(place.across(1 + ax + bx / 2)),
        float(place.down(1 + ay + by / 2)),
    )
    return made, max(abs(ax) + abs(bx) / 2, abs(ay) + abs(by) / 2)
