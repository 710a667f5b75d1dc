"""A table before it is a file: what goes in, what comes out, and the exact transform that its points are taken from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ....kernels.encoding import Channel, Encoding, Range
from ....kernels.lut import cube_points, curve_points

Signals = NDArray[np.float64]

UNIT = (Fraction(0), Fraction(1))


@dataclass(frozen=True, slots=True)
class End:
    """What a table takes, or what it gives.

    holds : in words: 'V-Log', 'a picture for BT.1886'
    """

    range: Range
    holds: str

    def words(self, depth: int) -> str:
        """For a person: 'narrow (black 64, white 940 of 10 bit), V-Log'."""
        encoding = Encoding(depth, self.range)
        black, white = encoding.black(Channel.LUMA), encoding.white(Channel.LUMA)
        return f"{self.range.label} (black {black}, white {white} of {depth} bit), {self.holds}"


@dataclass(frozen=True, eq=False, slots=True)
class Table:
    """kind : range, view, zones, adapt
    exact : R'G'B' signals float64 [n, 3] to the same
    alike : the three channels each go through the same curve and nothing else
    size : points along a side
    cubic : three-dimensional
    domain : the part of 0..1 that has points; what lies outside comes out as its ends do
    values : float64 [size] or [size, 3] or [size ** 3, 3] where they are given, not computed from `exact`
    chain : OpenColorIO transforms that say the same in Common LUT Format; empty where the points do
    notes : what a person should know, in sentences
    """

    kind: str
    title: str
    source: End
    target: End
    depth: int
    exact: Callable[[Signals], Signals]
    alike: bool
    size: int
    cubic: bool
    domain: tuple[Fraction, Fraction] = UNIT
    values: Signals | None = None
    chain: tuple[Any, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def points(self) -> Signals:
        """Where the table's points lie, float64 [size ** 3, 3], or [size, 3] of equal R, G and B."""
        if self.cubic:
            return cube_points(self.size, self.domain)
        return np.repeat(curve_points(self.size, self.domain)[:, None], 3, axis=1)

    def computed(self) -> Signals:
        """The values at the points, float64 [size ** 3, 3] or [size, 3]."""
        if self.values is not None:
            return self.values
        return self.exact(self.points())

    def described(self) -> list[str]:
        """What is written inside the file."""
        return [
            f"{self.title}. Made by footroom.",
            f"In: {self.source.words(self.depth)}.",
            f"Out: {self.target.words(self.depth)}.",
            "Use it once, and only where the signal is what 'In' says: used twice or in the other range it is wrong.",
            *self.notes,
            note_of(self),
        ]


_MARK = "footroom-table:"


def note_of(table: Table) -> str:
    """The line that says for a program what the others say for a person."""
    return f"{_MARK} {table.kind} in={table.source.range.label} out={table.target.range.label} depth={table.depth}"


def ranges_noted(text: str) -> tuple[Range, Range] | None:
    """Ranges that a table of ours says it was made for, in and out; None where it says nothing."""
    _, found, rest = text.partition(_MARK)
    words = dict(word.split("=", 1) for word in rest.splitlines()[0].split() if "=" in word) if found else {}
    try:
        return Range.parse(words["in"].strip("-<>")), Range.parse(words["out"].strip("-<>"))
    except (KeyError, ValueError):
        return None
