"""Compare: two recordings in, one Comparison out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from ....kernels.aligning import Place
from ....kernels.cells import Cells, Grid, through
from ....kernels.encoding import Encoding, Model
from ....kernels.pairing import Line, fit_line
from ..errors import Problem
from ..viewing import Shown, as_shown
from .bringing import Together, bring_together
from .left import Left, what_is_left
from .maps import KEYS, OTHER, SAME, WORDS, NamedMap, back_table, line_name, name_map, named_maps
from .result import Comparison, Crop, Party, Plot, as_read_alike, placing
from .views import Side, cells, one_matrix, open_side, pick

BINS = 256
CELL = 8
"""Pixels of the smaller picture to a cell's side, twice as many in large pictures."""
CORRELATED = 0.9
"""Below this a channel's cells tell no line: hardly any colour, or no twin in that channel."""
SPREAD = {"y": 0.01, "cb": 0.008, "cr": 0.008}
"""Nor where they hardly differ: standard deviation in units of M, ten and eight codes at 10 bit."""

FITTING: dict[str, dict[str, Any]] = {"y": {"reach": 1, "step_share": 0.004}}
FITTING["cb"] = FITTING["cr"] = {"reach": 4, "step_share": 0.02}
"""How each channel is fitted: chroma is coded in blocks of twice the size, and has fewer areas that stand out."""

PULLING = {"prores"}
"""Codecs whose coders count a block's mean from the middle code, predict it from nothing, and may cut off what is left of it."""

Progress = Callable[[str, int], None]
"""Told 'A' or 'B' and the frames of it that were read."""


def compare(first: Path, second: Path, progress: Progress | None = None) -> Comparison:
    """What the second recording (B) is to the first (A).

    Raises: Problem where one cannot be read, the rates differ, or they are no recordings of one take.
    """
    a, b = open_side(first), open_side(second)
    one_matrix(a, b)
    together = bring_together(a, b, progress)
    numbers_b = [number + together.offset for number in together.numbers]
    shares = cell_edges(a, b, together)
    cells_a = cells(a, pick(a, together.numbers), Place(), shares)
    cells_b = cells(b, pick(b, numbers_b), together.place, shares)
    maps_known = named_maps(a.encoding.depth, b.encoding.depth, a.info.model is Model.RGB, b.info.model is Model.RGB)
    keys = [key for key in a.keys if key in b.keys]
    lines = {key: fit_channel(key, cells_a[key], cells_b[key], together, (a, b)) for key in keys}
    if lines["y"] is None:
        raise Problem(
            second, "the pictures have too little contrast, or too few whole areas, to tell a gain from",
            "Compare recordings of a scene with light and dark in it.",
        )  # fmt: skip
    named = name_map(lines, maps_known)
    relation = OTHER if named is None else named.relation
    maps = _maps(lines, named, keys)
    left = what_is_left(cells_a, cells_b, maps, a.encoding, b.encoding, a.matrix)
    clipped = (0.0, 0.0) if named is None else _clipped(cells_a["y"], cells_b["y"], maps["y"])
    remedy, words = _remedy(relation, left, clipped)
    plots = {key: _plot(cells_a[key], cells_b[key], lines[key], key, maps_known) for key in keys}
    return Comparison(
        Party(first, a.info, a.timecode), Party(second, b.info, b.timecode), relation, named,
        _words(relation, lines, maps_known), lines, together.offset if together.determined else None,
        together.offset, together.by_timecode, together.lead, together.overlap, tuple(together.numbers[at] for at in together.fitted),
        together.place, together.alike, left, clipped, remedy, words, _notes(a, b, together, lines, clipped), plots,
        _crop(a, b, together, left, named),
    )  # fmt: skip


def cell_edges(a: Side, b: Side, together: Together) -> tuple[Any, Any]:
    """Edges of the cells in shares of A's picture: CELL pixels, or twice that, of whichever shows it with fewer."""
    scale = together.place.scale
    columns = min(a.info.width, b.info.width * scale[0])
    rows = min(a.info.height, b.info.height * scale[1])
    cell = CELL * 2 if rows >= 1000 else CELL if rows >= 160 else CELL // 2
    return np.linspace(0, 1, max(round(columns / cell), 8) + 1), np.linspace(0, 1, max(round(rows / cell), 6) + 1)


def fit_channel(
    key: str, first: Cells, second: Cells, together: Together, sides: tuple[Side, Side], scene: Grid | None = None
) -> Line | None:
    """The line of one channel over the frames that are fit for it, or None where it tells nothing. See fit_line."""
    at = together.fitted
    anchors = None
    if key == "y" and together.drifting:
        at = tuple(sorted({*together.fitted, *together.drifting}))
        anchors = np.isin(at, together.fitted)
    line = fit_line(
        _only(first, at), _only(second, at), **FITTING[key], anchors=anchors,
        grain=1 / min(side.encoding.maximum for side in sides), scene=None if scene is None else scene[list(at)],
        middles=(_middle(sides[0]), _middle(sides[1])),
    )  # fmt: skip
    return line if line and line.correlation >= CORRELATED and line.spread >= SPREAD[key] else None


def _middle(side: Side) -> float | None:
    """The middle code in units of M, where codes may be pulled there."""
    return side.encoding.neutral / side.encoding.maximum if side.info.codec in PULLING else None


def _only(some: Cells, frames: tuple[int, ...]) -> Cells:
    at = list(frames)
    return Cells(some.means[at], some.lows[at], some.highs[at])


def _maps(lines: Mapping[str, Line | None], named: NamedMap | None, keys: list[str]) -> dict[str, tuple[float, float]]:
    """What B is brought to A by: the exact map where it has a name, else the fit; unfitted chroma is left as it is."""
    if named is not None:
        return {key: named.normalised(KEYS[key]) for key in keys}
    return {key: (1.0, 0.0) if (line := lines[key]) is None else (line.gain, line.offset) for key in keys}


def _words(relation: str, lines: Mapping[str, Line | None], known: list[NamedMap]) -> str:
    if relation != OTHER:
        return WORDS[relation]
    names = {key: line_name(key, line, known) for key, line in lines.items() if line}
    if len(set(names.values())) > 1:
        return WORDS[OTHER] + ": " + ", ".join(f"{_LABEL[key]} by itself is {name}" for key, name in names.items())
    luma = lines["y"]
    if luma and luma.bend > 0.006:
        return WORDS[OTHER] + ": no straight line, as if a curve or a look had been applied"
    return WORDS[OTHER] + ": a straight line of its own"


_LABEL = {"y": "luma", "cb": "Cb", "cr": "Cr"}


def _clipped(first: Cells, second: Cells, luma: tuple[float, float]) -> tuple[float, float]:
    """Shares of cells that the map sends past B's first or last code."""
    gain, offset = luma
    there = np.isfinite(first.lows) & np.isfinite(second.lows)  # -inf marks cells of R'G'B' that A itself cuts
    low, high = gain * first.lows[there] + offset, gain * first.highs[there] + offset
    if not there.any():
        return 0.0, 0.0
    return round(float((low < -0.002).mean()), 5), round(float((high > 1.002).mean()), 5)


def _remedy(relation: str, left: Left, clipped: tuple[float, float]) -> tuple[str, str]:
    alike = as_read_alike(left)
    if relation == SAME:
        if alike:
            return "none", "nothing to mend"
        return (
            "ask",
            "the codes are the same, the flags are not: one of them is wrong; footroom survey both, then retag",
        )
    if relation == OTHER:
        return "none", "no exact inverse is known, so nothing is written"
    if alike:
        return "none", "the flags account for it: read by their flags both look alike"
    lost = " (what B clipped stays clipped)" if max(clipped) > 0 else ""
    return (
        "match",
        f"--mend writes B with A's codes, by the exact inverse{lost}; survey A first, it may be the wrong one",
    )


def _notes(
    a: Side, b: Side, together: Together, lines: Mapping[str, Line | None], clipped: tuple[float, float]
) -> tuple[str, ...]:
    notes = []
    if not together.determined:
        by = "the timecodes" if together.by_timecode == together.offset else "their first frames"
        if together.overlap == 1 and (a.info.frames == 1 or b.info.frames == 1):
            notes.append("a single frame: there is no offset in time to find beyond the most alike frame")
        else:
            notes.append(f"no movement tells the offset in time; frames were paired by {by}")
    elif together.by_timecode is not None and together.by_timecode != together.offset:
        notes.append(
            f"the timecodes say {together.by_timecode} frames, the pictures {together.offset}; the pictures are believed"
        )
    kind = placing(together.place, a.info, b.info)
    if kind != "whole":
        notes.append(f"A's picture in B's: {kind}")
    for key in ("cb", "cr"):
        if key in lines and lines[key] is None:
            notes.append(f"{_LABEL[key]} tells no gain: the scene has too little of that colour")
    if max(clipped) > 0.001:
        notes.append(
            f"B is clipped where A is not: {100 * clipped[0]:.3g} % of areas low, {100 * clipped[1]:.3g} % high"
        )
    for side, name in ((a, "A"), (b, "B")):
        if side.info.model is Model.RGB:
            said = "" if any(each.info.matrix not in (None, "gbr") for each in (a, b)) else ", which neither file says"
            notes.append(f"{name} is R'G'B', compared as Y'CbCr by the matrix {side.matrix.name}{said}")
    if a.matrix is not b.matrix and Model.GRAY not in (a.info.model, b.info.model):
        notes.append(
            f"readers take A by the matrix {a.matrix.name}, B by {b.matrix.name}; colours were compared by A's"
        )
    if len({Model.GRAY, a.info.model, b.info.model}) == 2 and Model.GRAY in (a.info.model, b.info.model):
        notes.append("one of them has no colour: luma alone was compared")
    return tuple(notes)


def _plot(first: Cells, second: Cells, line: Line | None, key: str, known: list[NamedMap]) -> Plot:
    there = np.isfinite(first.means) & np.isfinite(second.means)
    counts, *_ = np.histogram2d(
        np.clip(first.means[there], 0, 1), np.clip(second.means[there], 0, 1), bins=BINS, range=((0, 1), (0, 1))
    )
    named = {each.relation: each.normalised(KEYS[key]) for each in reversed(known)}
    gain, offset = (None, None) if line is None else (line.gain, line.offset)
    return Plot(counts.astype(np.int64), gain, offset, named)


def _crop(a: Side, b: Side, together: Together, left: Left, named: NamedMap | None) -> Crop:
    """A fifth of A's picture around the worst cell, the same part of B, and that brought to A."""
    at, row, column = left.worst
    rows, columns = left.delta_e.shape[1:]
    width, height = max(a.info.width // 5, 8), max(a.info.height // 5, 8)
    x = min(max(round((column + 0.5) / columns * a.info.width - width / 2), 0), a.info.width - width)
    y = min(max(round((row + 0.5) / rows * a.info.height - height / 2), 0), a.info.height - height)
    box = (x, y, x + width, y + height)
    number = together.numbers[at]
    frame_a, frame_b = (next(pick(side, [found])) for side, found in ((a, number), (b, number + together.offset)))
    shown_a = _shown(a, frame_a.planes, a.encoding)[y : y + height, x : x + width]
    part = (x / a.info.width, y / a.info.height, (x + width) / a.info.width, (y + height) / a.info.height)
    shown_b = _part(_shown(b, frame_b.planes, b.encoding), together, part, (width, height))
    brought = None
    if named is not None and a.info.model is b.info.model:
        encoding = Encoding(a.encoding.depth, a.encoding.range, b.info.model)
        planes = []
        for plane, channel in zip(frame_b.planes, encoding.channels(), strict=False):
            out = np.empty(plane.shape, np.uint16)
            table = back_table(named, a.encoding.range, encoding.depth, channel, b.info.model, b.encoding.bit_shift)
            through(plane, table, out)
            planes.append(out)
        brought = _part(_shown(b, tuple(planes), encoding), together, part, (width, height))
    return Crop(
        np.ascontiguousarray(shown_a),
        shown_b,
        brought,
        frame_a.index,
        frame_b.index,
        box,
        float(left.delta_e[at, row, column]),
    )


def _shown(side: Side, planes: tuple[Any, ...], encoding: Encoding) -> Shown:
    return as_shown(planes, encoding, matrix=side.matrix, sampling=side.info.sampling, siting=side.info.siting)


def _part(shown: Shown, together: Together, part: tuple[float, float, float, float], size: tuple[int, int]) -> Shown:
    """A part of A's picture as B shows it, turned as A's; black where B has nothing."""
    rows, columns = shown.shape[:2]
    place = together.place
    across = sorted((float(place.across(part[0])) * columns, float(place.across(part[2])) * columns))
    down = sorted((float(place.down(part[1])) * rows, float(place.down(part[3])) * rows))
    pad = int(max(0, -across[0], -down[0], across[1] - columns, down[1] - rows)) + 1
    padded = Image.fromarray(np.pad(shown, ((pad, pad), (pad, pad), (0, 0))))
    box = (across[0] + pad, down[0] + pad, across[1] + pad, down[1] + pad)
    made = np.asarray(padded.resize(size, Image.Resampling.BICUBIC, box=box))
    return np.ascontiguousarray(
        made[:: -1 if place.top > place.bottom else 1, :: -1 if place.left > place.right else 1]
    )
