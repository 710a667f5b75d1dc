"""Levels to stops from 18 % grey through a table of light, and stops to the shades and patterns of a map.

+inf stands for clipped and -inf for no light, so that neither can be taken for an exposure. A shade's hue tells the zone, and its
lightness rises within it, so what a picture shows stays visible. Patterns depend on absolute pixels: tiles join.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row

Levels = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

GREY = 0.18
_POINTS = 16384
_PER_STOP = 64


@dataclass(frozen=True, slots=True, eq=False)
class Meter:
    """How levels of R', G', B' become stops.

    table : light (1 a perfect diffuser) at _POINTS levels, evenly from low to high
    weights : of R, G, B in luminance
    clip : the level from which a channel counts as clipped
    black : the level up to which all three channels count as no light
    """

    table: Floats
    low: float
    high: float
    weights: tuple[float, float, float]
    clip: float
    black: float


def meter(
    light: Callable[[Floats], Floats],
    *,
    weights: tuple[float, float, float],
    clip: float,
    black: float,
    low: float = -0.25,
    high: float = 1.25,
) -> Meter:
    """A meter over levels from low to high; between its points light is interpolated linearly.

    light : of levels, float64 to float64; what is no number counts as none

    Raises: ValueError where low, black, clip and high are not in that order.
    """
    if not low <= black < clip <= high:
        raise ValueError(f"low, black, clip and high must go up, got {low}, {black}, {clip}, {high}")
    values = np.nan_to_num(
        light(np.linspace(low, high, _POINTS)), nan=0.0, posinf=float(np.finfo(np.float32).max), neginf=0.0
    )
    return Meter(np.ascontiguousarray(values, np.float64), low, high, weights, clip, black)


def stops_of(levels: Levels, by: Meter) -> Levels:
    """Stops from 18 % grey, float32 [rows, columns].

    levels : float32 [rows, columns, 4], packed rows; alpha is not read; what is no number has no light
    """
    flat = _flat(levels)
    out = np.empty(levels.shape[:2], np.float32)
    numbers = np.array([by.low, (len(by.table) - 1) / (by.high - by.low), by.clip, by.black], np.float64)
    _stops(flat, out, by.table, np.array(by.weights, np.float64), numbers)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Shades:
    """The look of a map.

    table : R'G'B' levels [bins, 3] by stops, _PER_STOP of them to a stop, from `start`; NaN where the picture shows through
    clip, black : two R'G'B' colours each, of the pattern's figure and its ground
    """

    table: Levels
    start: float
    clip: Levels
    black: Levels


def shades(
    edges: Sequence[float],
    colours: Sequence[tuple[float, float, float] | None],
    *,
    encode: Callable[[Floats], Floats],
    clip: Sequence[tuple[float, float, float]],
    black: Sequence[tuple[float, float, float]],
    slope: float = 0.33,
    reach: float = 2.0,
) -> Shades:
    """A table of shades.

    edges : stops between zones, going up; colours : one more, linear light 0..1, of each zone's middle; None shows the picture
    encode : linear light to R'G'B' levels of the display that the map is for
    slope : stops of lightness from a zone's beginning to its end; the outermost zones, which have no end, take `reach` stops
    clip, black : linear colours of figure and ground

    Raises: ValueError where edges do not go up, or colours are not one more.
    """
    bounds = np.asarray(edges, np.float64)
    if len(colours) != len(bounds) + 1 or not len(bounds):
        raise ValueError(f"colours must be one more than edges, got {len(colours)} and {len(bounds)}")
    if not np.all(np.diff(bounds) > 0) or not np.isfinite(bounds).all():
        raise ValueError(f"edges must go up, got {bounds.tolist()}")
    ends = np.concatenate([[bounds[0] - reach], bounds, [bounds[-1] + reach]])
    count = int(np.ceil((ends[-1] - ends[0]) * _PER_STOP)) + 1
    stops = ends[0] + np.arange(count) / _PER_STOP
    zone = np.searchsorted(bounds, stops, side="right")
    share = np.clip((stops - ends[zone]) / (ends[zone + 1] - ends[zone]), 0, 1)
    middles = np.array([(np.nan,) * 3 if colour is None else colour for colour in colours], np.float64)
    linear = middles[zone] * 2.0 ** ((share - 0.5) * slope)[:, None]
    patterns = (np.asarray(encode(np.asarray(pair, np.float64)), np.float32) for pair in (clip, black))
    return Shades(np.asarray(encode(np.clip(linear, 0, 1)), np.float32), float(ends[0]), *patterns)


def shade(
    stops: Levels, look: Shades, edges: Sequence[float], out: Levels, *, period: int, origin: tuple[int, int] = (0, 0)
) -> None:
    """Draw the map: out's R', G', B' from stops; alpha is left alone, and all of it where the picture shows through.

    stops : float32 [rows, columns]; out : float32 [rows, columns, 4], packed rows, overwritten
    edges : as `shades` had them: a zone's first stop is its own, whatever bin it falls in
    period : pixels from one stripe of the clip pattern to the next, 4 or more
    origin : row and column of the picture that the first sample lies at

    Raises: ValueError naming the argument.
    """
    if period < 4:
        raise ValueError(f"period must be 4 or more, got {period}")
    if out.shape != (*stops.shape, 4):
        raise ValueError(f"out must be {(*stops.shape, 4)}, got {out.shape}")
    bounds = np.asarray(edges, np.float32)
    numbers = np.array([look.start, _PER_STOP], np.float64)
    places = np.array([origin[0], origin[1], period], np.int64)
    _shade(
        stops,
        _flat(out),
        np.ascontiguousarray(look.table),
        bounds,
        np.stack([look.clip, look.black]).reshape(4, 3),
        numbers,
        places,
    )


def zone_counts(stops: Levels, edges: Sequence[float]) -> npt.NDArray[np.int64]:
    """Samples in no light, in each zone, and clipped: int64 [zones + 2], in that order."""
    number = np.searchsorted(np.asarray(edges, np.float32), stops.ravel(), side="right") + 1
    number[np.isneginf(stops.ravel())] = 0
    number[np.isposinf(stops.ravel())] = len(edges) + 2
    return np.bincount(number, minlength=len(edges) + 3).astype(np.int64)


def _flat(levels: Levels) -> Levels:
    """Rows of interleaved samples as plain rows.

    Raises: ValueError.
    """
    if levels.ndim != 3 or levels.shape[2] != 4 or levels.dtype != np.float32 or levels.strides[1:] != (16, 4):
        raise ValueError(f"levels must be packed float32 rows [rows, columns, 4], got {levels.dtype} {levels.shape}")
    rows, columns = levels.shape[:2]
    return np.lib.stride_tricks.as_strided(levels, (rows, columns * 4), (levels.strides[0], 4))


@kernel("out")
def _stops(levels: Any, out: Any, table: Any, weight: Any, number: Any) -> None:
    """See stops_of; number holds the table's first level, its points a level, clip and black."""
    low, per_level, clip, black = number[0], number[1], number[2], number[3]
    last = table.shape[0] - 1
    for y in range(out.shape[0]):
        read, written = row(levels, y), row(out, y)
        for x in range(written.shape[0]):
            i = np.uint64(4 * x)
            red, green, blue = read[i], read[i + np.uint64(1)], read[i + np.uint64(2)]
            most = max(red, green, blue)
            if most >= clip:
                written[x] = np.inf
                continue
            light = 0.0
            for channel in range(3):
                at = (read[i + np.uint64(channel)] - low) * per_level
                at = min(max(at, 0.0), float(last))
                first = min(int(at), last - 1)
                share = at - first
                light += weight[channel] * (table[first] + (table[first + 1] - table[first]) * share)
            if not light > 0.0 or most <= black:
                written[x] = -np.inf
            else:
                written[x] = np.log2(light / 0.18)


@kernel("out")
def _shade(stops: Any, out: Any, table: Any, edges: Any, pattern: Any, number: Any, place: Any) -> None:
    """See shade; place holds the row and column of the first sample, and the period."""
    start, per_stop = number[0], number[1]
    top, left, period = place[0], place[1], place[2]
    last = table.shape[0] - 1
    for y in range(stops.shape[0]):
        read, written = row(stops, y), row(out, y)
        for x in range(read.shape[0]):
            value = read[x]
            i = np.uint64(4 * x)
            if value == np.inf:  # stripes that rise to the right
                figure = 0 if (left + x + top + y) % period < period // 2 else 1
                for channel in range(3):
                    written[i + np.uint64(channel)] = pattern[figure, channel]
            elif value == -np.inf:  # dots
                figure = 2 if (left + x) % period < period // 2 and (top + y) % period < period // 2 else 3
                for channel in range(3):
                    written[i + np.uint64(channel)] = pattern[figure, channel]
            else:
                at = min(max((value - start) * per_stop, 0.0), float(last))
                first = int(at)
                # A bin that an edge runs through belongs to the zone of the sample, not of the bin's beginning.
                for edge in range(edges.shape[0]):
                    bound = (edges[edge] - start) * per_stop
                    if value >= edges[edge] and first < bound:
                        first = min(first + 1, last)
                if np.isnan(table[first, 0]):
                    continue
                for channel in range(3):
                    written[i + np.uint64(channel)] = table[first, channel]
