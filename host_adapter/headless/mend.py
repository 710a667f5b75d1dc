"""Mend: orders in, verified results with receipts out; originals only ever read."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ...kernels.encoding import Range
from .errors import Problem
from .guard import guard_evidence, guard_history, guard_profile, profile_of, settled
from .jobs import Claims, Job
from .media import Info
from .opening import open_recording, recording_files
from .plan import Order
from .publish import discard, partial_of, publish, system_problem, whole_already
from .receipt import RECEIPT_VERSION, fingerprint, members, program_version, receipt_path
from .remedies import Progress, Retag, Scale, Stopped, work_for
from .survey import survey


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one order.

    state : 'written' | 'whole already' | 'left alone' | 'failed' | 'stopped'
    words : one line for a person
    """

    order: Order
    state: str
    words: str
    result: Path | None = None
    receipt: dict[str, Any] | None = None

    def to_json(self) -> dict[str, Any]:
        """The outcome as `footroom mend --json` prints it."""
        return {
            "input": str(self.order.path),
            "remedy": self.order.remedy,
            "state": self.state,
            "words": self.words,
            "output": None if self.result is None else str(self.result),
            "receipt": None if self.result is None else str(receipt_path(self.result)),
            "lost": (self.receipt or {}).get("lost"),
            "uncarried": (self.receipt or {}).get("uncarried"),
        }


@dataclass(slots=True)
class Bench:
    """What all jobs of one run share."""

    claims: Claims
    overwrite: bool = False
    survey_first: bool = True
    stop: threading.Event | None = None

    def stopped(self) -> bool:
        return self.stop is not None and self.stop.is_set()


def mend(job: Job, bench: Bench, progress: Progress | None = None) -> Outcome:
    """Carry out one order. Whatever goes wrong with this one is in its outcome; the others go on.

    Nothing half-written stays: the result appears under its name only when it is whole and verified.
    """
    order = job.order
    if order.remedy in ("none", "ask"):
        words = (
            "the plan leaves it alone" if order.remedy == "none" else "the plan has a question open; choose a remedy"
        )
        return Outcome(order, "left alone", words)
    try:
        return _mend(job, bench, progress)
    except Stopped:
        return Outcome(order, "stopped", "stopped before it was whole; nothing was kept of it")
    except Problem as problem:
        if problem.path is not None and problem.path.name.startswith("."):
            # The person knows the recording, not the hidden file that we were writing.
            problem = Problem(order.path, problem.found, problem.remedy)
        return Outcome(order, "failed", str(problem))
    except (OSError, MemoryError) as error:
        return Outcome(order, "failed", str(system_problem(order.path, error)))


def _mend(job: Job, bench: Bench, progress: Progress | None) -> Outcome:
    order = job.order
    guard_history(order)
    with open_recording(order.path) as recording:
        info = recording.info
        if order.remedy == "undo":  # typed by hand over an open question, in a plan too
            record = survey(recording, profile=order.profile).to_json()
            guard_evidence(order, record)
            order = settled(order, record)
        work = work_for(order, info)
        result = job.folder / work.name
        bench.claims.claim(result, order.path)
        if (done := whole_already(result, work.settings, order.path, overwrite=bench.overwrite)) is not None:
            return Outcome(order, "whole already", "whole already, nothing done", result, done)
        guard_profile(order, info)
        if bench.survey_first and order.remedy not in ("retag", "undo") and not order.even_so:
            guard_evidence(order, survey(recording, frames=12, profile=order.profile).to_json())
        job.folder.mkdir(parents=True, exist_ok=True)
        partial = partial_of(result)
        discard(partial)
        try:
            made = work.make(recording, partial, bench.stopped, progress)
            receipt = _receipt(order, info, work, made, partial, result)
            publish(partial, result, receipt, overwrite=bench.overwrite)
        finally:
            discard(partial)
    return Outcome(order, "written", made["words"], result, receipt)


def _receipt(
    order: Order, info: Info, work: Retag | Scale, made: dict[str, Any], partial: Path, result: Path
) -> dict[str, Any]:
    return {
        "receipt": RECEIPT_VERSION,
        "footroom": program_version(),
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "input": {"path": str(order.path), **fingerprint(recording_files(order.path)), **_facts(info)},
        "output": {"path": result.name, **fingerprint(members(partial)), **made["output"]},
        "parameters": work.settings,
        "profile": profile_of(order, info),
        "even_so": order.even_so,
        "done": made["words"],
        "lost": made["lost"],
        "carried": made["carried"],
        "uncarried": made["uncarried"],
        "changed_bytes": made.get("changed_bytes", []),
        "verified": made["verified"],
    }


def _facts(info: Info) -> dict[str, Any]:
    label = {None: None, Range.NARROW: "narrow", Range.FULL: "full"}
    return {
        "codec": info.codec,
        "pixel_format": info.pixel_format,
        "width": info.width,
        "height": info.height,
        "flag": {"container": label[info.tag.container], "stream": label[info.tag.stream]},
    }
