"""Codes to codes with the rounding error made into noise: `Dither` and `requantise`.

=================  =============================================  ==============================  ======================
kind               noise before truncation, in steps              mean error                      total error variance
=================  =============================================  ==============================  ======================
none               none (rescale)                                 a function of the code          1/12 on average
rectangular        uniform, 1 wide                                0                               f (1 - f)
triangular         sum of two uniform, 2 wide                     0                               1/4
blue-noise         triangular in every pixel, blue over pixels    0                               1/4
error-diffusion    none; the error goes to later neighbours       0 over an area                  no closed form
=================  =============================================  ==============================  ======================

with f the distance of the exact value from the code below it. Clipping at the end codes comes after the noise and biases
the ends, as it must.
Source: Lipshitz, Wannamaker, Vanderkooy, Quantization and dither (1992); Ulichney (1993); Floyd, Steinberg (1976).

Each noise word has one byte to a uniform variable; what lies below a 256th of a step is made up by a uniform threshold for each row (in
blocks of 4,096 columns), so means are exact over rows and within 1/512 of a step along one row.

Where the map gives a whole code for every code (a left shift, alpha of the same depth, the same encoding) there is no rounding error and
so no dither: the codes are `rescale`'s.
"""

from __future__ import annotations

from enum import Enum
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from .encoding import Channel, Encoding, affine_map

if TYPE_CHECKING:
    import numpy.typing as npt


class Dither(Enum):
    """What becomes of the rounding error. The values are the words a person types."""

    NONE = "none"
    """Rounded half away from zero: the error is a function of the code."""
    RECTANGULAR = "rectangular"
    """Uniform noise one step wide: mean error 0, variance f (1 - f)."""
    TRIANGULAR = "triangular"
    """Triangular noise two steps wide: mean error 0, total variance 1/4 step^2 whatever the code."""
    BLUE_NOISE = "blue-noise"
    """Triangular noise whose neighbours differ: the same mean and variance, with the power at high spatial frequencies."""
    ERROR_DIFFUSION = "error-diffusion"
    """Floyd and Steinberg's: each pixel's error goes to the next four. Whole planes only."""


@lru_cache(maxsize=256)
def _is_whole(source: Encoding, target: Encoding, channel: Channel) -> bool:
    """True where every code's exact target is a whole code, so that there is nothing to dither."""
    gain, offset = affine_map(source, target, channel)
    return gain.denominator == offset.denominator == 1


def requantise(
    source: npt.NDArray[Any],
    source_encoding: Encoding,
    target_encoding: Encoding,
    *,
    channel: Channel,
    dither: Dither,
    seed: int = 0,
    frame: int = 0,
    plane: int = 0,
    origin: tuple[int, int] = (0, 0),
    out: npt.NDArray[Any] | None = None,
) -> npt.NDArray[Any]:
    """Every code through the exact map of the two encodings, dithered to whole codes, clipped to 0..M of the target.

    source : uint8 | uint16 [rows, columns], any strides, container words as for `rescale`; or float16 | float32, code / M of the
        source encoding (NaN counts as 0)
    dither : Dither; NONE equals `rescale` for integer planes and rounds floating ones
    seed, frame, plane : any int; other values give independent noise
    origin : absolute (row, column) of source[0, 0], any int: any tiling gives the same codes as the whole plane
    out : uint8 | uint16, the source's shape, overwritten; it may be the source itself. None makes a new one

    Error diffusion carries errors across the whole plane, so it takes no tiles: origin must be (0, 0); seed, frame and plane
    play no part in it.

    Returns out. Raises: ValueError naming the argument and the value.
    Source: see the module.
    """
    from .diffusion import diffuse
    from .levels import fine_codes
    from .noise_dither import add_noise
    from .planes import FLOATING, INTEGER, check_codes, check_plane
    from .scaling import new_or_checked, rescale

    dither = Dither(dither)
    if dither is Dither.ERROR_DIFFUSION and tuple(origin) != (0, 0):
        raise ValueError(f"origin must be (0, 0) for error diffusion, which needs the whole plane, got {tuple(origin)}")
    checked = check_plane(source, "source", INTEGER + FLOATING)
    floating = checked.dtype in FLOATING
    if not floating:
        if dither is Dither.NONE or _is_whole(source_encoding, target_encoding, channel):
            return rescale(checked, source_encoding, target_encoding, channel=channel, out=out)
        check_codes(checked, "source", source_encoding, "source_encoding")
    target = new_or_checked(out, checked, target_encoding)
    if dither is Dither.NONE:
        target[...] = fine_codes(checked, source_encoding, target_encoding, channel, 0) << target_encoding.bit_shift
    elif dither is Dither.ERROR_DIFFUSION:
        diffuse(checked, source_encoding, target_encoding, channel, target)
    else:
        add_noise(checked, source_encoding, target_encoding, channel, dither, (seed, frame, plane), origin, target)
    return target
