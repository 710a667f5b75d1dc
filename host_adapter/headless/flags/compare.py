"""Two files side by side: the same coded pictures, and what came over besides them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import zip_longest
from pathlib import Path
from typing import Any

import av
import numpy as np

from ....kernels.encoding import Range
from ..errors import Problem
from .boxes_lost import boxes_lost
from .nal import without_parameter_sets

_DECODED = 8
"""Pictures decoded from either file; the packets of all are compared."""
_OWN_TAGS = frozenset({"major_brand", "minor_version", "compatible_brands", "duration"})
"""What libavformat makes up while it reads or writes."""
_LIBRARY_RANGE = {Range.NARROW: 1, Range.FULL: 2}


@dataclass(frozen=True, slots=True)
class Comparison:
    """carried, uncarried: in words."""

    carried: tuple[str, ...]
    uncarried: tuple[str, ...]


def compare(source: Path, target: Path, range_: Range, counts: dict[int, int]) -> Comparison:
    """Checks that the target holds the same pictures under the new flag, and tells what else it holds.

    counts : packets written of each source stream
    Raises: Problem where pictures or sound differ, or the flag is not there.
    """
    with av.open(str(source)) as old, av.open(str(target)) as new:
        pairs = _pairs(old, new, counts)
        carried, uncarried = _facts(old, new, pairs)
        uncarried += _same_packets(source, target, pairs, counts, old.streams.video[0].index)
    _same_pictures(source, target, range_, uncarried)
    uncarried += boxes_lost(source, target)
    return Comparison(tuple(carried), tuple(uncarried))


def _pairs(old: Any, new: Any, counts: dict[int, int]) -> list[tuple[Any, Any]]:
    copies = [stream for stream in new.streams if stream.type in ("video", "audio", "subtitle")]
    return list(zip((old.streams[index] for index in counts), copies, strict=True))


def _same_packets(
    source: Path, target: Path, pairs: list[tuple[Any, Any]], counts: dict[int, int], picture: int
) -> Iterator[str]:
    """Compares the packets of every stream; yields in words which streams' times have moved."""
    for before, after in pairs:
        seen = 0
        moved = Fraction(0)
        for one, two in zip_longest(_packets(source, before.index), _packets(target, after.index)):
            if one is None or two is None or not _same(one, two, before, after, before.index == picture):
                raise Problem(
                    target, f"packet {seen} of stream {before.index} differs from the original's", "Use --remedy lift."
                )
            if one.pts is not None and two.pts is not None:
                moved = max(moved, abs(one.pts * before.time_base - two.pts * after.time_base))
            seen += 1
        if seen != counts[before.index]:
            raise Problem(target, f"stream {before.index} lost packets on the way", "Use --remedy lift.")
        if moved:
            yield f"the exact times of stream {before.index} (moved by up to {float(moved) * 1000:.3g} ms)"


def _packets(path: Path, index: int) -> Iterator[Any]:
    """All packets of a stream, from a file opened anew: a seek to 0 leaves out those before 0, which sound is primed with."""
    with av.open(str(path)) as container:
        for packet in container.demux(container.streams[index]):
            if packet.dts is not None or packet.size:
                yield packet


def _same(one: Any, two: Any, before: Any, after: Any, picture: bool) -> bool:
    first, second = bytes(one), bytes(two)
    if first == second:
        return True
    codec = before.codec_context.codec.canonical_name
    if not picture or codec not in ("h264", "hevc"):
        return picture and codec in ("av1", "vp9") and len(first) == len(second)
    old_extra, new_extra = bytes(before.codec_context.extradata or b""), bytes(after.codec_context.extradata or b"")
    return without_parameter_sets(codec, first, old_extra) == without_parameter_sets(codec, second, new_extra)


def _same_pictures(source: Path, target: Path, range_: Range, uncarried: list[str]) -> None:
    with av.open(str(source)) as old, av.open(str(target)) as new:
        video, copy = old.streams.video[0], new.streams.video[0]
        for compared, (one, two) in enumerate(zip_longest(_first(old, video), _first(new, copy))):
            if one is None or two is None or not _same_planes(one, two):
                raise Problem(
                    target, f"picture {compared} decodes differently from the original's", "Use --remedy lift."
                )
            if int(two.color_range) != _LIBRARY_RANGE[range_]:
                raise Problem(target, "the new file does not state the range", "Use --remedy rescale or lift.")
            if not compared:
                lost = {str(data.type) for data in one.side_data} - {str(data.type) for data in two.side_data}
                uncarried += [f"side data {each}" for each in sorted(lost)]
                if getattr(one, "rotation", 0) != getattr(two, "rotation", 0):
                    uncarried.append("the rotation")


def _first(container: Any, stream: Any) -> Iterator[Any]:
    for count, frame in enumerate(container.decode(stream), 1):
        yield frame
        if count == _DECODED:
            return


def _same_planes(one: Any, two: Any) -> bool:
    if (one.width, one.height, len(one.planes)) != (two.width, two.height, len(two.planes)):
        return False
    for index, (before, after) in enumerate(zip(one.planes, two.planes, strict=True)):
        samples = sum(component.plane == index for component in one.format.components)
        wide = max((component.bits + 7) // 8 for component in one.format.components)
        used = min(
            before.width * samples * wide, before.line_size, after.line_size
        )  # behind it is the decoder's padding
        rows = [np.frombuffer(plane, np.uint8).reshape(plane.height, -1)[:, :used] for plane in (before, after)]
        if not np.array_equal(rows[0], rows[1]):
            return False
    return True


def _facts(old: Any, new: Any, pairs: list[tuple[Any, Any]]) -> tuple[list[str], list[str]]:
    carried: list[str] = []
    uncarried: list[str] = []
    for kind in ("video", "audio", "subtitle"):
        count = sum(before.type == kind for before, _ in pairs) - (kind == "video")
        if count > 0:
            carried.append(f"{count} {'further video' if kind == 'video' else kind} stream{'s' if count > 1 else ''}")
    _tags("the file's", old.metadata, new.metadata, carried, uncarried)
    for before, after in pairs:
        _tags(f"stream {before.index}'s", before.metadata, after.metadata, carried, uncarried)
        if before.disposition != after.disposition:
            uncarried.append(f"the disposition of stream {before.index}")
        if before.type == "video" and before.sample_aspect_ratio != after.sample_aspect_ratio:
            uncarried.append(f"the aspect ratio of stream {before.index}")
    chapters = [(each["start"] * each["time_base"], each["metadata"].get("title")) for each in old.chapters()]
    if chapters:
        again = [(each["start"] * each["time_base"], each["metadata"].get("title")) for each in new.chapters()]
        (carried if chapters == again else uncarried).append(f"{len(chapters)} chapters")
    old_files = sum(stream.type == "attachment" for stream in old.streams)
    if old_files:
        kept = sum(stream.type == "attachment" for stream in new.streams) == old_files
        (carried if kept else uncarried).append(f"{old_files} attached files")
    return carried, uncarried


def _tags(whose: str, old: dict[str, str], new: dict[str, str], carried: list[str], uncarried: list[str]) -> None:
    folded = {key.lower(): value for key, value in new.items()}
    for key, value in old.items():
        if key.lower() in _OWN_TAGS or (key.lower(), value) == ("language", "und"):
            continue
        if folded.get(key.lower()) == value:
            if key.lower() in ("timecode", "language", "creation_time"):
                carried.append(f"{whose} {key.lower()} {value}")
            continue
        uncarried.append(f"{whose} tag {key} ({value})")
