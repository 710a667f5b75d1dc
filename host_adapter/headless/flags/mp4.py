"""MP4 and QuickTime: the places that state the range of the first video track.

Sources: ISO/IEC 14496-12 12.1.5 (colr), 14496-15 (avcC, hvcC), AV1 and VP9 codec bindings (av1C, vpcC).
The ACLR atom of DNxHR was read off files that FFmpeg writes.
"""

from __future__ import annotations

from . import av1, vp9
from .isobmff import Box, Entry, Track, read_movie
from .nal import ParameterSets, add_configuration, add_sample
from .place import Collector, Damaged, Layout, NoPlace, Site, Unsupported
from .samples import samples
from .source import Source

_CODECS = {
    **dict.fromkeys((b"avc1", b"avc2", b"avc3", b"avc4", b"dva1", b"dvav"), "h264"),
    **dict.fromkeys((b"hvc1", b"hev1", b"hvc2", b"hev2", b"dvh1", b"dvhe"), "hevc"),
    b"av01": "av1",
    b"vp09": "vp9",
    b"FFV1": "ffv1",
    **dict.fromkeys((b"AVdn", b"AVdh"), "dnxhd"),
    **dict.fromkeys((b"apch", b"apcn", b"apcs", b"apco", b"ap4h", b"ap4x"), "prores"),
    **dict.fromkeys((b"jpeg", b"mjpa", b"mjpb", b"mjpg"), "mjpeg"),
    **dict.fromkeys(
        (b"m2v1", b"mpg2", b"xdv1", b"xdv2", b"xdv3", b"xdv4", b"xdv5", b"xdv6", b"xdv7", b"xdv8"), "mpeg2video"
    ),
    **dict.fromkeys((b"xd54", b"xd55", b"xd59", b"xd5a", b"xd5b", b"xd5c", b"xd5d", b"xd5e", b"xd5f"), "mpeg2video"),
    b"v210": "v210",
    b"CFHD": "cfhd",
}
_RECORDS = {"h264": b"avcC", "hevc": b"hvcC"}
_MOST_RECORD = 1 << 20


def read(source: Source) -> Layout:
    """Every place.

    Raises: Damaged, Unsupported, NoPlace
    """
    movie = read_movie(source)
    container = "mov" if movie.brand == b"qt  " else "mp4"
    codes = {entry.code for entry in movie.track.entries}
    codecs = {_CODECS.get(code) for code in codes}
    if len(codecs) != 1:
        raise Unsupported("its pictures change codec on the way")
    codec = codecs.pop()
    if codec is None:
        named = ", ".join(sorted(code.decode("ascii", "replace") for code in codes))
        raise Unsupported(f"its codec {named!r} is not one whose range flag is known here")
    if codec in ("prores", "mjpeg", "mpeg2video", "v210", "cfhd"):
        raise NoPlace(codec)
    found = Collector()
    for entry in movie.track.entries:
        _colr(source, entry, found)
    if codec in _RECORDS:
        _parameter_sets(source, movie.track, codec, found)
    elif codec == "av1":
        _av1(source, movie.track, found)
    elif codec == "vp9":
        _vp9(source, movie.track, found)
    elif codec == "dnxhd":
        for entry in movie.track.entries:
            _aclr(source, entry, found)
    elif not found.sites:
        found.lack("the file has no colr box with a range flag")
    return found.layout(container, codec)


def _colr(source: Source, entry: Entry, found: Collector) -> None:
    for box in entry.all(b"colr"):
        kind = source.read(box.start, 4, "a colr box")
        if kind == b"nclx" and box.size >= 11:
            found.bit(box.start + 10, 0, "colr box (nclx)")


def _record(source: Source, entry: Entry, kind: bytes) -> tuple[Box, bytes] | None:
    for box in entry.all(kind):
        if box.size > _MOST_RECORD:
            raise Damaged(f"its {kind.decode()} box claims to be {box.size} bytes long")
        return box, source.read(box.start, box.size, f"its {kind.decode()} box")
    return None


def _parameter_sets(source: Source, track: Track, codec: str, found: Collector) -> None:
    sets = ParameterSets(codec, found)
    length_sizes = []
    for entry in track.entries:
        if entry.all(b"lhvC") or entry.all(b"mvcC"):
            raise Unsupported("its stream has a second view")
        record = _record(source, entry, _RECORDS[codec])
        if record is None:
            raise Unsupported(f"its sample description has no {_RECORDS[codec].decode()} box")
        box, data = record
        length_sizes.append(add_configuration(sets, codec, data, box.start, f"in the {_RECORDS[codec].decode()} box"))
    for sample in samples(source, track):
        add_sample(sets, source, sample.offset, sample.size, length_sizes[sample.description])
    if not sets.count:
        raise Damaged("its stream has no parameter set")


def _av1(source: Source, track: Track, found: Collector) -> None:
    for entry in track.entries:
        record = _record(source, entry, b"av1C")
        if record is not None:
            av1.add_configuration(record[1], record[0].start, "in the av1C box", found)
    for sample in samples(source, track):
        av1.add_sample(source, sample.offset, sample.size, found)
    if not found.sites and not found.lacking:
        raise Damaged("its stream has no sequence header")


def _vp9(source: Source, track: Track, found: Collector) -> None:
    for entry in track.entries:
        record = _record(source, entry, b"vpcC")
        if record is None:
            continue
        if not record[1] or record[1][0] != 1 or len(record[1]) < 7:
            raise Unsupported("its vpcC box is not one of version 1")
        found.bit(record[0].start + 6, 7, "vpcC box")
    for sample in samples(source, track):
        vp9.add_sample(source, sample.offset, sample.size, found)


def _aclr(source: Source, entry: Entry, found: Collector) -> None:
    for box in entry.all(b"ACLR"):
        if box.size >= 12 and source.read(box.start, 4) == b"ACLR":
            found.add(Site(box.start + 11, 0xFF, 1, 2, "ACLR atom"))
            return
    found.lack("the DNxHR sample description has no ACLR atom")
