"""Planes as R'G'B' of eight bits: what a reader that trusts the encoding shows. For looking at only, never for a result."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from PIL import Image

from ...kernels.encoding import Channel, Encoding, Model
from ...kernels.framing import SAMPLING_STEPS
from ...kernels.matrix import Matrix
from .errors import Problem
from .media import Info, Plane

Shown = npt.NDArray[np.uint8]
"""R'G'B' for looking at: uint8 [rows, columns, 3]."""
Levels = npt.NDArray[np.float32]

MATRICES = {
    "bt709": Matrix.BT709,
    "fcc": Matrix.FCC,
    "bt470bg": Matrix.BT601,
    "smpte170m": Matrix.BT601,
    "smpte240m": Matrix.ST240,
    "bt2020nc": Matrix.BT2020,
}
"""By H.273 name in FFmpeg's spelling (`h273.MATRICES`); the others are no plain weights of R'G'B'."""

DERIVED = {"bt709": Matrix.BT709, "bt2020": Matrix.BT2020}
"""What 'chroma-derived-nc' makes of the primaries. Source: ITU-T H.273 8.3, whose formulas give these standards' weights."""

_PLACES = {
    "left": (0, 1), "centre": (1, 1), "top left": (0, 0), "top": (1, 0), "bottom left": (0, 2), "bottom": (1, 2),
}  # fmt: skip
"""Place of a chroma sample among its luma samples, across and down: 0 on the first, 1 amid them, 2 on the last.
Source: ITU-T H.273 8.7 (ChromaLocType), from memory."""


def chroma_place(siting: str | None) -> tuple[int, int]:
    """Where a chroma sample lies among its luma samples, as the kernels of `signals` take it; unsaid is 'left' (common practice)."""
    return _PLACES.get(siting or "left", _PLACES["left"])


def matrix_of(info: Info) -> Matrix:
    """The matrix that readers use: the file's word; where it is silent BT.709 for high definition, else BT.601.

    High definition is 720 lines or 1280 columns and more (common practice). 'gbr' on Y'CbCr planes contradicts them and
    counts as silence. For R'G'B' and gray planes it is the matrix by that same rule, for want of any.
    Raises: Problem for a matrix whose equations are not those of Y'CbCr with constant weights.
    """
    if info.matrix in MATRICES:
        return MATRICES[info.matrix]
    if info.matrix == "chroma-derived-nc" and info.primaries in DERIVED:
        return DERIVED[info.primaries]
    if info.matrix in (None, "gbr") or info.model is not Model.YCBCR:
        return Matrix.BT709 if info.height >= 720 or info.width >= 1280 else Matrix.BT601
    raise Problem(
        info.path,
        f"its colour matrix is '{info.matrix}', which has no constant weights of red, green and blue",
        "Convert it to the matrix of BT.709 or BT.2020 (non-constant luminance) first.",
    )


def as_shown(
    planes: Sequence[Plane], encoding: Encoding | None, *, matrix: Matrix, sampling: str, siting: str | None = None
) -> Shown:
    """What a reader that trusts `encoding` shows, excursions clipped to 0..1 as readers do.

    planes : codes, or levels (float16, float32) of R'G'B' or gray; further planes (alpha) are ignored
    encoding : of the codes; None for levels
    matrix : for Y'CbCr; R'G'B' and gray need none
    sampling : '4:2:0' | '4:2:2' | …; siting : a word of flags.siting.SITINGS, None for 'left' (common practice)
    Chroma is interpolated linearly. Levels are shown as they are: a scene-linear picture looks dark.
    Raises: ValueError where planes, encoding and sampling do not fit together.
    """
    floating = planes[0].dtype.kind == "f"
    if floating != (encoding is None):
        raise ValueError(f"encoding must be given for codes, and None for levels, got {encoding} for {planes[0].dtype}")
    if encoding is None:
        model = Model.RGB if len(planes) >= 3 else Model.GRAY
    else:
        model = encoding.model
    count = 1 if model is Model.GRAY else 3
    if len(planes) < count:
        raise ValueError(f"planes must be {count} of {model.value}, got {len(planes)}")
    if encoding is not None and model is Model.YCBCR:
        return _eight_bits(_unmixed(planes, encoding, matrix, _step(sampling), siting or "left"))
    if any(plane.shape != planes[0].shape for plane in planes[:count]):
        raise ValueError(f"planes must be of one shape, got {[plane.shape for plane in planes[:count]]}")
    signals = [_levels(plane, encoding, Channel.LUMA) for plane in planes[:count]]
    return _eight_bits(signals if count == 3 else signals * 3)


def _step(sampling: str) -> tuple[int, int]:
    if sampling not in SAMPLING_STEPS:
        raise ValueError(f"sampling must be one of {', '.join(SAMPLING_STEPS)}, got {sampling!r}")
    return SAMPLING_STEPS[sampling]


def _unmixed(
    planes: Sequence[Plane], encoding: Encoding, matrix: Matrix, step: tuple[int, int], siting: str
) -> list[Levels]:
    """R', G', B' of Y'CbCr. Source: the inverse of ITU-R BT.709-6 items 3.2 and 3.3, with any weights."""
    if siting not in _PLACES:
        raise ValueError(f"siting must be one of {', '.join(_PLACES)}, got {siting!r}")
    rows, columns = planes[0].shape
    expected = (-(-rows // step[1]), -(-columns // step[0]))
    for plane in planes[1:3]:
        if plane.shape != expected:
            raise ValueError(f"chroma planes must be {expected} for luma of {(rows, columns)}, got {plane.shape}")
    luma = _levels(planes[0], encoding, Channel.LUMA)
    blue, red = (
        _spread(_levels(plane, encoding, Channel.CHROMA), (rows, columns), step, siting) for plane in planes[1:3]
    )
    none, one = Fraction(0), Fraction(1)
    _, green_of_blue, blue_of_blue = (np.float32(part) for part in matrix.rgb((none, one, none)))
    red_of_red, green_of_red, _ = (np.float32(part) for part in matrix.rgb((none, none, one)))
    green = luma + green_of_blue * blue
    green += green_of_red * red
    red *= red_of_red
    red += luma
    blue *= blue_of_blue
    blue += luma
    return [red, green, blue]


def _levels(plane: Plane, encoding: Encoding | None, channel: Channel) -> Levels:
    """Levels as float32 of the caller's own, excursions kept."""
    levels = plane.astype(np.float32)
    if encoding is not None:
        levels -= np.float32(encoding.zero(channel) << encoding.bit_shift)
        levels /= np.float32(encoding.span(channel) << encoding.bit_shift)
    return levels


def _spread(plane: Levels, shape: tuple[int, int], step: tuple[int, int], siting: str) -> Levels:
    """Chroma at every luma sample, interpolated linearly between the places of its samples, held beyond the last."""
    if step == (1, 1):
        return plane
    rows, columns = shape
    # Luma sample x lies at (x - p) / step between chroma samples whose first lies at luma p. Pillow maps the middle of
    # pixel x to corner + (x + 1/2) / step - 1/2; one more sample all round keeps the corner inside its picture.
    corner = []
    for size, place in zip(step, _PLACES[siting], strict=True):
        first = place * (size - 1) / 2
        corner.append(1.5 - (0.5 + first) / size)
    box = (corner[0], corner[1], corner[0] + columns / step[0], corner[1] + rows / step[1])
    padded = Image.fromarray(np.pad(plane, 1, mode="edge"))
    return np.array(padded.resize((columns, rows), Image.Resampling.BILINEAR, box=box))


def _eight_bits(signals: Sequence[Levels]) -> Shown:
    shown = np.empty((*signals[0].shape, 3), np.uint8)
    for number, signal in enumerate(signals):
        scaled = np.nan_to_num(signal * np.float32(255), copy=False, nan=0.0)
        np.clip(scaled, 0, 255, out=scaled)
        scaled += np.float32(0.5)
        shown[..., number] = scaled  # cut off, which after adding a half is rounding
    return shown


def in_proportion(shown: Shown, aspect: Fraction, *, turned: int = 0) -> Shown:
    """The picture with square pixels and the right way up: its height is kept, its width resampled, then it is turned.

    aspect : width of a pixel over its height
    turned : degrees clockwise, a multiple of 90
    """
    rows, columns = shown.shape[:2]
    width = max(round(columns * aspect), 1)
    if width != columns:
        shown = np.asarray(Image.fromarray(shown).resize((width, rows), Image.Resampling.LANCZOS))
    return np.ascontiguousarray(np.rot90(shown, -(turned // 90)))
