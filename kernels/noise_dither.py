"""Noise added before truncation: the loops behind rectangular, triangular and blue-noise dither.

Two forms of one formula, target = floor(map(code) + 1/2 + noise - mean of the noise):

- words: everything in 16-bit words, for maps whose gain is near a whole number (a change of range at 8 or 10 bits, 8 to 10 bits).
  map(code) = whole code + fraction code + offset; the fraction's product is kept to 24 bits below the code. Its factor is one of two
  neighbouring words, drawn for each row so that its mean is exact.
- wide: float32 up to 12 bits, float64 above, kept to 12 bits below the code.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ._jit import inline, kernel, row
from ._words import carried, high, low, minus, plus, right
from .dither import Dither
from .encoding import Channel, Encoding, affine_map
from .noise import BLOCK, TILE, counter_key, line, philox, tile
from .planes import FLOATING, Plane, adjacent, readable
from .word_form import word_form

_SHORT = 1024
"""Columns of a blue-noise row that are kept ready; a multiple of the tile's side."""
_FINE = 12
"""Bits below a code in the wide form."""
_MARGIN = 4
"""Codes by which the wide form is lifted, so that truncation is a floor wherever the result can lie above 0."""
_NO_TILE = np.zeros((0, 0), np.uint16)


@dataclass(frozen=True, slots=True)
class _Kind:
    """How a noise word becomes noise in 256ths of a step, (word >> shift) + (word & mask) + threshold, and the mean of that."""

    shift: int
    mask: int
    mean: Fraction


_KINDS = {
    Dither.RECTANGULAR: _Kind(8, 0, Fraction(256, 2)),
    Dither.TRIANGULAR: _Kind(8, 255, Fraction(511, 2)),
    Dither.BLUE_NOISE: _Kind(0, 0, Fraction(511, 2)),
}


def add_noise(
    source: Plane,
    source_encoding: Encoding,
    target_encoding: Encoding,
    channel: Channel,
    dither: Dither,
    key: tuple[int, int, int],
    origin: tuple[int, int],
    target: Plane,
) -> None:
    """target = map(source) dithered; planes and encodings checked by the caller, key = (seed, frame, plane)."""
    written = target if adjacent(target) else np.empty(target.shape, target.dtype)
    read = readable(source)
    noise = (tile(*key) if dither is Dither.BLUE_NOISE else _NO_TILE), line(), counter_key(*key), *map(int, origin)
    if read.dtype in FLOATING:
        number, code = _level_form(source_encoding, target_encoding, channel, dither)
        _dither_levels(read.astype(np.float32, copy=False), written, number, code, *noise)
    else:
        words = _word_form(source_encoding, target_encoding, channel, dither)
        if words is not None:
            _dither_words(read, written, *words, *noise)
        else:
            _dither_wide(read, written, *_wide_form(source_encoding, target_encoding, channel, dither), *noise)
    if written is not target:
        np.copyto(target, written)


def _lift(kind: _Kind) -> Fraction:
    """What is added so that the noise, truncated, leaves the mean alone: 1/2 less the noise's mean, in steps."""
    return Fraction(1, 2) - kind.mean / 256


@lru_cache(maxsize=256)
def _word_form(
    source: Encoding, target: Encoding, channel: Channel, dither: Dither
) -> tuple[npt.NDArray[np.uint16], int, int] | None:
    """Constants of the words form, the factor's and the offset's fractions of a word; None where the map does not fit it."""
    if target.depth > 14:
        return None
    gain, offset = affine_map(source, target, channel)
    kind = _KINDS[dither]
    form = word_form(gain, offset + _lift(kind), source.depth, shift=8)
    if form is None:
        return None
    bias = (
        max(0, -math.floor(min(offset, gain * source.maximum + offset))) + 2
    )  # so that no result is negative before the clip
    words = [
        source.maximum,
        form.spread,
        form.start,
        form.factor,
        form.whole & 0xFFFF,
        (form.base + bias) & 0xFFFF,
        bias,
    ]
    words += [target.maximum, kind.shift, kind.mask, source.bit_shift, 1 << target.bit_shift]
    return np.array(words, np.uint16), form.factor_below, form.below


def _ready_rows(blue: Any, rows: int, origin_y: int) -> Any:
    """The tile's rows as the picture's rows 0..127 need them, repeated to _SHORT columns; nothing for white noise."""
    count = min(rows, TILE) if blue.shape[0] > 0 else 0
    ready = np.empty((count, _SHORT), np.uint16)
    for y in range(count):
        for x in range(_SHORT):
            ready[y, x] = blue[(origin_y + y) & (TILE - 1), x & (TILE - 1)]
    return ready


_ready = inline(_ready_rows)


@kernel("target")
def _dither_words(
    source: Any,
    target: Any,
    code: Any,
    factor_below: int,
    offset_below: int,
    blue: Any,
    white: Any,
    key: Any,
    origin_y: int,
    origin_x: int,
) -> None:
    """target = clip(whole * code + (fraction * code + noise >> 8) + base), in 16-bit words; see _word_form for `code`."""
    last, spread, start, whole, base, bias, top = code[0], code[1], code[2], code[4], code[5], code[6], code[7]
    shift, mask, into, scale = code[8], code[9], code[10], code[11]
    ready = _ready(blue, source.shape[0], origin_y)
    for y in range(source.shape[0]):
        read_row, written_row = row(source, y), row(target, y)
        absolute_y = origin_y + y
        x = 0
        while x < read_row.shape[0]:
            block = (origin_x + x) >> 12
            inside = (origin_x + x) & (BLOCK - 1)
            a, b, c, _ = philox(
                np.uint64(absolute_y & 0xFFFFFFFF), np.uint64(block & 0xFFFFFFFF), key[0], key[1], key[2], key[3]
            )
            begin, flip, odd = (
                np.int64(a & np.uint64(BLOCK - 1)),
                np.uint16(a >> np.uint64(16)),
                np.uint16(b | np.uint64(1)),
            )
            factor = plus(code[3], np.uint16(np.int64(c & np.uint64(0xFFFF)) < factor_below))
            below = offset_below + np.int64(b >> np.uint64(16))
            upper, lower = np.uint16(below >> 16), np.uint16(below & 0xFFFF)
            end = min(read_row.shape[0], x + BLOCK - inside)
            while x < end:
                if blue.shape[0] > 0:
                    inside = (origin_x + x) & (_SHORT - 1)
                    count = min(end - x, _SHORT - inside)
                    noise = ready[y & (TILE - 1), inside : inside + count]
                    flip, odd = np.uint16(0), np.uint16(1)
                else:
                    count = end - x
                    noise = white[begin + inside : begin + inside + count]
                read, written = read_row[x : x + count], written_row[x : x + count]
                for i in range(count):
                    word = min(right(np.uint16(read[i]), into), last)
                    draw = low(noise[i] ^ flip, odd)
                    added = plus(plus(right(draw, shift), draw & mask), upper)
                    product = plus(low(word, spread), start)
                    fine = plus(low(product, factor), lower)
                    coarse = plus(plus(high(product, factor), added), carried(fine, lower))
                    result = plus(plus(low(word, whole), base), right(coarse, np.uint16(8)))
                    written[i] = low(min(minus(max(result, bias), bias), top), scale)
                x += count


@lru_cache(maxsize=256)
def _wide_form(
    source: Encoding, target: Encoding, channel: Channel, dither: Dither
) -> tuple[npt.NDArray[Any], npt.NDArray[np.uint16]]:
    """Gain and offset at 12 bits below the code (of words as they lie in the container), and the words' constants."""
    gain, offset = affine_map(source, target, channel)
    kind = _KINDS[dither]
    number = [gain * 2**_FINE / 2**source.bit_shift, (offset + _lift(kind) + _MARGIN) * 2**_FINE]
    dtype = np.float32 if max(source.depth, target.depth) <= 12 else np.float64
    code = [source.maximum << source.bit_shift, kind.shift, kind.mask, target.maximum, target.bit_shift]
    return np.array([float(value) for value in number], dtype), np.array(code, np.uint16)


@kernel("target")
def _dither_wide(
    source: Any, target: Any, number: Any, code: Any, blue: Any, white: Any, key: Any, origin_y: int, origin_x: int
) -> None:
    """target = clip(gain * word + offset + noise >> 12); see _wide_form for `number` and `code`."""
    gain, offset = number[0], number[1]
    last, shift, mask, top, out_shift = code[0], code[1], code[2], np.int32(code[3]), code[4]
    ready = _ready(blue, source.shape[0], origin_y)
    for y in range(source.shape[0]):
        read_row, written_row = row(source, y), row(target, y)
        absolute_y = origin_y + y
        x = 0
        while x < read_row.shape[0]:
            block = (origin_x + x) >> 12
            inside = (origin_x + x) & (BLOCK - 1)
            a, b, _, _ = philox(
                np.uint64(absolute_y & 0xFFFFFFFF), np.uint64(block & 0xFFFFFFFF), key[0], key[1], key[2], key[3]
            )
            begin, flip, odd = (
                np.int64(a & np.uint64(BLOCK - 1)),
                np.uint16(a >> np.uint64(16)),
                np.uint16(b | np.uint64(1)),
            )
            threshold = np.int32((b >> np.uint64(28)) & np.uint64(15)) - np.int32(_MARGIN << _FINE)
            end = min(read_row.shape[0], x + BLOCK - inside)
            while x < end:
                if blue.shape[0] > 0:
                    inside = (origin_x + x) & (_SHORT - 1)
                    count = min(end - x, _SHORT - inside)
                    noise = ready[y & (TILE - 1), inside : inside + count]
                    flip, odd = np.uint16(0), np.uint16(1)
                else:
                    count = end - x
                    noise = white[begin + inside : begin + inside + count]
                read, written = read_row[x : x + count], written_row[x : x + count]
                for i in range(count):
                    word = min(np.uint16(read[i] & last), last)
                    draw = low(noise[i] ^ flip, odd)
                    added = plus(right(draw, shift), draw & mask)
                    value = np.int32(np.float32(word) * gain + offset)
                    result = np.int32(np.int32(value + (np.int32(added) << np.int32(4)) + threshold) >> np.int32(_FINE))
                    written[i] = np.uint16(min(max(result, np.int32(0)), top)) << out_shift
                x += count


@lru_cache(maxsize=256)
def _level_form(
    source: Encoding, target: Encoding, channel: Channel, dither: Dither
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.uint16]]:
    """Gain and offset from code / M to 12 bits below the target's code, and the words' constants."""
    gain, offset = affine_map(source, target, channel)
    kind = _KINDS[dither]
    number = [
        gain * source.maximum * 2**_FINE,
        (offset + _lift(kind)) * 2**_FINE,
        Fraction(target.maximum + 2) * 2**_FINE,
    ]
    code = [kind.shift, kind.mask, target.maximum, target.bit_shift]
    return np.array([float(value) for value in number]), np.array(code, np.uint16)


@kernel("target")
def _dither_levels(
    source: Any, target: Any, number: Any, code: Any, blue: Any, white: Any, key: Any, origin_y: int, origin_x: int
) -> None:
    """target = clip(gain * level + offset + noise >> 12); NaN counts as 0. See _level_form for `number` and `code`."""
    shift, mask, top, out_shift = code[0], code[1], np.int64(code[2]), code[3]
    least, most = np.float64(-_MARGIN << _FINE), number[2]
    for y in range(source.shape[0]):
        read, written = row(source, y), row(target, y)
        absolute_y = origin_y + y
        x = 0
        while x < read.shape[0]:
            block = (origin_x + x) >> 12
            inside = (origin_x + x) & (BLOCK - 1)
            a, b, _, _ = philox(
                np.uint64(absolute_y & 0xFFFFFFFF), np.uint64(block & 0xFFFFFFFF), key[0], key[1], key[2], key[3]
            )
            begin, flip, odd = (
                np.int64(a & np.uint64(BLOCK - 1)),
                np.uint16(a >> np.uint64(16)),
                np.uint16(b | np.uint64(1)),
            )
            threshold = np.int64((b >> np.uint64(28)) & np.uint64(15))
            end = min(read.shape[0], x + BLOCK - inside)
            while x < end:
                if blue.shape[0] > 0:
                    added = np.int64(blue[absolute_y & (TILE - 1), (origin_x + x) & (TILE - 1)])
                else:
                    draw = low(white[begin + inside] ^ flip, odd)
                    added = np.int64(plus(right(draw, shift), draw & mask))
                level = np.float64(read[x])
                value = (0.0 if np.isnan(level) else level) * number[0] + number[1]
                fine = np.int64(np.floor(min(max(value, least), most))) + (added << 4) + threshold
                written[x] = np.uint16(min(max(fine >> 12, np.int64(0)), top)) << out_shift
                inside += 1
                x += 1
