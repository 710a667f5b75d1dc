"""Pixel aspect and HDR metadata for a Matroska header of our own; the library's muxer has no way to be told them.

The muxer leaves an empty element (Void) behind its table of contents. The parts of the header move up into it by as
much as the track grows, so nothing behind the header moves.

Source: RFC 9559 (element numbers), RFC 8794 (EBML lengths, CRC-32 element).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from .sidefacts import Mastering

HEADER = 1 << 16
"""Bytes read from the front of the file; the header of a movie without attachments is a few hundred."""

_EBML, _SEGMENT, _SEEK_HEAD, _VOID, _INFO, _TRACKS = 0x1A45DFA3, 0x18538067, 0x114D9B74, 0xEC, 0x1549A966, 0x1654AE6B
_SEEK, _SEEK_ID, _SEEK_POSITION, _CRC, _ENTRY, _TYPE, _VIDEO = 0x4DBB, 0x53AB, 0x53AC, 0xBF, 0xAE, 0x83, 0xE0
_DISPLAY_WIDTH, _DISPLAY_HEIGHT, _DISPLAY_UNIT, _COLOUR = 0x54B0, 0x54BA, 0x54B2, 0x55B0
_MASTERING, _MAX_CLL, _MAX_FALL = 0x55D0, 0x55BC, 0x55BD
_PIXELS, _RATIO = 0, 3


@dataclass(frozen=True, slots=True)
class _Part:
    """One element: number, where it starts, where its content lies."""

    number: int
    start: int
    content: int
    end: int


@dataclass(frozen=True, slots=True)
class Extras:
    """What to add: pixel aspect, mastering display, (MaxCLL, MaxFALL) in cd/m2."""

    aspect: Fraction | None = None
    mastering: Mastering | None = None
    light: tuple[int, int] | None = None


def add_to_header(path: Path, size: tuple[int, int], extras: Extras) -> bool:
    """Write the extras into the video track of a file that the muxer just closed.

    Returns False, and changes nothing, where the header has no room for them or is not as expected.
    """
    with path.open("r+b") as file:
        head = file.read(HEADER)
        changed = _changed(head, size, extras)
        if changed is None:
            return False
        file.seek(0)
        file.write(changed)
    return True


def _changed(
    head: bytes,
    size: tuple[int, int],
    extras: Extras,
) -> bytes | None:
    """The same number of bytes with the additions in them, or None where there is no room."""
    top = {part.number: part for part in _parts(head, 0, len(head))}
    if _SEGMENT not in top:
        return None
    segment = top[_SEGMENT]
    inside = []
    for part in _parts(head, segment.content, len(head)):
        inside.append(part)
        if part.number == _TRACKS:
            break
    numbers = [part.number for part in inside]
    if numbers != [_SEEK_HEAD, _VOID, _INFO, _TRACKS] or inside[-1].end > len(head):
        return None
    seek_head, void, info, tracks = inside
    grown = _grown_tracks(head, tracks, size, extras)
    if grown is None:
        return None
    spare = (tracks.end - tracks.start) - len(grown)
    if spare > 1:  # the muxer's own empty elements inside the track are gone: nothing need move for what is left over
        grown += _void(spare)
    room = (void.end - void.start) - (len(grown) - (tracks.end - tracks.start))
    if room < 0 or room == 1:
        return None
    shift = (void.end - void.start) - room
    seeks = _moved(head, seek_head, {_INFO, _TRACKS}, shift)
    if seeks is None:
        return None
    parts = (seeks, _void(room), head[info.start : info.end], grown)
    return head[: segment.content] + b"".join(parts) + head[tracks.end :]


def _grown_tracks(
    head: bytes,
    tracks: _Part,
    size: tuple[int, int],
    extras: Extras,
) -> bytes | None:
    content = b""
    found = False
    for part in _children(head, tracks):
        raw = head[part.start : part.end]
        if part.number == _ENTRY and not found:
            kinds = [head[each.content] for each in _children(head, part) if each.number == _TYPE]
            if kinds == [1]:
                found = True
                raw = _grown_entry(head, part, size, extras)
        if part.number != _CRC:
            content += raw
    return _element(_TRACKS, _checked(content)) if found else None


def _grown_entry(
    head: bytes,
    entry: _Part,
    size: tuple[int, int],
    extras: Extras,
) -> bytes:
    content = b""
    for part in _children(head, entry):
        if part.number == _VIDEO:
            content += _grown_video(head, part, size, extras)
        elif part.number != _VOID:
            content += head[part.start : part.end]
    return _element(_ENTRY, content)


def _grown_video(
    head: bytes,
    video: _Part,
    size: tuple[int, int],
    extras: Extras,
) -> bytes:
    display = _display(size, extras.aspect) if extras.aspect else b""
    hdr = _hdr(extras.mastering, extras.light)
    replaced = {_DISPLAY_WIDTH, _DISPLAY_HEIGHT, _DISPLAY_UNIT} if display else set()
    content = b""
    coloured = False
    for part in _children(head, video):
        if part.number == _VOID or part.number in replaced:
            continue
        if part.number == _COLOUR and hdr:
            coloured = True
            content += _element(_COLOUR, head[part.content : part.end] + hdr)
        else:
            content += head[part.start : part.end]
    if hdr and not coloured:
        content += _element(_COLOUR, hdr)
    return _element(_VIDEO, content + display)


def _display(size: tuple[int, int], aspect: Fraction) -> bytes:
    """How large to show it: in pixels where that is exact, as a ratio where it is not."""
    width, height = size[0] * aspect, Fraction(size[1])
    unit = _PIXELS
    if width.denominator != 1:
        width, height = Fraction(size[0]), size[1] / aspect
    if height.denominator != 1:
        ratio = aspect * size[0] / size[1]
        width, height, unit = Fraction(ratio.numerator), Fraction(ratio.denominator), _RATIO
    return (
        _element(_DISPLAY_WIDTH, _unsigned(int(width)))
        + _element(_DISPLAY_HEIGHT, _unsigned(int(height)))
        + (_element(_DISPLAY_UNIT, _unsigned(unit)) if unit else b"")
    )


def _hdr(mastering: Mastering | None, light: tuple[int, int] | None) -> bytes:
    content = b""
    if light:
        content += _element(_MAX_CLL, _unsigned(light[0])) + _element(_MAX_FALL, _unsigned(light[1]))
    if mastering:
        points = [*(mastering.primaries or ()), *([mastering.white] if mastering.white else [])]
        values: list[tuple[int, Fraction]] = []
        for number, (x, y) in enumerate(points):
            values += [(0x55D1 + 2 * number, x), (0x55D2 + 2 * number, y)]
        if mastering.luminance:
            low, high = mastering.luminance
            values += [(0x55D9, high), (0x55DA, low)]
        inner = b"".join(_element(number, struct.pack(">f", float(value))) for number, value in values)
        content += _element(_MASTERING, inner)
    return content


def _moved(head: bytes, seek_head: _Part, numbers: set[int], shift: int) -> bytes | None:
    """The table of contents with those parts' positions `shift` bytes further up; the same length as before."""
    content = b""
    for part in _children(head, seek_head):
        raw = head[part.start : part.end]
        if part.number == _CRC:
            continue
        if part.number == _SEEK:
            fields = {each.number: each for each in _children(head, part)}
            target, place = fields.get(_SEEK_ID), fields.get(_SEEK_POSITION)
            if target is None or place is None:
                return None
            if int.from_bytes(head[target.content : target.end]) in numbers:
                length = place.end - place.content
                position = int.from_bytes(head[place.content : place.end]) - shift
                if position >= 1 << 8 * length:
                    return None
                raw = head[part.start : place.content] + position.to_bytes(length) + head[place.end : part.end]
        content += raw
    checked = _checked(content) if any(part.number == _CRC for part in _children(head, seek_head)) else content
    whole = head[seek_head.start : seek_head.content] + checked
    return whole if len(whole) == seek_head.end - seek_head.start else None


def _checked(content: bytes) -> bytes:
    """The content behind its CRC-32 element."""
    return _element(_CRC, zlib.crc32(content).to_bytes(4, "little")) + content


def _children(head: bytes, part: _Part) -> Iterator[_Part]:
    return _parts(head, part.content, part.end)


def _parts(head: bytes, start: int, end: int) -> Iterator[_Part]:
    """The elements that begin between start and end."""
    while start + 2 <= end:
        number, after = _vint(head, start, keep_marker=True)
        length, content = _vint(head, after, keep_marker=False)
        stop = content + length
        yield _Part(number, start, content, stop)
        start = stop


def _vint(head: bytes, at: int, *, keep_marker: bool) -> tuple[int, int]:
    """A variable-length number and where it ends."""
    first = head[at] if at < len(head) else 0
    length = 9 - first.bit_length() if first else 8
    value = int.from_bytes(head[at : at + length])
    return (value if keep_marker else value & ((1 << 7 * length) - 1)), at + length


def _element(number: int, content: bytes) -> bytes:
    """An element with the shortest length that says it."""
    name = number.to_bytes((number.bit_length() + 7) // 8)
    width = next(width for width in range(1, 9) if len(content) < (1 << 7 * width) - 1)
    return name + (len(content) | 1 << 7 * width).to_bytes(width) + content


def _void(length: int) -> bytes:
    """Nothing, `length` bytes of it."""
    if length == 0:
        return b""
    if length < 10:
        return bytes((_VOID, 0x80 | (length - 2))) + bytes(length - 2)
    return bytes((_VOID, 0x01)) + (length - 9).to_bytes(7) + bytes(length - 9)


def _unsigned(value: int) -> bytes:
    return value.to_bytes(max((value.bit_length() + 7) // 8, 1))
