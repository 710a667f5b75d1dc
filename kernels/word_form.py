"""An affine map of codes in 16-bit words: whole * code + (fraction * code) + offset, the fraction's product kept to 32 bits.

A vector unit does 32 words at once, twice as many as in float32. A change of range at one depth has a gain near 1, so that the
fraction's product stays small and its high word has bits to spare below the code.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class WordForm:
    """Constants so that, in 16-bit words,

    product = spread * code + start
    result = whole * code + base + ((high(product, factor) + upper + carry of (low(product, factor) + lower)) >> shift)

    with (upper, lower) = below. `factor_below` is what the factor lacks, in 65536ths; `start` and a negated `spread` count codes
    from the last one downwards where the fraction is negative.
    """

    whole: int
    spread: int
    start: int
    factor: int
    factor_below: int
    shift: int
    base: int
    below: int


def word_form(gain: Fraction, offset: Fraction, depth: int, shift: int | None = None) -> WordForm | None:
    """The form of floor(gain * code + offset) for codes of the given depth, or None where it does not fit.

    shift : bits below the code in the product's high word; None takes as many as fit
    """
    last = (1 << depth) - 1
    whole = math.floor(gain + Fraction(1, 2))
    fraction = gain - whole
    # The high word must hold the product and, where a caller adds noise, up to three codes more.
    for bits in range(14, 3, -1) if shift is None else (shift,):
        factor = abs(fraction) * 2 ** (depth + bits)
        if factor < 65535 and factor * last / 2**depth + 2 ** (bits + 2) < 65535:
            break
    else:
        return None
    spread, start = 1 << (16 - depth), 0
    if fraction < 0:
        offset += fraction * last
        spread, start = -spread, spread * last
    base = math.floor(offset)
    below = math.floor((offset - base) * 2 ** (bits + 16))
    short = round((factor - int(factor)) * 65536)
    return WordForm(whole, spread & 0xFFFF, start, int(factor), short, bits, base, below)
