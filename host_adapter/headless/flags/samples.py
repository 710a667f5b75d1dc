"""MP4 and QuickTime: where the samples of a track are. Source: ISO/IEC 14496-12 8.6, 8.7, 8.8."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .isobmff import Box, Track, boxes
from .place import Damaged, Unsupported
from .source import Source

_MOST_SAMPLES = 1 << 24
"""More than three days at 60 pictures a second."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One coded picture: its bytes in the file, and its sample description counted from 0."""

    offset: int
    size: int
    description: int


def samples(source: Source, track: Track) -> Iterator[Sample]:
    """Every sample of the track in decoding order.

    Raises: Damaged, also for a sample outside the file; Unsupported
    """
    for sample in _all_samples(source, track):
        if sample.offset < 0 or sample.offset + sample.size > source.size:
            raise Damaged(f"a picture at byte {sample.offset} lies beyond the end; the file is cut off")
        if not 0 <= sample.description < len(track.entries):
            raise Damaged("a picture names a sample description that is not there")
        yield sample


def _all_samples(source: Source, track: Track) -> Iterator[Sample]:
    yield from _table_samples(source, track)
    for moof in track.moofs:
        yield from _fragment_samples(source, track, moof)


def _numbers(source: Source, box: Box, skip: int, dtype: str, columns: int = 1) -> npt.NDArray[np.int64]:
    """A table of big-endian numbers whose count stands right before it."""
    count = int.from_bytes(source.read(box.start + skip - 4, 4, "a sample table"), "big")
    size = count * columns * np.dtype(dtype).itemsize
    if size > box.size - skip:
        raise Damaged(f"a sample table at byte {box.start} announces {count} entries and is too short for them")
    data = np.frombuffer(source.read(box.start + skip, size, "a sample table"), dtype)
    if dtype == ">u8" and data.size and int(data.max()) > source.size:
        raise Damaged("a picture lies beyond the end; the file is cut off")
    return data.astype(np.int64).reshape(-1, columns) if columns > 1 else data.astype(np.int64)


def _table_samples(source: Source, track: Track) -> Iterator[Sample]:
    table = track.table
    if b"stz2" in table:
        raise Unsupported("its sample sizes are in a compact table (stz2 box)")
    missing = [kind.decode() for kind in (b"stsz", b"stsc") if kind not in table]
    if b"stco" not in table and b"co64" not in table:
        missing.append("stco")
    if missing:
        if track.moofs:
            return
        raise Damaged(f"its video track has no {' and no '.join(missing)} box")
    size, count = struct.unpack(">2I", source.read(table[b"stsz"].start + 4, 8, "a stsz box"))
    if count > _MOST_SAMPLES:
        raise Damaged(f"its stsz box announces {count} samples")
    sizes = None if size else _numbers(source, table[b"stsz"], 12, ">u4").tolist()
    wide = b"stco" not in table
    chunks = _numbers(source, table[b"co64" if wide else b"stco"], 8, ">u8" if wide else ">u4").tolist()
    runs = _numbers(source, table[b"stsc"], 8, ">u4", 3).tolist()
    index = 0
    for position, (first, each, description) in enumerate(runs):
        last = runs[position + 1][0] if position + 1 < len(runs) else len(chunks) + 1
        if not 1 <= first <= last <= len(chunks) + 1:
            raise Damaged("its stsc box contradicts its chunk table")
        for chunk in range(first - 1, last - 1):
            offset = chunks[chunk]
            for _ in range(each):
                if index >= count:
                    raise Damaged("its stsc box announces more samples than its stsz box")
                length = size if sizes is None else sizes[index]
                yield Sample(offset, length, description - 1)
                offset += length
                index += 1
    if index != count:
        raise Damaged(f"its stsz box announces {count} samples and its chunks hold {index}")


def _fragment_samples(source: Source, track: Track, moof: Box) -> Iterator[Sample]:
    start = moof.start - 8  # a moof with a 64-bit size is not written by anything sane; checked below
    if source.read(start + 4, 4) != b"moof":
        raise Unsupported("a movie fragment has a 64-bit size")
    following = start
    first = True
    for traf in boxes(source, moof.start, moof.end):
        if traf.kind != b"traf":
            continue
        header: tuple[int, int, int] | None = None  # base, description, default size
        mine = False
        for box in boxes(source, traf.start, traf.end):
            if box.kind == b"tfhd":
                number, header = _fragment_header(source, box, track, start, start if first else following)
                mine = number == track.number
                following = header[0]
                first = False
            elif box.kind == b"trun":
                if header is None:
                    raise Damaged("a movie fragment has a run before its header")
                base, description, default = header
                offset, sizes = _run(source, box, base, following, default)
                for size in sizes:
                    if mine:
                        yield Sample(offset, size, description - 1)
                    offset += size
                following = offset


def _fragment_header(
    source: Source, box: Box, track: Track, start: int, implied: int
) -> tuple[int, tuple[int, int, int]]:
    data = source.read(box.start, min(box.size, 64), "a tfhd box")
    fields = _Fields(data)
    flags = fields.take(4) & 0xFFFFFF
    number = fields.take(4)
    base = fields.take(8) if flags & 0x1 else start if flags & 0x20000 else implied
    description = fields.take(4) if flags & 0x2 else track.defaults[0]
    if flags & 0x8:
        fields.take(4)
    size = fields.take(4) if flags & 0x10 else track.defaults[1]
    return number, (base, description, size)


def _run(source: Source, box: Box, base: int, following: int, default: int) -> tuple[int, Iterator[int]]:
    data = source.read(box.start, box.size, "a trun box")
    fields = _Fields(data)
    flags = fields.take(4) & 0xFFFFFF
    count = fields.take(4)
    offset = following
    if flags & 0x1:
        relative = fields.take(4)
        offset = base + (relative - (1 << 32) if relative & 0x80000000 else relative)
    if flags & 0x4:
        fields.take(4)
    columns = [bit for bit in (0x100, 0x200, 0x400, 0x800) if flags & bit]
    if count > _MOST_SAMPLES or fields.left < count * 4 * len(columns):
        raise Damaged(f"a movie fragment at byte {box.start} announces {count} samples and is too short for them")

    def sizes() -> Iterator[int]:
        for _ in range(count):
            size = default
            for bit in columns:
                value = fields.take(4)
                if bit == 0x200:
                    size = value
            yield size

    return offset, sizes()


class _Fields:
    """Takes big-endian numbers one after the other."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._position = 0

    @property
    def left(self) -> int:
        return len(self._data) - self._position

    def take(self, count: int) -> int:
        if self.left < count:
            raise Damaged("a movie fragment's header ends early")
        self._position += count
        return int.from_bytes(self._data[self._position - count : self._position], "big")
