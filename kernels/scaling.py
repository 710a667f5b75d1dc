"""Codes to codes through the exact map between two encodings.

Integer planes round as the standards do, halves away from zero, and are exact for every code. The fast forms are a product in 16-bit
words, or a multiplication and an addition in float32 or float64; one is used only after every code of the source encoding has been
compared with the exact table, so it cannot differ.

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

from ._jit import Kernel, kernel, row
from ._words import carried, high, low, minus, plus, right
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
    rounded: npt.NDArray[np.int64] = np.sign(exact) * ((2 * np.abs(exact) + denominator) // (2 * denominator))
    return rounded


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
    """A map ready to run: its loop, and the loop's two tables of constants."""

    loop: Kernel
    number: npt.NDArray[Any]
    limits: npt.NDArray[Any]

    def apply(self, source: Plane, target: Plane) -> None:
        """target = map(source), both as kernels take them."""
        self.loop(source, target, self.number, self.limits)


@lru_cache(maxsize=256)
def _form(source: Encoding, target: Encoding, channel: Channel, avoid_reserved: bool) -> _Form:
    """The fastest form that equals the table on every code."""
    codes = _code_map(source, target, channel, avoid_reserved)
    ends = _ends(target, avoid_reserved)
    return _words(source, target, channel, codes, ends) or _number(source, target, channel, codes, ends)


def _nudges(gain: Fraction, offset: Fraction) -> tuple[Fraction, ...]:
    """Less than the distance from a half to the next value that the map takes, and more than arithmetic errors: settles halves upwards."""
    step = Fraction(1, 4 * math.lcm(gain.denominator, offset.denominator))
    return step, step / 2, step * 3 / 2, step / 4, step * 7 / 4, Fraction(0)


def _words(
    source: Encoding, target: Encoding, channel: Channel, codes: npt.NDArray[np.uint16], ends: tuple[int, int]
) -> _Form | None:
    """The form in 16-bit words, if one gives every code exactly."""
    exact = exact_map(source, target, channel)
    bias = max(0, -int(exact.min()))
    if source.bit_shift or target.bit_shift or int(exact.max()) + bias > 65535:
        return None
    gain, offset = affine_map(source, target, channel)
    every = np.arange(source.maximum + 1, dtype=np.int64)
    for nudge in _nudges(gain, offset):
        form = word_form(gain, offset + Fraction(1, 2) + nudge, source.depth)
        if form is None:
            return None
        for factor in (form.factor, form.factor + 1):
            product = ((every * form.spread + form.start) & 0xFFFF) * factor
            coarse = (
                (product >> 16) + (form.below >> 16) + ((product & 0xFFFF) + (form.below & 0xFFFF) >> 16)
            ) & 0xFFFF
            found = (every * form.whole + form.base + bias + (coarse >> form.shift)) & 0xFFFF
            if np.array_equal((found - bias).clip(*ends), codes):
                words = [
                    form.spread,
                    form.start,
                    factor,
                    form.whole,
                    form.base + bias,
                    form.below >> 16,
                    form.below,
                    form.shift,
                ]
                limits = [source.maximum, bias + ends[0], bias, ends[1]]
                return _Form(
                    _scale_words, np.array([word & 0xFFFF for word in words], np.uint16), np.array(limits, np.uint16)
                )
    return None


def _number(
    source: Encoding, target: Encoding, channel: Channel, codes: npt.NDArray[np.uint16], ends: tuple[int, int]
) -> _Form:
    """The form in the smallest floating-point type that gives every code exactly; float64 always does."""
    gain, offset = affine_map(source, target, channel)
    words = (np.arange(source.maximum + 1) << source.bit_shift).astype(np.float32)
    for dtype in (np.float32, np.float64):
        for nudge in _nudges(gain, offset):
            number = np.array([float(gain / 2**source.bit_shift), float(offset + Fraction(1, 2) + nudge)], dtype)
            found = (words.astype(dtype) * number[0] + number[1]).astype(np.int32)
            if np.array_equal(found.clip(*ends), codes):
                limits = np.array([source.maximum << source.bit_shift, *ends, target.bit_shift], np.int32)
                return _Form(_scale, number, limits)
    raise AssertionError(f"no arithmetic gives the map from {source} to {target} exactly")


@kernel("target")
def _scale_words(source: Any, target: Any, words: Any, limits: Any) -> None:
    """target = clip(whole * code + base + (fraction's product >> shift)); see word_form.py. Both tables are uint16."""
    spread, start, factor, whole, base, upper, lower, shift = (
        words[0], words[1], words[2], words[3], words[4], words[5], words[6], words[7],
    )  # fmt: skip
    last, least, bias, most = limits[0], limits[1], limits[2], limits[3]
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        for x in range(read.shape[0]):
            code = min(np.uint16(read[x]), last)
            product = plus(low(code, spread), start)
            fine = plus(low(product, factor), lower)
            coarse = plus(plus(high(product, factor), upper), carried(fine, lower))
            result = plus(plus(low(code, whole), base), right(coarse, shift))
            written[x] = min(minus(max(result, least), bias), most)


@kernel("target")
def _scale(source: Any, target: Any, number: Any, limits: Any) -> None:
    """target = clip(trunc(gain * word + offset)), the bits outside the codes masked off; number is floating, limits int32."""
    gain, offset = number[0], number[1]
    last, least, most, shift = np.uint16(limits[0]), limits[1], limits[2], np.uint16(limits[3])
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        for x in range(read.shape[0]):
            word = min(np.uint16(read[x]), last) & last
            written[x] = np.uint16(min(max(np.int32(np.float32(word) * gain + offset), least), most)) << shift


def _rescale_floating(
    source: Plane, source_encoding: Encoding, target_encoding: Encoding, channel: Channel, out: Plane | None
) -> Plane:
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
