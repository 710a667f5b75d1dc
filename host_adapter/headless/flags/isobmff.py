"""MP4 and QuickTime: the boxes of the first video track. Source: ISO/IEC 14496-12; QuickTime File Format.

Only what leads to the flag is read: the track's sample descriptions and the tables that say where its samples are.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from .place import Damaged, Unsupported
from .source import Source

_CONTAINERS = frozenset({b"moov", b"trak", b"mdia", b"minf", b"stbl", b"dinf", b"mvex", b"moof", b"traf"})
_MOST_BOXES = 1 << 20
_ENTRY_FIELDS = 78
"""Bytes of a visual sample entry between its box header and its child boxes."""


@dataclass(frozen=True, slots=True)
class Box:
    """start, end: the payload, in bytes of the file; kind: four bytes."""

    kind: bytes
    start: int
    end: int

    @property
    def size(self) -> int:
        return self.end - self.start


@dataclass(slots=True)
class Entry:
    """A sample description: its code ('avc1') and its child boxes."""

    code: bytes
    boxes: tuple[Box, ...]

    def all(self, kind: bytes) -> tuple[Box, ...]:
        """Child boxes of one kind."""
        return tuple(box for box in self.boxes if box.kind == kind)


@dataclass(slots=True)
class Track:
    """The first video track."""

    number: int
    entries: tuple[Entry, ...]
    table: dict[bytes, Box]
    moofs: tuple[Box, ...] = ()
    defaults: tuple[int, int] = (1, 0)
    """Sample description and sample size where a movie fragment names none."""


@dataclass(slots=True)
class Movie:
    """What the walk over the file's boxes found."""

    brand: bytes
    track: Track


@dataclass(slots=True)
class _Found:
    moov: Box | None = None
    brand: bytes = b"qt  "
    moofs: list[Box] = field(default_factory=list)


def boxes(source: Source, start: int, end: int) -> Iterator[Box]:
    """The boxes between two places, each checked to end within them.

    Raises: Damaged
    """
    count = 0
    while end - start >= 8:
        size, kind = struct.unpack(">I4s", source.read(start, 8, "a box"))
        head = 8
        if size == 1:
            size = int.from_bytes(source.read(start + 8, 8, "a box"), "big")
            head = 16
        elif size == 0:
            if end != source.size:
                return  # QuickTime ends a list of atoms with a zero
            size = end - start
        if size < head:
            raise Damaged(f"the box at byte {start} claims to be {size} bytes long")
        if start + size > end:
            name = kind.decode("ascii", "replace")
            raise Damaged(
                f"box {name!r} at byte {start} claims {size} bytes and {end - start} are there; the file is cut off"
            )
        yield Box(kind, start + head, start + size)
        start += size
        count += 1
        if count > _MOST_BOXES:
            raise Damaged("the file has too many boxes")


def read_movie(source: Source) -> Movie:
    """The first video track.

    Raises: Damaged; Unsupported where the file is sound as far as can be seen, but of a kind not known here.
    """
    found = _Found()
    for box in boxes(source, 0, source.size):
        if box.kind == b"ftyp" and box.size >= 4:
            found.brand = source.read(box.start, 4)
        elif box.kind == b"moov":
            found.moov = found.moov or box
        elif box.kind == b"moof":
            found.moofs.append(box)
    if found.moov is None:
        raise Damaged("it has no movie header (moov box); the recording was not finished or the copy is cut off")
    defaults: dict[int, tuple[int, int]] = {}
    track: Track | None = None
    for box in boxes(source, found.moov.start, found.moov.end):
        if box.kind == b"cmov":
            raise Unsupported("its movie header is compressed")
        if box.kind == b"mvex":
            for child in boxes(source, box.start, box.end):
                if child.kind == b"trex" and child.size >= 24:
                    _, number, description, _, size, _ = struct.unpack(">6I", source.read(child.start, 24))
                    defaults[number] = description, size
        if box.kind == b"trak" and track is None:
            track = _read_track(source, box)
    if track is None:
        raise Damaged("it has no video track")
    track.moofs = tuple(found.moofs)
    track.defaults = defaults.get(track.number, track.defaults)
    return Movie(found.brand, track)


def _tree(source: Source, parent: Box, depth: int = 0) -> Iterator[tuple[bytes, Box]]:
    """Every box below one, with its parent's kind; goes into those that only hold boxes."""
    for box in boxes(source, parent.start, parent.end):
        yield parent.kind, box
        if box.kind in _CONTAINERS and depth < 8:
            yield from _tree(source, box, depth + 1)


def _read_track(source: Source, trak: Box) -> Track | None:
    table: dict[bytes, Box] = {}
    handler = b""
    number = 0
    references: Box | None = None
    for parent, box in _tree(source, trak):
        if parent == b"stbl":
            table.setdefault(box.kind, box)
        elif box.kind == b"hdlr" and parent == b"mdia":
            handler = source.read(box.start + 8, 4, "a hdlr box")
        elif box.kind == b"tkhd":
            late = 16 if source.read(box.start, 1) == b"\1" else 8
            number = int.from_bytes(source.read(box.start + 4 + late, 4, "a tkhd box"), "big")
        elif box.kind == b"dref":
            references = box
    if handler != b"vide":
        return None
    if b"stsd" not in table:
        raise Damaged("its video track has no sample description (stsd box)")
    if references is not None:
        for box in boxes(source, references.start + 8, references.end):
            if box.size >= 4 and not source.read(box.start, 4)[3] & 1:
                raise Unsupported("its pictures are in another file")
    return Track(number, tuple(_entries(source, table[b"stsd"])), table)


def _entries(source: Source, stsd: Box) -> Iterator[Entry]:
    count = int.from_bytes(source.read(stsd.start + 4, 4, "a stsd box"), "big")
    seen = 0
    for box in boxes(source, stsd.start + 8, stsd.end):
        seen += 1
        if box.kind in (b"encv", b"drmi"):
            raise Unsupported("its pictures are encrypted")
        if box.size < _ENTRY_FIELDS:
            raise Damaged(f"the sample description at byte {box.start} is too short")
        yield Entry(box.kind, tuple(boxes(source, box.start + _ENTRY_FIELDS, box.end)))
    if seen != count or not seen:
        raise Damaged(f"its stsd box announces {count} sample descriptions and holds {seen}")
