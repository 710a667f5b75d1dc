"""The report of a comparison: what B's codes are to A's, and what is left between them."""

from __future__ import annotations

import math

from ....kernels.encoding import Channel
from ..terminal import short_names
from ..twins.result import Comparison, Crop, Plot
from . import charts
from .page import Beside, Block, Cell, Chart, Crops, Facts, Line, Page, Pair, Part, Table, Tone, Words
from .pictures import exact_picture, frame_picture, trace_picture
from .render import counted
from .survey_page import CAUTIONS

CHANNELS = {"y": "luma", "cb": "Cb", "cr": "Cr"}
_ROWS, _COLUMNS = ("top", "middle", "bottom"), ("left", "centre", "right")
SIDE = 1000
"""Units of a twin plot's sides."""


def compare_page(found: Comparison) -> Page:
    """The page of a comparison."""
    a, b = short_names([str(found.first.path), str(found.second.path)])
    lead = [f"A is {a}, B is {b}. {_sentence(found.remedy_words)}"]
    if not found.read_alike:
        lead.append("Read by their flags the two do not look alike.")
    blocks: list[Block] = [_numbers(found)]
    plots = tuple(_plot(key, plot, found) for key, plot in found.plots.items())
    if plots:
        blocks.append(Beside(plots))
    if found.crop is not None:
        blocks.extend(_worst(found.crop))
    if found.left.zones:
        blocks.append(_zones(found))
    if found.notes:
        blocks.append(Words("To be known", tuple(found.notes)))
    part = Part(
        "twins",
        "What was measured",
        Tone.PLAIN,
        "",
        _placed(found),
        tuple(blocks),
        (Facts("The recordings", _facts(found)),),
    )
    return Page(
        kicker="Two recordings of one take",
        verdict=f"B against A: {found.words}",
        tone=Tone.WRONG if found.differs and not found.read_alike else Tone.OPEN if found.differs else Tone.RIGHT,
        lead=tuple(lead),
        overview=(),
        index=(("twins", "What was measured"),),
        parts=(part,),
        cautions=CAUTIONS,
        key=("limit",),
    )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _placed(found: Comparison) -> str:
    space = found.space()
    if found.offset is None:
        time = "The pictures do not tell the offset in time"
    elif found.offset:
        time = f"A's frame 0 is B's frame {found.offset}"
    else:
        time = "Both begin with the same frame"
    pairs = counted(len(found.frames), "pair of frames", "pairs of frames")
    return f"{time}; A's picture in B's: {space['kind']}. The lines were fitted to {pairs}."


def _numbers(found: Comparison) -> Table:
    json = found.to_json()
    rows = []
    for key, line in found.lines.items():
        exact = json["exact"]
        if line is None:
            measured = ("tells nothing", "", "")
        else:
            measured = (
                _between(line.gain, line.gain_range),
                _between(line.offset, line.offset_range),
                "" if exact is None else f"{exact['gain'][key]:.5f}, {exact['offset'][key]:+.5f}",
            )
        left = found.left.residual_codes.get(key)
        rows.append(
            (
                Cell(CHANNELS[key]),
                *(Cell(text) for text in measured),
                Cell("" if left is None or math.isnan(left) else f"{left:.2f}"),
            )
        )
    heads = ("channel", "gain", "offset", "exact gain, offset", "left, codes of A")
    caption = (
        "B's code is gain times A's code plus offset, in units of each recording's last code; 95 % intervals in brackets. "
        "Left is what differs once B is brought to A."
    )
    return Table("The line between the codes", heads, tuple(rows), caption)


def _between(value: float, ends: tuple[float, float]) -> str:
    return f"{value:.5f} ({ends[0]:.5f} to {ends[1]:.5f})"


def _plot(key: str, plot: Plot, found: Comparison) -> Chart:
    depths = found.first.info.depth or 8, found.second.info.depth or 8
    channel = Channel.LUMA if key == "y" else Channel.CHROMA
    lines = [Line(_straight(*plot.named["same"]), "third", "the same codes")]
    if found.relation in plot.named and found.relation != "same":
        lines.append(Line(_straight(*plot.named[found.relation]), "second", f"exactly {found.words}"))
    if plot.gain is not None and plot.offset is not None:
        lines.append(Line(_straight(plot.gain, plot.offset), "fit", "measured"))
    name = CHANNELS[key]
    measured = "no line was fitted" if plot.gain is None else f"gain {plot.gain:.5f}, offset {plot.offset:+.5f}"
    across = (*charts.limit_marks(depths[0], channel), *charts.code_ticks(depths[0]))
    up = (*charts.limit_marks(depths[1], channel), *charts.code_ticks(depths[1]))
    return Chart(
        f"Twin plot, {name}",
        f"Areas of the picture by their {name} code in A (across) and in B (upwards).",
        f"Twin plot of {name}, codes of A against codes of B: {measured}; B against A: {found.words}.",
        (SIDE, SIDE), lines=tuple(lines), trace=trace_picture(plot.counts), across=across, up=up, height=360,
    )  # fmt: skip


def _straight(gain: float, offset: float) -> str:
    """The line's path, cut where it leaves the plot."""
    ends = [0.0, 1.0]
    if gain > 0:
        ends = [max(0.0, -offset / gain), min(1.0, (1 - offset) / gain)]
    (x0, y0), (x1, y1) = ((round(x * SIDE), round(SIDE - (gain * x + offset) * SIDE)) for x in ends)
    return f"M{x0} {y0}L{x1} {y1}"


def _worst(crop: Crop) -> list[Block]:
    left, top, right, bottom = crop.box
    where = (
        f"columns {left} to {right}, rows {top} to {bottom} of A's frame {crop.frame_a} and B's frame {crop.frame_b}"
    )
    made: list[Block] = []
    if crop.brought is not None:
        made.append(
            Pair(
                "The worst place, B brought to A",
                frame_picture(crop.first, f"A, {where}"),
                frame_picture(crop.brought, f"B brought to A, {where}"),
                "A", "B brought to A", f"Where most is left: {where}. Delta E there {crop.delta_e:.2f}.",
            )
        )  # fmt: skip
    items = ((exact_picture(crop.first, f"A, {where}"), "A as its readers show it"),
             (exact_picture(crop.second, f"B, {where}"), "B as its readers show it"))  # fmt: skip
    made.append(
        Crops("The worst place as readers show it", items, f"The same place, each file read by its own flag: {where}.")
    )
    return made


def _zones(found: Comparison) -> Table:
    rows = []
    for zone in found.left.zones:
        name = "middle" if (zone.row, zone.column) == (1, 1) else f"{_ROWS[zone.row]} {_COLUMNS[zone.column]}"
        rows.append(
            (
                Cell(name),
                Cell(", ".join(f"{CHANNELS[key]} {value:.2f}" for key, value in zone.residual_codes.items())),
                Cell(f"{zone.delta_e_median:.2f}"),
                Cell(f"{zone.delta_e_p95:.2f}"),
                Cell("no colour" if zone.hue_shift is None else f"{zone.hue_shift:+.2f}°"),
            )
        )
    heads = ("part of the picture", "left, codes of A", "Delta E, median", "Delta E, 95 %", "hue")
    out = f"{found.left.left_out_words}. " if found.left.left_out else ""
    caption = f"{out}Delta E is CIE 2000. It assumes: {found.left.assumed}."
    return Table("What is left, part by part", heads, tuple(rows), caption)


def _facts(found: Comparison) -> tuple[tuple[str, str], ...]:
    rows = []
    for name, party in (("A", found.first), ("B", found.second)):
        info = party.info
        rows += [
            (f"{name}, path", str(party.path)),
            (f"{name}, codec", f"{info.codec} in {info.container}"),
            (f"{name}, picture", f"{info.width} × {info.height}, {info.sampling}, {info.depth} bit"),
            (f"{name}, read as", info.tag.trusted.label),
            (f"{name}, timecode", party.timecode or "none"),
        ]
    space = found.space()
    rows += [
        ("scale", " × ".join(f"{value:.5f}" for value in space["scale"])),
        ("shift, pixels of B", ", ".join(f"{value:.3f}" for value in space["shift"])),
        ("offset by timecode", "none" if found.by_timecode is None else f"{found.by_timecode} frames"),
        ("likeness of detail", f"{found.alike:.3f}"),
    ]
    return tuple(rows)
