"""Where the chroma samples sit, as an H.264 or HEVC parameter set says it; the media library does not hand it on."""

from __future__ import annotations

from collections.abc import Iterator

from . import h264, hevc
from .bits import BitReader, unescape
from .nal import annexb_units, configuration
from .place import Damaged, Unsupported

SITINGS = ("left", "centre", "top left", "top", "bottom left", "bottom")
"""H.273 ChromaLocType 0..5 in words. Source: ITU-T H.273 8.7 (from memory)."""


def chroma_location(codec: str, extradata: bytes | None) -> int | None:
    """ChromaLocType (top field's) of a stream: 0..5, or None where it is not said or cannot be parsed.

    codec : 'h264' | 'hevc', anything else says nothing here
    extradata : the decoder's configuration, avcC, hvcC or start codes
    Source: ITU-T H.264 E.1.1, H.265 E.2.1: chroma_loc_info_present_flag and what follows it.
    """
    parser = {"h264": h264, "hevc": hevc}.get(codec)
    if parser is None or not extradata:
        return None
    try:
        for unit in _units(codec, extradata):
            if parser.nal_type(unit) in parser.SPS_TYPES:
                bits = BitReader(unescape(unit), 8 if codec == "h264" else 16)
                parser.skip_to_vui(bits)
                return _location(bits) if bits.flag() else None
    except (Damaged, Unsupported):
        return None
    return None


def _units(codec: str, extradata: bytes) -> Iterator[bytes]:
    if extradata.startswith((b"\0\0\1", b"\0\0\0\1")):
        yield from annexb_units(extradata)
    else:
        yield from (unit for _, unit in configuration(codec, extradata)[1])


def _location(bits: BitReader) -> int | None:
    if h264.vui_full_range_bit(bits) is not None and bits.flag():  # colour_description_present_flag
        bits.skip(24)
    return bits.ue(5) if bits.flag() else None
