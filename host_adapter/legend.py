"""What the legend of an exposure map says: zones, and at every border what it is in stops, per cent of signal and code."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..kernels.encoding import Encoding
from .transfer import Transfer
from .zones import Colour, Zones

PLATE: Colour = (0.03, 0.03, 0.03)
_THROUGH: Colour = (0.05, 0.05, 0.05)
"""Light of the bars of a zone that the picture shows through."""


@dataclass(frozen=True, slots=True)
class Border:
    """What lies at the beginning of a zone."""

    stops: str
    percent: str
    code: str


@dataclass(frozen=True, slots=True)
class Row:
    """One colour of the map.

    pattern : '', 'clip', 'black' or 'picture'; colours : one, or figure and ground
    border : where it begins, below it; None for the lowest
    """

    name: str
    colours: tuple[Colour, ...]
    pattern: str = ""
    border: Border | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that people look for. at : rows from the top"""

    text: str
    at: float


@dataclass(frozen=True, slots=True)
class Legend:
    """title : two lines at most; rows from the lightest down"""

    title: tuple[str, ...]
    rows: tuple[Row, ...]
    marks: tuple[Mark, ...]


def legend_of(zones: Zones, curve: Transfer, encoding: Encoding, *, clip: float, black: float) -> Legend:
    """The legend for recordings of a curve in an encoding.

    clip, black : levels from and up to which the map says so
    Zones that the encoding cannot hold are left out.
    """
    channel = encoding.channels()[0]
    scale = {"clip": float(curve.stops(clip)), "black": float(curve.stops(black))}

    def border(level: float, stops: float) -> Border:
        code = math.ceil(encoding.zero(channel) + level * encoding.span(channel) - 1e-6)
        said = f"{stops:+.{1 if (stops * 10).is_integer() else 2}f}" if math.isfinite(stops) else "none"
        return Border(
            said.replace("-", "\N{MINUS SIGN}"),
            f"{level * 100:.1f}".replace("-", "\N{MINUS SIGN}"),
            str(min(max(code, 0), encoding.maximum)),
        )

    rows = [Row("clipped", zones.clip, "clip", border(clip, scale["clip"]))]
    spans = []
    for zone in reversed(zones.zones):
        start = -math.inf if zone.start is None else zone.start
        end = math.inf if zone.end is None else zone.end
        if start >= scale["clip"] or end <= scale["black"]:
            continue
        lowest = start <= scale["black"]
        level = black if lowest else float(curve.level(0.18 * 2.0**start, encoding.depth))
        begins = border(level, scale["black"] if lowest else start)
        if zone.colour is None:
            rows.append(Row(zone.name, (_THROUGH, PLATE), "picture", begins))
        else:
            rows.append(Row(zone.name, (zone.colour,), border=begins))
        spans.append((max(start, scale["black"]), min(end, scale["clip"])))
    rows.append(Row("no light", zones.black, "black"))
    marks = []
    for text, level in curve.marks(encoding.depth).items():
        stops = float(curve.stops(level))
        code = round(encoding.zero(channel) + level * encoding.span(channel))
        for number, (low, high) in enumerate(spans, 1):
            if low <= stops < high:
                share = (high - stops) / (high - low) if math.isfinite(high - low) else 0.5
                marks.append(Mark(f"{text}: {level * 100:.0f} %, {code}", number + share))
    kind = "stops of scene light" if curve.of_scene else "stops of display light"
    title = (f"{kind} from 18 % grey", f"{curve.label}, {encoding.range.label}, {encoding.depth} bit")
    return Legend(title, tuple(rows), tuple(marks))
