"""Planes resampled through Pillow, one by one in 32-bit floats: no range, no matrix and no depth can come in between.

Where a chroma sample lies. Plane coordinates count samples and a sample's middle is at index + 1/2, in luma and in
chroma alike. With k luma samples to a chroma sample, chroma sample j sits at the luma coordinate k j + p, where

    p = 1/2      on the first of its luma samples ('left' horizontally, 'top' vertically)
    p = k/2      in the middle of them            ('centre')
    p = k - 1/2  on the last of them              ('bottom')

Its own coordinate is C = j + 1/2, so the luma coordinate X is at C(X) = (X - p)/k + 1/2 in the chroma plane. The luma
window x0..x1 becomes a picture of w samples: X' of the result lies at X = x0 + s X', s = (x1 - x0)/w. The result's chroma
has n = ceil(w/k) samples and the same siting, so its coordinate C' lies at X' = k (C' - 1/2) + p, and in the source's
chroma at C(x0 + s X'). The chroma window is where C' = 0 and C' = n lead to. For k = 2 and 'left' that is
x0/2 + 1/4 - s/4 and, at an even w, x1/2 + 1/4 - s/4.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import ceil, floor
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from ...kernels.encoding import Channel
from .media import Plane

Number = float | Fraction
Box = tuple[Number, Number, Number, Number]
"""x0, y0, x1, y1 in samples from the plane's top left corner; pixel edges are whole numbers."""

SUBSAMPLING = {"4:4:4": (1, 1), "4:2:2": (2, 1), "4:2:0": (2, 2), "4:4:0": (1, 2), "4:1:1": (4, 1), "gray": (1, 1)}
"""Luma samples to a chroma sample, across and down."""

_STRIP = 1 << 18
"""Samples that are resampled at a time; a strip's floats take a megabyte."""

_LOBES = 3
"""Pillow's LANCZOS reaches over three samples of the coarser of the two pictures."""


def scaled(plane: Plane, size: tuple[int, int], box: Box, maximum: int) -> Plane:
    """The plane's window `box` resampled to `size` by a Lanczos filter of three lobes, widened where it gets smaller.

    plane : uint8, uint16, float16 or float32 [rows, columns]
    size : columns, rows of the result
    box : may begin and end between samples, and reach beyond the plane, where the outermost sample goes on
    maximum : last code; an integer result is rounded to the nearest code and clipped to 0..maximum, a float one is not
    Returns: [rows, columns] of the plane's type; a window that keeps whole samples one for one keeps their very codes.

    Raises: ValueError for a size or window without area.
    """
    out = np.empty((size[1], size[0]), plane.dtype)
    _scale(plane, out, box, maximum)
    return out


def _scale(plane: Plane, out: npt.NDArray[Any], box: Box, maximum: int) -> None:
    """As scaled, into `out`: strip by strip, because whole planes in floats are large and scatter a busy heap."""
    rows, columns = out.shape
    x = _Span.of(box[0], box[2], columns, plane.shape[1])
    y0, y1 = Fraction(box[1]), Fraction(box[3])
    whole = _Span.of(y0, y1, rows, plane.shape[0])
    if x.whole and whole.whole:
        out[:] = _read(plane, x, whole)[whole.inside, x.inside]
        return
    step = (y1 - y0) / rows
    height = max(_STRIP // columns, 16)
    for top in range(0, rows, height):
        bottom = min(top + height, rows)
        y = _Span.of(y0 + step * top, y0 + step * bottom, bottom - top, plane.shape[0])
        _resize(_read(plane, x, y), out[top:bottom], (x.start, y.start, x.end, y.end), maximum)


def _read(plane: Plane, x: _Span, y: _Span) -> Plane:
    """The part of the plane that the spans name, its outermost samples repeated where they ask for more."""
    part = plane[y.first : y.last, x.first : x.last]
    return np.pad(part, (y.missing, x.missing), mode="edge") if any((*x.missing, *y.missing)) else part


def _resize(part: Plane, out: npt.NDArray[Any], box: tuple[float, float, float, float], maximum: int) -> None:
    image = Image.fromarray(np.ascontiguousarray(part, np.float32))
    rows, columns = out.shape
    levels = np.asarray(image.resize((columns, rows), Image.Resampling.LANCZOS, box=box))
    if out.dtype.kind == "f":
        out[:] = levels
        return
    nearest = levels + np.float32(0.5)
    np.clip(nearest, 0, maximum, out=nearest)
    out[:] = nearest  # cutting off the fraction now rounds to nearest


class _Span:
    """One direction of a window: the part of the plane that the filter reads, and the window's place inside that part.

    first, last : samples of the plane that are read; missing : samples to repeat before the first and after the last
    start, end : the window in the part's own coordinates. Pillow takes them in single precision, and small numbers
        keep its error under a ten-thousandth of a sample.
    """

    def __init__(self, start: Fraction, end: Fraction, size: int, length: int) -> None:
        reach = _LOBES * max((end - start) / size, Fraction(1)) + 1
        low, high = floor(start - reach), ceil(end + reach)
        self.first, self.last = min(max(low, 0), length - 1), max(min(high, length), 1)
        self.missing = max(self.first - low, 0), max(high - self.last, 0)
        self.start, self.end = float(start - low), float(end - low)
        self.whole = start.denominator == 1 and end - start == size
        self.inside = slice(int(start) - low, int(start) - low + size)

    @classmethod
    def of(cls, start: Number, end: Number, size: int, length: int) -> _Span:
        if size < 1 or not end > start:
            raise ValueError(f"size and box must have an area, got {size} samples for {start} to {end}")
        return cls(Fraction(start), Fraction(end), size, length)


def chroma_box(box: Box, size: tuple[int, int], sampling: str, siting: str | None) -> Box:
    """The window in a chroma plane that goes with a window in luma; the module says why.

    box : in luma samples; size : columns, rows of the result's luma
    siting : a word of flags.siting.SITINGS, or None for 'left', the common practice where nothing is said
    """
    across, down = SUBSAMPLING[sampling]
    first, second = _sited(siting or "left")
    x0, x1 = _chroma_span(box[0], box[2], size[0], across, first)
    y0, y1 = _chroma_span(box[1], box[3], size[1], down, second)
    return x0, y0, x1, y1


def _sited(siting: str) -> tuple[str, str]:
    """Where a chroma sample lies among its luma samples, across and down: 'first', 'middle' or 'last'.

    Source: ITU-T H.273 8.7, ChromaLocType 0 to 5 (from memory).
    """
    if siting not in {"left", "centre", "center", "top left", "topleft", "top", "bottom left", "bottom"}:
        raise ValueError(
            f"siting must be 'left', 'centre', 'top left', 'top', 'bottom left' or 'bottom', got {siting!r}"
        )
    down = "first" if siting.startswith("top") else "last" if siting.startswith("bottom") else "middle"
    return "first" if siting.endswith("left") else "middle", down


def _chroma_span(start: Number, end: Number, size: int, k: int, place: str) -> tuple[Fraction, Fraction]:
    p = {"first": Fraction(1, 2), "middle": Fraction(k, 2), "last": k - Fraction(1, 2)}[place]
    start = Fraction(start)
    step = (Fraction(end) - start) / size
    ends = (k * (Fraction(at) - Fraction(1, 2)) + p for at in (0, -(-size // k)))
    low, high = ((start + step * luma - p) / k + Fraction(1, 2) for luma in ends)
    return low, high


def scale_planes(
    planes: Sequence[Plane],
    channels: Sequence[Channel],
    sampling: str,
    siting: str | None,
    box: Box,
    size: tuple[int, int],
    depth: int | None,
    out: Sequence[npt.NDArray[Any]],
    *,
    bit_shift: int = 0,
    out_bit_shift: int = 0,
) -> None:
    """A window of a picture resampled into the planes of a picture of another size, chroma kept where it is sited.

    The picture is one picture: two fields woven into a frame would be mixed by a change of height.

    planes, channels : the picture's, in the order of Info.channels()
    sampling, siting : Info's; siting None means 'left'
    box : x0, y0, x1, y1 in luma samples, fractions welcome; may reach beyond the picture
    size : columns, rows of the result's luma
    depth : bits of a code; None for floating-point planes
    out : filled; codes of the same depth, shaped as `size` and the sampling demand
    bit_shift, out_bit_shift : bits by which codes are shifted up inside their words (6 in P010)

    Raises: ValueError where out does not fit.
    """
    across, down = SUBSAMPLING[sampling]
    maximum = 0 if depth is None else (1 << depth) - 1
    for plane, channel, target in zip(planes, channels, out, strict=True):
        chroma = channel is Channel.CHROMA
        sides = (-(-size[0] // across), -(-size[1] // down)) if chroma else size
        if target.shape != (sides[1], sides[0]):
            raise ValueError(f"out must hold {sides[0]}x{sides[1]} for {channel.value}, got shape {target.shape}")
        codes = plane >> bit_shift if bit_shift else plane
        _scale(codes, target, chroma_box(box, size, sampling, siting) if chroma else box, maximum)
        if out_bit_shift:
            np.left_shift(target, out_bit_shift, out=target)
