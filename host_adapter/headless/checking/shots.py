"""Shot by shot: whether some hold full codes and others narrow, as where material of two origins was cut together.

A change of range within one picture is seen by the change itself (`verdict.range_changes`). At a cut the picture changes too, so each shot
is judged by itself, as a survey judges a recording.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ....kernels.encoding import Range
from ..evidence import Gatherer
from ..finding import judge
from ..media import Frame, Info
from .verdict import FAIL, NOTE, PASS, Check, Span

_SURE = 0.99
"""How sure a shot must be to speak against the flag; there are many shots, and a survey asks for 97 % of a whole recording."""
_CUT = 0.03
"""A cut moves some quantile of luma by more than this share of M. A shot taken for two is only looked at in two pieces."""


@dataclass(frozen=True, slots=True)
class Shot:
    """Frames between two cuts, and what their codes are.

    found : None where that cannot be told, which is often so of a single shot
    why : the strongest sign of that
    """

    span: Span
    found: Range | None
    why: str


class Shots:
    """Takes the frames of a recording in order and judges every shot.

    Of each shot the frames 0, 1, 3, 7, 15 … are looked at: as many as a long shot can bear, and known without its length.
    """

    def __init__(self, info: Info, flag: Range) -> None:
        self._info, self._flag = info, flag
        self._encoding = info.encoding(Range.NARROW)
        self._top = self._encoding.maximum
        self._shots: list[Shot] = []
        self._before: tuple[int, ...] | None = None
        self._first, self._count = 0, 0
        self._gathered: Gatherer | None = None

    def take(self, frame: Frame, quantiles: tuple[int, ...]) -> None:
        """quantiles : of the frame's luma, as a Look has them"""
        before, self._before = self._before, quantiles
        if before is None or max(abs(one - two) for one, two in zip(before, quantiles, strict=True)) > _CUT * self._top:
            self._end()
            self._first, self._count = frame.index, 0
            self._gathered = Gatherer(self._encoding.depth, self._info.model, self._encoding.bit_shift)
        if not (self._count + 1) & self._count:
            assert self._gathered is not None
            self._gathered.add(frame, self._encoding)
        self._count += 1

    def _end(self) -> None:
        if self._gathered is None:
            return
        finding = judge(self._gathered.evidence(), self._info.tag, trusted=self._flag)
        sure = finding.finding if finding.finding is self._flag or finding.confidence > _SURE else None
        span = Span(self._first, self._first + self._count - 1)
        reasons = [sign.why for sign in finding.signs if (sign.weight > 0) is (sure is Range.FULL)]
        self._shots.append(Shot(span, sure, reasons[0] if reasons else ""))
        self._gathered = None

    def all(self) -> Sequence[Shot]:
        """Every shot, once the last frame was taken."""
        self._end()
        return self._shots


def shots_check(shots: Sequence[Shot], flag: Range, severity: str) -> Check:
    """Whether some shots surely hold codes of the range that is not flagged, and others do not.

    severity : 'fail' or 'note', as the rule has it
    """
    name = "one range throughout"
    odd = [shot for shot in shots if shot.found not in (flag, None)]
    if len(odd) in (0, len(shots)):
        of_shots = f", and none of {len(shots)} shots stands out" if len(shots) > 1 else ""
        return Check(name, PASS, f"{name}: no frame goes over into another range{of_shots}")
    other = Range(1 - flag).label
    told = sum(shot.found is flag for shot in shots)
    rest = len(shots) - len(odd) - told
    others = [f"{told} hold{'s' * (told == 1)} {flag.label} ones"] * bool(told) + [f"{rest} cannot be told"] * bool(
        rest
    )
    holds = f"shots hold{'s' * (len(odd) == 1)} {other} codes, though it is flagged {flag.label} ({odd[0].why})"
    words = f"{name}: {len(odd)} of {len(shots)} {holds}; {', '.join(others)}"
    frames = sum(shot.span.last - shot.span.first + 1 for shot in odd)
    spans = tuple(shot.span for shot in odd)
    return Check(name, FAIL if severity == "fail" else NOTE, words, frames, spans, spans[0].first)
