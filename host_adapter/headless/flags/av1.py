"""Where an AV1 sequence header keeps color_range. Source: AV1 bitstream specification 5.3, 5.5; AV1 in ISO-BMFF 2.3."""

from __future__ import annotations

from .bits import BitReader
from .place import Collector, Damaged
from .source import Source

_SEQUENCE_HEADER = 1
_MOST_HEADER = 1 << 12
_SELECT = 2
_BT709, _SRGB, _IDENTITY = 1, 13, 0


def color_range_bit(payload: bytes) -> int | None:
    """The bit of a sequence header's payload that holds the flag; None where it is not sent (sRGB is always full).

    Raises: Damaged
    """
    bits = BitReader(payload)
    profile = bits.u(3)
    bits.skip(1)
    if bits.flag():  # reduced_still_picture_header
        bits.skip(5)
        reduced = True
    else:
        reduced = False
        _skip_timing(bits)
    width_bits, height_bits = bits.u(4) + 1, bits.u(4) + 1
    bits.skip(width_bits + height_bits)
    if not reduced and bits.flag():  # frame_id_numbers_present_flag
        bits.skip(7)
    bits.skip(3)
    if not reduced:
        bits.skip(4)
        order_hint = bits.flag()
        if order_hint:
            bits.skip(2)
        screen = _SELECT if bits.flag() else bits.u(1)
        if screen > 0 and not bits.flag():
            bits.skip(1)
        if order_hint:
            bits.skip(3)
    bits.skip(3)
    return _color_config(bits, profile)


def _skip_timing(bits: BitReader) -> None:
    decoder_model, delay_bits = False, 0
    if bits.flag():  # timing_info_present_flag
        bits.skip(64)
        if bits.flag():
            bits.uvlc()
        decoder_model = bits.flag()
        if decoder_model:
            delay_bits = bits.u(5) + 1
            bits.skip(32 + 10)
    display_delay = bits.flag()
    for _ in range(bits.u(5) + 1):
        bits.skip(12)
        if bits.u(5) > 7:
            bits.skip(1)
        if decoder_model and bits.flag():
            bits.skip(2 * delay_bits + 1)
        if display_delay and bits.flag():
            bits.skip(4)


def _color_config(bits: BitReader, profile: int) -> int | None:
    deep = bits.flag()
    if profile == 2 and deep:
        bits.skip(1)
    mono = False if profile == 1 else bits.flag()
    described = (bits.u(8), bits.u(8), bits.u(8)) if bits.flag() else (2, 2, 2)
    if not mono and described == (_BT709, _SRGB, _IDENTITY):
        return None
    place = bits.position
    bits.skip(1)
    return place


def _leb128(data: bytes, position: int) -> tuple[int, int]:
    value = 0
    for index in range(8):
        if position + index >= len(data):
            break
        byte = data[position + index]
        value |= (byte & 0x7F) << (7 * index)
        if not byte & 0x80:
            return value, position + index + 1
    raise Damaged("an AV1 unit has a broken size")


def _header(head: bytes, left: int) -> tuple[int, int, int]:
    """Type, bytes before the payload, payload bytes of the unit that starts with `head`."""
    if head[0] & 0x80:
        raise Damaged("an AV1 unit has a forbidden bit set")
    position = 2 if head[0] & 4 else 1
    if head[0] & 2:
        size, position = _leb128(head, position)
    else:
        size = left - position
    if size < 0 or position + size > left:
        raise Damaged("an AV1 unit is longer than its picture")
    return (head[0] >> 3) & 15, position, size


def _add_header(payload: bytes, offset: int, where: str, found: Collector) -> None:
    bit = color_range_bit(payload)
    what = f"AV1 sequence header {where}"
    if bit is None:
        found.lack(f"the {what} has no range field")
    else:
        found.bit(offset, bit, what)


def add_configuration(data: bytes, offset: int, where: str, found: Collector) -> None:
    """Takes note of the sequence headers in an av1C record, which starts at `offset` in the file."""
    if len(data) < 4 or data[0] != 0x81:
        raise Damaged("its av1C record is not one of version 1")
    position = 4
    while position < len(data):
        kind, head, size = _header(data[position : position + 10], len(data) - position)
        if kind == _SEQUENCE_HEADER:
            start = position + head
            _add_header(data[start : start + size], offset + start, where, found)
        position += head + size


def add_sample(source: Source, offset: int, size: int, found: Collector) -> None:
    """Takes note of the sequence headers in one temporal unit."""
    end = offset + size
    while offset < end:
        kind, head, length = _header(source.read(offset, min(10, end - offset), "a picture"), end - offset)
        if kind == _SEQUENCE_HEADER:
            if length > _MOST_HEADER:
                raise Damaged(f"the AV1 sequence header at byte {offset} claims to be {length} bytes long")
            start = offset + head
            _add_header(source.read(start, length), start, "among the pictures", found)
        offset += head + length
