"""What a person asked for, as values: deliveries and the guides that go with them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from ....kernels.encoding import Range
from ....kernels.framing import Wanted
from ....kernels.motion import WindowPath
from ...wanted import Placed, Safe


@dataclass(frozen=True, slots=True)
class Delivery:
    """One version of the picture that goes out.

    size : pixels that its crop is scaled to; None for the window's own pixels
    path : how its window moves; None where it rests
    safes : safe areas inside its window
    """

    wanted: Wanted
    size: tuple[int, int] | None = None
    path: WindowPath | None = None
    safes: tuple[Safe, ...] = ()

    @property
    def name(self) -> str:
        return self.wanted.name


@dataclass(frozen=True, slots=True)
class Canvas:
    """The picture of an overlay without a recording; rate (frames a second) and seconds only where it is a movie."""

    size: tuple[int, int]
    rate: Fraction | None = None
    seconds: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """Everything that is the same for all results.

    squeeze : the lens's; None for none
    desqueeze : results are resampled to square pixels
    even : even sizes and places whatever the sampling
    shade : 0..1, outside all windows
    assume : the range of the codes where the flag is wrong; None trusts the flag
    codec : of movies; None for the choice that suits
    moment : seconds into the recording of pictures that show one frame; None for the middle
    """

    deliveries: tuple[Delivery, ...] = ()
    grids: tuple[Placed, ...] = ()
    safes: tuple[Placed, ...] = ()
    centre: bool = False
    squeeze: Fraction | None = None
    desqueeze: bool = False
    even: bool = False
    shade: float = 0.0
    labels: bool = False
    assume: Range | None = None
    codec: str | None = None
    moment: Fraction | None = None

    @property
    def moving(self) -> bool:
        return any(delivery.path is not None for delivery in self.deliveries)
