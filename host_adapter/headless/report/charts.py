"""Plots as data: histograms and waveforms with the limits of the codes drawn, and curves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.encoding import Channel, Encoding, Model, Range
from ....kernels.scopes import waveform_counts
from ....kernels.tally import Histogram, share_above, share_below
from ..media import Plane
from .page import Chart, Line, Mark, Zone
from .pictures import trace_picture

STEPS = 1024
"""Most steps of a histogram; deeper codes share them."""
WIDTH, HEIGHT = 2000, 1000
"""Units of paths; a histogram is as wide as it has steps."""
WAVEFORM_COLUMNS = 480
WAVEFORM_BITS = 8


def channel_words(channel: Channel, model: Model) -> str:
    """What a histogram counts, in words."""
    if channel is Channel.CHROMA:
        return "Cb and Cr"
    return {Model.YCBCR: "luma", Model.GRAY: "gray", Model.RGB: "R', G' and B'"}[model]


def limit_marks(depth: int, channel: Channel) -> tuple[Mark, ...]:
    """Narrow black and white (for chroma the ends of its nominal codes) as places among the codes."""
    narrow = Encoding(depth, Range.NARROW)
    low, high = narrow.black(channel), narrow.white(channel)
    names = ("narrow low", "narrow high") if channel is Channel.CHROMA else ("narrow black", "narrow white")
    size = narrow.maximum + 1
    return (
        Mark((low + 0.5) / size, f"{names[0]} {low}", "limit", "start"),
        Mark((high + 0.5) / size, f"{names[1]} {high}", "limit", "end"),
    )


def code_ticks(depth: int) -> tuple[Mark, ...]:
    """The ends of the codes, and quarters between them."""
    last = (1 << depth) - 1
    quarters = [
        Mark((code + 0.5) / (last + 1), str(code)) for code in (last // 4 + 1, last // 2 + 1, 3 * (last // 4 + 1))
    ]
    return (Mark(0.0, "0", "end", "start"), *quarters, Mark(1.0, str(last), "end", "end"))


def reserved_zones(depth: int) -> tuple[Zone, ...]:
    """The codes that serial interfaces keep for timing."""
    size = 1 << depth
    return tuple(
        Zone(codes.start / size, codes.stop / size, "reserved") for codes in Encoding(depth, Range.NARROW).reserved
    )


def clipped_zones(encoding: Encoding, channel: Channel) -> tuple[Zone, ...]:
    """What a reader of this encoding clips; none of full."""
    if encoding.range is Range.FULL:
        return ()
    size = encoding.maximum + 1
    return (
        Zone(0.0, encoding.black(channel) / size, "clipped"),
        Zone((encoding.white(channel) + 1) / size, 1.0, "clipped"),
    )


def histogram(counts: Histogram, read_as: Encoding, channel: Channel, *, title: str, where: str) -> Chart:
    """Counts of codes on a logarithmic scale, so that a few excursions are seen beside a whole sky.

    counts : int64 [2^depth]; read_as : the encoding that its reader trusts; where : what was counted, for the caption
    """
    depth, total = read_as.depth, max(int(counts.sum()), 1)
    together = max(len(counts) // STEPS, 1)
    shares = counts.reshape(-1, together).sum(axis=1) / total
    bottom = math.floor(math.log10(1 / total))
    top = min(math.ceil(math.log10(max(float(shares.max()), 1 / total)) + 1e-9), 0)
    top = max(top, bottom + 1)
    with np.errstate(divide="ignore"):
        level = (np.log10(shares) - bottom) / (top - bottom)
    height = np.where(shares > 0, np.clip(level, 0.004, 1), 0)
    every = max((top - bottom) // 5, 1)
    up = [Mark((decade - bottom) / (top - bottom), _percent(10.0**decade)) for decade in range(top, bottom, -every)]
    step = "" if together == 1 else f", {together} codes to a step"
    low, high = Encoding(depth, Range.NARROW).black(channel), Encoding(depth, Range.NARROW).white(channel)
    used = np.flatnonzero(counts)
    ends = f"codes {used[0]} to {used[-1]}" if len(used) else "no codes"
    alt = (
        f"{title}: {ends}; {_share(share_below(counts, low))} of the samples under code {low}, "
        f"{_share(share_above(counts, high))} over {high}."
    )
    return Chart(
        title, f"Share of samples at each code{step}, logarithmic; {where}.", alt, (len(shares), HEIGHT),
        lines=(Line(step_path(height), "area"),),
        across=(*limit_marks(depth, channel), *code_ticks(depth)), up=tuple(up),
        zones_across=(*reserved_zones(depth), *clipped_zones(read_as, channel))
    )  # fmt: skip


def step_path(heights: npt.NDArray[Any]) -> str:
    """A filled outline of steps one unit wide, heights 0 to 1."""
    places = HEIGHT - np.rint(np.asarray(heights) * HEIGHT).astype(int)
    parts = [f"M0 {HEIGHT}"]
    last = None
    for at, place in enumerate(places.tolist()):
        if place != last:
            parts.append(f"H{at}V{place}")
            last = place
    return "".join([*parts, f"H{len(places)}V{HEIGHT}Z"])


def waveform(planes: Sequence[Plane], read_as: Encoding, *, title: str, where: str) -> Chart:
    """Where in the picture's width which codes lie: luma, or R', G' and B' together."""
    depth = read_as.depth
    total = None
    tones = planes[:3] if read_as.model is Model.RGB else planes[:1]
    for plane in tones:
        columns = min(WAVEFORM_COLUMNS, plane.shape[1])
        total = waveform_counts(plane, read_as, columns, drop=depth - WAVEFORM_BITS, out=total)
    assert total is not None
    channel = read_as.channels()[0]
    marks = limit_marks(depth, channel)
    by_step = total.sum(axis=0)
    used = np.flatnonzero(by_step) << (depth - WAVEFORM_BITS)
    ends = f"codes about {used[0]} to {used[-1]}" if len(used) else "no codes"
    low = _share(_outside(tones, read_as, under=True))
    high = _share(_outside(tones, read_as, under=False))
    narrow = Encoding(depth, Range.NARROW)
    alt = (
        f"{title}: {ends}; {low} of the samples under narrow black ({narrow.black()}), {high} over narrow white "
        f"({narrow.white()})."
    )
    return Chart(
        title, f"{channel_words(channel, read_as.model).capitalize()} from the picture's left to its right; {where}.", alt,
        (total.shape[0], total.shape[1]), trace=trace_picture(total), up=(*marks, *code_ticks(depth)),
        zones_up=(*reserved_zones(depth), *clipped_zones(read_as, channel)), height=300,
    )  # fmt: skip


def _outside(tones: Sequence[Plane], encoding: Encoding, *, under: bool) -> float:
    narrow = Encoding(encoding.depth, Range.NARROW)
    limit = (narrow.black() if under else narrow.white()) << encoding.bit_shift
    return float(np.mean([np.mean(plane < limit if under else plane > limit) for plane in tones]))


def curve(
    series: Sequence[tuple[str, npt.ArrayLike, npt.ArrayLike]], *,
    title: str, caption: str, alt: str, across: tuple[float, float], up: tuple[float, float],
    marks: Sequence[tuple[float, str, str]] = (), across_ticks: Sequence[float] = (), up_ticks: Sequence[float] = (),
) -> Chart:  # fmt: skip
    """Up to three lines over one axis.

    series : (label, x, y); across, up : the ends of the axes; marks : (x, label, its anchor) of places worth a line
    """
    lines = [
        Line(_joined(_along(xs, across), _along(ys, up)), form, label)
        for (label, xs, ys), form in zip(series, ("first", "second", "third"), strict=False)
    ]
    places = zip(_along([x for x, *_ in marks], across).tolist(), marks, strict=True)
    limits = [Mark(at, label, "limit", anchor) for at, (_, label, anchor) in places]
    ticks = [_tick(at, value) for at, value in zip(_along(across_ticks, across).tolist(), across_ticks, strict=True)]
    levels = zip(_along(up_ticks, up).tolist(), up_ticks, strict=True)
    return Chart(
        title, caption, alt, (WIDTH, HEIGHT), lines=tuple(lines), across=(*limits, *ticks),
        up=tuple(Mark(at, f"{value:g}") for at, value in levels),
    )  # fmt: skip


def _along(values: npt.ArrayLike, ends: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Values as places on an axis, 0 to 1 between its ends."""
    return (np.asarray(values, np.float64) - ends[0]) / (ends[1] - ends[0])


def _joined(across: npt.NDArray[np.float64], up: npt.NDArray[np.float64]) -> str:
    """A path through places; what lies over or under the plot is drawn at its edge, what is no number left out."""
    there = np.isfinite(across) & np.isfinite(up)
    xs = np.rint(across[there] * WIDTH).astype(int).tolist()
    ys = np.rint(HEIGHT - np.clip(up[there], 0, 1) * HEIGHT).astype(int).tolist()
    return "".join(f"{'L' if at else 'M'}{x} {y}" for at, (x, y) in enumerate(zip(xs, ys, strict=True)))


def _tick(at: float, value: float) -> Mark:
    if at <= 0.001:
        return Mark(0.0, f"{value:g}", "end", "start")
    return Mark(1.0, f"{value:g}", "end", "end") if at >= 0.999 else Mark(at, f"{value:g}")


def _percent(share: float) -> str:
    return f"{100 * share:.10f}".rstrip("0").rstrip(".") + " %"


def _share(share: float) -> str:
    """'1.9 %', 'none'."""
    return f"{100 * share:.2g} %" if share else "none"
