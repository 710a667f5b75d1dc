"""The scalings that a recording can have been through, as exact multiplicities: how many original codes make each code.

A scaling to the same depth cannot be one to one. From full to narrow some codes hold two originals, from narrow to full some
hold none, and which ones follows from the standards' arithmetic alone. Seen against a smooth picture, the counts of codes
carry that pattern as a comb.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from .encoding import Channel, Encoding, Range, affine_map

Codes = npt.NDArray[np.int64]

WAYS: dict[str, tuple[Range, ...]] = {
    "to-narrow": (Range.FULL, Range.NARROW),
    "to-full": (Range.NARROW, Range.FULL),
    "to-narrow-twice": (Range.FULL, Range.NARROW, Range.NARROW),
    "to-full-twice": (Range.NARROW, Range.FULL, Range.FULL),
    "round-trip": (Range.FULL, Range.NARROW, Range.FULL),
}
"""Names of histories, and the ranges that the codes are made for in turn. A range named twice in a row is a scaling done again to
codes that had it already. From narrow to full and back gives every code again, so it leaves nothing to see."""

CHANGES = ("to-narrow", "to-full")
"""Those of them that may change the depth as well: range and depth in one rounding, or the depth after the range."""

DEEPEST = 12
"""Bits beyond which a frame has too few samples for each code, and too many codes make each of a shallower file to leave a comb."""

PADDINGS = ("shifted", "repeated", "scaled", "to-narrow", "to-full")
"""How shallower codes come to fill a deeper file: zeros below, the upper bits once more below, the exact scaling of full range, or a
change of range on the way up (which keeps every code apart)."""


@dataclass(frozen=True, slots=True)
class Scaling:
    """One history of codes.

    name : a key of WAYS
    depth : bits that the codes ended with
    rounding : 'rounded' (half away from zero) or 'truncated', of the changes of range
    from_depth : bits that they began with, where those were others; None for `depth`
    cut : None where range and depth changed in one rounding (or the depth stayed); for codes that were scaled at `from_depth`
        and then brought to fewer bits, 'rounded' (as codes of their range are) or 'dropped' (their lower bits left out)
    """

    name: str
    depth: int
    rounding: str = "rounded"
    from_depth: int | None = None
    cut: str | None = None

    @property
    def first_depth(self) -> int:
        """Bits that the codes began with."""
        return self.depth if self.from_depth is None else self.from_depth

    @property
    def steps(self) -> tuple[tuple[Encoding, Encoding], ...]:
        """Source and target of each scaling in turn."""
        pairs, here = [], self.first_depth
        for before, after in pairwise(WAYS[self.name]):
            source = Range(1 - after) if before is after else before
            there = self.depth if self.cut is None else here
            pairs.append((Encoding(here, source), Encoding(there, after)))
            here = there
        if here != self.depth:
            pairs.append((pairs[-1][1], Encoding(self.depth, pairs[-1][1].range)))
        return tuple(pairs)

    def affine(self, channel: Channel) -> tuple[Fraction, Fraction]:
        """Gain and offset in codes of all steps together, before rounding: last code = gain * first code + offset."""
        gain, offset = Fraction(1), Fraction(0)
        for step_gain, step_offset, _, _ in self._maps(channel):
            gain, offset = gain * step_gain, offset * step_gain + step_offset
        return gain, offset

    def mapped(self, channel: Channel) -> Codes:
        """The code that every original code ends as, int64 [2^first_depth], clipped to the codes that there are."""
        codes = np.arange(1 << self.first_depth, dtype=np.int64)
        for gain, offset, truncated, top in self._maps(channel):
            codes = np.clip(scaled(codes, gain, offset, truncated=truncated), 0, top)
        return codes

    def _maps(self, channel: Channel) -> Iterator[tuple[Fraction, Fraction, bool, int]]:
        """Gain, offset, truncated or not, and last code of every step."""
        for source, target in self.steps:
            if source.range is not target.range:
                yield *affine_map(source, target, channel), self.rounding == "truncated", target.maximum
            elif self.cut == "dropped":
                yield Fraction(1, 1 << (source.depth - target.depth)), Fraction(0), True, target.maximum
            else:
                yield *affine_map(source, target, channel), False, target.maximum

    def lost(self, channel: Channel) -> dict[str, int]:
        """What the rounding and the ends took, of the codes from the first to the last.

        'merged' : codes that share their last code with a neighbour, clipped ones apart; 'clipped_low', 'clipped_high' : codes
        cut off at the first and the last code
        """
        codes = np.arange(1 << self.first_depth, dtype=np.int64)
        low, high, alive = 0, 0, np.ones(len(codes), bool)
        for gain, offset, truncated, top in self._maps(channel):
            codes = scaled(codes, gain, offset, truncated=truncated)
            low, high = low + int((alive & (codes < 0)).sum()), high + int((alive & (codes > top)).sum())
            alive &= (codes >= 0) & (codes <= top)
            codes = np.clip(codes, 0, top)
        merged = int(alive.sum()) - len(np.unique(codes[alive]))
        return {"merged": merged, "clipped_low": low, "clipped_high": high}

    def multiplicity(self, channel: Channel) -> Codes:
        """How many original codes end as each code, int64 [M + 1]."""
        return np.bincount(self.mapped(channel), minlength=1 << self.depth).astype(np.int64)

    def cut_multiplicity(self, channel: Channel) -> Codes:
        """How many codes of `from_depth` bits end as each code by the cut alone, int64 [M + 1]; full ones are a little uneven."""
        *_, (gain, offset, truncated, top) = self._maps(channel)
        codes = np.arange(1 << self.first_depth, dtype=np.int64)
        return np.bincount(np.clip(scaled(codes, gain, offset, truncated=truncated), 0, top), minlength=top + 1).astype(
            np.int64
        )


def scaled(codes: Codes, gain: Fraction, offset: Fraction, *, truncated: bool = False) -> Codes:
    """gain * codes + offset, rounded half away from zero or truncated towards minus infinity; exact, not clipped.

    codes : int64, at most 16 bits each
    """
    below = gain.denominator * offset.denominator
    above = codes * (gain.numerator * offset.denominator) + offset.numerator * gain.denominator
    if truncated:
        return np.asarray(above // below)
    return np.asarray(np.sign(above) * ((2 * np.abs(above) + below) // (2 * below)))


def candidates(depth: int) -> Iterator[Scaling]:
    """Every history at one depth that is looked for."""
    for name in WAYS:
        for rounding in ("rounded", "truncated"):
            yield Scaling(name, depth, rounding)


def candidates_between_depths(depth: int) -> Iterator[Scaling]:
    """Every change of range that is looked for in codes which had other bits before.

    Deeper codes leave a comb by how many of them make each code; one from shallower codes is left where noise has filled the
    gaps that `padding` looks for, and at four bits' distance turns too slowly to be told from the scene.
    """
    for name in CHANGES:
        for deeper in range(depth + 2, DEEPEST + 1, 2):
            for rounding in ("rounded", "truncated"):
                yield Scaling(name, depth, rounding, deeper)
            for cut in ("rounded", "dropped"):
                yield Scaling(name, depth, "rounded", deeper, cut)
        if depth - 2 >= 8:
            yield Scaling(name, depth, "rounded", depth - 2)
            yield Scaling(name, depth, "truncated", depth - 2)


@lru_cache(maxsize=8)
def shallow_turns(depth: int) -> tuple[float, ...]:
    """Cycles a code of the slow combs that codes of four bits fewer leave when they are spread over `depth` bits, whatever the ranges."""
    spans = [
        (Encoding(shallow, before).span(Channel.LUMA), Encoding(depth, after).span(Channel.LUMA))
        for shallow in range(8, depth - 3)
        for before in Range
        for after in Range
    ]
    return tuple(sorted({few / many for few, many in spans}))


@lru_cache(maxsize=64)
def padded_codes(shallow: int, deep: int, padding: str, channel: Channel = Channel.LUMA) -> tuple[int, ...]:
    """The code at `deep` bits of every code at `shallow` bits.

    padding : one of PADDINGS
    """
    shift, top = deep - shallow, (1 << shallow) - 1
    if padding == "shifted":
        return tuple(code << shift for code in range(top + 1))
    if padding == "repeated":
        return tuple((code << shift) | (code >> (shallow - shift)) for code in range(top + 1))
    before, after = {"scaled": (Range.FULL, Range.FULL)}.get(padding) or WAYS[padding]
    gain, offset = affine_map(Encoding(shallow, before), Encoding(deep, after), channel)
    mapped = scaled(np.arange(top + 1, dtype=np.int64), gain, offset)
    return tuple(int(code) for code in np.clip(mapped, 0, (1 << deep) - 1))
