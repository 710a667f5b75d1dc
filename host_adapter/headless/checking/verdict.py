"""Looks at frames become a verdict: which check failed, in which frames, how far, and where in the picture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from ....kernels.encoding import Range
from ....kernels.lut import range_line
from ..delivery.timecode import counted_on
from .examine import Look, Measured, limit_words
from .rules import Limit

PASS, FAIL, NOTE, OPEN = "pass", "fail", "note", "open"

_GAIN_NEAR, _OFFSET_NEAR = 0.02, 0.012
_SPREAD_LEAST = 0.08
"""How near a change between neighbours must be to a change of range, of gain and of M, and how much of M luma must span to tell."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How frames of a recording are called.

    start : timecode of the first frame, None where the file has none; rate : frames a second
    """

    start: str | None
    rate: Fraction | None

    def words(self, frame: int) -> str:
        """Timecode where there is one, else seconds; always the frame's number too."""
        code = counted_on(self.start, frame, self.rate)
        if code is not None:
            return f"{code} (frame {frame})"
        return f"frame {frame}" if not self.rate else f"{float(frame / self.rate):.2f} s (frame {frame})"


@dataclass(frozen=True, slots=True)
class Span:
    """Frames next to each other, from the first to the last one."""

    first: int
    last: int

    def words(self, clock: Clock) -> str:
        """'10:00:00:05 (frame 5)', or from one to the other."""
        if self.first == self.last:
            return clock.words(self.first)
        return f"{clock.words(self.first)} to {clock.words(self.last)}"


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that a rule asks for.

    verdict : PASS, FAIL, NOTE (found, but the rule does not mind) or OPEN (cannot be told)
    frames : how many fail
    worst : what was found in the frame that is worst, and which frame that is
    """

    name: str
    verdict: str
    words: str
    frames: int = 0
    spans: tuple[Span, ...] = ()
    worst_frame: int | None = None
    worst: Measured | None = field(default=None, repr=False)

    def to_json(self, clock: Clock) -> dict[str, Any]:
        """As plain values."""
        made: dict[str, Any] = {"check": self.name, "verdict": self.verdict, "words": self.words, "frames": self.frames}
        made["spans"] = [
            {"first": span.first, "last": span.last, "words": span.words(clock)} for span in self.spans[:MOST_SPANS]
        ]
        made["more_spans"] = max(0, len(self.spans) - MOST_SPANS)
        if self.worst_frame is not None and self.worst is not None:
            sample = self.worst.worst
            made["worst"] = {
                "frame": self.worst_frame,
                "when": clock.words(self.worst_frame),
                "area_percent": round(self.worst.share * 100, 4),
                **(
                    {}
                    if sample is None
                    else {"channel": sample.channel, "code": round(sample.code, 2), "x": sample.x, "y": sample.y}
                ),
            }
        return made


MOST_SPANS = 200
"""Spans that are told one by one; the rest is counted."""


class Gathering:
    """Takes looks in the order of frames and keeps what a verdict needs: spans and the worst frame of each limit, no more."""

    def __init__(self, limits: Sequence[tuple[Limit, tuple[int, int]]]) -> None:
        self.limits = limits
        self.frames = 0
        self.spans: list[list[Span]] = [[] for _ in limits]
        self.failed = [0] * len(limits)
        self.worst: list[tuple[int, Measured] | None] = [None] * len(limits)
        self.quantiles: list[tuple[int, ...]] = []

    def take(self, look: Look) -> list[bool]:
        """Returns, for each limit, whether this frame is the worst so far."""
        news = []
        for number, ((limit, _), measured) in enumerate(zip(self.limits, look.measured, strict=True)):
            held = self.worst[number]
            worse = measured.share > 0 and (held is None or _badness(measured) > _badness(held[1]))
            if worse:
                self.worst[number] = look.index, measured
            news.append(worse)
            if measured.share * 100 > limit.area:
                self.failed[number] += 1
                _extend(self.spans[number], look.index)
        self.quantiles.append(look.quantiles)
        self.frames += 1
        return news

    def checks(self) -> list[Check]:
        """One of each limit."""
        made = []
        for number, (limit, within) in enumerate(self.limits):
            worst, failed = self.worst[number], self.failed[number]
            asked = limit_words(limit, within)
            if failed:
                words = f"{asked}: {failed} of {self.frames} frames are outside, more than {limit.area:g} % of the area"
                words = words if limit.area else f"{asked}: {failed} of {self.frames} frames hold codes outside"
            elif worst is not None:
                words = f"{asked}: held; at most {worst[1].share * 100:.3g} % of a frame's area is outside, {limit.area:g} % may be"
            else:
                words = f"{asked}: held everywhere"
            made.append(
                Check(
                    limit.name, FAIL if failed else PASS, words, failed, tuple(self.spans[number]),
                    None if worst is None else worst[0], None if worst is None else worst[1],
                )
            )  # fmt: skip
        return made


def _badness(measured: Measured) -> tuple[float, float]:
    return measured.share, 0.0 if measured.worst is None else measured.worst.beyond


def _extend(spans: list[Span], index: int) -> None:
    if spans and spans[-1].last == index - 1:
        spans[-1] = Span(spans[-1].first, index)
    else:
        spans.append(Span(index, index))


def range_changes(quantiles: Sequence[tuple[int, ...]], depth: int) -> list[tuple[int, str]]:
    """Frames at which the same picture goes on in the other range: (frame, 'expanded' or 'compressed').

    quantiles : codes of luma at the same shares, frame by frame
    A cut or a fade is none: every quantile must move as the change of range moves it, and by nothing else.
    """
    found = []
    top = (1 << depth) - 1
    maps = {
        "expanded": range_line(Range.NARROW, Range.FULL, depth),
        "compressed": range_line(Range.FULL, Range.NARROW, depth),
    }
    for index in range(1, len(quantiles)):
        before, now = quantiles[index - 1], quantiles[index]
        if before[-1] - before[0] < _SPREAD_LEAST * top or before == now:
            continue
        for name, line in maps.items():
            gain, offset = float(line.gain), float(line.offset) * top
            expected = [min(max(gain * code + offset, 0), top) for code in before]
            off = max(abs(one - two) for one, two in zip(expected, now, strict=True))
            moved = max(abs(one - two) for one, two in zip(expected, before, strict=True))
            slope = (now[-1] - now[0]) / (expected[-1] - expected[0]) if expected[-1] > expected[0] else 0
            if off <= _OFFSET_NEAR * top and moved > 3 * _OFFSET_NEAR * top and abs(slope - 1) <= _GAIN_NEAR:
                found.append((index, name))
    return found


def mixed_check(quantiles: Sequence[tuple[int, ...]], depth: int, severity: str) -> Check:
    """Whether the range changes inside the recording, and single frames that are of another range than their neighbours.

    severity : 'fail' or 'note', as the rule has it
    """
    changes = range_changes(quantiles, depth)
    if not changes:
        return Check("one range throughout", PASS, "one range throughout: no frame goes over into another range")
    turns = dict(changes)
    states, state = [], 0
    for frame in range(len(quantiles)):
        state += {"expanded": 1, "compressed": -1}.get(turns.get(frame, ""), 0)
        states.append(state)
    usual = Counter(states).most_common(1)[0][
        0
    ]  # the first of equals: what comes first is what the others are held against
    runs: list[Span] = []
    for frame, state in enumerate(states):
        if state != usual:
            _extend(runs, frame)
    spans = tuple(runs)
    single = sum(span.first == span.last for span in spans)
    count = sum(span.last - span.first + 1 for span in spans)
    kinds = f", {single} of them single bad frames" if single else ""
    where = f"in {len(spans)} place{'s' * (len(spans) != 1)}{kinds}"
    words = f"one range throughout: {count} of {len(quantiles)} frames are scaled otherwise than the rest, {where}"
    return Check("one range throughout", FAIL if severity == "fail" else NOTE, words, count, spans, spans[0].first)
