"""The comb that scalings leave in a histogram, as a spectrum with the frequencies drawn that betray a change of range."""

from __future__ import annotations

import math
from fractions import Fraction

from ....kernels.encoding import Channel, Encoding, Range, affine_map
from ....kernels.history import History
from ....kernels.scalings import Scaling
from .charts import curve
from .page import Chart


def comb_frequency(depth: int, source: Range, target: Range) -> float:
    """Cycles a code of the comb that one scaling leaves in luma: its gain's inverse, folded to 0..1/2.

    Rounding a gain g spreads codes unevenly with the period of 1 / g's fraction.
    """
    gain, _ = affine_map(Encoding(depth, source), Encoding(depth, target), Channel.LUMA)
    return float(abs(1 / gain - round(1 / gain)))


def line_between_depths(scaling: Scaling) -> float:
    """Cycles a code of the comb that a change of range leaves where the depth changed with it or after it, folded to 0..1/2."""
    turn = 1.0
    for source, target in scaling.steps:
        gain, _ = affine_map(source, target, Channel.LUMA)
        if source.range is target.range and scaling.cut == "dropped":
            gain = Fraction(1, 1 << (source.depth - target.depth))
        turn = abs(turn / float(gain) - round(turn / float(gain)))
    return turn


def comb_chart(found: History) -> Chart | None:
    """The spectrum of luma's counts against their own course; None where the counts are too few to be looked at."""
    if found.comb is None:
        return None
    depth = found.depth
    to_full = comb_frequency(depth, Range.NARROW, Range.FULL)
    to_narrow = comb_frequency(depth, Range.FULL, Range.NARROW)
    power = found.comb.relative_power
    highest = float(power.max())
    top = float(max(20, math.ceil(highest / 10) * 10))
    frequency = float(found.comb.frequencies[int(power.argmax())])
    marks: tuple[tuple[float, str, str], ...] = (
        (to_full, f"to full {to_full:.3f}", "end"),
        (to_narrow, f"to narrow {to_narrow:.3f}", "start"),
    )
    known = f"A scaling to full leaves {to_full:.3f}, one to narrow {to_narrow:.3f}."
    if found.scaling is not None and found.scaling.from_depth is not None:
        between = line_between_depths(found.scaling)
        words = f"{found.scaled.replace('-', ' ')} from {found.scaling.from_depth} bits {between:.3f}"
        marks = (*marks, (between, words, "end" if between > 0.25 else "start"))
        known = f"{known} One {words.removesuffix(f' {between:.3f}')} to {found.scaling.depth} leaves {between:.3f}."
    alt = (
        f"Comb of the histogram: its strongest line, {highest:.1f} times its surroundings, lies at {frequency:.3f} cycles a code. "
        f"{known}"
    )
    return curve(
        [("", found.comb.frequencies, power)],
        title="Comb of the histogram",
        caption="Power of the ripple in the counts of luma codes, over its surroundings, by cycles a code. A scaling leaves a line "
        f"at its own frequency. Statistic {found.z:.1f}; chance of a false alarm {_chance(found.false_alarm)}.",
        alt=alt, across=(0.0, 0.5), up=(0.0, top),
        marks=marks,
        across_ticks=(0, 0.1, 0.2, 0.3, 0.4, 0.5), up_ticks=(0, top / 2, top),
    )  # fmt: skip


def _chance(share: float) -> str:
    return f"{share:.2g}" if share >= 1e-6 else "under one in a million"
