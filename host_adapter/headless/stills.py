"""Numbered stills read and written through OpenImageIO: DPX, TIFF, PNG, OpenEXR. Codes as stored, never converted.

The library hands codes of 10 and 12 bits over spread across 16 bits; `unpack` undoes that packing and `pack` redoes it.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813

from ...kernels.encoding import Channel, Model, Range
from .errors import Problem
from .flags import expressible
from .media import Frame, Info, Plane, Tag
from .sampling import spread
from .sequences import Run

FILE_TYPES = {"dpx": "dpx", "tiff": "tiff", "png": "png", "openexr": "exr"}
_NAMES = {
    Channel.LUMA: ("Y", "L", "I", "GRAY"),
    Channel.RED: ("R", "RED"),
    Channel.GREEN: ("G", "GREEN"),
    Channel.BLUE: ("B", "BLUE"),
    Channel.ALPHA: ("A", "ALPHA"),
}
_DECODED = {"uint8": "uint8", "uint16": "uint16", "half": "float16", "float": "float32"}
_UNREADABLE_LAYOUTS = {"palette", "cmyk", "YCbCr", "Lab", "color separated"}


def unpack(words: Plane, depth: int) -> Plane:
    """Codes out of the 16-bit words over which the library spreads them: (v (2^n - 1) + 32767) // 65535, exact for all.

    words : uint16 [rows, columns, channels]
    depth : n, 9..16; at 16 the words are the codes and come back untouched
    """
    if depth == 16:
        return words
    wide = words.astype(np.uint32)
    wide *= (1 << depth) - 1
    wide += 32767
    wide //= 65535
    return wide.astype(np.uint16)


def pack(codes: Plane, depth: int) -> Plane:
    """The inverse of unpack: each code c at round(65535 c / M), which the library's writer turns back into the code.

    codes : uint16 [rows, columns, channels], 0..2^depth - 1
    """
    if depth == 16:
        return codes
    last = (1 << depth) - 1
    wide = codes.astype(np.uint32)
    wide *= 65535
    wide += last >> 1
    wide //= last
    return wide.astype(np.uint16)


class Stills:
    """A sequence open for reading; see media.Recording. Frame.native is the still's oiio.ImageSpec."""

    def __init__(self, run: Run) -> None:
        self.run = run
        if not run.files:
            raise Problem(run.pattern, "no file matches this pattern", "Check the folder and the spelling.")
        if run.missing:
            raise Problem(
                run.pattern,
                f"numbers {_listed(run.missing)} are missing between {min(run.files)} and {max(run.files)}",
                "Copy them again, or give the parts as sequences of their own.",
            )
        self.paths = list(run.files.values())
        self.header, _ = _read(self.paths[0], header_only=True)
        self.info = _read_info(run.pattern, self.paths, self.header)

    def frames(self) -> Iterator[Frame]:
        """All frames from the first to the last, once each.

        Raises: Problem naming the still that is damaged or differs from the first.
        """
        for index in range(len(self.paths)):
            yield self.frame(index)

    def sample(self, count: int) -> Iterator[Frame]:
        """At most `count` frames, spread evenly, the first and the last included."""
        for index in spread(len(self.paths), count):
            yield self.frame(index)

    def frame(self, index: int) -> Frame:
        """One frame by number.

        Raises: Problem naming the still that is damaged or differs from the first.
        """
        path = self.paths[index]
        spec, pixels = _read(path)
        if _signature(spec) != _signature(self.header):
            raise Problem(
                path,
                f"this still is {_described(spec)}, the first of the sequence {_described(self.header)}",
                "Give stills of one kind as one sequence.",
            )
        if self.info.depth is not None and self.info.depth > 8:
            pixels = unpack(pixels, self.info.depth)
        planes = tuple(pixels[:, :, at] for at in plane_channels(spec, self.info))
        for plane in planes:
            plane.flags.writeable = False
        return Frame(index, planes, (spec, pixels))

    def close(self) -> None:
        """Nothing stays open between calls."""

    def __enter__(self) -> Stills:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def plane_channels(spec: Any, info: Info) -> list[int]:
    """Where in the still each channel of Info.channels() lies."""
    found = _found_channels(spec)
    return [found[channel] for channel in info.channels()]


def _found_channels(spec: Any) -> dict[Channel, int]:
    names = [name.upper() for name in spec.channelnames]
    found = {}
    for channel, spellings in _NAMES.items():
        for spelling in spellings:
            if spelling in names:
                found[channel] = names.index(spelling)
                break
    return found


def _dpx_is_cut(path: Path, spec: Any) -> bool:
    """True where an uncompressed DPX is shorter than its pixels take even when packed as tightly as can be.

    Source: SMPTE ST 268-1 (from memory): magic number, then the offset to the image; element encoding at byte 806.
    """
    with path.open("rb") as file:
        head = file.read(2048)
    order = ">" if head[:4] == b"SDPX" else "<"
    if len(head) < 2048:
        return True
    start, encoding = struct.unpack(order + "I", head[4:8])[0], struct.unpack(order + "H", head[806:808])[0]
    bits = spec.width * spec.height * spec.nchannels * (spec.get_int_attribute("oiio:BitsPerSample") or 8)
    return bool(encoding == 0 and path.stat().st_size < start + bits // 8)


def _read(path: Path, *, header_only: bool = False) -> tuple[Any, Any]:
    """A still's header and its pixels as stored [rows, columns, channels].

    Raises: Problem where it is no still that can be read, or is cut short.
    """
    wanted = oiio.ImageSpec()
    wanted.attribute("oiio:UnassociatedAlpha", 1)  # else colour is multiplied by alpha on the way in
    wanted.attribute("oiio:RawColor", 1)  # else Y'CbCr and palettes are turned into R'G'B'
    source = oiio.ImageInput.open(str(path), wanted) if path.is_file() else None
    if source is None:
        reason = oiio.geterror().strip().split("\n")[0] if path.exists() else "there is no such file"
        raise Problem(path, f"this still cannot be read ({reason or 'unknown'})", "Copy it again, or export it anew.")
    try:
        if source.format_name() not in FILE_TYPES:
            raise Problem(path, f"this is no DPX, TIFF, PNG or EXR but {source.format_name()}", "Convert it first.")
        spec = source.spec()
        _refuse(path, source, spec)
        kind = FILE_TYPES[source.format_name()]
        spec.attribute("footroom:FileType", kind)
        if header_only:
            return spec, None
        if kind == "dpx" and _dpx_is_cut(path, spec):  # some versions of the library fill up with zeros in silence
            raise Problem(path, "this still is cut short or damaged", "Copy it again, or export it anew.")
        pixels = source.read_image(0, 0, 0, spec.nchannels, str(spec.format))
        failed = source.geterror()
        if pixels is None or failed:
            raise Problem(path, "this still is cut short or damaged", "Copy it again, or export it anew.")
        return spec, pixels.reshape(spec.height, spec.width, spec.nchannels)
    finally:
        source.close()


def _refuse(path: Path, source: Any, spec: Any) -> None:
    if spec.deep:
        raise Problem(path, "this is a deep image, samples of many depths at one pixel", "Flatten it first.")
    if source.seek_subimage(1, 0):
        raise Problem(path, "this still holds several images", "Write the one that is wanted to a file of its own.")
    source.seek_subimage(0, 0)
    source.geterror()  # asking for a second image leaves a message behind where there is none
    if str(spec.format) not in _DECODED:
        raise Problem(path, f"its samples are of type {spec.format}", "Convert it to 8 to 16 bit, half or float first.")
    bits = spec.get_int_attribute("oiio:BitsPerSample", 0)
    if bits and bits < 8:
        raise Problem(path, f"its codes have {bits} bits", "Only 8 to 16 bits have a narrow range.")
    space = spec.get_string_attribute("tiff:ColorSpace", "")
    descriptor = spec.get_string_attribute("dpx:ImageDescriptor", "")
    if space in _UNREADABLE_LAYOUTS or "Cb" in descriptor:
        raise Problem(path, f"its pixels are {space or descriptor}", "Convert it to R'G'B' first.")
    found = _found_channels(spec)
    colours = [channel for channel in (Channel.RED, Channel.GREEN, Channel.BLUE) if channel in found]
    if len(colours) != 3 and Channel.LUMA not in found:
        raise Problem(
            path, f"its channels are {', '.join(spec.channelnames)}, no R, G, B and no Y", "Export plain R, G, B first."
        )


def _read_info(pattern: Path, paths: list[Path], spec: Any) -> Info:
    kind = spec.get_string_attribute("footroom:FileType")
    found = _found_channels(spec)
    model = Model.RGB if Channel.RED in found else Model.GRAY
    form = str(spec.format)
    depth = None
    if form.startswith("uint"):
        depth = spec.get_int_attribute("oiio:BitsPerSample", 0) or {"uint8": 8, "uint16": 16}[form]
    alpha = Channel.ALPHA in found
    said = Range.FULL if kind == "png" else None
    return Info(
        path=pattern,
        kind="stills",
        container=kind,
        codec=kind,
        profile=spec.get_string_attribute("compression", "") or None,
        width=spec.width,
        height=spec.height,
        frames=len(paths),
        rate=frame_rate(spec),
        depth=depth,
        model=model,
        sampling="gray" if model is Model.GRAY else "4:4:4",
        alpha=alpha,
        pixel_format=still_format(model, alpha, depth, form),
        bit_shift=0,
        tag=Tag(None, said, expressible(kind, kind)),
        transfer={"ITU-R 709-4": "bt709", "Linear": "linear"}.get(spec.get_string_attribute("dpx:Transfer", "")),
        primaries=None,
        matrix="gbr" if model is Model.RGB else None,
        aspect=pixel_aspect(spec),
    )


def pixel_aspect(spec: Any) -> Fraction:
    """Width of a pixel over its height as the header says; 1 where it is silent, or says 0 for unknown (DPX)."""
    value = float(spec.get_float_attribute("PixelAspectRatio", 0.0))
    if not np.isfinite(value) or value <= 0:
        return Fraction(1)
    return Fraction(value).limit_denominator(1000) or Fraction(1)


def still_format(model: Model, alpha: bool, depth: int | None, form: str) -> str:
    """The name of a still's layout: 'rgb10', 'rgba16', 'gray8', 'rgbhalf', …"""
    return f"{model.value}{'a' if alpha else ''}{depth if depth is not None else form}"


def frame_rate(spec: Any) -> Fraction | None:
    """Frames a second as the header says, or None where it is silent."""
    for name in ("FramesPerSecond", "dpx:FrameRate", "dpx:TemporalFrameRate"):
        value = spec.getattribute(name)
        if isinstance(value, tuple) and len(value) == 2 and value[1]:
            return Fraction(int(value[0]), int(value[1]))
        if isinstance(value, (int, float)) and np.isfinite(value) and value > 0:
            plain = Fraction(float(value)).limit_denominator(1001)
            if plain.denominator == 1:
                return plain
            slowed = Fraction(round(float(value) * 1.001) * 1000, 1001)  # 23.976 and its kin, rounded in the header
            return slowed if abs(float(slowed) - value) < 0.002 else plain
    return None


def _signature(spec: Any) -> tuple[Any, ...]:
    bits = spec.get_int_attribute("oiio:BitsPerSample", 0)
    return spec.width, spec.height, tuple(spec.channelnames), str(spec.format), bits


def _described(spec: Any) -> str:
    bits = spec.get_int_attribute("oiio:BitsPerSample", 0)
    return f"{spec.width}x{spec.height} {'/'.join(spec.channelnames)} {f'{bits} bit' if bits else spec.format}"


def _listed(numbers: list[int]) -> str:
    shown = ", ".join(str(number) for number in numbers[:8])
    return shown if len(numbers) <= 8 else f"{shown} and {len(numbers) - 8} more"
