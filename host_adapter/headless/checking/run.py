"""A recording against a rule: every frame is read once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ....kernels.encoding import Range
from ..delivery.timecode import start_timecode
from ..errors import Problem
from ..media import Info, Recording
from ..opening import open_recording
from ..survey import survey, trusted_range
from ..viewing import matrix_of
from .examine import Examiner
from .rules import Rule
from .shots import Shots, shots_check
from .verdict import FAIL, OPEN, PASS, Check, Clock, Gathering, mixed_check

_HDR = {"arib-std-b67": "HLG", "smpte2084": "PQ"}


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a check of one recording found.

    frames : that were read
    """

    info: Info
    rule: Rule
    range: Range
    clock: Clock
    frames: int
    checks: tuple[Check, ...]

    @property
    def passed(self) -> bool:
        """Whether nothing fails."""
        return all(check.verdict != FAIL for check in self.checks)

    def to_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "path": str(self.info.path),
            "rule": self.rule.name,
            "verdict": "pass" if self.passed else "fail",
            "measured_as": self.range.label,
            "frames": self.frames,
            "checks": [check.to_json(self.clock) for check in self.checks],
        }


def check(path: Path, rule: Rule, progress: Callable[[int, int | None], None] | None = None) -> Verdict:
    """Check a movie, a still or numbered stills.

    progress : told frames read, and of how many where that is known

    Raises: Problem where it cannot be read, holds levels, or the rule is not for it.
    """
    with open_recording(path) as recording:
        info = recording.info
        if info.depth is None:
            raise Problem(
                info.path, "it holds floating-point levels, not codes", "Check the delivery that is made from it."
            )
        if rule.sdr and info.transfer in _HDR:
            raise Problem(
                info.path,
                f"it is flagged {_HDR[info.transfer]}, and the rule {rule.name!r} is for SDR",
                'Take a rule for it, or copy the rule to a file of your own with signal = "any" (--rule FILE).',
            )
        flag = trusted_range(info)
        checks = [*_of_range(rule, flag), *_of_flag(rule, recording, flag)]
        shots = Shots(info, flag) if rule.mixed != "any" else None
        gathered = _measure(recording, rule, flag, shots, progress)
        checks += gathered.checks()
        if shots is not None and gathered.frames > 1:
            mixed = mixed_check(gathered.quantiles, info.depth, rule.mixed)
            checks.append(mixed if mixed.verdict != PASS else shots_check(shots.all(), flag, rule.mixed))
        clock = Clock(start_timecode(recording), info.rate)
    return Verdict(info, rule, flag, clock, gathered.frames, tuple(checks))


def _measure(
    recording: Recording,
    rule: Rule,
    flag: Range,
    shots: Shots | None,
    progress: Callable[[int, int | None], None] | None,
) -> Gathering:
    info = recording.info
    examiner = Examiner(rule, info, info.encoding(flag), matrix_of(info))
    gathered = Gathering(examiner.limits)
    for frame in recording.frames():
        look = examiner.look(frame)
        gathered.take(look)
        if shots is not None:
            shots.take(frame, look.quantiles)
        if progress is not None:
            progress(gathered.frames, info.frames)
    if not gathered.frames:
        raise Problem(info.path, "it holds no frame that can be read", "Copy it again.")
    return gathered


def _of_range(rule: Rule, flag: Range) -> list[Check]:
    if rule.range is None:
        return []
    right = rule.range is flag
    words = f"range flag: it is read as {flag.label}, and {rule.range.label} is asked for"
    return [Check("range flag", PASS if right else FAIL, f"range flag: {flag.label}" if right else words)]


def _of_flag(rule: Rule, recording: Recording, flag: Range) -> list[Check]:
    """Whether the codes are what the flag says; the survey's own finding."""
    if not rule.flag_must_agree:
        return []
    record = survey(recording)
    name = "flag against data"
    if record.agrees is None:
        return [
            Check(name, OPEN, f"{name}: cannot be told from the picture; flagged {flag.label}. {_first(record.why)}")
        ]
    found = record.finding.label
    if record.agrees:
        return [Check(name, PASS, f"{name}: flagged {flag.label}, and the codes are {found}")]
    return [
        Check(
            name,
            FAIL,
            f"{name}: flagged {flag.label}, but the codes are {found} ({record.finding.confidence:.0%} sure). {_first(record.why)}",
        )
    ]


def _first(why: list[str]) -> str:
    return why[0] if why else ""
