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

PADDINGS = ("shifted", "repeated", "scaled", "to-narrow", "to-full")
"""How shallower codes come to fill a deeper file: zeros below, the upper bits once more below, the exact scaling of full range, or a
change of range on the way up (which keeps every code apart)."""


@dataclass(frozen=True, slots=True)
class Scaling:
    """One history of codes.

    name : a key of WAYS
    depth : bits at which it was done
    rounding : 'rounded' (half away from zero) or 'truncated'
    """

    name: str
    depth: int
    rounding: str = "rounded"

    @property
    def steps(self) -> tuple[tuple[Encoding, Encoding], ...]:
        """Source and target of each scaling in turn."""
        ranges = WAYS[self.name]
        pairs = []
        for before, after in pairwise(ranges):
            source = Range(1 - after) if before is after else before
            pairs.append((Encoding(self.depth, source), Encoding(self.depth, after)))
        return tuple(pairs)

    def affine(self, channel: Channel) -> tuple[Fraction, Fraction]:
        """Gain and offset in codes of all steps together, before rounding: last code = gain * first code + offset."""
        gain, offset = Fraction(1), Fraction(0)
        for source, target in self.steps:
            step_gain, step_offset = affine_map(source, target, channel)
            gain, offset = gain * step_gain, offset * step_gain + step_offset
        return gain, offset

    def mapped(self, channel: Channel) -> Codes:
        """The code that every original code ends as, int64 [M + 1], clipped to the codes that there are."""
        codes = np.arange(1 << self.depth, dtype=np.int64)
        for source, target in self.steps:
            codes = scaled(codes, *affine_map(source, target, channel), truncated=self.rounding == "truncated")
            codes = np.clip(codes, 0, target.maximum)
        return codes

    def lost(self, channel: Channel) -> dict[str, int]:
        """What the rounding and the ends took, of the codes from the first to the last.

        'merged' : codes that share their last code with a neighbour, clipped ones apart; 'clipped_low', 'clipped_high' : codes
        cut off at the first and the last code
        """
        codes = np.arange(1 << self.depth, dtype=np.int64)
        top, low, high = (1 << self.depth) - 1, 0, 0
        alive = np.ones(len(codes), bool)
        for source, target in self.steps:
            codes = scaled(codes, *affine_map(source, target, channel), truncated=self.rounding == "truncated")
            low, high = low + int((alive & (codes < 0)).sum()), high + int((alive & (codes > top)).sum())
            alive &= (codes >= 0) & (codes <= top)
            codes = np.clip(codes, 0, top)
        merged = int(alive.sum()) - len(np.unique(codes[alive]))
        return {"merged": merged, "clipped_low": low, "clipped_high": high}

    def multiplicity(self, channel: Channel) -> Codes:
        """How many original codes end as each code, int64 [M + 1]."""
        return np.bincount(self.mapped(channel), minlength=1 << self.depth).astype(np.int64)


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
    """Every history that is looked for at a depth."""
    for name in WAYS:
        for rounding in ("rounded", "truncated"):
            yield Scaling(name, depth, rounding)


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
