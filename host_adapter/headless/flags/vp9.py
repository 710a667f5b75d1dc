"""Where a VP9 key frame keeps color_range. Source: VP9 bitstream specification 6.2, 6.2.2, annex B (superframes)."""

from __future__ import annotations

from collections.abc import Iterator

from .bits import BitReader
from .place import Collector, Damaged
from .source import Source

_SYNC = 0x498342
_SRGB = 7
_HEAD = 16


def color_range_bit(head: bytes) -> int | None:
    """The bit of a frame's uncompressed header that holds the flag; None where the frame repeats none.

    Raises: Damaged; also where the frame describes its colours but not its range (sRGB, intra-only of profile 0)
    """
    bits = BitReader(head)
    if bits.u(2) != 2:
        raise Damaged("a VP9 picture does not start as one")
    profile = bits.u(1) | bits.u(1) << 1
    if profile == 3:
        bits.skip(1)
    if bits.flag():  # show_existing_frame
        return None
    inter = bits.flag()
    shown = bits.flag()
    resilient = bits.flag()
    if inter:
        if shown or not bits.flag():  # intra_only
            return None
        if not resilient:
            bits.skip(2)
    if bits.u(24) != _SYNC:
        raise Damaged("a VP9 picture lacks its sync code")
    if inter and profile == 0:
        raise NoField
    if profile >= 2:
        bits.skip(1)
    if bits.u(3) == _SRGB:
        raise NoField
    place = bits.position
    bits.skip(1)
    return place


class NoField(Exception):  # noqa: N818
    """The frame fixes its range without a field for it."""


def _frames(source: Source, offset: int, size: int) -> Iterator[tuple[int, int]]:
    """The frames of a superframe, or the one frame that a sample is."""
    marker = source.read(offset + size - 1, 1, "a picture")[0]
    if marker & 0xE0 == 0xC0:
        count, width = (marker & 7) + 1, ((marker >> 3) & 3) + 1
        length = 2 + count * width
        if length <= size:
            index = source.read(offset + size - length, length, "a picture")
            if index[0] == marker:
                sizes = [int.from_bytes(index[1 + i * width : 1 + (i + 1) * width], "little") for i in range(count)]
                if sum(sizes) > size - length:
                    raise Damaged(f"the VP9 superframe at byte {offset} is longer than its picture")
                for each in sizes:
                    if each:
                        yield offset, each
                    offset += each
                return
    yield offset, size


def add_sample(source: Source, offset: int, size: int, found: Collector) -> None:
    """Takes note of the flag in every frame of one sample that carries it."""
    if not size:
        return
    for place, length in _frames(source, offset, size):
        try:
            bit = color_range_bit(source.read(place, min(_HEAD, length), "a picture"))
        except NoField:
            found.lack("a VP9 picture fixes its range without a field for it")
            continue
        if bit is not None:
            found.bit(place, bit, "VP9 key frame's header")
