"""A written table read back by OpenColorIO and held against the exact transform."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ....kernels.lut import between, curve_points
from ..errors import Problem
from .files import read_table
from .table import Signals, Table

_MANY = 1 << 18
"""Places between points that are looked at; a finer cube is sampled with a fixed seed."""


@dataclass(frozen=True, slots=True)
class Proof:
    """The largest differences, in codes of the table's depth.

    at : at its points
    between : half-way between them
    codes : over every code of grey
    worst : R, G, B codes of the place of the largest
    """

    at: float
    between: float
    codes: float
    worst: tuple[float, float, float]

    def words(self, depth: int) -> str:
        """For a person."""
        at, apart, grey = map(_said, (self.at, self.between, self.codes))
        return (
            f"read back by OpenColorIO: off by at most {at} codes of {depth} bit at its points, {apart} between them, "
            f"{grey} over every grey"
        )


def _said(codes: float) -> str:
    if codes < 5e-5:
        return "0"
    return f"{codes:.2g}" if codes < 99.5 else f"{codes:.0f}"


def prove(table: Table, path: Path) -> Proof:
    """Raises: Problem where the file does not hold the table: more than half a code off at its own points."""
    _, apply = read_table(path)
    scale = (1 << table.depth) - 1
    places = {
        "at": table.points(),
        "between": _between(table),
        "codes": np.repeat(np.arange(scale + 1)[:, None] / scale, 3, axis=1),
    }
    found: dict[str, float] = {}
    worst, place = -1.0, (0.0, 0.0, 0.0)
    for name, signals in places.items():
        exact = table.exact(_held(table, signals))
        off = np.abs(apply(signals) - exact).max(axis=1) * scale
        if not np.isfinite(off).all():
            raise Problem(
                path, "reading it back gave values that are no numbers", "This is a fault of footroom: report it."
            )
        found[name] = float(off.max())
        if found[name] > worst:
            worst = found[name]
            red, green, blue = signals[int(off.argmax())] * scale
            place = float(red), float(green), float(blue)
    if found["at"] > 0.5:
        raise Problem(
            path,
            f"read back it is off by {found['at']:.3g} codes at its own points",
            "This is a fault of footroom: report it.",
        )
    return Proof(found["at"], found["between"], found["codes"], place)


def _held(table: Table, signals: Signals) -> Signals:
    """Where a table ends it holds its last value, and that is meant."""
    if table.chain:
        return signals
    return np.clip(signals, float(table.domain[0]), float(table.domain[1]))


def _between(table: Table) -> Signals:
    points = between(curve_points(table.size, table.domain))
    if not table.cubic:
        return np.repeat(points[:, None], 3, axis=1)
    if len(points) ** 3 <= _MANY:
        return np.stack(np.meshgrid(points, points, points, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.random.default_rng(0).choice(points, (_MANY, 3))
