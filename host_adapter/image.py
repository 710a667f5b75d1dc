"""Pictures and tiles of them, as hosts hand them to effects. Nothing heavy is imported here.

Coordinates are pixels of the picture from its top left corner, y downwards, at the image's own scale. A host that counts from
the bottom (OpenFX) turns its row stride round and its window over; that is the adapter's job.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from ..kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model
from ..kernels.framing import SAMPLING_STEPS

if TYPE_CHECKING:
    from ..kernels.matrix import Matrix


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

    def step(self, channel: Channel) -> tuple[int, int]:
        """Pixels to a sample of a plane, across and down."""
        return SAMPLING_STEPS[self.sampling] if channel is Channel.CHROMA else (1, 1)

    def grown(self, window: Window) -> Window:
        """The window with all pixels that its chroma samples lie under, within the picture."""
        across, down = self.step(Channel.CHROMA)
        return Window(
            window.x0 // across * across, window.y0 // down * down,
            -(-window.x1 // across) * across, -(-window.y1 // down) * down,
        ).common(self.whole)  # fmt: skip

    def samples(self, window: Window, channel: Channel) -> Window:
        """The samples of a plane that belong to a window, counted in that plane from the picture's corner.

        A chroma sample belongs where the first pixel is that it lies under, so that each of neighbouring tiles has its own; where that
        pixel lies before the bounds, which begin amid a sample, to the window that begins there too.
        """
        (across, down), bounds = self.step(channel), self.bounds
        left = window.x0 // across if window.x0 <= bounds.x0 else -(-window.x0 // across)
        top = window.y0 // down if window.y0 <= bounds.y0 else -(-window.y0 // down)
        return Window(left, top, -(-window.x1 // across), -(-window.y1 // down))

    def view(self, number: int, samples: Window) -> Any:
        """A view of samples of a plane, as `samples` counts them.

        Raises: ValueError where the plane does not hold them.
        """
        plane, (across, down) = self.planes[number], self.step(self.channels[number])
        left, top = samples.x0 - self.bounds.x0 // across, samples.y0 - self.bounds.y0 // down
        rows, columns = max(samples.y1 - samples.y0, 0), max(samples.x1 - samples.x0, 0)
        if left < 0 or top < 0 or left + columns > plane.shape[1] or top + rows > plane.shape[0]:
            raise ValueError(f"samples must lie in plane {number}, which covers {self.bounds}, got {samples}")
        return plane[top : top + rows, left : left + columns]
