"""MP4 and QuickTime: metadata boxes that a new file lacks, so that none is dropped in silence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from .isobmff import Box, boxes
from .place import Damaged
from .source import Source

_MEDIA = frozenset(
    {b"free", b"skip", b"wide", b"mdat", b"ftyp", b"moov", b"moof", b"mfra", b"sidx", b"styp", b"mvex", b"pnot"}
)
_INSIDE = {b"": frozenset({b"moov"}), b"moov": frozenset({b"udta", b"trak"}), b"trak": frozenset({b"udta"})}
_STRUCTURE = frozenset({b"mdia", b"edts", b"tref", b"tkhd", b"mvhd", b"iods"})


def boxes_lost(source: Path, target: Path) -> list[str]:
    """In words, the boxes of user data and the tracks of data that the source has and the target has not."""
    try:
        with Source(source) as old, Source(target) as new:
            if old.peek(4, 4) == b"\x1a\x45\xdf\xa3" or old.peek(0, 4) == b"\x1a\x45\xdf\xa3":
                return []
            missing = Counter(_kinds(old)) - Counter(_kinds(new))
    except Damaged:
        return ["what its boxes hold beyond pictures, sound and tags (they could not be listed)"]
    return [f"{kind} x {count}" if count > 1 else kind for kind, count in sorted(missing.items())]


def _kinds(source: Source) -> Iterator[str]:
    yield from _below(source, b"", Box(b"", 0, source.size))


def _below(source: Source, inside: bytes, parent: Box) -> Iterator[str]:
    for box in boxes(source, parent.start, parent.end):
        if box.kind in _INSIDE.get(inside, ()):
            yield from _below(source, box.kind, box)
        elif box.kind == b"mdia":
            yield from _handler(source, box)
        elif box.kind not in _MEDIA and box.kind not in _STRUCTURE:
            place = inside.decode() or "file"
            yield f"box {box.kind.decode('latin-1')!r} in {place}"


def _handler(source: Source, mdia: Box) -> Iterator[str]:
    """A track that is neither picture nor sound, by its handler."""
    for box in boxes(source, mdia.start, mdia.end):
        if box.kind == b"hdlr":
            kind = source.read(box.start + 8, 4, "a hdlr box")
            if kind not in (b"vide", b"soun"):
                yield f"track of kind {kind.decode('latin-1')!r}"
