"""MPEG transport streams, also those of camera cards: the parameter sets of the first video stream.

Source: ITU-T H.222.0 2.4.3 (packets, PES headers), 2.4.4 (tables).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from .nal import MOST_SPS, ParameterSets, cut_unit
from .place import Collector, Damaged, Layout, NoPlace, Unsupported
from .source import Source

_SYNC = 0x47
_SIZES = {188: 0, 192: 4, 204: 0}
"""Bytes of a packet with whatever its kind of file puts around it -> where the sync byte stands in it."""
_PACKETS = 4096
_CODECS = {0x1B: "h264", 0x24: "hevc"}
_PLACELESS = {0x01: "mpeg2video", 0x02: "mpeg2video"}
_SEARCHED = 1 << 24
"""Bytes from the start within which the tables must come."""


def packet_size(source: Source) -> int:
    """Bytes of a packet, or 0 where the file is no transport stream."""
    head = source.peek(0, 204 * 8)
    for size, sync in _SIZES.items():
        marks = head[sync::size]
        if len(marks) >= 3 and all(mark == _SYNC for mark in marks):
            return size
    return 0


def read(source: Source) -> Layout:
    """Every place.

    Raises: Damaged, Unsupported, NoPlace
    """
    size = packet_size(source)
    if source.size % size:
        raise Damaged("the file ends inside a packet; it is cut off")
    pid, codec = _video(source, size)
    found = Collector()
    scan = _Scan(ParameterSets(codec, found))
    for offset, block in _blocks(source, size):
        scan.feed(*_payload(block, offset, size, pid))
    scan.finish()
    if not scan.sets.count:
        raise Damaged("its stream has no parameter set")
    return found.layout("ts", codec)


def _blocks(source: Source, size: int) -> Iterator[tuple[int, npt.NDArray[np.uint8]]]:
    """Packets as rows of 188 bytes, with the file offset of the first row's sync byte."""
    sync = _SIZES[size]
    for offset in range(0, source.size, size * _PACKETS):
        data = source.read(offset, min(size * _PACKETS, source.size - offset), "a packet")
        block = np.frombuffer(data, np.uint8).reshape(-1, size)[:, sync : sync + 188]
        lost = np.flatnonzero(block[:, 0] != _SYNC)
        if lost.size:
            raise Damaged(f"there is no packet at byte {offset + int(lost[0]) * size}; the file is damaged")
        yield offset + sync, block


def _pids(block: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    return (block[:, 1].astype(np.int64) & 0x1F) << 8 | block[:, 2]


def _starts(rows: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """Where the payload begins in each row; 188 where there is none."""
    control = rows[:, 3] >> 4 & 3
    starts = np.where(control & 2, 5 + rows[:, 4].astype(np.int64), 4)
    return np.where(control & 1, np.minimum(starts, 188), 188)


def _payload(block: npt.NDArray[np.uint8], offset: int, size: int, pid: int) -> tuple[bytes, npt.NDArray[np.int64]]:
    """The video stream's bytes in a block, PES headers taken out, and each byte's place in the file."""
    chosen = np.flatnonzero(_pids(block) == pid)
    rows = block[chosen]
    if (rows[:, 3] & 0xC0).any():
        raise Unsupported("its pictures are encrypted")
    starts = _starts(rows)
    first = np.flatnonzero((rows[:, 1] & 0x40 != 0) & (starts < 188))
    at = starts[first]
    if (at > 188 - 9).any():
        raise Unsupported("a header is spread over two packets")
    if (rows[first, at] | rows[first, at + 1] | (rows[first, at + 2] != 1)).any():
        raise Damaged("a video packet does not start with a header")
    starts[first] = at + 9 + rows[first, at + 8]
    if (starts[first] > 188).any():
        raise Unsupported("a header is spread over two packets")
    mask = np.arange(188) >= starts[:, None]
    places = (offset + chosen[:, None] * size + np.arange(188))[mask]
    return rows[mask].tobytes(), places


def _section(row: npt.NDArray[np.uint8]) -> bytes:
    """The table section that begins in a packet."""
    data = row[int(_starts(row[None])[0]) :].tobytes()
    if not data or 1 + data[0] + 3 > len(data):
        raise Damaged("a table of the transport stream is broken")
    data = data[1 + data[0] :]
    length = int.from_bytes(data[1:3], "big") & 0xFFF
    if 3 + length > len(data):
        raise Unsupported("a table of the transport stream is spread over packets")
    return data[: 3 + length - 4]  # without its CRC


def _video(source: Source, size: int) -> tuple[int, str]:
    """Packet identifier and codec of the first video stream."""
    programmes: set[int] = set()
    for offset, block in _blocks(source, size):
        pids = _pids(block)
        for index in np.flatnonzero(block[:, 1] & 0x40):
            pid = int(pids[index])
            if pid != 0 and pid not in programmes:
                continue
            section = _section(block[index])
            if pid == 0 and section[:1] == b"\0":
                for at in range(8, len(section) - 3, 4):
                    if section[at : at + 2] != b"\0\0":
                        programmes.add(int.from_bytes(section[at + 2 : at + 4], "big") & 0x1FFF)
            elif section[:1] == b"\2" and (video := _video_in(section)) is not None:
                return video
        if offset > _SEARCHED:
            break
    raise Damaged("its tables name no video stream")


def _video_in(section: bytes) -> tuple[int, str] | None:
    position = 12 + (int.from_bytes(section[10:12], "big") & 0xFFF)
    while position + 5 <= len(section):
        kind, pid = section[position], int.from_bytes(section[position + 1 : position + 3], "big") & 0x1FFF
        if kind in _PLACELESS:
            raise NoPlace(_PLACELESS[kind])
        if kind in _CODECS:
            return pid, _CODECS[kind]
        position += 5 + (int.from_bytes(section[position + 3 : position + 5], "big") & 0xFFF)
    return None


class _Scan:
    """Finds parameter sets in a stream that arrives in pieces, each byte with its place in the file."""

    def __init__(self, sets: ParameterSets) -> None:
        self.sets = sets
        self._data = b""
        self._places = np.empty(0, np.int64)

    def feed(self, data: bytes, places: npt.NDArray[np.int64]) -> None:
        """Takes the next piece."""
        self._data += data
        self._places = np.concatenate([self._places, places])
        self._search(final=False)

    def finish(self) -> None:
        """The stream is over."""
        self._search(final=True)

    def _search(self, final: bool) -> None:
        kept = max(0, len(self._data) - 3)
        found = self._data.find(b"\0\0\1")
        while 0 <= found < len(self._data) - 3:
            start = found + 3
            if self.sets.is_sps(self._data[start : start + 1]):
                unit = cut_unit(self._data[start : start + MOST_SPS], int(self._places[start]))
                if start + len(unit) == len(self._data) and not final:
                    kept = found
                    break
                places = self._places[start : start + len(unit)].tolist()
                self.sets.add_scattered(unit, places.__getitem__, "among the pictures")
            found = self._data.find(b"\0\0\1", start)
        self._data, self._places = self._data[kept:], self._places[kept:]
