"""One frame after another against the limits of a rule, in plain numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ....kernels.encoding import Channel, Encoding, Model
from ....kernels.framing import SAMPLING_STEPS
from ....kernels.limits import CHANNELS, Excursions, excursions
from ....kernels.matrix import Matrix
from ....kernels.occupancy import counts
from ....kernels.tally import Histogram, quantile
from ..errors import Problem
from ..media import Frame, Info, Plane
from ..viewing import chroma_place
from .rules import Limit, Rule

_PLANES = {
    Model.YCBCR: ("Y'", "Cb", "Cr"),
    Model.RGB: ("R'", "G'", "B'"),
    Model.GRAY: ("Y'",),
}
QUANTILES = (0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98)
"""Of luma, by which frames are compared with their neighbours."""


@dataclass(frozen=True, slots=True)
class Worst:
    """The furthest sample outside: its channel, its code (filtered where the limit is), and where it is, in pixels."""

    channel: str
    code: float
    x: int
    y: int
    beyond: float


@dataclass(frozen=True, slots=True)
class Measured:
    """share : of the frame's area that is outside, 0..1; grid : pixels outside by area, or None of codes"""

    share: float
    worst: Worst | None
    grid: np.ndarray | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """What one frame is. quantiles : codes of luma (or green)"""

    index: int
    measured: tuple[Measured, ...]
    quantiles: tuple[int, ...]


class Examiner:
    """Measures frames of a recording against a rule.

    encoding : of its codes, as the delivery's reader takes them
    limits : those of the rule that say something of this depth, with the codes that they allow

    Raises: Problem where the rule says nothing of the recording.
    """

    def __init__(self, rule: Rule, info: Info, encoding: Encoding, matrix: Matrix) -> None:
        self.info, self.encoding, self.matrix = info, encoding, matrix
        self.limits: list[tuple[Limit, tuple[int, int]]] = []
        for limit in rule.limits:
            within = limit.within(encoding)
            if within is None:
                depths = ", ".join(str(depth) for depth in sorted(limit.codes))
                raise Problem(
                    info.path,
                    f"the rule {rule.name!r} gives no {limit.name} for {encoding.depth} bit, only for {depths}",
                    "Deliver one of those depths, or write a rule of your own (--rule FILE).",
                )
            self.limits.append((limit, within))
        self._step = SAMPLING_STEPS[info.sampling] if info.model is Model.YCBCR else (1, 1)
        self._place = chroma_place(info.siting)

    def look(self, frame: Frame) -> Look:
        """Raises: ValueError where the planes are not what the recording's facts say."""
        planes = frame.planes[: len(self.encoding.channels())]
        histograms = [counts(plane, self.encoding) for plane in planes]
        measured = []
        for limit, within in self.limits:
            if limit.on == ("codes",):
                measured.append(self._codes(planes, histograms, within))
                continue
            asked = [number for number, name in enumerate(CHANNELS) if ("Y'" if name == "Y'" else "R'G'B'") in limit.on]
            found = excursions(
                planes, self.encoding, within, matrix=self.matrix, step=self._step, place=self._place,
                filtered=limit.filtered, channels=asked,
            )  # fmt: skip
            measured.append(Measured(found.share, _worst(found, within), found.grid))
        luma = histograms[1 if self.info.model is Model.RGB else 0]
        return Look(frame.index, tuple(measured), tuple(quantile(luma, share) for share in QUANTILES))

    def _codes(self, planes: tuple[Plane, ...], histograms: list[Histogram], within: tuple[int, int]) -> Measured:
        """The very codes of the planes; the share is that of the plane that has most outside."""
        low, high = within
        share, worst = 0.0, None
        for number, (plane, histogram) in enumerate(zip(planes, histograms, strict=True)):
            below, above = int(histogram[:low].sum()), int(histogram[high + 1 :].sum())
            if not below + above:
                continue
            share = max(share, (below + above) / plane.size)
            held = np.flatnonzero(histogram)
            for code, beyond in ((int(held[0]), low - int(held[0])), (int(held[-1]), int(held[-1]) - high)):
                if beyond > 0 and (worst is None or beyond > worst.beyond):
                    y, x = np.argwhere(plane == code << self.encoding.bit_shift)[0]
                    small = self.encoding.channels()[number] is Channel.CHROMA
                    across, down = self._step if small else (1, 1)
                    worst = Worst(_PLANES[self.info.model][number], float(code), int(x) * across, int(y) * down, beyond)
        return Measured(share, worst)


def _worst(found: Excursions, within: tuple[int, int]) -> Worst | None:
    worst = None
    for name, lowest, highest in zip(CHANNELS, found.lowest, found.highest, strict=True):
        for place, beyond in (
            (lowest, within[0] - lowest.code if lowest else 0),
            (highest, highest.code - within[1] if highest else 0),
        ):
            if place is not None and (worst is None or beyond > worst.beyond):
                worst = Worst(name, place.code, place.x, place.y, beyond)
    return worst


def limit_words(limit: Limit, within: tuple[int, int]) -> str:
    """'preferred range, 20 to 984 of R'G'B' and Y''."""
    on = "the planes' codes" if limit.on == ("codes",) else " and ".join(limit.on)
    return f"{limit.name}, {within[0]} to {within[1]} of {on}"
