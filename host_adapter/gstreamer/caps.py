"""Caps from one side of an element to the other: formats for a change of depth, colorimetry for a change of range."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from gi.repository import Gst, GstVideo

from ...kernels.encoding import Model, Range
from ...kernels.matrix import Matrix
from .formats import FORMATS, Format, reached_from, with_depth

_RANGES = {1: Range.FULL, 2: Range.NARROW}  # GstVideoColorRange
_MATRICES = {2: Matrix.FCC, 3: Matrix.BT709, 4: Matrix.BT601, 5: Matrix.ST240, 6: Matrix.BT2020}  # GstVideoColorMatrix
_SITINGS = {1: "center", 2: "left", 4: "top", 6: "topleft"}  # GstVideoChromaSite


def template_caps() -> Any:
    """What the elements take at all: raw frames in system memory."""
    names = ", ".join(FORMATS)
    return Gst.Caps.from_string(
        f"video/x-raw, format=(string){{ {names} }}, width=(int)[ 1, max ], height=(int)[ 1, max ], "
        "framerate=(fraction)[ 0, max ]"
    )


SMALL = tuple(
    Gst.Caps.from_string(f"video/x-raw, format={name}, width=48, height=36, framerate=25/1")
    for name in ("I420", "I422_10LE", "P010_10LE")
)
"""Caps whose kernels are ready before anything is known of what comes."""


def likely(caps: Any) -> list[Any]:
    """Fixed caps among those that an element before may send: those with a size, in up to three formats."""
    found: list[Any] = []
    for number in range(0 if caps is None or caps.is_any() else caps.get_size()):
        structure = caps.get_structure(number)
        if not (structure.get_int("width")[0] and structure.get_int("height")[0]):
            continue
        for name in _words(structure, "format"):
            one = structure.copy()
            one.set_value("format", name)
            fixed = Gst.Caps.new_empty()
            fixed.append_structure(one)
            if name in FORMATS and len(found) < 3:
                found.append(fixed.fixate())
    return found


def first_of(caps: Any) -> Any:
    """The first of several caps, fixed.

    Raises: ValueError where there are none.
    """
    if caps.is_empty():
        raise ValueError("caps are empty")
    return caps.fixate()


@dataclass(frozen=True, slots=True)
class Signal:
    """What fixed caps say of the frames.

    range : as said, or as GStreamer takes it where nothing is said; range_said : whether it is
    rate : frames a second, 0 where it varies
    aspect : displayed width of a pixel over its height
    """

    form: Format
    width: int
    height: int
    range: Range
    range_said: bool
    matrix: Matrix | None
    siting: str | None
    rate: Fraction
    aspect: Fraction


def signal_of(caps: Any) -> Signal:
    """Raises: ValueError for caps that are no raw video of a format that is taken here."""
    info = GstVideo.VideoInfo.new_from_caps(caps)
    if info is None:
        raise ValueError(f"caps must be those of raw video, got {caps.to_string()}")
    structure = caps.get_structure(0)
    form = FORMATS.get(structure.get_string("format"))
    if form is None:
        raise ValueError(f"the element takes no {structure.get_string('format')} frames")
    if info.interlace_mode == GstVideo.VideoInterlaceMode.ALTERNATE:
        raise ValueError("the element takes whole frames; these buffers hold a field each (interlace-mode=alternate)")
    # The caps' own words where there are any: of those without a matrix VideoInfo takes none, not even the range.
    colour = GstVideo.VideoColorimetry()
    if not (structure.has_field("colorimetry") and colour.from_string(structure.get_string("colorimetry"))):
        colour = info.colorimetry
    said = int(colour.range)
    taken = _RANGES.get(said, Range.FULL if form.model is Model.RGB else Range.NARROW)
    matrix = _MATRICES.get(int(colour.matrix)) if form.model is Model.YCBCR else None
    siting = _SITINGS.get(int(info.chroma_site)) if structure.has_field("chroma-site") else None
    return Signal(
        form, info.width, info.height, taken, structure.has_field("colorimetry") and said in _RANGES, matrix, siting,
        Fraction(info.fps_n, info.fps_d or 1), Fraction(info.par_n or 1, info.par_d or 1),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """What an effect does to caps.

    depth : of the result, None where it stays
    range : of the result, None where it stays
    """

    depth: int | None = None
    range: Range | None = None

    def forward(self, caps: Any) -> Any:
        """What comes out for what comes in."""
        return self._each(caps, self._formats_out, self._colours_out)

    def backward(self, caps: Any) -> Any:
        """What may come in for what is to come out."""
        return self._each(caps, self._formats_in, self._colours_in)

    def _formats_out(self, form: Format) -> tuple[str, ...]:
        return (form.name,) if self.depth is None else with_depth(form, self.depth)

    def _formats_in(self, form: Format) -> tuple[str, ...]:
        return reached_from(form, self.depth)

    def _colours_out(self, structure: Any, form: Format) -> list[str]:
        if self.range is None:
            return _words(structure, "colorimetry")
        if structure.has_field("colorimetry"):
            return _unique(
                spelt
                for word in _words(structure, "colorimetry")
                for spelt in spellings(with_range(self._heard(word, structure, form), self.range))
            )
        if structure.get_string("format") is None:
            # A question of what may come, not frames that do. One answer for each format, and a converter before would go to R'G'B',
            # which has just the one, rather than to the colorimetry that it gets.
            return []
        default = _default_colorimetry(structure, form)
        # Nothing said stays nothing said, as long as GStreamer takes that for the range that it is.
        if default is None or _range_of(default) == self.range:
            return []
        return list(spellings(with_range(default, self.range)))

    def _heard(self, word: str, structure: Any, form: Format) -> str:
        """Colorimetry that GStreamer's own elements will heed: Y'CbCr without a matrix they take for what says nothing, so for narrow."""
        held = GstVideo.VideoColorimetry()
        if (
            self.range is not Range.FULL
            or form.model is not Model.YCBCR
            or not held.from_string(word)
            or int(held.matrix)
        ):
            return word
        return _default_colorimetry(structure, form) or word

    def _colours_in(self, structure: Any, form: Format) -> list[str]:
        words = _words(structure, "colorimetry")
        if self.range is None:
            return words
        right = [word for word in words if _range_of(word) in (self.range, None)]
        if words and not right:
            return [_NONE]
        return _unique(
            spelt for word in right for range_ in (self.range, *Range) for spelt in spellings(with_range(word, range_))
        )

    def _each(
        self, caps: Any, formats: Callable[[Format], tuple[str, ...]], colours: Callable[[Any, Format], list[str]]
    ) -> Any:
        made = Gst.Caps.new_empty()
        if caps.is_any():
            caps = template_caps()
        for number in range(caps.get_size()):
            structure, features = caps.get_structure(number), caps.get_features(number)
            if structure.get_name() != "video/x-raw" or features.to_string() != _MEMORY:
                continue
            for name in _words(structure, "format") or list(FORMATS):
                form = FORMATS.get(name)
                if form is None:
                    continue
                found = colours(structure, form)
                if found == [_NONE]:
                    continue
                for other in formats(form):
                    copy = structure.copy()
                    copy.set_value("format", other)
                    copy.remove_field("colorimetry")
                    if found:
                        copy.set_value("colorimetry", found[0] if len(found) == 1 else Gst.ValueList(found))
                    made.append_structure(copy)
        return made


_MEMORY = "memory:SystemMemory"

_NONE = "none"
"""Stands for colorimetry that cannot come out of the element."""


def with_range(colorimetry: str, range_: Range) -> str:
    """The same colorimetry of another range; what cannot be read stays as it is."""
    held = GstVideo.VideoColorimetry()
    if not held.from_string(colorimetry) or _RANGES.get(int(held.range)) is range_:
        return colorimetry
    held.range = GstVideo.VideoColorRange(1 if range_ is Range.FULL else 2)
    return str(held.to_string())


def spellings(colorimetry: str) -> tuple[str, ...]:
    """The same colorimetry as it is given, by its name, and in numbers: caps are compared as texts."""
    held = GstVideo.VideoColorimetry()
    if not held.from_string(colorimetry):
        return (colorimetry,)
    numbers = int(held.range), int(held.matrix), int(held.transfer), int(held.primaries)
    return tuple(dict.fromkeys((colorimetry, str(held.to_string()), ":".join(map(str, numbers)))))


def _range_of(colorimetry: str) -> Range | None:
    held = GstVideo.VideoColorimetry()
    return _RANGES.get(int(held.range)) if held.from_string(colorimetry) else None


def _default_colorimetry(structure: Any, form: Format) -> str | None:
    """What GStreamer takes frames for whose caps say nothing; None where that hangs on a size that is still open."""
    found, height = structure.get_int("height")
    if not found:
        return None
    known, width = structure.get_int("width")
    info = GstVideo.VideoInfo()
    info.set_format(GstVideo.VideoFormat.from_string(form.name), width if known else height, height)
    return str(info.colorimetry.to_string())


def _words(structure: Any, field: str) -> list[str]:
    """The values of a field of texts, one or several; none where it is absent."""
    value = structure.get_value(field) if structure.has_field(field) else None
    if value is None:
        return []
    return [value] if isinstance(value, str) else [word for word in value.array if isinstance(word, str)]


def _unique(words: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(words))
