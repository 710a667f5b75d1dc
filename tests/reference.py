"""The exact reference: the standards' formulae in rationals, written from them and never from the code under test.

Sources: ITU-R BT.709-6 item 4.6, BT.2020-2 table 5, BT.2100-3 table 9 (levels, Round); ITU-T H.273 8.3 (full-range
chroma lies around 2^(n-1)).
"""

from __future__ import annotations

from fractions import Fraction


def round_half_away(value: Fraction) -> int:
    """Sign(x) Floor(|x| + 1/2)."""
    whole = (abs(value) + Fraction(1, 2)).__floor__()
    return -whole if value < 0 else whole


def level(code: int, depth: int, full: bool, chroma: bool) -> Fraction:
    """E of a code: the formula of the standard solved for E."""
    k, top = 2 ** (depth - 8), 2**depth - 1
    if chroma:
        return Fraction(code - 2 ** (depth - 1), top) if full else Fraction(code - 128 * k, 224 * k)
    return Fraction(code, top) if full else Fraction(code - 16 * k, 219 * k)


def exact(value: Fraction, depth: int, full: bool, chroma: bool) -> Fraction:
    """The unrounded code of E."""
    k, top = 2 ** (depth - 8), 2**depth - 1
    if chroma:
        return value * top + 2 ** (depth - 1) if full else (224 * value + 128) * k
    return value * top if full else (219 * value + 16) * k


def unrounded(code: int, source: tuple[int, bool], target: tuple[int, bool], chroma: bool) -> Fraction:
    """Where a code falls between the target's codes. source, target : (depth, full)."""
    return exact(level(code, *source, chroma), *target, chroma)


def mapped(code: int, source: tuple[int, bool], target: tuple[int, bool], chroma: bool, *, clip: bool = True) -> int:
    """The target code of a code, clipped to the end codes unless told not to."""
    result = round_half_away(unrounded(code, source, target, chroma))
    return min(max(result, 0), 2 ** target[0] - 1) if clip else result
