"""Windows, safe areas and squeeze as rectangles: pure geometry over exact fractions, no pixels.

Two pictures are meant throughout. The *recorded* picture is the array of pixels; the *displayed* one is what a viewer sees
once every pixel has its width (the file's pixel aspect times the lens's squeeze). Windows are asked for on the displayed
picture and answered in recorded pixels, so that they are right after the picture has been de-squeezed.

Fractions of pixels are resolved to what the chroma sampling allows: sizes and offsets are whole chroma samples. A centred window
of a ratio has the size nearest to the exact one that still lies exactly in the middle; one of a size in pixels keeps its size.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from .encoding import round_half_away

SAMPLING_STEPS = {
    "4:4:4": (1, 1), "gray": (1, 1), "4:2:2": (2, 1), "4:2:0": (2, 2), "4:4:0": (1, 2), "4:1:1": (4, 1),
}  # fmt: skip
"""Luma columns and rows to one chroma sample."""

ABSURD_RATIO = 100
"""A window wider or taller than this to one is taken for a slip of the hand."""

HALF = Fraction(1, 2)


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle in recorded pixels, edges as exact fractions; x1 and y1 are exclusive."""

    x0: Fraction
    y0: Fraction
    x1: Fraction
    y1: Fraction

    @property
    def width(self) -> Fraction:
        return self.x1 - self.x0

    @property
    def height(self) -> Fraction:
        return self.y1 - self.y0

    @property
    def area(self) -> Fraction:
        return self.width * self.height

    @property
    def whole(self) -> bool:
        """True where every edge lies between two pixels."""
        return all(edge.denominator == 1 for edge in (self.x0, self.y0, self.x1, self.y1))

    def within(self, other: Rect) -> bool:
        return other.x0 <= self.x0 and other.y0 <= self.y0 and self.x1 <= other.x1 and self.y1 <= other.y1

    def common(self, other: Rect) -> Rect | None:
        """What both cover; None where they have no area in common."""
        x0, y0 = max(self.x0, other.x0), max(self.y0, other.y0)
        x1, y1 = min(self.x1, other.x1), min(self.y1, other.y1)
        return Rect(x0, y0, x1, y1) if x0 < x1 and y0 < y1 else None

    def pixels(self) -> tuple[int, int, int, int]:
        """x, y, width, height.

        Raises: ValueError where an edge cuts through a pixel.
        """
        if not self.whole:
            raise ValueError(f"rect must have whole edges, got {self}")
        return int(self.x0), int(self.y0), int(self.width), int(self.height)


def rect(x: Fraction | int, y: Fraction | int, width: Fraction | int, height: Fraction | int) -> Rect:
    """A rectangle of its corner and size."""
    return Rect(Fraction(x), Fraction(y), Fraction(x) + width, Fraction(y) + height)


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
        """By how many recorded pixels rounding made it wider and higher; negative where narrower or lower."""
        return self.rect.width - self.exact.width, self.rect.height - self.exact.height


def place(wanted: Wanted, picture: Picture) -> Window:
    """The window in the picture: its anchor, then its offset; rounded to the picture's steps.

    Raises: ValueError where it does not fit into the picture, or the picture has not one whole step.
    """
    width, height = exact_size(wanted, picture)
    offset = (
        wanted.offset[0] / picture.aspect + wanted.offset_share[0] * picture.width,
        wanted.offset[1] + wanted.offset_share[1] * picture.height,
    )
    # A size in pixels is kept, if need be half a step from the middle; a ratio gives way to the middle.
    across, down = wanted.plainly_centred if wanted.size is None else (False, False)
    x0, columns = _resolve(width, picture.width, picture.step[0], wanted.anchor[0], offset[0], across)
    y0, rows = _resolve(height, picture.height, picture.step[1], wanted.anchor[1], offset[1], down)
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
    columns = _length(width, picture.width, picture.step[0], centred=False)
    rows = _length(height, picture.height, picture.step[1], centred=False)
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


def _resolve(
    length: Fraction, whole: int, step: int, anchor: Fraction, offset: Fraction, centred: bool
) -> tuple[int, int]:
    """Offset and length along one axis, in whole steps."""
    size = _length(length, whole, step, centred=centred)
    return _position(anchor * (whole - size) + offset, size, whole, step), size


def _length(length: Fraction, whole: int, step: int, *, centred: bool) -> int:
    """The nearest whole number of steps that fits; for a centred window one that leaves the same on both sides.

    Raises: ValueError where not one step fits.
    """
    most = whole // step * step
    if not most:
        raise ValueError(f"picture must be at least {step} pixels along each side of a window, got {whole}")
    if centred and most == whole:
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


ACTION_SAFE = Fraction(93, 100)
TITLE_SAFE = Fraction(90, 100)
"""Parts of width and height that are safe for action and for titles. Source: SMPTE ST 2046-1:2009; ITU-R BT.1848-1;
EBU R 95 v1.1, all for 16:9; inside windows of other ratios the same parts are common practice."""


def safe_area(part: Fraction, within: Rect) -> Rect:
    """The safe area inside a rectangle of whole pixels: the same whole number of pixels in from opposite edges, one left at least.

    part : of width and height that is safe, above 0 and at most 1
    Raises: ValueError for any other part.
    """
    if not 0 < part <= 1:
        raise ValueError(f"part must be above 0 and at most 1, got {float(part):g}")
    across, down = (
        min(round_half_away(side * (1 - part) / 2), (int(side) - 1) // 2) for side in (within.width, within.height)
    )
    return Rect(within.x0 + across, within.y0 + down, within.x1 - across, within.y1 - down)


def divisions(count: int, start: Fraction, end: Fraction) -> Iterator[Fraction]:
    """The places that divide a length into equal parts, the ends left out.

    Raises: ValueError for less than one part, or more than a person could tell apart.
    """
    if not 1 <= count <= ABSURD_RATIO:
        raise ValueError(f"count must be 1..{ABSURD_RATIO}, got {count}")
    return (start + (end - start) * number / count for number in range(1, count))
