"""Parameter sets of H.264 and HEVC wherever a container puts them.

Sources: ISO/IEC 14496-15 5.3.3 and 8.3.3 (configuration records, length-prefixed NAL units).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from . import h264, hevc
from .place import Collector, Damaged
from .source import Source

MOST_SPS = 1 << 16
"""Bytes of the longest parameter set that is looked into."""
_USUAL_SPS = 1 << 9
_PIECE = 1 << 20

_NAMES = {"h264": "H.264", "hevc": "HEVC"}
_TYPES: dict[str, tuple[Callable[[bytes], int], frozenset[int]]] = {
    "h264": (h264.nal_type, h264.SPS_TYPES),
    "hevc": (hevc.nal_type, hevc.SPS_TYPES),
}
_BITS: dict[str, Callable[[bytes], int | None]] = {"h264": h264.full_range_bit, "hevc": hevc.full_range_bit}


class ParameterSets:
    """Finds the flag in parameter sets of one codec, each different set parsed once.

    codec : 'h264' | 'hevc'
    """

    def __init__(self, codec: str, found: Collector) -> None:
        self._codec = codec
        self._found = found
        self._known: dict[bytes, int | None] = {}
        self.count = 0

    def is_sps(self, header: bytes) -> bool:
        """Whether a NAL unit is a sequence parameter set, from its first byte."""
        kind, wanted = _TYPES[self._codec]
        return kind(header) in wanted

    def bit(self, nal: bytes) -> int | None:
        """The bit of the NAL unit that holds the flag, or None."""
        if nal not in self._known:
            self._known[nal] = _BITS[self._codec](nal)
        return self._known[nal]

    def add(self, nal: bytes, offset: int, where: str) -> None:
        """Takes note of a parameter set whose bytes stand in one piece at `offset`."""
        self.add_scattered(nal, lambda index: offset + index, where)

    def add_scattered(self, nal: bytes, place: Callable[[int], int], where: str) -> None:
        """The same for one that is spread over packets; `place` gives the byte in the file for an index in `nal`."""
        self.count += 1
        bit = self.bit(nal)
        what = f"{_NAMES[self._codec]} SPS {where}"
        if bit is None:
            self._found.lack(f"the {what} has no usable range field")
        else:
            self._found.bit(place(bit >> 3), bit & 7, what)


def configuration(codec: str, data: bytes) -> tuple[int, list[tuple[int, bytes]]]:
    """What a decoder configuration record (avcC, hvcC) holds.

    Returns the bytes of a NAL unit's length field, and each parameter set with its index in `data`.
    Raises: Damaged
    """
    units: list[tuple[int, bytes]] = []

    def take(position: int) -> int:
        length = int.from_bytes(data[position : position + 2], "big")
        end = position + 2 + length
        if position + 2 > len(data) or end > len(data) or not length:
            raise Damaged("a decoder configuration record ends early")
        units.append((position + 2, data[position + 2 : end]))
        return end

    if codec == "h264":
        if len(data) < 7 or data[0] != 1:
            raise Damaged("its avcC record is not one of version 1")
        position = 6
        for _ in range(data[5] & 0x1F):
            position = take(position)
        return (data[4] & 3) + 1, units
    if len(data) < 23 or data[0] > 1:
        raise Damaged("its hvcC record is not one of version 1")
    position = 23
    for _ in range(data[22]):
        if position + 3 > len(data):
            raise Damaged("a decoder configuration record ends early")
        count = int.from_bytes(data[position + 1 : position + 3], "big")
        position += 3
        for _ in range(count):
            position = take(position)
    return (data[21] & 3) + 1, units


def add_configuration(sets: ParameterSets, codec: str, data: bytes, offset: int, where: str) -> int:
    """Takes note of the parameter sets in a configuration record; returns the bytes of a length field."""
    length_size, units = configuration(codec, data)
    for index, nal in units:
        if sets.is_sps(nal):
            sets.add(nal, offset + index, where)
    return length_size


def length_prefixed(source: Source, offset: int, size: int, length_size: int) -> Iterator[tuple[int, int, bytes]]:
    """The NAL units of one sample: place, size and first byte of each.

    Raises: Damaged where a unit claims more than the sample holds.
    """
    end = offset + size
    while offset + length_size < end:
        head = source.read(offset, length_size + 1, "a picture")
        length = int.from_bytes(head[:length_size], "big")
        offset += length_size
        if offset + length > end:
            raise Damaged(f"a NAL unit at byte {offset} is longer than its picture")
        if length:
            yield offset, length, head[length_size:]
        offset += length


def add_sample(sets: ParameterSets, source: Source, offset: int, size: int, length_size: int) -> None:
    """Takes note of the parameter sets inside one sample."""
    for place, length, header in length_prefixed(source, offset, size, length_size):
        if sets.is_sps(header):
            if length > MOST_SPS:
                raise Damaged(f"the parameter set at byte {place} claims to be {length} bytes long")
            sets.add(source.read(place, length), place, "among the pictures")


def split_packet(codec: str, packet: bytes, extradata: bytes) -> Iterator[bytes]:
    """The NAL units of one packet as libavformat hands it over: length-prefixed where the extradata is a record.

    Raises: Damaged
    """
    if extradata[:1] != b"\1":
        yield from annexb_units(packet)
        return
    length_size, _ = configuration(codec, extradata)
    position = 0
    while position + length_size < len(packet):
        length = int.from_bytes(packet[position : position + length_size], "big")
        position += length_size
        if position + length > len(packet):
            raise Damaged("a NAL unit is longer than its picture")
        if length:
            yield packet[position : position + length]
        position += length


def annexb_units(data: bytes) -> Iterator[bytes]:
    """The NAL units between start codes. Source: ITU-T H.264 annex B."""
    start = data.find(b"\0\0\1")
    while start >= 0:
        start += 3
        end = data.find(b"\0\0\1", start)
        unit = data[start:] if end < 0 else data[start:end].rstrip(b"\0")
        if unit:
            yield unit
        start = end


def without_parameter_sets(codec: str, packet: bytes, extradata: bytes) -> list[bytes]:
    """The NAL units of a packet but for the sequence parameter sets."""
    kind, wanted = _TYPES[codec]
    return [unit.rstrip(b"\0") for unit in split_packet(codec, packet, extradata) if kind(unit) not in wanted]


def add_annexb(sets: ParameterSets, source: Source, offset: int, size: int) -> None:
    """Takes note of the parameter sets in a stretch of the file where start codes part the NAL units."""
    end = offset + size
    while offset < end:
        piece = source.read(offset, min(_PIECE, end - offset), "a picture")
        found = piece.find(b"\0\0\1")
        while 0 <= found < len(piece) - 3:
            if sets.is_sps(piece[found + 3 : found + 4]):
                place = offset + found + 3
                unit = _read_unit(source, place, end)
                sets.add(unit, place, "among the pictures")
            found = piece.find(b"\0\0\1", found + 3)
        if offset + len(piece) >= end:
            return
        offset += len(piece) - 3  # a start code, or the byte after it, may straddle two pieces


def _read_unit(source: Source, place: int, end: int) -> bytes:
    for most in (_USUAL_SPS, MOST_SPS):
        data = source.read(place, min(most, end - place), "a parameter set")
        unit = cut_unit(data, place)
        if len(unit) < len(data) or len(data) == end - place:
            return unit
    raise Damaged(f"the parameter set at byte {place} has no end")


def cut_unit(data: bytes, place: int) -> bytes:
    """The NAL unit that `data` begins with, up to the next start code.

    Raises: Damaged where none follows within the longest parameter set.
    """
    ends = [index for index in (data.find(b"\0\0\1"), data.find(b"\0\0\0")) if index >= 0]
    if not ends and len(data) >= MOST_SPS:
        raise Damaged(f"the parameter set at byte {place} has no end")
    return data[: min(ends)] if ends else data
