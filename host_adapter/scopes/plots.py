"""What lies round and over the traces of a panel: lines, labels, targets. Drawn once for all frames."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import log10

from ...kernels.encoding import Encoding
from ...kernels.matrix import Matrix
from .layout import Area, Panel
from .names import CHROMA
from .pen import DIM, INK, LINE, PLOT, RESERVED, Pen, moved_apart, width_of
from .scales import Mark, Scale, magnified, marks_of, scale_of
from .targets import draw_targets

AIR = 1.55
"""Rows from one label to the next, to the rows of a capital letter."""


@dataclass(frozen=True, slots=True)
class Plot:
    """Where one trace goes.

    kind : 'wave' | 'vector' | 'histogram'; name : its channel, '' for a vectorscope
    area : pixels; scale : of codes, both ways in a vectorscope; least : share of samples at the bottom of a histogram
    times : how much a vectorscope is magnified
    """

    kind: str
    name: str
    area: Area
    scale: Scale
    least: float = 1e-5
    times: int = 1


@dataclass(frozen=True, slots=True)
class Look:
    """What panels are drawn for.

    encodings : of all pictures on the page, which share one scale
    sides : encodings whose codes are written: on the left, and on the right where there is a second one
    levels : codes stand for floating-point levels
    curve : levels that people look for
    """

    encodings: tuple[Encoding, ...]
    sides: tuple[Encoding, ...]
    levels: bool
    matrix: Matrix
    curve: Mapping[str, float]


def draw_panel(panel: Panel, look: Look, under: Pen, over: Pen) -> list[Plot]:
    """Draw a panel; returns where its traces go.

    under : what lies below traces; over : what lies above them
    A panel too small for labels has none.
    """
    if panel.area.width < 2 or panel.area.height < 2:
        return []
    if panel.kind == "vector":
        return [_vector(panel, look, under, over)]
    if panel.kind == "histogram":
        return [_histogram(panel, look, under, over)]
    return _wave(panel, look, under, over)


def _wave(panel: Panel, look: Look, under: Pen, over: Pen) -> list[Plot]:
    capitals = over.capitals
    scale = scale_of(look.encodings, panel.names[0])
    sides = [marks_of(scale, each, look.curve, levels=look.levels) for each in look.sides]
    texts, margins = _margins(sides, panel.area, capitals)
    head = round(capitals * 1.9) if capitals else 0
    foot = round(capitals * 0.8) if capitals else 0
    body = panel.area.inside(margins[0], head, margins[1] if len(margins) > 1 else 0, foot)
    if body.width < 8 or body.height < 4:
        body, texts = panel.area, []
    gap = max(capitals // 2, 1)
    plots = []
    for name, part in zip(panel.names, body.across(*[1] * len(panel.names), gap=gap), strict=True):
        _ground(part, scale, look.sides[0], under, upright=False)
        for mark, dash in _dashes(sides[0], capitals):
            over.level(part.y1 - mark.at * part.height, part.x0, part.x1, LINE, 0.6 if mark.strong else 0.4, dash)
        if capitals and part.y0 > panel.area.y0:
            over.text(name, part.x0, part.y0 - capitals * 0.5, INK)
        plots.append(Plot("wave", name, part, scale))
    for number, (marks, words) in enumerate(zip(sides, texts, strict=False)):
        _labels(marks, words, body, over, right=number == 1)
    return plots


def _dashes(marks: tuple[Mark, ...], capitals: int) -> list[tuple[Mark, float]]:
    """Lines with the length of their dashes: black, white and neutral are whole, reserved codes have a ground instead, and each
    of the curve's marks has a length of its own."""
    made, dash = [], max(capitals, 4) * 0.6
    for mark in marks:
        if mark.text.endswith("reserved"):
            continue
        made.append((mark, 0.0 if mark.strong else dash))
        dash *= 1 if mark.strong else 2.5
    return made


def _ground(area: Area, scale: Scale, encoding: Encoding, under: Pen, *, upright: bool) -> None:
    under.box(area.x0, area.y0, area.x1, area.y1, PLOT)
    for low, high in scale.reserved(encoding):
        if upright:
            under.box(area.x0 + low * area.width, area.y0, area.x0 + high * area.width, area.y1, RESERVED)
        else:
            under.box(area.x0, area.y1 - high * area.height, area.x1, area.y1 - low * area.height, RESERVED)


def _margins(sides: list[tuple[Mark, ...]], area: Area, capitals: int) -> tuple[list[list[str]], list[int]]:
    """What the labels of each side say and the columns they take: codes with words, codes alone, or nothing, by the room."""
    if not capitals or area.height < 4 * AIR * capitals:
        return [], [0]
    for part, worded in ((0.3, True), (0.42, False)):
        texts = [[mark.text if worded else mark.text.split(" ")[0] for mark in marks] for marks in sides]
        wide = [round(max(width_of(text, capitals) for text in side) + 1.5 * capitals) for side in texts]
        if sum(wide) <= area.width * part:
            return texts, wide
    return [], [0]


def _labels(marks: tuple[Mark, ...], texts: list[str], area: Area, over: Pen, *, right: bool) -> None:
    """Labels beside a plot, each with a line to its place where it had to be moved."""
    capitals = over.capitals
    kept = list(zip(marks, texts, strict=True))
    while True:
        wanted = [area.y1 - mark.at * area.height for mark, _ in kept][::-1]
        places = moved_apart(wanted, AIR * capitals, area.y0, area.y1)
        if places is not None:
            break
        weak = [each for each in kept if not each[0].strong]
        kept.remove(weak[0] if weak else kept[0])
    edge, sign = (area.x1, 1) if right else (area.x0, -1)
    for (mark, text), place in zip(kept[::-1], places, strict=True):
        start = edge + sign * capitals
        over.text(text, start, place + capitals / 2, INK if mark.strong else DIM, align=0.0 if right else 1.0)
        line = area.y1 - mark.at * area.height
        bend = edge + sign * capitals * 0.35
        over.outline([(start - sign * capitals * 0.2, place), (bend, line), (edge, line)], DIM, 0.8, close=False)


def _vector(panel: Panel, look: Look, under: Pen, over: Pen) -> Plot:
    capitals, encoding = over.capitals, look.sides[0]
    whole = scale_of(look.encodings, CHROMA[0])
    half = max(-whole.low, whole.high)
    whole = Scale(-half, half, True)  # neutral in the very middle
    scale = whole if panel.times == 1 else magnified(whole, panel.times)
    labelled = capitals and min(panel.area.width, panel.area.height) >= 14 * capitals
    left, head, foot = (round(capitals * each) if labelled else 0 for each in (4.2, 1.9, 2.1))
    side = max(min(panel.area.width - left, panel.area.height - head - foot), 2)
    x0 = panel.area.x0 + left + (panel.area.width - left - side) // 2
    area = Area(x0, panel.area.y0 + head, x0 + side, panel.area.y0 + head + side)
    _ground(area, scale, encoding, under, upright=True)
    for low, high in scale.reserved(encoding):
        under.box(area.x0, area.y1 - high * side, area.x1, area.y1 - low * side, RESERVED)
    marks = (
        marks_of(scale, encoding, {}, levels=look.levels)
        if panel.times == 1
        else _near_neutral(scale, encoding, look.levels)
    )
    taken = -1.0
    for mark in marks:
        strength = 0.4 if abs(mark.at - 0.5) < 0.002 else 0.22
        over.upright(area.x0 + mark.at * side, area.y0, area.y1, LINE, strength)
        over.level(area.y1 - mark.at * side, area.x0, area.x1, LINE, strength)
        if labelled:
            number = mark.text.split(" ")[0]
            half = width_of(number, capitals) / 2
            middle = min(area.x0 + mark.at * side, panel.area.x1 - half)
            if middle - half >= taken:
                over.text(number, middle, area.y1 + capitals * 1.5, DIM, align=0.5)
                taken = middle + half + capitals / 2
            over.text(number, area.x0 - capitals * 0.5, area.y1 - mark.at * side + capitals / 2, DIM, align=1.0)
    draw_targets(area, scale, look.matrix, over, labelled=bool(labelled) and panel.times == 1)
    if labelled:
        titles = ["Cr over Cb"]
        if panel.times > 1:
            titles = [
                f"Cr over Cb, {panel.times} times as large",
                f"{panel.times} times as large",
                f"\N{MULTIPLICATION SIGN} {panel.times}",
            ]
        title = next((each for each in titles if width_of(each, capitals) <= panel.area.x1 - area.x0), titles[-1])
        over.text(title, area.x0, area.y0 - capitals * 0.5, INK)
    return Plot("vector", "", area, scale, times=panel.times)


def _near_neutral(scale: Scale, encoding: Encoding, levels: bool) -> tuple[Mark, ...]:
    """Neutral, and whole codes half way to the ends of a magnifier."""
    apart = max(round(encoding.span(encoding.channels()[-1]) * scale.high / 2), 1)
    codes = (encoding.neutral - apart, encoding.neutral, encoding.neutral + apart)
    said = [
        f"{scale.low + (scale.high - scale.low) * scale.at(code, encoding):.3f}" if levels else f"{code}"
        for code in codes
    ]
    return tuple(Mark(scale.at(code, encoding), words) for code, words in zip(codes, said, strict=True))


def _histogram(panel: Panel, look: Look, under: Pen, over: Pen) -> Plot:
    capitals, name = over.capitals, panel.names[0]
    scale = scale_of(look.encodings, name)
    deepest = max(each.depth for each in look.encodings)
    least = 10.0 ** -(5 + max(0, -(-(deepest - 10) // 3)))
    labelled = capitals and panel.area.height >= 6 * capitals and panel.area.width >= 12 * capitals
    decades = round(-log10(least))
    left, head, foot = (round(capitals * each) if labelled else 0 for each in (1.0, 1.9, 2.0))
    if labelled:
        left += round(max(width_of(_share_words(decade), capitals) for decade in range(decades + 1)))
    area = panel.area.inside(left, head, 0, foot)
    _ground(area, scale, look.sides[0], under, upright=True)
    for decade in range(1, decades):
        y = area.y1 - (1 - decade / decades) * area.height
        over.level(y, area.x0, area.x1, LINE, 0.16)
    marks = marks_of(scale, look.sides[0], look.curve, levels=look.levels)
    for mark, dash in _dashes(marks, capitals):
        over.upright(area.x0 + mark.at * area.width, area.y0, area.y1, LINE, 0.6 if mark.strong else 0.4, dash)
    if labelled:
        over.text(name, area.x0, area.y0 - capitals * 0.5, INK)
        _shares(area, decades, over)
        _feet(marks, area, over)
    return Plot("histogram", name, area, scale, least)


def _share_words(decade: int) -> str:
    return f"{100 * 10.0**-decade:.{max(decade - 2, 0)}f} %"


def _shares(area: Area, decades: int, over: Pen) -> None:
    """Per cent of the samples beside a histogram; every second decade or the ends where all would not fit."""
    capitals = over.capitals
    step = next((step for step in (1, 2) if area.height * step / decades >= 1.9 * capitals), decades)
    for decade in range(0, decades + 1, step):
        text = _share_words(decade)
        y = area.y1 - (1 - decade / decades) * area.height
        y = min(max(y + capitals / 2, area.y0 + capitals), area.y1)
        over.text(text, area.x0 - capitals * 0.5, y, DIM, align=1.0)


def _feet(marks: tuple[Mark, ...], area: Area, over: Pen) -> None:
    """Codes under a histogram: the strong ones first, then what finds room; with words, or without where they find none."""
    capitals = over.capitals
    taken: list[tuple[float, float]] = []
    for mark in sorted(marks, key=lambda each: (not each.strong, "reserved" in each.text)):
        for text in (mark.text, mark.text.split(" ")[0]):
            wide = width_of(text, capitals)
            middle = area.x0 + mark.at * area.width
            left = min(max(middle - wide / 2, area.x0), area.x1 - wide)
            if all(left + wide + capitals <= low or left >= high + capitals for low, high in taken):
                over.text(text, left, area.y1 + capitals * 1.5, INK if mark.strong else DIM)
                taken.append((left, left + wide))
                break
