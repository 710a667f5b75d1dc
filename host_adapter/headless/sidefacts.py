"""What a movie holds besides the codes of its pictures, as plain values, compared before and after a mend."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from av.container import InputContainer
from av.video.stream import VideoStream

_MUXERS = (
    "major_brand", "minor_version", "compatible_brands", "encoder", "duration", "bps", "number_of_frames",
    "number_of_bytes", "handler_name", "vendor_id", "timecode", "creation_time", "language", "uid", "generation_uid",
    "company_name", "product_name", "product_version", "product_version_num", "product_uid", "application_platform",
    "toolkit_version", "toolkit_version_num", "modification_date", "material_package_umid", "file_package_umid",
    "track_name", "operational_pattern_ul",
)  # fmt: skip
MUXERS_OWN = frozenset(_MUXERS)
"""Tags that every muxer writes about itself, or that are compared on their own."""

_FIELD_ORDERS = {2: "tff", 3: "bff", 4: "bff", 5: "tff"}
"""FFmpeg's AVFieldOrder to which field is shown first; 4 and 5 are coded in the other order than they are shown."""

_SIDE_WORDS = {
    "A53_CC": "closed captions inside the picture stream",
    "AFD": "active format description",
    "DOVI_RPU_BUFFER": "dynamic grading metadata",
    "DOVI_METADATA": "dynamic grading metadata",
    "DYNAMIC_HDR_PLUS": "dynamic brightness metadata",
    "DYNAMIC_HDR_VIVID": "dynamic brightness metadata",
    "ICC_PROFILE": "ICC profile",
    "S12M_TIMECODE": "timecode inside the picture stream",
    "GOP_TIMECODE": "timecode inside the picture stream",
    "SPHERICAL": "spherical projection",
    "STEREO3D": "stereoscopic arrangement",
    "FILM_GRAIN_PARAMS": "film grain parameters",
    "AMBIENT_VIEWING_ENVIRONMENT": "ambient viewing environment",
    "PANSCAN": "pan and scan windows",
}


@dataclass(frozen=True, slots=True)
class Mastering:
    """Mastering display: chromaticities of red, green, blue and white, and luminances in cd/m2 (SMPTE ST 2086)."""

    primaries: tuple[tuple[Fraction, Fraction], ...] | None
    white: tuple[Fraction, Fraction] | None
    luminance: tuple[Fraction, Fraction] | None


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """What goes with the picture, from its stream and its first frame."""

    aspect: Fraction | None
    matrix: tuple[int, ...] | None
    field_order: str | None
    field_order_code: int
    mastering: Mastering | None
    light: tuple[int, int] | None
    other: tuple[str, ...]


def picture_facts(stream: VideoStream, first: Any) -> PictureFacts:
    """Aspect, rotation, fields and HDR metadata of a stream and its first decoded frame."""
    side = {each.type.name: bytes(each) for each in first.side_data}
    aspect = stream.sample_aspect_ratio
    raw_matrix = side.get("DISPLAYMATRIX")
    return PictureFacts(
        aspect=aspect if aspect and aspect > 0 else None,
        matrix=struct.unpack("9i", raw_matrix) if raw_matrix and len(raw_matrix) == 36 else None,
        field_order=_FIELD_ORDERS.get(int(stream.codec_context.field_order)),
        field_order_code=int(stream.codec_context.field_order),
        mastering=_mastering(side.get("MASTERING_DISPLAY_METADATA")),
        light=_light(side.get("CONTENT_LIGHT_LEVEL")),
        other=tuple(sorted({words for name, words in _SIDE_WORDS.items() if name in side})),
    )


def turn(matrix: tuple[int, ...] | None) -> int:
    """Clockwise degrees by which a display matrix turns the picture: 0, 90, 180 or 270.

    matrix : nine integers, a b u c d v x y w, as ISO/IEC 14496-12 8.5 has it: a point goes to (a x + c y, b x + d y)
    A mirroring matrix counts as a mirror from left to right and then a turn, and the turn is what is given. A matrix at
    any other angle, or one that shears, gives 0: it leaves no rectangle of pixels a rectangle of the screen.
    """
    if matrix is None:
        return 0
    a, b, c, d = matrix[0], matrix[1], matrix[3], matrix[4]
    largest = max(abs(a), abs(b), abs(c), abs(d))
    a, b, c, d = (0 if abs(value) * 1000 < largest else value for value in (a, b, c, d))
    if not ((a and d and not b and not c) or (b and c and not a and not d)):
        return 0
    if a * d - b * c < 0:
        a, b = -a, -b
    if a:
        return 0 if a > 0 else 180
    return 90 if b > 0 else 270


def _mastering(raw: bytes | None) -> Mastering | None:
    """AVMasteringDisplayMetadata: ten rationals and two ints."""
    if raw is None or len(raw) < 88:
        return None
    numbers = struct.unpack("22i", raw[:88])
    pairs = [(numbers[at], numbers[at + 1]) for at in range(0, 20, 2)]
    values = [Fraction(above, below) if below else Fraction(0) for above, below in pairs]
    has_primaries, has_luminance = numbers[20], numbers[21]
    points = tuple((values[at], values[at + 1]) for at in range(0, 8, 2))
    return Mastering(
        points[:3] if has_primaries else None,
        points[3] if has_primaries else None,
        (values[8], values[9]) if has_luminance else None,
    )


def _light(raw: bytes | None) -> tuple[int, int] | None:
    if raw is None or len(raw) < 8:
        return None
    most, average = struct.unpack("II", raw[:8])
    return most, average


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What goes with the file."""

    tags: dict[str, str]
    created: str | None
    timecode: str | None
    chapters: tuple[tuple[Fraction, str], ...]


def file_facts(container: InputContainer, picture: VideoStream) -> FileFacts:
    """Tags (keys in lower case), date, timecode and chapters."""
    tags = {key.casefold(): value for key, value in {**picture.metadata, **container.metadata}.items()}
    chapters = tuple(
        (each["start"] * (each["time_base"] or Fraction(1)), each["metadata"].get("title", ""))
        for each in container.chapters()
    )
    return FileFacts(
        tags={key: value for key, value in tags.items() if _is_custom(key)},
        created=tags.get("creation_time"),
        timecode=timecode_of(container, picture),
        chapters=chapters,
    )


def _is_custom(key: str) -> bool:
    plain = key.removesuffix("-eng")
    return plain not in MUXERS_OWN and not plain.startswith("_statistics")


def timecode_of(container: InputContainer, picture: VideoStream) -> str | None:
    """The start timecode, wherever the file keeps it."""
    holders = [picture.metadata, container.metadata, *(stream.metadata for stream in container.streams)]
    for tags in holders:
        for key, value in tags.items():
            if key.casefold() == "timecode":
                return str(value)
    return None


def compare(
    before: tuple[FileFacts, PictureFacts], after: tuple[FileFacts, PictureFacts]
) -> tuple[list[str], list[str]]:
    """What came over and what did not, in words, judged from both files as they read."""
    carried: list[str] = []
    lost: list[str] = []

    def judge(words: str, there: object, here: object) -> None:
        if there:
            (carried if here == there else lost).append(words)

    old, new = before[0], after[0]
    judge(f"timecode {old.timecode}", old.timecode, new.timecode)
    judge(f"creation date {old.created}", _whole_second(old.created), _whole_second(new.created))
    kept = [key for key, value in old.tags.items() if new.tags.get(key) == value]
    missing = [key for key in old.tags if key not in kept]
    if kept:
        carried.append(
            f"{len(kept)} tag{'s' * (len(kept) != 1)} ({', '.join(kept[:6])}{', …' if len(kept) > 6 else ''})"
        )
    lost.extend(f"tag {key}" for key in missing)
    marks = len(old.chapters)
    judge(f"{marks} chapter{'s' * (marks != 1)}", _rounded(old.chapters), _rounded(new.chapters))
    first, then = before[1], after[1]
    if first.aspect not in (None, 1):
        judge(f"pixel aspect {first.aspect}", first.aspect, then.aspect)
    elif then.aspect not in (None, 1):
        lost.append(f"square pixels (they read as {then.aspect})")
    judge("rotation", first.matrix and first.matrix[:6], then.matrix and then.matrix[:6])
    judge(f"field order {first.field_order}", first.field_order, then.field_order)
    judge("mastering display metadata", _near(first.mastering), _near(then.mastering))
    judge("content light levels", first.light, then.light)
    lost.extend(words for words in first.other if words not in then.other)
    return carried, lost


def _whole_second(date: str | None) -> str | None:
    return date and date.split(".")[0].rstrip("Z")


def _rounded(chapters: tuple[tuple[Fraction, str], ...]) -> list[tuple[int, str]]:
    return [(round(start * 1000), title) for start, title in chapters]


def _near(mastering: Mastering | None) -> object:
    """To the precision of the standard's fields: .00002 in chromaticity, .0001 cd/m2."""
    if mastering is None:
        return None
    points = (*(mastering.primaries or ()), *((mastering.white,) if mastering.white else ()))
    return [(round(x * 50000), round(y * 50000)) for x, y in points], [
        round(value * 10000) for value in mastering.luminance or ()
    ]
