"""Deliveries meet a picture: windows at every moment, guides over it, boxes to cut out, and what rounding did, in words."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from pathlib import Path
from typing import Any

from ....kernels.areas import Rect
from ....kernels.framing import SAMPLING_STEPS, Picture, Window, common_area, place
from ...guides import Guides
from ...placed import placed_in
from ..errors import Problem
from ..media import Info
from .request import Delivery, Request

WHITES = {"arib-std-b67": 0.75, "smpte2084": 0.58}
"""Signal level of graphics white in HLG and PQ; elsewhere the guides' own. Source: ITU-R BT.2408 table 1 (203 cd/m2)."""

NEAR_ENOUGH = Fraction(1, 50)
"""Size and window of a delivery may differ by this part in ratio: what rounding to whole pixels explains."""

NEAREST_TRIES = 64
"""Widths that are tried, either way, for a size of the right shape."""


@dataclass(frozen=True, slots=True)
class Stage:
    """The recorded picture, and the one that results are made in: the same, or the de-squeezed one.

    source : recorded pixels and their displayed aspect
    picture : what windows are placed in and guides are drawn over
    """

    request: Request
    source: Picture
    picture: Picture
    white: float
    where: Path | None
    notes: tuple[str, ...] = ()

    def windows(self, time: Fraction = Fraction(0)) -> tuple[Window, ...]:
        """Where every delivery's window is at a time, seconds."""
        return tuple(self.window(delivery, time) for delivery in self.request.deliveries)

    def window(self, delivery: Delivery, time: Fraction = Fraction(0)) -> Window:
        if delivery.path is None:
            return place(delivery.wanted, self.picture)
        return delivery.path.window(delivery.wanted, self.picture, time)

    def guides(self, time: Fraction = Fraction(0), only: Delivery | None = None, *, labels: bool = False) -> Guides:
        """What is drawn over the picture at a time; of all deliveries, or of one alone."""
        request = self.request
        deliveries = request.deliveries if only is None else (only,)
        windows = tuple(self.window(delivery, time) for delivery in deliveries)
        grids, safes = placed_in((*request.grids, *request.safes), windows, self.picture)
        for delivery, window in zip(deliveries, windows, strict=True):
            safes += [(safe, window.rect) for safe in delivery.safes]
        return Guides(
            self.picture,
            windows,
            tuple(grids),
            tuple(safes),
            request.centre,
            request.shade,
            request.labels or labels,
            self.white,
            moving=any(delivery.path is not None for delivery in deliveries),
        )

    def box(self, area: Rect) -> tuple[Fraction, Fraction, Fraction, Fraction]:
        """A rectangle of the picture as x0, y0, x1, y1 in recorded pixels."""
        scale = Fraction(self.source.width, self.picture.width)
        return area.x0 * scale, area.y0, area.x1 * scale, area.y1

    @property
    def resampled(self) -> bool:
        """True where the picture itself is not in recorded pixels."""
        return (self.source.width, self.source.height) != (self.picture.width, self.picture.height)

    def crop_size(self, delivery: Delivery) -> tuple[tuple[int, int], Fraction, bool]:
        """Size of a delivery's crop, its pixels' aspect, and whether the picture is resampled for it.

        Raises: Problem where its size does not go with its window, or a window that changes its size has none.
        """
        window = self.window(delivery)
        if delivery.size is None:
            if delivery.path is not None and delivery.path.zooms:
                raise Problem(
                    self.where,
                    f"window {delivery.name!r} changes its size on the way, so its crop needs a size of its own",
                    'Give the delivery one: size = "1080x1920"; or a single --window --size 1080x1920.',
                )
            _, _, columns, rows = window.rect.pixels()
            return (columns, rows), self.picture.aspect, self.resampled
        self._check_size(delivery, window)
        return delivery.size, Fraction(1), True

    def _check_size(self, delivery: Delivery, window: Window) -> None:
        """Raises: Problem where a delivery's size does not go with its window or with the sampling."""
        assert delivery.size is not None
        columns, rows = delivery.size
        asked, shape, step = Fraction(columns, rows), delivery.wanted.shape, self.picture.step
        found = None
        if abs(asked / shape - 1) > NEAR_ENOUGH:
            found = (
                f"is {float(asked):.4g}:1, but its window is {float(shape):.4g}:1, so the picture would be stretched"
            )
        elif columns % step[0] or rows % step[1]:
            side, by = ("width", step[0]) if columns % step[0] else ("height", step[1])
            found = f"has a {side} that is no multiple of {by}, which the chroma sampling asks for"
        if found:
            fit = nearest_size(delivery.size, shape, step)
            advice = [] if fit is None else [f"Use {fit[0]}x{fit[1]}."]
            if delivery.path is None or not delivery.path.zooms:
                _, _, own_columns, own_rows = window.rect.pixels()
                advice.append(f"Without a size the crop has the window's own pixels, {own_columns}x{own_rows}.")
            raise Problem(self.where, f"the size of {delivery.name!r}, {columns}x{rows}, {found}", " ".join(advice))

    def check(self) -> None:
        """Everything that can be wrong with the windows, found before a frame is read.

        Raises: Problem.
        """
        names = {delivery.name for delivery in self.request.deliveries}
        for placed in (*self.request.grids, *self.request.safes):
            if placed.window is not None and placed.window not in names:
                listed = ", ".join(sorted(names)) or "none at all"
                raise Problem(
                    self.where, f"there is no window {placed.window!r} to draw in", f"The windows are: {listed}."
                )
        try:
            self.windows()
        except ValueError as error:
            raise Problem(self.where, str(error), _advice(self.picture)) from None


def nearest_size(size: tuple[int, int], shape: Fraction, step: tuple[int, int]) -> tuple[int, int] | None:
    """The size of a window's shape in whole steps that is nearest in width; None where no small change finds one."""
    columns = max(size[0] // step[0], 1) * step[0]
    for change in range(NEAREST_TRIES):
        for width in (columns + change * step[0], columns - change * step[0]):
            height = round(width / shape / step[1]) * step[1]
            if width > 0 and height > 0 and abs(Fraction(width, height) / shape - 1) <= NEAR_ENOUGH:
                return width, height
    return None


def stage_for(request: Request, info: Info) -> Stage:
    """The stage of a recording.

    Raises: Problem for a recording that players turn, or windows that do not fit.
    """
    if info.turned:
        raise Problem(
            info.path,
            f"players turn this picture by {info.turned} degrees on show, and windows are placed on the recorded one",
            "Turn it upright for good in your editor first.",
        )
    step = SAMPLING_STEPS[info.sampling]
    if info.interlaced:
        step = (step[0], 2 * step[1])  # an odd offset would swap the fields
    aspect, notes = _aspect(request, info.aspect)
    return _stage(
        request, (info.width, info.height), aspect, step, info.path, WHITES.get(info.transfer or "", 1.0), notes
    )


def bare_stage(request: Request, size: tuple[int, int]) -> Stage:
    """The stage of a picture of which only the size is known: it has no chroma to be subsampled, so nothing but whole pixels
    to round to, or even ones where the request says so."""
    aspect, notes = _aspect(request, Fraction(1))
    return _stage(request, size, aspect, (1, 1), None, 1.0, notes)


def _stage(
    request: Request, size: tuple[int, int], aspect: Fraction, step: tuple[int, int], where: Path | None, white: float,
    notes: tuple[str, ...],
) -> Stage:  # fmt: skip
    if request.even:
        step = lcm(step[0], 2), lcm(step[1], 2)
    source = Picture(*size, aspect, step)
    picture = Picture(*source.displayed_size(), Fraction(1), step) if request.desqueeze else source
    if request.desqueeze and aspect == 1:
        notes = (*notes, "the pixels are square already, so --desqueeze changes nothing")
    stage = Stage(request, source, picture, white, where, notes)
    stage.check()
    return stage


def _aspect(request: Request, recorded: Fraction) -> tuple[Fraction, tuple[str, ...]]:
    """Displayed width of a pixel over its height; a lens's squeeze that the file states already counts once."""
    squeeze = request.squeeze
    if squeeze is None or recorded == 1:
        return recorded * (squeeze or 1), ()
    if abs(recorded / squeeze - 1) < Fraction(1, 50):
        return recorded, (
            f"the file itself says that its pixels are {float(recorded):.4g} wide, so the squeeze is taken once",
        )
    return recorded * squeeze, (
        f"the file says that its pixels are {float(recorded):.4g} wide and the squeeze is {float(squeeze):.4g}: both count",
    )


def _advice(picture: Picture) -> str:
    if picture.width < picture.step[0] or picture.height < picture.step[1]:
        return "Give a larger picture: in this one no window can be cut."
    return "Choose a smaller window, or another anchor or offset."


def window_report(stage: Stage, delivery: Delivery) -> dict[str, Any]:
    """A window as `footroom frame --json` prints it: what is kept, and what rounding to whole samples did to it."""
    window = stage.window(delivery)
    x, y, columns, rows = window.rect.pixels()
    report: dict[str, Any] = {
        "name": window.name,
        "x": x, "y": y, "width": columns, "height": rows,
        "kept_percent": round(float(window.kept * 100), 3),
        "ratio": round(float(window.ratio), 5),
        "ratio_asked": round(float(delivery.wanted.shape), 5),
        "exact": {name: float(getattr(window.exact, name)) for name in ("x0", "y0", "x1", "y1")},
        "rounding": {
            "wider": float(window.grown[0]), "taller": float(window.grown[1]),
            "right": float(window.moved[0]), "down": float(window.moved[1]),
        },
        "size": None if delivery.size is None else list(delivery.size),
        "moves": delivery.path is not None,
    }  # fmt: skip
    if delivery.path is not None:
        held = delivery.path.held_in(delivery.wanted, stage.picture)
        report["keys_held_inside"] = held
    return report


def common_report(stage: Stage, time: Fraction = Fraction(0)) -> dict[str, Any] | None:
    """What all windows keep at a time, seconds; None where that is nothing, or there are not two windows.

    moves : it is another at other times
    """
    windows = stage.windows(time)
    area = common_area(windows) if len(windows) > 1 else None
    if area is None:
        return None
    x, y, columns, rows = area.pixels()
    kept = area.area / stage.picture.rect.area
    return {
        "x": x, "y": y, "width": columns, "height": rows, "kept_percent": round(float(kept * 100), 3),
        "moves": stage.request.moving,
    }  # fmt: skip
