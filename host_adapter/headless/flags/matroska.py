"""Matroska and WebM: elements, and the places that state the range of the first video track.

Sources: RFC 8794 (EBML: variable-length numbers, unknown sizes, CRC-32), RFC 9559 (Matroska: Range 0x55B9, blocks).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from . import av1, vp9
from .nal import ParameterSets, add_configuration, add_sample
from .place import Checksum, Collector, Damaged, Layout, NoPlace, Site, Unsupported
from .source import Source

_EBML, _DOCTYPE, _SEGMENT, _CRC = 0x1A45DFA3, 0x4282, 0x18538067, 0xBF
_TRACKS, _ENTRY, _NUMBER, _TYPE, _CODEC, _PRIVATE = 0x1654AE6B, 0xAE, 0xD7, 0x83, 0x86, 0x63A2
_VIDEO, _COLOUR, _RANGE, _ENCODINGS = 0xE0, 0x55B0, 0x55B9, 0x6D80
_CLUSTER, _SIMPLE_BLOCK, _GROUP, _BLOCK, _CLUSTER_PARTS = 0x1F43B675, 0xA3, 0xA0, 0xA1, {0xE7, 0xA7, 0xAB, 0x5854}
_TOP = {0x114D9B74, 0x1549A966, _TRACKS, _CLUSTER, 0x1C53BB6B, 0x1941A469, 0x1043A770, 0x1254C367}
"""Elements of the segment's first level: one of them ends a cluster of unknown size."""
_VOID = 0xEC
_CODECS = {
    "V_MPEG4/ISO/AVC": "h264",
    "V_MPEGH/ISO/HEVC": "hevc",
    "V_AV1": "av1",
    "V_VP9": "vp9",
    "V_FFV1": "ffv1",
    "V_PRORES": "prores",
    "V_MJPEG": "mjpeg",
    "V_MPEG2": "mpeg2video",
}
_MOST_VALUE = 1 << 20


@dataclass(frozen=True, slots=True)
class Element:
    """head: its first byte in the file; start, end: the payload; unknown: the header gives no size."""

    number: int
    head: int
    start: int
    end: int
    unknown: bool = False

    @property
    def size(self) -> int:
        return self.end - self.start


@dataclass(slots=True)
class _Track:
    number: int = 0
    kind: int = 0
    codec: str = ""
    private: Element | None = None
    range: Element | None = None
    encoded: bool = False
    parents: dict[int, tuple[Element, ...]] = field(default_factory=dict)
    """Elements around the private data and around the Range element, inner ones first."""


def _vint(data: bytes, keep_marker: bool) -> tuple[int, int, bool]:
    """Value, bytes, and whether it is the number that means 'unknown'."""
    if not data or not data[0]:
        raise Damaged("an element has a broken header")
    length = 9 - data[0].bit_length()
    if len(data) < length:
        raise Damaged("the file ends inside an element's header; it is cut off")
    value = int.from_bytes(data[:length], "big")
    bare = value & ((1 << 7 * length) - 1)
    return (value if keep_marker else bare), length, bare == (1 << 7 * length) - 1


def elements(source: Source, start: int, end: int) -> Iterator[Element]:
    """The elements between two places.

    Raises: Damaged where one is broken or claims more than there is.
    """
    while start < end:
        head = source.peek(start, min(12, end - start))
        number, width, _ = _vint(head, True)
        if width > 4:
            raise Damaged(f"the element at byte {start} has a broken header")
        size, more, unknown = _vint(head[width:], False)
        begin = start + width + more
        if not unknown and begin + size > end:
            raise Damaged(
                f"the element at byte {start} claims {size} bytes and {end - begin} are there; the file is cut off"
            )
        element = Element(number, start, begin, end if unknown else begin + size, unknown)
        yield element
        if unknown:
            return
        start = element.end


def read(source: Source) -> Layout:
    """Every place.

    Raises: Damaged, Unsupported, NoPlace
    """
    doctype = "matroska"
    walker: _Walker | None = None
    for element in elements(source, 0, source.size):
        if element.number == _EBML:
            for child in elements(source, element.start, element.end):
                if child.number == _DOCTYPE:
                    doctype = _text(source, child)
        elif element.number == _SEGMENT and walker is None:
            walker = _Walker(source, element)
            walker.run()
    if walker is None:
        raise Damaged("it has no segment; the file is cut off or damaged")
    return walker.layout("webm" if doctype == "webm" else "mkv")


def _number(source: Source, element: Element) -> int:
    if element.size > 8:
        raise Damaged(f"the number at byte {element.head} claims to be {element.size} bytes long")
    return int.from_bytes(source.read(element.start, element.size), "big")


def _text(source: Source, element: Element) -> str:
    if element.size > 256:
        raise Damaged(f"the name at byte {element.head} claims to be {element.size} bytes long")
    return source.read(element.start, element.size).rstrip(b"\0").decode("ascii", "replace")


class _Walker:
    """Goes once through a segment."""

    def __init__(self, source: Source, segment: Element) -> None:
        self._source = source
        self._segment = segment
        self._found = Collector()
        self._track: _Track | None = None
        self._codec = ""
        self._sets: ParameterSets | None = None
        self._length_size = 0
        self._sums: dict[int, Checksum] = {}

    def run(self) -> None:
        """Reads all the segment's clusters, those of unknown size too."""
        start = self._segment.start
        while start < self._segment.end:
            for element in elements(self._source, start, self._segment.end):
                start = element.end
                if element.number == _TRACKS and self._track is None:
                    self._tracks(element)
                elif element.number == _CLUSTER:
                    start = self._cluster(element)
                    if element.unknown:
                        break
                elif element.unknown:
                    raise Unsupported(f"the element at byte {element.head} has no size")

    def layout(self, container: str) -> Layout:
        """What was found."""
        if self._track is None:
            raise Damaged("it has no track list; the recording was not finished or the copy is cut off")
        found = self._found
        if self._codec in ("h264", "hevc", "av1", "vp9") and not found.sites and not found.lacking:
            raise Damaged("its stream has no parameter set")
        if self._codec == "ffv1" and self._track.range is None:
            found.lack("the file has no Range element, and FFV1 says its range nowhere else")
        found.checksums = sorted(self._sums.values(), key=lambda each: (each.end - each.start, each.offset))
        return found.layout(container, self._codec)

    def _tracks(self, tracks: Element) -> None:
        for entry in elements(self._source, tracks.start, tracks.end):
            if entry.number != _ENTRY:
                continue
            track = self._entry(entry, tracks)
            if track.kind == 1:
                self._track = track
                self._open(track)
                return
        raise Damaged("it has no video track")

    def _entry(self, entry: Element, tracks: Element) -> _Track:
        source, track = self._source, _Track()
        for child in elements(source, entry.start, entry.end):
            if child.number == _NUMBER:
                track.number = _number(source, child)
            elif child.number == _TYPE:
                track.kind = _number(source, child)
            elif child.number == _CODEC:
                track.codec = _text(source, child)
            elif child.number == _PRIVATE:
                track.private = child
                track.parents[_PRIVATE] = (entry, tracks)
            elif child.number == _ENCODINGS:
                track.encoded = True
            elif child.number == _VIDEO:
                for colour in elements(source, child.start, child.end):
                    if colour.number != _COLOUR:
                        continue
                    for each in elements(source, colour.start, colour.end):
                        if each.number == _RANGE:
                            track.range = each
                            track.parents[_RANGE] = (colour, child, entry, tracks)
        return track

    def _open(self, track: _Track) -> None:
        codec = _CODECS.get(track.codec)
        if codec is None:
            raise Unsupported(f"its codec {track.codec!r} is not one whose range flag is known here")
        if codec in ("prores", "mjpeg", "mpeg2video"):
            raise NoPlace(codec)
        if track.encoded:
            raise Unsupported("its pictures are compressed or encrypted once more by the container")
        self._codec = codec
        if track.range is not None:
            if 1 <= track.range.size <= 8:
                self._found.add(Site(track.range.end - 1, 0xFF, 1, 2, "Matroska Range element"))
                self._cover(track.parents[_RANGE])
            else:
                self._found.lack("the Matroska Range element is empty")
        private = None if track.private is None else self._source.read(track.private.start, track.private.size)
        if codec in ("h264", "hevc"):
            if track.private is None or private is None:
                raise Unsupported("its video track has no decoder configuration")
            self._sets = ParameterSets(codec, self._found)
            self._length_size = add_configuration(self._sets, codec, private, track.private.start, "in CodecPrivate")
            self._cover(track.parents[_PRIVATE])
        elif codec == "av1" and track.private is not None and private:
            av1.add_configuration(private, track.private.start, "in CodecPrivate", self._found)
            self._cover(track.parents[_PRIVATE])

    def _cover(self, parents: tuple[Element, ...]) -> None:
        """Takes note of the CRC-32 elements that the elements around a site begin with."""
        for parent in (*parents, self._segment):
            head = self._source.peek(parent.start, 6)
            if len(head) == 6 and head[:2] == b"\xbf\x84" and parent.start + 6 <= parent.end:
                self._sums[parent.start] = Checksum(parent.start + 2, parent.start + 6, parent.end)

    def _cluster(self, cluster: Element) -> int:
        """Reads a cluster's blocks; returns where it ends."""
        if self._track is None:
            raise Unsupported("its pictures come before its track list")
        if self._codec == "ffv1" and not cluster.unknown:
            return cluster.end
        for child in elements(self._source, cluster.start, cluster.end):
            if cluster.unknown and child.number in _TOP:
                return child.head
            if child.number == _SIMPLE_BLOCK:
                self._block(child, (cluster,))
            elif child.number == _GROUP:
                for each in elements(self._source, child.start, child.end):
                    if each.number == _BLOCK:
                        self._block(each, (child, cluster))
        return cluster.end

    def _block(self, block: Element, parents: tuple[Element, ...]) -> None:
        head = self._source.read(block.start, min(12, block.size), "a block")
        number, width, _ = _vint(head, False)
        if self._track is None or number != self._track.number:
            return
        if len(head) < width + 3:
            raise Damaged(f"the block at byte {block.head} is too short")
        if head[width + 2] & 0x06:
            raise Unsupported("its pictures are laced")
        start = block.start + width + 3
        before = len(self._found.sites)
        if self._sets is not None:
            add_sample(self._sets, self._source, start, block.end - start, self._length_size)
        elif self._codec == "av1":
            av1.add_sample(self._source, start, block.end - start, self._found)
        elif self._codec == "vp9":
            vp9.add_sample(self._source, start, block.end - start, self._found)
        if len(self._found.sites) > before:
            self._cover(parents)
