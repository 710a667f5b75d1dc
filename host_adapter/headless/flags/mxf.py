"""MXF: the places that state the range of its picture.

Sources: SMPTE ST 377-1 (KLV, partitions, local sets, CDCI descriptor items 0x3304 to 0x3306), ST 381 and ST 2019-4 (the
essence containers of AVC and VC-3). The three numbers for either range were read off files that FFmpeg writes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .nal import ParameterSets, add_annexb
from .place import Collector, Damaged, Layout, NoPlace, Site, Unsupported
from .source import Source

_LABEL = bytes.fromhex("060e2b34")
_PARTITION = bytes.fromhex("060e2b34020501010d01020101")
_SET = bytes.fromhex("060e2b34025301010d0101010101")
_PICTURE = bytes.fromhex("060e2b34010201010d01030115")
_CDCI = frozenset({0x28, 0x51})
"""Last but one byte of a set's key: CDCI descriptor, MPEG video descriptor, which extends it."""
_RGBA = 0x29
_CONTAINER_LABEL = bytes.fromhex("060e2b34040101000d010301")
_CODECS = {0x11: "dnxhd", 0x10: "h264", 0x1C: "prores", 0x04: "mpeg2video"}
"""Byte 13 of the essence container's label."""
_DEPTH, _BLACK, _WHITE, _SPAN, _ESSENCE = 0x3301, 0x3304, 0x3305, 0x3306, 0x3004
_NAMES = {_BLACK: "black reference level", _WHITE: "white reference level", _SPAN: "colour range"}
_MOST_SET = 1 << 20


@dataclass(frozen=True, slots=True)
class Klv:
    """key: 16 bytes; start, end: the value, in bytes of the file."""

    key: bytes
    start: int
    end: int


def is_mxf(head: bytes) -> bool:
    """Whether a file begins with a partition pack."""
    return head.startswith(_PARTITION)


def units(source: Source) -> Iterator[Klv]:
    """Every key-length-value triplet of the file.

    Raises: Damaged where one is broken or claims more than there is.
    """
    position = 0
    while position < source.size:
        head = source.peek(position, 25)
        if len(head) < 17 or head[:4] != _LABEL:
            raise Damaged(f"there is no key at byte {position}; the file is cut off or damaged")
        length, width = head[16], 1
        if length & 0x80:
            width += length & 0x7F
            if width > 9 or len(head) < 16 + width:
                raise Damaged(f"the length at byte {position + 16} is broken")
            length = int.from_bytes(head[17 : 16 + width], "big")
        start = position + 16 + width
        if start + length > source.size:
            raise Damaged(f"the unit at byte {position} claims {length} bytes; the file is cut off")
        yield Klv(head[:16], start, start + length)
        position = start + length


def read(source: Source) -> Layout:
    """Every place, in all copies of the header metadata.

    Raises: Damaged, Unsupported, NoPlace
    """
    found = Collector()
    codec: str | None = None
    sets: ParameterSets | None = None
    descriptors = 0
    for unit in units(source):
        if unit.key[:13] == _PARTITION and 2 <= unit.key[13] <= 4:
            descriptors = 0
        elif unit.key[:14] == _SET and unit.key[14] == _RGBA:
            raise Unsupported("its pictures are R'G'B' in MXF")
        elif unit.key[:14] == _SET and unit.key[14] in _CDCI:
            descriptors += 1
            if descriptors > 1:
                raise Unsupported("it has more than one picture track")
            codec = _descriptor(source, unit, found)
            if codec == "h264" and sets is None:
                sets = ParameterSets(codec, found)
        elif unit.key[:13] == _PICTURE and sets is not None:
            add_annexb(sets, source, unit.start, unit.end - unit.start)
    if codec is None:
        raise Damaged("it has no picture descriptor; the recording was not finished or the copy is cut off")
    if sets is not None and not sets.count and not found.sites:
        raise Damaged("its stream has no parameter set")
    return found.layout("mxf", codec)


def _items(source: Source, unit: Klv) -> dict[int, tuple[int, bytes]]:
    if unit.end - unit.start > _MOST_SET:
        raise Damaged(f"the descriptor at byte {unit.start} claims to be {unit.end - unit.start} bytes long")
    data = source.read(unit.start, unit.end - unit.start, "a descriptor")
    items = {}
    position = 0
    while position + 4 <= len(data):
        tag = int.from_bytes(data[position : position + 2], "big")
        size = int.from_bytes(data[position + 2 : position + 4], "big")
        position += 4
        if position + size > len(data):
            raise Damaged(f"the descriptor at byte {unit.start} is broken")
        items[tag] = unit.start + position, data[position : position + size]
        position += size
    return items


def _descriptor(source: Source, unit: Klv, found: Collector) -> str:
    """Takes note of the levels; returns the codec."""
    items = _items(source, unit)
    label = items.get(_ESSENCE, (0, b""))[1]
    known = len(label) == 16 and label[:7] == _CONTAINER_LABEL[:7] and label[8:12] == _CONTAINER_LABEL[8:]
    codec = _CODECS.get(label[13]) if known else None
    if codec is None:
        raise Unsupported("its codec is not one whose range flag is known here")
    if codec in ("prores", "mpeg2video"):
        raise NoPlace(codec)
    depth = int.from_bytes(items.get(_DEPTH, (0, b""))[1], "big")
    if not 8 <= depth <= 16 or any(len(items.get(tag, (0, b""))[1]) != 4 for tag in _NAMES):
        if codec == "dnxhd":
            found.lack("the picture descriptor does not give its levels")
        return codec
    unit_ = 1 << (depth - 8)
    narrow = {_BLACK: 16 * unit_, _WHITE: 235 * unit_, _SPAN: 224 * unit_ + 1}
    full = {_BLACK: 0, _WHITE: (1 << depth) - 1, _SPAN: 1 << depth}
    for tag, name in _NAMES.items():
        pairs = zip(narrow[tag].to_bytes(4, "big"), full[tag].to_bytes(4, "big"), strict=True)
        for index, (low, high) in enumerate(pairs):
            if low != high:
                found.add(Site(items[tag][0] + index, 0xFF, low, high, f"picture descriptor's {name}"))
    return codec
