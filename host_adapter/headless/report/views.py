"""Blocks that several reports share: one frame read two ways or from two files, its waveforms and histograms."""

from __future__ import annotations

from collections.abc import Sequence

from ....kernels.encoding import Channel, Range
from ..errors import Problem
from . import charts
from .page import Beside, Block, Chart, Pair, Still, Words
from .pictures import frame_picture
from .render import counted
from .seen import Seen, tone_counts

Reading = tuple[Seen, Range, str]
"""What was seen, what a reader takes its codes for, and words for that ('as it came, read as narrow')."""


def frames(readings: Sequence[Reading], *, title: str, caption: str) -> Block:
    """One reading as a picture, two under a slider.

    What stands in the way of showing it is said instead.
    """
    try:
        pictures = [
            frame_picture(seen.shown(range_), f"Frame {seen.index} of {seen.info.path.name}, {words}")
            for seen, range_, words in readings
        ]
    except Problem as problem:
        return Words(title, (f"It cannot be shown: {problem.found}.",))
    if len(pictures) == 1:
        return Still(title, pictures[0], f"{readings[0][2].capitalize()}. {caption}")
    before, after = readings
    return Pair(title, pictures[0], pictures[1], before[2], after[2], caption)


def waveforms(readings: Sequence[Reading]) -> tuple[Block, ...]:
    """A waveform for each reading; none of levels."""
    made = tuple(
        charts.waveform(seen.planes, encoding, title=_titled("Waveform", words, readings), where=f"frame {seen.index}")
        for seen, range_, words in readings
        if (encoding := seen.encoding(range_)) is not None
    )
    return (Beside(made),) if len(made) > 1 else made


def histograms(readings: Sequence[Reading]) -> tuple[Block, ...]:
    """Histograms of luma (or R', G', B') and of chroma for each reading, like beside like; none of levels."""
    tones: list[Chart] = []
    chroma: list[Chart] = []
    for seen, range_, words in readings:
        encoding = seen.encoding(range_)
        if encoding is None or not seen.pixels:
            continue
        where = f"{counted(seen.frames, 'frame')} over the whole length"
        listed = [(tones, encoding.channels()[0], tone_counts(seen.pixels, encoding.model))]
        if Channel.CHROMA in seen.pixels:
            listed.append((chroma, Channel.CHROMA, seen.pixels[Channel.CHROMA]))
        for made, channel, histogram in listed:
            title = _titled(f"Histogram of {charts.channel_words(channel, encoding.model)}", words, readings)
            made.append(charts.histogram(histogram, encoding, channel, title=title, where=where))
    return (Beside((*tones, *chroma)),) if tones else ()


def _titled(what: str, words: str, readings: Sequence[Reading]) -> str:
    return f"{what}, {words}" if len(readings) > 1 else what
