"""Windows, safe areas and squeeze as rectangles: pure geometry over exact fractions, no pixels.

Two pictures are meant throughout. The *recorded* picture is the array of pixels; the *displayed* one is what a viewer sees
once every pixel has its width (the file's pixel aspect times the lens's squeeze). Windows are asked for on the displayed
picture and answered in recorded pixels, so that they are right after the picture has been de-squeezed.

Fractions of pixels are resolved to what the chroma sampling allows: sizes and offsets are whole steps (`Picture.step`). A window
of a ratio has the size nearest to the exact one from which it can lie exactly in the middle, which is congruent to the
picture's modulo two steps, and it has that size wherever it sits and while it moves. One of a size in pixels has the nearest
whole steps, and may so lie half a step from the middle; so may any window in a picture that is itself no whole number of steps.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from .areas import Rect, rect

SAMPLING_STEPS = {
    "4:4:4": (1, 1), "gray": (1, 1), "4:2:2": (2, 1), "4:2:0": (2, 2), "4:4:0": (1, 2), "4:1:1": (4, 1),
}  # fmt: skip
"""Luma columns and rows to one chroma sample."""

ABSURD_RATIO = 100
"""A window wider or taller than this to one is taken for a slip of the hand."""

HALF = Fraction(1, 2)


@dataclass(frozen=True, slots=True)
class Picture:
    """The recorded picture that windows are placed in.

    width, height : pixels
    aspect : width of a pixel over its height as displayed: the file's pixel aspect times the lens's squeeze
    step : columns and rows that sizes and offsets are multiples of (SAMPLING_STEPS)

    Raises: ValueError naming the field and the value.
    """

    width: int
    height: int
    aspect: Fraction = Fraction(1)
    step: tuple[int, int] = (1, 1)

    def __post_init__(self) -> None:
        if self.width < 1 or self.height < 1:
            raise ValueError(f"picture must be at least 1x1, got {self.width}x{self.height}")
        if not Fraction(1, ABSURD_RATIO) <= self.aspect <= ABSURD_RATIO:
            raise ValueError(f"aspect must be 1/{ABSURD_RATIO}..{ABSURD_RATIO}, got {self.aspect}")
        if min(self.step) < 1:
            raise ValueError(f"step must be positive, got {self.step}")

    @property
    def ratio(self) -> Fraction:
        """Width to height as displayed: aspect x W / H."""
        return self.aspect * self.width / self.height

    @property
    def rect(self) -> Rect:
        return rect(0, 0, self.width, self.height)

    def displayed_size(self) -> tuple[int, int]:
        """Size after de-squeezing: the height is kept, the width becomes square pixels in whole steps."""
        width = _nearest(self.aspect * self.width, self.step[0], 0)
        return max(width, self.step[0]), self.height


@dataclass(frozen=True, slots=True)
class Wanted:
    """A window as asked for, before it meets a picture.

    name : how a person calls it
    ratio : width to height as displayed; None where `size` says it
    size : displayed pixels, width and height; None where `ratio` says it
    anchor : where it sits, 0..1 across and down: (0, 0) is top left, (1/2, 1/2) the middle
    offset : moved by, displayed pixels
    offset_share : moved by, parts of the displayed picture, in addition
    part : its size as a part of the largest window of this ratio that fits

    Raises: ValueError naming the field and the value.
    """

    name: str
    ratio: Fraction | None = None
    size: tuple[int, int] | None = None
    anchor: tuple[Fraction, Fraction] = (HALF, HALF)
    offset: tuple[Fraction, Fraction] = (Fraction(0), Fraction(0))
    offset_share: tuple[Fraction, Fraction] = (Fraction(0), Fraction(0))
    part: Fraction = Fraction(1)

    def __post_init__(self) -> None:
        if (self.ratio is None) == (self.size is None):
            raise ValueError(f"window {self.name!r} takes either a ratio or a size, got {self.ratio} and {self.size}")
        if self.size is not None and min(self.size) < 1:
            raise ValueError(f"size must be at least 1x1, got {self.size[0]}x{self.size[1]}")
        if not 0 < self.part <= 1:
            raise ValueError(f"part must be above 0 and at most 1, got {float(self.part):g}")
        ratio = self.shape
        if ratio <= 0:
            raise ValueError(f"ratio must be above 0, got {float(ratio):g}")
        if not Fraction(1, ABSURD_RATIO) <= ratio <= ABSURD_RATIO:
            raise ValueError(f"ratio must be 1:{ABSURD_RATIO} to {ABSURD_RATIO}:1, got {float(ratio):g}:1")

    @property
    def shape(self) -> Fraction:
        """Width to height as displayed."""
        if self.ratio is not None:
            return self.ratio
        assert self.size is not None
        return Fraction(*self.size)

    @property
    def plainly_centred(self) -> tuple[bool, bool]:
        """Across and down: in the middle and not moved from it."""
        return tuple(
            anchor == HALF and not offset and not share
            for anchor, offset, share in zip(self.anchor, self.offset, self.offset_share, strict=True)
        )  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Window:
    """A window placed in a picture.

    wanted : what was asked for
    picture : what it was placed in
    exact : as computed, recorded pixels
    rect : as resolved, whole recorded pixels in whole steps
    """

    wanted: Wanted
    picture: Picture
    exact: Rect
    rect: Rect

    @property
    def name(self) -> str:
        return self.wanted.name

    @property
    def ratio(self) -> Fraction:
        """Width to height as displayed, after rounding."""
        return self.picture.aspect * self.rect.width / self.rect.height

    @property
    def kept(self) -> Fraction:
        """Part of the picture's area that it keeps, 0..1."""
        return self.rect.area / self.picture.rect.area

    @property
    def moved(self) -> tuple[Fraction, Fraction]:
        """By how many recorded pixels rounding moved its middle, across and down."""
        a, b = self.exact, self.rect
        return (b.x0 + b.x1 - a.x0 - a.x1) / 2, (b.y0 + b.y1 - a.y0 - a.y1) / 2

    @property
    def grown(self) -> tuple[Fraction, Fraction]:
        """By how many recorded pixels rounding made it wider and taller; negative where narrower or shorter."""
        return self.rect.width - self.exact.width, self.rect.height - self.exact.height


def place(wanted: Wanted, picture: Picture) -> Window:
    """The window in the picture: its anchor, then its offset; rounded to the picture's steps (see the module).

    Raises: ValueError where it does not fit into the picture, or the picture has not one whole step.
    """
    width, height = exact_size(wanted, picture)
    offset = (
        wanted.offset[0] / picture.aspect + wanted.offset_share[0] * picture.width,
        wanted.offset[1] + wanted.offset_share[1] * picture.height,
    )
    columns, rows = _lengths(wanted, picture, width, height)
    x0 = _position(wanted.anchor[0] * (picture.width - columns) + offset[0], columns, picture.width, picture.step[0])
    y0 = _position(wanted.anchor[1] * (picture.height - rows) + offset[1], rows, picture.height, picture.step[1])
    exact = rect(
        wanted.anchor[0] * (picture.width - width) + offset[0],
        wanted.anchor[1] * (picture.height - height) + offset[1],
        width,
        height,
    )
    if not exact.within(picture.rect):
        raise ValueError(f"window {wanted.name!r} reaches {_beyond(exact, picture)}")
    return Window(wanted, picture, exact, rect(x0, y0, columns, rows))


def place_at(
    wanted: Wanted, picture: Picture, middle: tuple[Fraction, Fraction], part: Fraction = Fraction(1)
) -> Window:
    """The window with its middle at a place, moved no further than it must be to lie inside the picture.

    middle : 0..1 across and down
    part : its size as a part of what `wanted` says
    Raises: ValueError where it does not fit into the picture.
    """
    width, height = (side * part for side in exact_size(wanted, picture))
    x0 = min(max(middle[0] * picture.width - width / 2, Fraction(0)), picture.width - width)
    y0 = min(max(middle[1] * picture.height - height / 2, Fraction(0)), picture.height - height)
    columns, rows = _lengths(wanted, picture, width, height)
    left = _position(x0 + width / 2 - Fraction(columns, 2), columns, picture.width, picture.step[0])
    top = _position(y0 + height / 2 - Fraction(rows, 2), rows, picture.height, picture.step[1])
    return Window(wanted, picture, rect(x0, y0, width, height), rect(left, top, columns, rows))


def exact_size(wanted: Wanted, picture: Picture) -> tuple[Fraction, Fraction]:
    """Width and height in recorded pixels before rounding.

    Raises: ValueError where a size in pixels is larger than the picture.
    """
    if wanted.size is not None:
        width, height = wanted.size[0] / picture.aspect, Fraction(wanted.size[1])
        if width > picture.width or height > picture.height:
            shown = f"{_spoken(picture.aspect * picture.width)}x{picture.height}"
            raise ValueError(
                f"window {wanted.name!r} is {wanted.size[0]}x{wanted.size[1]}, larger than the picture ({shown})"
            )
    else:
        ratio = wanted.shape / picture.aspect  # of recorded pixels
        width = min(Fraction(picture.width), picture.height * ratio)
        height = width / ratio
    return width * wanted.part, height * wanted.part


def _lengths(wanted: Wanted, picture: Picture, width: Fraction, height: Fraction) -> tuple[int, int]:
    """Columns and rows in whole steps. A size in pixels is kept, and its place gives way; a ratio gives way to the middle."""
    even = wanted.size is None
    return (
        _length(width, picture.width, picture.step[0], even=even),
        _length(height, picture.height, picture.step[1], even=even),
    )


def _length(length: Fraction, whole: int, step: int, *, even: bool) -> int:
    """The nearest whole number of steps that fits; `even`: one that can leave the same on both sides.

    Raises: ValueError where not one step fits.
    """
    most = whole // step * step
    if not most:
        raise ValueError(f"picture must be at least {step} pixels along each side of a window, got {whole}")
    if even and most == whole:
        size = _nearest(length, 2 * step, whole % (2 * step))
        least = whole % (2 * step) or 2 * step
        return min(max(size, min(least, most)), most)
    return min(max(_nearest(length, step, 0), step), most)


def _nearest(length: Fraction, step: int, remainder: int) -> int:
    """The nearest number congruent to `remainder`, of two equally near ones the larger."""
    return step * ((2 * (length - remainder) + step) // (2 * step)) + remainder


def _position(position: Fraction, size: int, whole: int, step: int) -> int:
    return min(max(_nearest(position, step, 0), 0), (whole - size) // step * step)


def _beyond(exact: Rect, picture: Picture) -> str:
    reaches = {
        "left": -exact.x0, "right": exact.x1 - picture.width, "top": -exact.y0, "bottom": exact.y1 - picture.height,
    }  # fmt: skip
    words = [f"{_spoken(by)} pixels beyond the {side}" for side, by in reaches.items() if by > 0]
    return " and ".join(words) + " of the picture"


def _spoken(number: Fraction) -> str:
    return f"{float(number):g}"


def common_area(windows: Iterable[Window]) -> Rect | None:
    """What every window keeps; None where they have nothing in common, or there is no window."""
    area: Rect | None = None
    for number, window in enumerate(windows):
        area = window.rect if number == 0 else area and area.common(window.rect)
    return area


def outside(picture: Picture, windows: Iterable[Window]) -> list[Rect]:
    """What no window keeps, as rectangles that do not overlap, in rows from the top."""
    kept = [window.rect for window in windows]
    cuts = sorted({Fraction(0), Fraction(picture.height), *(edge for each in kept for edge in (each.y0, each.y1))})
    strips: list[Rect] = []
    for y0, y1 in pairwise(cuts):
        at = Fraction(0)
        for each in sorted((each for each in kept if each.y0 <= y0 and y1 <= each.y1), key=lambda each: each.x0):
            if each.x0 > at:
                strips.append(Rect(at, y0, each.x0, y1))
            at = max(at, each.x1)
        if at < picture.width:
            strips.append(Rect(at, y0, Fraction(picture.width), y1))
    return strips
