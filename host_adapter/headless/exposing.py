"""One frame's exposure map with its legend beside it, and how much of the picture lies in each zone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from ...kernels.coding import code_levels
from ...kernels.encoding import Encoding, Model, Range
from ...kernels.exposure import shade, shades, stops_of, zone_counts
from ...kernels.matrix import Matrix
from ...kernels.overlay import premultiplied
from ..effects.exposure_effect import EFFECT, Look, levels_of, look_for, stripe_period
from ..effects.range_effect import assumed
from ..legend import Legend, legend_of
from ..legend_drawing import draw_legend, least_height
from ..transfer import transfer_of
from ..zones import encoded
from .delivery.makers import clock_of, first_frame
from .delivery.showing import Catcher, Caught
from .errors import Problem
from .host import image_of
from .media import Info, Recording
from .publish import discard, partial_of
from .viewing import as_shown, in_proportion


@dataclass(frozen=True, slots=True)
class Shares:
    """names : from no light to clipped; starts : stops, None where there is no beginning; shares : of the picture, 0..1"""

    names: tuple[str, ...]
    starts: tuple[float | None, ...]
    shares: tuple[float, ...]

    def rows(self) -> list[tuple[str, str, float]]:
        """From the lightest to the darkest, as a table has them."""
        found = []
        for name, start, share in zip(self.names, self.starts, self.shares, strict=True):
            found.append((name, "" if start is None else f"{start:+g}".replace("-", "\N{MINUS SIGN}"), share))
        return found[::-1]

    def to_json(self) -> list[dict[str, Any]]:
        """As plain values."""
        return [
            {"zone": name, "from_stops": start, "share": round(share, 6)}
            for name, start, share in zip(self.names, self.starts, self.shares, strict=True)
        ]

    @property
    def words(self) -> str:
        """What is lost at both ends."""
        return f"clipped: {self.shares[-1]:.2%} of the picture; no light: {self.shares[0]:.2%}"


def check_one_transfer(given: Mapping[str, Any]) -> None:
    """Raises: Problem where curve and display are both named."""
    if given.get("curve") is not None and given.get("display") is not None:
        raise Problem(
            None,
            "a curve and a display are both named",
            "Name --curve for log footage, or --display for a finished picture.",
        )


def exposure_values(given: Mapping[str, Any]) -> dict[str, Any]:
    """The exposure effect's values of what a command line gives, zones as a path or text.

    Raises: Problem where curve and display are both named, or a value is wrong.
    """
    check_one_transfer(given)
    try:
        return EFFECT.values({**given, "zones": str(given.get("zones", ""))})
    except ValueError as error:
        raise Problem(None, str(error)) from None


def caught_frame(recording: Recording, at: Fraction | None) -> Caught:
    """The frame of a moment in seconds; the middle one where none is named.

    Raises: Problem where there is none.
    """
    return Catcher(recording, clock_of(recording.info, first_frame(recording)), at).get()


def _look(info: Info, values: Mapping[str, Any], matrix: Matrix) -> tuple[Look, Encoding | None]:
    encoding = None if info.depth is None else info.encoding(info.tag.trusted)
    read = None if encoding is None else assumed(values, encoding)
    look = look_for(values, read, matrix)
    assert isinstance(look, Look)
    return look, read


def shares_of(info: Info, frame: Caught, values: Mapping[str, Any], matrix: Matrix) -> Shares:
    """How much of a frame lies in each zone."""
    look, read = _look(info, values, matrix)
    image = image_of(info, frame.planes, read, matrix)
    counts = zone_counts(stops_of(levels_of(image, image.whole, read), look.meter), look.edges)
    names = ("no light", *(zone.name for zone in look.zones.zones), "clipped")
    starts = (None, *(zone.start for zone in look.zones.zones), None)
    return Shares(names, starts, tuple(float(count) / int(counts.sum()) for count in counts))


def without_black(values: Mapping[str, Any]) -> str | None:
    """What a person must know of a curve that has no level of no light; None of the others."""
    curve = transfer_of(values["curve"] or None, None if values["curve"] else values["display"])
    if curve.black is not None:
        return None
    return (
        f"{curve.label} defines no black: 'no light' is the lowest code, and its stops are what the curve says of it."
    )


def draw_picture(
    path: Path, recording: Recording, frame: Caught, values: Mapping[str, Any], matrix: Matrix, side: str
) -> None:
    """PNG of a frame's map as displayed, in sRGB, the legend beside it.

    side : 'none', 'left' or 'right'
    """
    info = recording.info
    _, read = _look(info, values, matrix)
    shown_in = Encoding(8, Range.FULL, Model.RGB)
    source = image_of(info, frame.planes, read, matrix)
    rows, columns = frame.planes[0].shape
    # The map is drawn as R'G'B' for a screen, whatever the recording is for.
    plain = tuple(np.zeros((rows, columns), np.uint8) for _ in range(3))
    map_of(source, read, values, plain)
    shown = in_proportion(as_shown(plain, shown_in, matrix=matrix, sampling="4:4:4"), info.aspect)
    picture = Image.fromarray(shown)
    if side != "none":
        legend = _drawn(legend_for(info, values, matrix), picture.height)
        page = Image.new("RGB", (picture.width + legend.width, max(picture.height, legend.height)), (8, 8, 8))
        page.paste(picture, (legend.width if side == "left" else 0, 0))
        page.paste(legend, (0 if side == "left" else picture.width, 0))
        picture = page
    _save(picture, path)


def map_of(source: Any, read: Encoding | None, values: Mapping[str, Any], planes: tuple[Any, ...]) -> None:
    """8-bit R', G', B' of the map, as a screen of sRGB shows it."""
    look = look_for(values, read, source.matrix)
    screen = shades(
        look.edges,
        [zone.colour for zone in look.zones.zones],
        encode=encoded,
        clip=look.zones.clip,
        black=look.zones.black,
    )
    levels = levels_of(source, source.whole, read)
    shade(stops_of(levels, look.meter), screen, look.edges, levels, period=stripe_period(source))
    code_levels(levels, Encoding(8, Range.FULL, Model.RGB), planes)


def legend_for(info: Info, values: Mapping[str, Any], matrix: Matrix) -> Legend:
    """The legend of a map of a recording."""
    look, _ = _look(info, values, matrix)
    return legend_of(look.zones, look.transfer, look.encoding, clip=look.clip, black=look.black)


def _drawn(legend: Legend, height: int) -> Image.Image:
    drawing = draw_legend(legend, max(height, least_height(legend)))
    return Image.fromarray(np.floor(premultiplied(drawing)[..., :3] * 255 + 0.5).clip(0, 255).astype(np.uint8))


def write_legend(path: Path, values: Mapping[str, Any], info: Info, matrix: Matrix, *, overwrite: bool) -> None:
    """A legend as a picture of its own.

    Raises: Problem where something lies there and overwriting was not asked for.
    """
    if path.exists() and not overwrite:
        raise Problem(path, "it exists", "Choose another --out, or add --overwrite.")
    partial = partial_of(path)
    try:
        _save(_drawn(legend_for(info, values, matrix), 1080), partial)
        partial.replace(path)
    finally:
        discard(partial)


def _save(picture: Image.Image, path: Path) -> None:
    picture.save(path, format="PNG", optimize=False)
