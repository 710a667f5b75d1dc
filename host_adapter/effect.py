"""An effect as data and one function: what every host is driven from, shaped as OpenFX asks for it.

A host reads the description (parameters, clips, contexts) and builds its own controls from it; it hands `render` images with absolute
coordinates and parameters' values at one time. Nothing heavy is imported here: a host that scans effects does so in milliseconds.

Coordinates are pixels of the picture from its top left corner, y downwards, at the image's own scale. A host that counts from
the bottom (OpenFX) turns its row stride round and its window over; that is the adapter's job.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from ..kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model

if TYPE_CHECKING:
    from ..kernels.matrix import Matrix

Values = Mapping[str, Any]
"""Parameters' values by name, as `Description.values` checks them."""


class Kind(Enum):
    """What a parameter holds, and the Python type of its values."""

    BOOLEAN = "boolean"
    INTEGER = "integer"
    NUMBER = "number"
    CHOICE = "choice"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Choice:
    """One value of a CHOICE: as written in files and on command lines, and as shown."""

    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Param:
    """A parameter, declared once for every host.

    name : as programs write it; label : as a person sees it
    default : of the kind's type; for CHOICE one of the values
    low, high : limits of INTEGER and NUMBER, both allowed values themselves
    unit : of a number, '' where it has none
    animates : whether its value may change over time
    reads : turns a TEXT into values, raising ValueError that says what is wrong; None takes any text
    """

    name: str
    label: str
    kind: Kind
    default: Any
    help: str
    low: float | None = None
    high: float | None = None
    choices: tuple[Choice, ...] = ()
    unit: str = ""
    animates: bool = True
    reads: Callable[[str], Any] | None = None

    @property
    def words(self) -> tuple[str, ...]:
        """The values of a CHOICE."""
        return tuple(choice.value for choice in self.choices)

    def checked(self, value: Any) -> Any:
        """The value in its kind's type.

        Raises: ValueError naming the parameter and the value.
        """
        if self.kind is Kind.BOOLEAN:
            if not isinstance(value, (bool, int)) or value not in (0, 1):
                raise self._refused(value, "true or false")
            return bool(value)
        if self.kind in (Kind.INTEGER, Kind.NUMBER):
            return self._number(value)
        if not isinstance(value, str):
            raise self._refused(value, "a text")
        if self.kind is Kind.CHOICE and value not in self.words:
            raise self._refused(value, f"one of {', '.join(self.words)}")
        if self.reads is not None:
            try:
                self.reads(value)
            except ValueError as error:
                raise ValueError(f"{self.name}: {error}") from None
        return value

    def _number(self, value: Any) -> int | float:
        whole = self.kind is Kind.INTEGER
        if isinstance(value, bool) or not isinstance(value, (int, float)) or (whole and not float(value).is_integer()):
            raise self._refused(value, "a whole number" if whole else "a number")
        low, high = self.low, self.high
        if not (low is None or value >= low) or not (high is None or value <= high):  # so that NaN is refused too
            raise self._refused(value, f"{_end(low)}..{_end(high)}{' ' + self.unit if self.unit else ''}")
        return int(value) if whole else float(value)

    def _refused(self, value: Any, wanted: str) -> ValueError:
        return ValueError(f"{self.name} must be {wanted}, got {value!r}")


def _end(limit: float | None) -> str:
    return "" if limit is None else f"{limit:g}"


class Premultiplied(Enum):
    """How colour and alpha go together in an image."""

    OPAQUE = "opaque"
    """No alpha, or alpha that is all of it."""
    YES = "premultiplied"
    NO = "straight"


class Field(Enum):
    """Which rows of the picture an image holds."""

    FRAME = "frame"
    UPPER = "upper"
    """Rows 0, 2, 4, …"""
    LOWER = "lower"
    """Rows 1, 3, 5, …"""


@dataclass(frozen=True, slots=True)
class Window:
    """Part of a picture, absolute pixels; x1 and y1 exclusive."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def empty(self) -> bool:
        return self.x0 >= self.x1 or self.y0 >= self.y1

    def within(self, other: Window) -> bool:
        return other.x0 <= self.x0 and other.y0 <= self.y0 and self.x1 <= other.x1 and self.y1 <= other.y1

    def common(self, other: Window) -> Window:
        """What both cover; empty where that is nothing."""
        return Window(max(self.x0, other.x0), max(self.y0, other.y0), min(self.x1, other.x1), min(self.y1, other.y1))


@dataclass(frozen=True, slots=True)
class Image:
    """A picture or a tile of it, as a host holds it.

    planes : arrays [rows, columns] that cover `bounds`, subsampled planes what lies under it; any strides, negative ones too
    encoding : what codes stand for; of floating-point planes, which hold code / M, or None where they hold levels (black 0, white 1)
    bounds : where the planes lie in the picture
    whole : the picture that this is a tile of, in the image's own pixels
    sampling, siting : of chroma, as media.Info has them
    matrix : of Y'CbCr; None for the rest
    scale : pixels of this image to one of the full picture, across and down
    aspect : displayed width of a full picture's pixel over its height
    """

    planes: tuple[Any, ...]
    channels: tuple[Channel, ...]
    encoding: Encoding | None
    bounds: Window
    whole: Window
    sampling: str = "4:4:4"
    siting: str | None = None
    matrix: Matrix | None = None
    scale: tuple[Fraction, Fraction] = (Fraction(1), Fraction(1))
    aspect: Fraction = Fraction(1)
    field: Field = Field.FRAME
    premultiplied: Premultiplied = Premultiplied.OPAQUE

    @property
    def floating(self) -> bool:
        return bool(self.planes) and self.planes[0].dtype.kind == "f"

    @property
    def model(self) -> Model:
        """Of its colour planes."""
        colour = tuple(channel for channel in self.channels if channel is not Channel.ALPHA)
        return next(model for model, channels in PLANE_CHANNELS.items() if channels == colour)

    def part(self, window: Window, step: tuple[int, int]) -> tuple[Any, ...]:
        """Views of the planes under a window.

        step : luma samples to a chroma sample; the window's corner lies on one
        """
        found = []
        for plane, channel in zip(self.planes, self.channels, strict=True):
            across, down = step if channel is Channel.CHROMA else (1, 1)
            left, top = window.x0 // across - self.bounds.x0 // across, window.y0 // down - self.bounds.y0 // down
            rows, columns = -(-window.y1 // down) - window.y0 // down, -(-window.x1 // across) - window.x0 // across
            found.append(plane[top : top + rows, left : left + columns])
        return tuple(found)


@dataclass(frozen=True, slots=True)
class Time:
    """When an image is.

    frame : number from 0, which keys noise; seconds : from the first frame
    """

    frame: int = 0
    seconds: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Clip:
    """An input or the output of an effect.

    depths : bits of codes that it takes; None among them stands for floating point
    models : how colour may be split over planes
    alpha : whether it may have an alpha plane
    """

    name: str
    label: str
    depths: frozenset[int | None] = frozenset({*range(8, 17), None})
    models: frozenset[Model] = frozenset(Model)
    alpha: bool = True
    optional: bool = False

    def refuses(self, image: Image) -> str:
        """Why it does not take an image, or nothing."""
        depth = None if image.encoding is None or image.floating else image.encoding.depth
        if depth not in self.depths:
            return f"{self.label.lower()} takes no {'floating-point levels' if depth is None else f'{depth}-bit codes'}"
        if image.model not in self.models:
            return f"{self.label.lower()} takes no {image.model.value} pictures"
        if Channel.ALPHA in image.channels and not self.alpha:
            return f"{self.label.lower()} takes no alpha"
        return ""


SOURCE = Clip("source", "Source")
OUTPUT = Clip("output", "Output")

Encodings = Callable[[Values, Encoding | None], Encoding | None]
Identity = Callable[[Values, Image], bool]
Region = Callable[[Values, Window], Window]
Render = Callable[[Image, Mapping[str, Image], Values, Time, Window], None]


def _same_encoding(_: Values, source: Encoding | None) -> Encoding | None:
    return source


def _same_region(_: Values, window: Window) -> Window:
    return window


@dataclass(frozen=True, slots=True)
class Effect:
    """A description and what it does.

    identifier : unique over all makers, lower case, dotted; label : as a person sees it
    contexts : 'filter' (one clip in, one out) as OpenFX has it
    output_encoding(values, source's) : of the output
    is_identity(values, source) : the output would be the source's very codes
    region_needed(values, window) : what of the source an output window is made from
    render(target, clips, values, time, window) : fills the window of the target's planes, and nothing else
    """

    identifier: str
    label: str
    help: str
    params: tuple[Param, ...]
    render: Render
    clips: tuple[Clip, ...] = (SOURCE,)
    output: Clip = OUTPUT
    contexts: tuple[str, ...] = ("filter",)
    output_encoding: Encodings = _same_encoding
    is_identity: Identity = field(default=lambda _values, _source: False)
    region_needed: Region = _same_region

    def param(self, name: str) -> Param:
        """A parameter by name.

        Raises: KeyError.
        """
        return next_or_key_error(self.params, name)

    def values(self, given: Values | None = None) -> dict[str, Any]:
        """A value for every parameter: what is given, checked, and the defaults for the rest.

        Raises: ValueError naming a parameter that there is not, or whose value is wrong.
        """
        given = {} if given is None else dict(given)
        unknown = sorted(set(given) - {param.name for param in self.params})
        if unknown:
            known = ", ".join(param.name for param in self.params)
            raise ValueError(f"{self.label} has no parameter {unknown[0]!r}; it has {known}")
        return {param.name: param.checked(given.get(param.name, param.default)) for param in self.params}

    def apply(
        self, target: Image, source: Image, values: Values, time: Time = Time(), window: Window | None = None
    ) -> None:
        """Render with one clip after checking what a host may get wrong.

        Raises: ValueError naming what does not fit.
        """
        window = target.bounds if window is None else window
        if window.empty:
            return
        for clip, image in ((self.clips[0], source), (self.output, target)):
            if reason := clip.refuses(image):
                raise ValueError(f"{self.label}: the {reason}")
        if not window.within(target.bounds) or not self.region_needed(values, window).within(source.bounds):
            raise ValueError(f"window must lie in target and source, got {window}")
        if len(source.planes) != len(target.planes) or source.sampling != target.sampling:
            raise ValueError("target must have the source's planes and sampling")
        self.render(target, {self.clips[0].name: source}, values, time, window)


def next_or_key_error(params: tuple[Param, ...], name: str) -> Param:
    for param in params:
        if param.name == name:
            return param
    raise KeyError(name)


def as_target(image: Image, planes: tuple[Any, ...], encoding: Encoding | None) -> Image:
    """An image like another, with planes and an encoding of its own."""
    return replace(image, planes=planes, encoding=encoding)
