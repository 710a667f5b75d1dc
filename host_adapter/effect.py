"""An effect as data and one function: what every host is driven from, shaped as OpenFX asks for it.

A host reads the description (parameters, clips, contexts) and builds its own controls from it; it hands `render` images with absolute
coordinates and parameters' values at one time. Nothing heavy is imported here: a host that scans effects does so in milliseconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from ..kernels.encoding import Channel, Encoding, Model
from .image import Field, Image, Premultiplied, Window
from .parameters import Choice, Kind, Param

__all__ = [
    "OUTPUT", "SOURCE", "Choice", "Clip", "Effect", "Field", "Image", "Kind", "Param", "Premultiplied", "Time", "Values", "Window",
]  # fmt: skip

Values = Mapping[str, Any]
"""Parameters' values by name, as `Effect.values` checks them."""


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
Region = Callable[[Values, Window, Image], Window]
Render = Callable[[Image, Mapping[str, Image], Values, Time, Window], None]


def _same_encoding(_: Values, source: Encoding | None) -> Encoding | None:
    return source


def _whole_samples(_: Values, window: Window, source: Image) -> Window:
    return source.grown(window)


@dataclass(frozen=True, slots=True)
class Effect:
    """A description and what it does.

    identifier : unique over all makers, lower case, dotted; label : as a person sees it
    contexts : what a host may use it as, in OpenFX's words; 'filter' is one clip in, one out
    output_encoding(values, source's) : of the output
    is_identity(values, source) : the output would be the source's very codes
    region_needed(values, window, source) : what of the source an output window is made from: the window grown to whole chroma samples
        unless an effect needs more
    render(target, clips, values, time, window) : fills the samples of the target's planes that belong to the window (Image.samples), and
        nothing else
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
    region_needed: Region = _whole_samples

    @property
    def pointwise(self) -> bool:
        """Whether an output window is made from the source under it alone: then it may be done in bands, and within its source."""
        return self.region_needed is _whole_samples

    def param(self, name: str) -> Param:
        """A parameter by name.

        Raises: KeyError.
        """
        for param in self.params:
            if param.name == name:
                return param
        raise KeyError(name)

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
        """Render as a filter after checking what a host may get wrong.

        Raises: ValueError naming what does not fit.
        """
        if "filter" not in self.contexts:
            raise ValueError(f"{self.label} is no filter of one clip; it is made for {', '.join(self.contexts)}")
        window = target.bounds if window is None else window
        if window.empty:
            return
        for clip, image in ((self.clips[0], source), (self.output, target)):
            if reason := clip.refuses(image):
                raise ValueError(f"{self.label}: the {reason}")
        if not window.within(target.bounds):
            raise ValueError(f"window must lie in the target, which covers {target.bounds}, got {window}")
        if len(source.planes) != len(target.planes) or source.sampling != target.sampling:
            raise ValueError("target must have the source's planes and sampling")
        needed = self.region_needed(values, window, source)
        if not needed.within(source.bounds):
            raise ValueError(f"source must cover {needed} for that window, and covers {source.bounds}")
        self.render(target, {self.clips[0].name: source}, values, time, window)
