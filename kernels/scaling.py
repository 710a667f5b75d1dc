"""Codes to codes through the exact map between two encodings.

Integer planes round as the standards do, halves away from zero, and are exact for every code. The fast forms are a product in 16-bit
words, or a multiplication and an addition in float32 or float64; one is used only after every code of the source encoding has been
compared with the exact table, so it cannot differ. Where no such form is found, the table itself is used.

Floating-point planes carry a code divided by M of their encoding (narrow black of 10 bit is 64/1023): affine, never clipped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import kernel, row
from ._words import carried, high, low, plus, right
from .encoding import Channel, Encoding, affine_map
from .planes import FLOATING, INTEGER, Plane, adjacent, check_codes, check_out, check_plane, readable
from .word_form import word_form


def code_map(source_encoding: Encoding, target_encoding: Encoding, channel: Channel) -> npt.NDArray[np.uint16]:
    """The target code of every source code: uint16 [M + 1], read-only; rounded half away from zero, clipped to 0..M of the target.

    Codes, not container words: bit_shift plays no part.

    Raises: ValueError where the models differ.
    Source: BT.2100-3 table 9 (Round); see encoding.py for the map.
    """
    return _code_map(source_encoding, target_encoding, channel, False)


def rescale(
    source: Plane,
    source_encoding: Encoding,
    target_encoding: Encoding,
    *,
    channel: Channel,
    out: Plane | None = None,
    avoid_reserved: bool = False,
) -> Plane:
    """Every code through the exact map of the two encodings.

    source : uint8 | uint16 [rows, columns], any strides, container words (codes shifted left by bit_shift); words over the last
        code count as the last code. Or float16 | float32 [rows, columns], code / M, any value
    channel : Channel, what the plane holds
    out : the same shape, overwritten; uint8 | uint16 wide enough for the target's words, or float16 | float32 for a floating
        source. It may be the source itself. None makes a new one of the target's usual type (a floating source's own type)
    avoid_reserved : clip to the codes that a serial interface does not reserve for timing (4..1019 at 10 bit) instead of 0..M.
        Floating planes are not clipped by this either

    The same encoding on both sides copies word for word. Returns out.
    Raises: ValueError naming the argument and the value.
    Source: BT.709-6 items 4.6 and 4.7; BT.2020-2 table 5; BT.2100-3 table 9; H.273 8.3.
    """
    checked = check_plane(source, "source", INTEGER + FLOATING)
    if checked.dtype in FLOATING:
        return _rescale_floating(checked, source_encoding, target_encoding, channel, out)
    check_codes(checked, "source", source_encoding, "source_encoding")
    target = new_or_checked(out, checked, target_encoding)
    if source_encoding == target_encoding and not avoid_reserved:
        np.copyto(target, checked, casting="unsafe")
        return target
    form = _form(source_encoding, target_encoding, channel, avoid_reserved)
    written = target if adjacent(target) else np.empty(target.shape, target.dtype)
    form.apply(readable(checked), written)
    if written is not target:
        np.copyto(target, written)
    return target


def new_or_checked(out: Plane | None, source: Plane, target_encoding: Encoding) -> Plane:
    """The integer plane to write to, made where none is given.

    Raises: ValueError naming out.
    """
    if out is None:
        return np.empty(source.shape, target_encoding.dtype_name)
    return check_codes(check_out(out, source, INTEGER), "out", target_encoding, "target_encoding")


def exact_map(source_encoding: Encoding, target_encoding: Encoding, channel: Channel) -> npt.NDArray[np.int64]:
    """The rounded, unclipped target code of every source code: int64 [M + 1]."""
    gain, offset = affine_map(source_encoding, target_encoding, channel)
    denominator = gain.denominator * offset.denominator
    codes = np.arange(source_encoding.maximum + 1, dtype=np.int64)
    exact = codes * (gain.numerator * offset.denominator) + offset.numerator * gain.denominator
    return np.sign(exact) * ((2 * np.abs(exact) + denominator) // (2 * denominator))


def _ends(target: Encoding, avoid_reserved: bool) -> tuple[int, int]:
    """The lowest and the highest code to write."""
    low, high = target.reserved
    return (low.stop, high.start - 1) if avoid_reserved else (0, target.maximum)


@lru_cache(maxsize=256)
def _code_map(source: Encoding, target: Encoding, channel: Channel, avoid_reserved: bool) -> npt.NDArray[np.uint16]:
    table = np.clip(exact_map(source, target, channel), *_ends(target, avoid_reserved)).astype(np.uint16)
    table.setflags(write=False)
    return table


@dataclass(frozen=True, slots=True)
class _Form:
    """A map ready to run.

    words : uint16 [10], constants of the form in 16-bit words (see word_form.py), or None
    number : float32 | float64 [2], gain and offset so that the target's word is the truncated gain * word + offset, or None
    limits : uint16 [4], the source's first and last word to tell apart, the source's mask, the target's mask
    codes : uint16 [M + 1], the exact table
    """

    words: npt.NDArray[np.uint16] | None
    number: npt.NDArray[Any] | None
    limits: npt.NDArray[np.uint16]
    source: Encoding
    target: Encoding
    codes: npt.NDArray[np.uint16]

    def apply(self, source: Plane, target: Plane) -> None:
        """target = map(source), both as kernels take them."""
        if self.words is not None:
            _scale_words(source, target, self.words)
        elif self.number is not None:
            _scale(source, target, self.number, self.limits)
        else:
            _look_up(source, target, self.table(source.dtype))

    def table(self, dtype: np.dtype[Any]) -> npt.NDArray[np.uint16]:
        """The target's word of every word that the container can hold."""
        words = np.arange(1 << 8 * dtype.itemsize) >> self.source.bit_shift
        return self.codes[np.minimum(words, self.source.maximum)] << np.uint16(self.target.bit_shift)


@lru_cache(maxsize=256)
def _form(source: Encoding, target: Encoding, channel: Channel, avoid_reserved: bool) -> _Form:
    """The fastest form that equals the table on every code."""
    codes = _code_map(source, target, channel, avoid_reserved)
    exact = exact_map(source, target, channel)
    low, high = _ends(target, avoid_reserved)
    # Clipping the source to the last code that meets the target's end clips the target, if a code meets it exactly.
    first = max(int(np.searchsorted(exact, low, side="right")) - 1, 0)
    last = min(int(np.searchsorted(exact, high, side="left")), source.maximum)
    masks = [encoding.maximum << encoding.bit_shift for encoding in (source, target)]
    limits = np.array([first << source.bit_shift, last << source.bit_shift, *masks], np.uint16)
    words = number = None
    if not source.bit_shift and not target.bit_shift:
        words = _words(source, target, channel, codes, first, last)
    if words is None:
        number = _number(source, target, channel, codes, first, last)
    return _Form(words, number, limits, source, target, codes)


def _nudges(gain: Fraction, offset: Fraction) -> tuple[Fraction, ...]:
    """Less than the distance from a half to the next value that the map takes, and more than arithmetic errors: settles halves upwards."""
    step = Fraction(1, 4 * math.lcm(gain.denominator, offset.denominator))
    return step, step / 2, step * 3 / 2, step / 4, step * 7 / 4, Fraction(0)


def _words(
    source: Encoding, target: Encoding, channel: Channel, codes: npt.NDArray[np.uint16], first: int, last: int
) -> npt.NDArray[np.uint16] | None:
    """Constants in 16-bit words that give every code exactly."""
    gain, offset = affine_map(source, target, channel)
    clipped = np.arange(source.maximum + 1, dtype=np.uint16).clip(first, last)
    for nudge in _nudges(gain, offset):
        form = word_form(gain, offset + Fraction(1, 2) + nudge, source.depth)
        if form is None:
            return None
        for factor in (form.factor, form.factor + 1):
            words = [first, last, form.spread, form.start, factor, form.whole, form.base]
            constants = np.array([word & 0xFFFF for word in (*words, form.below >> 16, form.below, form.shift)], np.uint16)
            product = (clipped * constants[2] + constants[3]).astype(np.int64) * factor
            coarse = ((product >> 16) + (form.below >> 16) + ((product & 0xFFFF) + (form.below & 0xFFFF) >> 16)) & 0xFFFF
            found = (clipped.astype(np.int64) * form.whole + form.base + (coarse >> form.shift)) & 0xFFFF
            if np.array_equal(found, codes):
                return constants
    return None


def _number(
    source: Encoding, target: Encoding, channel: Channel, codes: npt.NDArray[np.uint16], first: int, last: int
) -> npt.NDArray[Any] | None:
    """Gain and offset that give every code exactly when truncated, in the smallest type that does."""
    gain, offset = affine_map(source, target, channel)
    words = (np.arange(source.maximum + 1).clip(first, last) << source.bit_shift).astype(np.float32)
    scale = 2**target.bit_shift
    for dtype in (np.float32, np.float64):
        for nudge in _nudges(gain, offset):
            number = np.array([float(gain * scale / 2**source.bit_shift), float((offset + Fraction(1, 2) + nudge) * scale)], dtype)
            found = (words.astype(dtype) * number[0] + number[1]).astype(np.int32) >> target.bit_shift
            if np.array_equal(found, codes):
                return number
    return None


@kernel("target")
def _scale_words(source: Any, target: Any, words: Any) -> None:
    """target = whole * clipped source + base + (fraction's product >> shift); see word_form.py."""
    first, last, spread, start, factor = words[0], words[1], words[2], words[3], words[4]
    whole, base, upper, lower, shift = words[5], words[6], words[7], words[8], words[9]
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        for x in range(read.shape[0]):
            code = min(max(np.uint16(read[x]), first), last)
            product = plus(low(code, spread), start)
            fine = plus(low(product, factor), lower)
            coarse = plus(plus(high(product, factor), upper), carried(fine, lower))
            written[x] = plus(plus(low(code, whole), base), right(coarse, shift))


@kernel("target")
def _scale(source: Any, target: Any, number: Any, limits: Any) -> None:
    """target = trunc(gain * clipped source + offset), the bits outside the codes masked off on both sides."""
    gain, offset, first, last, source_mask, target_mask = number[0], number[1], limits[0], limits[1], limits[2], limits[3]
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        for x in range(read.shape[0]):
            word = min(max(np.uint16(read[x]), first), last) & source_mask
            written[x] = np.uint16(np.int32(np.float32(word) * gain + offset)) & target_mask


@kernel("target")
def _look_up(source: Any, target: Any, table: Any) -> None:
    """target = table[source]."""
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        for x in range(read.shape[0]):
            written[x] = table[read[x]]


def _rescale_floating(source: Plane, source_encoding: Encoding, target_encoding: Encoding, channel: Channel, out: Plane | None) -> Plane:
    """The affine map on code / M; infinities and NaN go through, nothing is clipped."""
    target = np.empty_like(source) if out is None else check_out(out, source, FLOATING)
    gain, offset = affine_map(source_encoding, target_encoding, channel)
    level_gain = float(gain * source_encoding.maximum / target_encoding.maximum)
    level_offset = float(offset / target_encoding.maximum)
    if (level_gain, level_offset) == (1.0, 0.0):
        np.copyto(target, source, casting="same_kind")
        return target
    with np.errstate(over="ignore", invalid="ignore"):
        levels = np.multiply(source, np.float32(level_gain), dtype=np.float32)
        levels += np.float32(level_offset)
        np.copyto(target, levels, casting="same_kind")
    return target
