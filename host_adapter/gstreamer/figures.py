"""How a live chain goes, in numbers: counted frame by frame, given out second by second. Imports no GStreamer."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

_STEP = 10_000
"""Nanoseconds to which the times of a whole run are kept, so that a day of them takes no memory."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What happened in a second, or in the whole run.

    seconds : of what is counted here, in the whole from the first frame on; frames : that reached the sink
    rate : frames a second over that time
    late : reached it after their time; dropped : never did
    median_ms, p95_ms : time in our elements, None where no frame came
    clipped : share of the codes that the change of range cuts off, low and high, as a sample; None where it changes none
    passed : frames that could not be changed and went on as they were
    """

    seconds: float
    frames: int
    rate: float
    late: int
    dropped: int
    median_ms: float | None
    p95_ms: float | None
    clipped: tuple[float, float] | None
    passed: int


def quantile_of(sorted_values: list[int], share: float) -> int:
    """The least value that at least `share` of them do not exceed."""
    return sorted_values[max(0, -(-int(share * 100) * len(sorted_values) // 100) - 1)]


class Counting:
    """Counts what the streaming threads report. Every method may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._times: list[int] = []
        self._all_times: Counter[int] = Counter()
        self._now = _Numbers()
        self._before = _Numbers()
        self._clipped: tuple[float, float] | None = None
        self._worst = (0.0, 0.0)
        self._last_pts: int | None = None
        self.first: float | None = None
        """When the first frame reached the sink, as time.monotonic() has it."""

    def worked(self, nanoseconds: int) -> None:
        """A frame went through our elements."""
        with self._lock:
            self._times.append(nanoseconds)
            self._all_times[nanoseconds // _STEP] += 1

    def arrived(self, pts: int | None, rate: Fraction, *, late: bool) -> None:
        """A frame reached the sink.

        pts : its time in ns; rate : frames a second as the caps say, 0 where it varies. A hole between two frames is frames that
            were dropped
        """
        with self._lock:
            if self.first is None:
                self.first = time.monotonic()
            self._now.frames += 1
            self._now.late += late
            if pts is None or not rate:
                self._last_pts = pts
                return
            if self._last_pts is not None and pts > self._last_pts:
                self._now.holes += max(0, round(Fraction(pts - self._last_pts, 10**9) * rate) - 1)
            self._last_pts = pts

    def begins_anew(self) -> None:
        """The source's times jump here, which is no hole."""
        with self._lock:
            self._last_pts = None

    def sampled(self, low: float, high: float) -> None:
        """Shares of a frame's codes that are cut off at either end."""
        with self._lock:
            self._clipped = low, high
            self._worst = max(self._worst[0], low), max(self._worst[1], high)

    def second(self, seconds: float, refused: int, passed: int) -> Figures:
        """What happened since the last time this was asked.

        seconds : since then; refused : frames that the sink itself dropped, from the start on; passed : likewise
        """
        with self._lock:
            self._now.refused, self._now.passed = refused, passed
            since = self._now.less(self._before)
            self._before = self._now.copy()
            times, self._times = sorted(self._times), []
            clipped = self._clipped
        median, p95 = (quantile_of(times, share) / 1e6 for share in (0.5, 0.95)) if times else (None, None)
        return since.figures(seconds, median, p95, clipped)

    def whole(self, seconds: float, refused: int, passed: int) -> Figures:
        """What happened from the start on; of clipped shares the worst."""
        with self._lock:
            self._now.refused, self._now.passed = refused, passed
            counted = sorted(self._all_times.items())
            median, p95 = (_of_counts(counted, share) for share in (0.5, 0.95))
            return self._now.figures(seconds, median, p95, None if self._clipped is None else self._worst)


@dataclass(slots=True)
class _Numbers:
    frames: int = 0
    late: int = 0
    holes: int = 0
    refused: int = 0
    passed: int = 0

    def copy(self) -> _Numbers:
        return _Numbers(self.frames, self.late, self.holes, self.refused, self.passed)

    def less(self, other: _Numbers) -> _Numbers:
        return _Numbers(
            self.frames - other.frames, self.late - other.late, self.holes - other.holes, self.refused - other.refused,
            self.passed - other.passed,
        )  # fmt: skip

    def figures(
        self, seconds: float, median: float | None, p95: float | None, clipped: tuple[float, float] | None
    ) -> Figures:
        rate = self.frames / seconds if seconds > 0 else 0.0
        return Figures(
            seconds, self.frames, rate, self.late, self.holes + self.refused, median, p95, clipped, self.passed
        )


def _of_counts(counted: Iterable[tuple[int, int]], share: float) -> float | None:
    """The same quantile in ms, of steps with their counts."""
    steps = list(counted)
    wanted = share * sum(count for _, count in steps)
    seen = 0
    for step, count in steps:
        seen += count
        if seen >= wanted:
            return step * _STEP / 1e6
    return None
