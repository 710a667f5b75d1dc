"""What is left between two recordings once the map between their codes is undone: codes, hue, Delta E, place by place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.cells import Cells
from ....kernels.encoding import Channel, Encoding, Model
from ....kernels.matrix import Matrix
from ....kernels.pairing import LEAST, uncut
from ..curves import colour_science

ASSUMED = (
    "A's own matrix and range as readers take them; primaries of BT.709 with white D65; the display curve of BT.1886 "
    "(a power of 2.4), whatever the recording's own curve; codes beyond black and white clipped; means of cells"
)
"""What the colour differences stand on. Sources: ITU-R BT.709-6 item 1, BT.1886 annex 1; CIE 142-2001 for Delta E 2000."""
GAMMA = 2.4
ZONES = 3
COLOURED = 8.0
"""CIELAB chroma from which a hue is worth comparing."""

Grid = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Zone:
    """A part of the picture. residual_codes : rms by channel, codes of A; delta_e_* : CIE 2000; hue_shift : degrees."""

    row: int
    column: int
    residual_codes: dict[str, float]
    delta_e_median: float
    delta_e_p95: float
    hue_shift: float | None
    cells: int


@dataclass(frozen=True, slots=True)
class Left:
    """What is left.

    residual_codes : rms of B brought to A less A, by channel, in codes of A's depth
    bias_codes : mean of the same
    delta_e, delta_e_as_read : Grid [frames, rows, columns] once brought to A, and as readers take both files; NaN outside
    hue_shift : median turn of hue in degrees, B brought to A against A; None where hardly anything has a colour
    zones : ZONES x ZONES parts of the picture
    worst : frame, row and column of the cell with the largest Delta E around it
    left_out : share of the cells in both pictures that one recording clips where the other goes on; no figure counts them
    """

    residual_codes: dict[str, float]
    bias_codes: dict[str, float]
    delta_e: Grid
    delta_e_as_read: Grid
    hue_shift: float | None
    zones: tuple[Zone, ...]
    worst: tuple[int, int, int]
    left_out: float = 0.0
    assumed: str = ASSUMED

    @property
    def median(self) -> float:
        return float(np.nanmedian(self.delta_e))

    @property
    def left_out_words(self) -> str:
        """How much no figure counts, and why."""
        return (
            f"{100 * self.left_out:.3g} % of the areas are left out: one of the two is clipped there, the other is not"
        )

    @property
    def p95(self) -> float:
        return float(np.nanquantile(self.delta_e, 0.95))


def what_is_left(
    first: Mapping[str, Cells],
    second: Mapping[str, Cells],
    maps: Mapping[str, tuple[float, float]],
    encoding_a: Encoding,
    encoding_b: Encoding,
    matrix: Matrix,
) -> Left:
    """Both recordings' cells compared after B is brought to A by the maps.

    maps : gain and offset of each channel from A to B, codes in units of M
    encoding_a, encoding_b : as readers take them; matrix : of both, so that ranges alone are compared
    """
    keys = [key for key in maps if key in first and key in second]
    counted, left_out = _counted(first, second, {key: maps[key] for key in keys})
    a = {key: np.where(counted, first[key].means, np.nan) for key in first}
    b = {key: np.where(counted, second[key].means, np.nan) for key in second}
    brought = {key: (b[key] - maps[key][1]) / maps[key][0] for key in keys}
    off = {key: (brought[key] - a[key]) * encoding_a.maximum for key in keys}
    lab_a = _lab(a, encoding_a, matrix)
    lab_brought = _lab(brought, encoding_a, matrix)
    lab_read = _lab(b, encoding_b, matrix)
    delta, as_read = _delta_e(lab_a, lab_brought), _delta_e(lab_a, lab_read)
    hue = _hue(lab_a, lab_brought)
    return Left(
        {key: _rms(values) for key, values in off.items()},
        {key: float(np.nanmean(values)) for key, values in off.items()},
        delta,
        as_read,
        _middle(hue),
        _zones(off, delta, hue),
        _worst(delta),
        left_out,
    )


def _counted(
    first: Mapping[str, Cells], second: Mapping[str, Cells], maps: Mapping[str, tuple[float, float]]
) -> tuple[npt.NDArray[np.bool_], float]:
    """Which cells tell of the map alone, and the share of the others: what a rail cut off, no map brings back.

    Where hardly any would be left, all count.
    """
    there = np.all([np.isfinite(side[key].means) for side in (first, second) for key in maps], axis=0)
    whole = there & np.all([uncut(first[key], second[key], *maps[key]) for key in maps], axis=0)
    if np.count_nonzero(whole) < LEAST:
        return there, 0.0
    return whole, 1 - float(np.count_nonzero(whole) / np.count_nonzero(there))


def _lab(codes: Mapping[str, Grid], encoding: Encoding, matrix: Matrix) -> Grid:
    """CIELAB [frames, rows, columns, 3] of codes in units of M, as ASSUMED says."""
    colour = colour_science()

    tone = encoding.channels()[0]
    step = (
        Channel.CHROMA if encoding.model is Model.YCBCR else tone
    )  # R'G'B' has its Cb and Cr in steps of its own codes
    levels = [(codes["y"] * encoding.maximum - encoding.zero(tone)) / encoding.span(tone)]
    levels += [
        (codes[key] * encoding.maximum - encoding.neutral) / encoding.span(step) for key in ("cb", "cr") if key in codes
    ]
    if len(levels) < 3:
        signals = [levels[0]] * 3
    else:
        none, one = Fraction(0), Fraction(1)
        of_luma, of_cb, of_cr = (
            [float(part) for part in matrix.rgb(unit)]
            for unit in ((one, none, none), (none, one, none), (none, none, one))
        )
        signals = [of_luma[at] * levels[0] + of_cb[at] * levels[1] + of_cr[at] * levels[2] for at in range(3)]
    light = np.power(np.clip(np.stack(signals, axis=-1), 0, 1), GAMMA)
    space = colour.RGB_COLOURSPACES["ITU-R BT.709"]
    return np.asarray(colour.XYZ_to_Lab(light @ np.asarray(space.matrix_RGB_to_XYZ).T, space.whitepoint))


def _delta_e(one: Grid, other: Grid) -> Grid:
    colour = colour_science()

    found = np.full(one.shape[:-1], np.nan)
    there = np.isfinite(one).all(-1) & np.isfinite(other).all(-1)
    if there.any():
        found[there] = colour.delta_E(one[there], other[there], method="CIE 2000")
    return found


def _hue(one: Grid, other: Grid) -> Grid:
    """Turn of hue in degrees from one to the other; NaN where either has hardly any colour."""
    with np.errstate(invalid="ignore"):
        coloured = (np.hypot(one[..., 1], one[..., 2]) > COLOURED) & (np.hypot(other[..., 1], other[..., 2]) > COLOURED)
        angles = np.degrees(np.arctan2(other[..., 2], other[..., 1]) - np.arctan2(one[..., 2], one[..., 1]))
    return np.where(coloured, (angles + 180) % 360 - 180, np.nan)


def _middle(values: Grid) -> float | None:
    there = values[np.isfinite(values)]
    return float(np.median(there)) if len(there) >= 24 else None


def _rms(values: Grid) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


def _zones(off: Mapping[str, Grid], delta: Grid, hue: Grid) -> tuple[Zone, ...]:
    rows, columns = (np.array_split(np.arange(size), ZONES) for size in delta.shape[1:])
    found = []
    for row, ys in enumerate(rows):
        for column, xs in enumerate(columns):
            part: Any = (
                (slice(None), slice(ys[0], ys[-1] + 1), slice(xs[0], xs[-1] + 1)) if len(ys) and len(xs) else None
            )
            if part is None or not np.isfinite(delta[part]).any():
                continue
            median, p95 = np.nanquantile(delta[part], [0.5, 0.95])
            residual = {key: _rms(values[part]) for key, values in off.items()}
            count = int(np.isfinite(delta[part]).sum())
            found.append(Zone(row, column, residual, float(median), float(p95), _middle(hue[part]), count))
    return tuple(found)


def _worst(delta: Grid) -> tuple[int, int, int]:
    """The cell around which the mean Delta E of three by three cells is largest."""
    filled = np.nan_to_num(delta)
    padded = np.pad(filled, ((0, 0), (1, 1), (1, 1)))
    rows, columns = delta.shape[1:]
    total = sum(padded[:, dy : dy + rows, dx : dx + columns] for dy in range(3) for dx in range(3))
    total = np.where(np.isfinite(delta), total, -1.0)
    frame, row, column = np.unravel_index(int(np.argmax(total)), delta.shape)
    return int(frame), int(row), int(column)
