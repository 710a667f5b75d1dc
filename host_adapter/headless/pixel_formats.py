"""FFmpeg's pixel formats as planes: which plane, which column, which step, how many bits, and numpy views of them.

The library describes planar formats fully, but says nothing of where a component starts inside an interleaved plane;
those orders are spelled out here. Nothing in this file converts a code.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from av.video.format import VideoFormat

from ...kernels.encoding import Model
from .media import Plane

_SEMI_PLANAR = re.compile(r"^(?:nv(?P<nv>12|21|16|24|42|20)|p(?P<chroma>[024])(?P<depth>10|12|16))(?P<order>le|be)?$")
_NV_SWAPPED = {"21", "42"}

_INTERLEAVED: dict[str, str] = {
    # Letters in the order the samples lie in memory; x is padding, the colour planes come out in the project's order.
    "rgb24": "rgb",
    "bgr24": "bgr",
    "rgba": "rgba",
    "bgra": "bgra",
    "argb": "argb",
    "abgr": "abgr",
    "rgb0": "rgbx",
    "bgr0": "bgrx",
    "0rgb": "xrgb",
    "0bgr": "xbgr",
    "rgb48": "rgb",
    "bgr48": "bgr",
    "rgba64": "rgba",
    "bgra64": "bgra",
    "ya8": "ya",
    "ya16": "ya",
    "ayuv": "ayuv",
    "ayuv64": "ayuv",
    "vuya": "vuya",
    "vuyx": "vuyx",
    "uyva": "uyva",
    "vyu444": "vyu",
    "xv36": "uyvx",
    "xv48": "uyvx",
    "yuyv422": "yuyv",
    "yvyu422": "yvyu",
    "uyvy422": "uyvy",
    "y210": "yuyv",
    "y212": "yuyv",
    "y216": "yuyv",
}
_SHIFTED_DEPTHS = {"y210", "y212", "xv36"}
"""Interleaved formats whose codes sit in the high bits of a 16-bit word, as P010's do."""

_SAMPLINGS = {(1, 1): "4:4:4", (2, 1): "4:2:2", (2, 2): "4:2:0", (1, 2): "4:4:0", (4, 1): "4:1:1"}


class UnreadableFormatError(ValueError):
    """A pixel format whose codes are not plane after plane of 8 to 16 bits; the message says what it holds instead."""


@dataclass(frozen=True, slots=True)
class Component:
    """Where one channel lies: native plane, first sample, samples from one column to the next."""

    plane: int
    offset: int
    step: int
    chroma: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """A pixel format taken apart.

    components : in the order of Info.channels() (Y, Cb, Cr or R, G, B; alpha last)
    full_by_name : True for the yuvj formats, whose very name says full range
    """

    name: str
    depth: int
    model: Model
    sampling: str
    alpha: bool
    bit_shift: int
    big_endian: bool
    full_by_name: bool
    subsampling_xy: tuple[int, int]
    components: tuple[Component, ...]

    @property
    def dtype(self) -> np.dtype[Any]:
        """The container word of one sample as it lies in memory."""
        if self.depth + self.bit_shift == 8:
            return np.dtype(np.uint8)
        return np.dtype(">u2" if self.big_endian else "<u2")

    def shape(self, component: Component, width: int, height: int) -> tuple[int, int]:
        """Rows and columns of a component's plane for a picture of that size."""
        across, down = self.subsampling_xy if component.chroma else (1, 1)
        return -(-height // down), -(-width // across)


@lru_cache(maxsize=256)
def layout(name: str) -> Layout:
    """The layout of FFmpeg's pixel format of that name.

    Raises: UnreadableFormatError saying what the format holds that is not planes of codes.
    """
    described = VideoFormat(name, 16, 16)
    stem = re.sub(r"(?:le|be)$", "", name)
    _refuse(described, name, stem)
    parts = described.components
    depths = {part.bits for part in parts}
    if len(depths) != 1 or not 8 <= max(depths) <= 16:
        raise UnreadableFormatError(f"{name} holds components of {sorted(depths)} bits")
    depth = depths.pop()
    gray = len(parts) <= 2
    alpha = len(parts) in {2, 4}
    subsampling = (1, 1) if gray or described.is_rgb else (16 // parts[1].width, 16 // parts[1].height)
    if subsampling not in _SAMPLINGS:
        raise UnreadableFormatError(f"{name} samples chroma at 1 in {subsampling[0]} by 1 in {subsampling[1]}")
    components, shift = _components(described, stem, depth)
    return Layout(
        name=name,
        depth=depth,
        model=Model.GRAY if gray else Model.RGB if described.is_rgb else Model.YCBCR,
        sampling="gray" if gray else _SAMPLINGS[subsampling],
        alpha=alpha,
        bit_shift=shift,
        big_endian=described.is_big_endian,
        full_by_name=name.startswith("yuvj"),
        subsampling_xy=subsampling,
        components=components,
    )


def _refuse(described: VideoFormat, name: str, stem: str) -> None:
    """Raise for formats that are no planes of integer codes at all."""
    if described.has_palette:
        raise UnreadableFormatError(f"{name} holds indexes into a palette, not codes")
    if described.is_bayer:
        raise UnreadableFormatError(f"{name} holds undeveloped sensor data")
    if stem.startswith("xyz"):
        raise UnreadableFormatError(f"{name} holds XYZ colour, which has no narrow or full range")
    if re.search(r"(?:p|rgb|rgba|gray|ya)f(?:16|32)$", stem):
        raise UnreadableFormatError(f"{name} holds floating-point levels, not codes")
    if described.is_bit_stream or not described.components:
        raise UnreadableFormatError(f"{name} is no format of whole samples")
    interleaved = stem in _INTERLEAVED or _SEMI_PLANAR.match(name) or len(described.components) == 1
    planes = [part.plane for part in described.components]
    if not interleaved and len(set(planes)) != len(planes):
        raise UnreadableFormatError(f"{name} packs several components into one word")


def _components(described: VideoFormat, stem: str, depth: int) -> tuple[tuple[Component, ...], int]:
    """The components in the project's order, and the shift of their codes."""
    parts = described.components
    chroma = [not described.is_rgb and len(parts) >= 3 and index in {1, 2} for index in range(len(parts))]
    if stem in _INTERLEAVED:
        order = _INTERLEAVED[stem]
        wanted = "rgba" if described.is_rgb else "ya" if len(parts) == 2 else "yuva"
        found = []
        for letter in wanted[: len(parts)]:
            first = order.index(letter)
            step = len(order) // order.count(letter)
            found.append(Component(0, first, step, letter in "uv"))
        return tuple(found), 16 - depth if stem in _SHIFTED_DEPTHS else 0
    semi = _SEMI_PLANAR.match(described.name)
    if semi:
        swapped = semi["nv"] in _NV_SWAPPED
        first, second = (1, 0) if swapped else (0, 1)
        shift = 16 - depth if semi["depth"] else 0
        return (Component(0, 0, 1, False), Component(1, first, 2, True), Component(1, second, 2, True)), shift
    shift = 16 - depth if stem.endswith("msb") else 0
    return tuple(Component(part.plane, 0, 1, chroma[index]) for index, part in enumerate(parts)), shift


def plane_views(frame: Any, *, writable: bool = False) -> tuple[Plane, ...]:
    """The planes of a decoded (or fresh) frame in the order of Info.channels(), without copying.

    frame : av.VideoFrame; the views keep its memory alive
    writable : True for a fresh frame that is to be filled; views of decoded frames are marked read-only, because the
        decoder may still predict from them
    Big-endian codes are the exception: they come as swapped copies, and cannot be filled.

    Raises: UnreadableFormatError for a format that is no planes of codes; ValueError for filling big-endian planes.
    """
    taken = layout(frame.format.name)
    if writable and taken.big_endian:
        raise ValueError(f"writable needs a little-endian format, got {taken.name}")
    natives = frame.planes
    views = []
    for component in taken.components:
        native = natives[component.plane]
        rows, columns = taken.shape(component, frame.width, frame.height)
        pitch = abs(native.line_size) // taken.dtype.itemsize
        whole = np.frombuffer(native, taken.dtype)[: rows * pitch].reshape(rows, pitch)
        if native.line_size < 0:
            whole = whole[::-1]
        view = whole[:, component.offset :: component.step][:, :columns]
        if taken.big_endian and taken.dtype.itemsize == 2:
            view = view.astype("<u2")
        if not writable:
            view.flags.writeable = False
        views.append(view)
    return tuple(views)
