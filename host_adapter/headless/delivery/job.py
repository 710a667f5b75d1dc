"""One recording, all its results: burn and crops in one pass over it, then overlays and the sheet; each whole or absent."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from ....kernels.matrix import Matrix
from ..errors import Problem
from ..jobs import Claims
from ..media import Info, Recording
from ..opening import open_recording, recording_files
from ..publish import discard, make_folder, partial_of, publish, remove_empty, whole_already
from ..sheet import check_sheet
from ..viewing import matrix_of
from .hearing import check_heard
from .makers import drawn
from .outputs import Output, default_kinds, encoding_of, plan_outputs, suffix_of
from .overlays import write_overlay
from .passes import Pass, Tell
from .record import receipt_of, settings_of
from .request import Canvas, Request
from .showing import Catcher, Caught, write_sheet
from .stage import Stage, bare_stage, stage_for
from .timecode import start_timecode


@dataclass(frozen=True, slots=True)
class Made:
    """What became of one output. state : 'written' | 'whole already'"""

    output: Output
    state: str
    words: str
    receipt: dict[str, Any]


@dataclass(slots=True)
class Job:
    """One run of `footroom frame`.

    source : the recording; None for an overlay of a size alone
    size, rate, seconds : of an overlay without a recording, rate and seconds only where it is a movie; with one, the size alone,
        which its one crop is scaled to
    """

    request: Request
    source: Path | None
    out: Path
    kinds: tuple[str, ...] = ()
    from_file: bool = False
    size: tuple[int, int] | None = None
    rate: Fraction | None = None
    seconds: Fraction | None = None
    overwrite: bool = False
    progress: Tell | None = None
    stage: Stage | None = field(default=None, init=False)
    info: Info | None = field(default=None, init=False)

    def run(self) -> list[Made]:
        """All results.

        Raises: Problem for what cannot be done; nothing half-written is left.
        """
        with ExitStack() as stack:
            recording = stack.enter_context(open_recording(self.source)) if self.source is not None else None
            self.info = None if recording is None else recording.info
            kinds = self.kinds or default_kinds(self.out, self.info, from_file=self.from_file)
            others = [kind for kind in kinds if kind != "overlay"]
            if recording is None and others:
                raise Problem(None, f"a {others[0]} needs a recording", "Name one, or make an --as overlay.")
            outputs = plan_outputs(kinds, self.request, self.source, self.info, self.out, from_file=self.from_file)
            timed = self.rate is not None or self.seconds is not None
            if recording is not None and timed:
                raise Problem(
                    self.source, "the recording says its own rate and length", "Leave --rate and --seconds out."
                )
            scaled = recording is not None and self.size is not None
            check_heard(self.request, outputs, self.source, scaled=scaled, timed=timed)
            if scaled:
                self._scale_one()
                outputs = plan_outputs(kinds, self.request, self.source, self.info, self.out, from_file=self.from_file)
            self.stage = self._stage()
            return _Run(self, recording, self.stage, outputs).all()

    def _scale_one(self) -> None:
        """Raises: Problem where there is not one crop alone, or a file has given it a size."""
        if len(self.request.deliveries) != 1:
            raise Problem(
                self.source,
                f"--size beside a recording scales one crop, and there are {len(self.request.deliveries)} windows",
                "Write a deliveries file, where each has its own size.",
            )
        (delivery,) = self.request.deliveries
        if delivery.size is not None:
            raise Problem(
                self.source, f"the deliveries file gives {delivery.name!r} a size already", "Leave --size out."
            )
        self.request = replace(self.request, deliveries=(replace(delivery, size=self.size),))

    def _stage(self) -> Stage:
        if self.info is not None:
            return stage_for(self.request, self.info)
        if self.size is None:
            raise Problem(
                None, "there is neither a recording nor a size", "Name a recording, or give --size 1920x1080."
            )
        return bare_stage(self.request, self.size)


class _Run:
    def __init__(self, job: Job, recording: Recording | None, stage: Stage, outputs: list[Output]) -> None:
        self.job, self.recording, self.stage = job, recording, stage
        self.info = job.info
        self.encoding = None if self.info is None else encoding_of(self.info, job.request)
        self.matrix = Matrix.BT709 if self.info is None else matrix_of(self.info)
        self.outputs = [self._settled(output) for output in outputs]
        self.made: dict[int, Made] = {}

    @property
    def passing(self) -> Pass:
        assert self.recording is not None
        return Pass(self.recording, self.stage, self.job.out, self.encoding, self.matrix)

    def _settled(self, output: Output) -> Output:
        """The output under its full name: a movie's suffix is its codec's."""
        if output.kind not in ("burn", "crop") or self.info is None:
            if output.kind == "sheet":
                check_sheet(output.path, len(self.job.request.deliveries))
            return output
        choice = self.passing.choice(output)
        suffix = suffix_of(choice, self.info)
        if output.path != self.job.out:
            return replace(output, path=output.path.with_name(output.path.name + suffix))
        if (self.info.kind == "movie" or output.single) and output.path.suffix.lower() != suffix:
            raise Problem(
                output.path,
                f"{choice.codec} is written to {choice.container} here ({choice.why})",
                f"Name it {output.path.with_suffix(suffix).name}, or choose another --codec.",
            )
        return output

    def all(self) -> list[Made]:
        files = recording_files(self.job.source) if self.job.source is not None else []
        claims = Claims([*files, *([self.job.source] if self.job.source else [])])
        waiting: list[tuple[int, Output]] = []
        for number, output in enumerate(self.outputs):
            claims.claim(output.path, self.job.source or output.path)
            done = whole_already(output.path, self._settings(output), self.job.source, overwrite=self.job.overwrite)
            if done is None:
                waiting.append((number, output))
            else:
                self.made[number] = Made(output, "whole already", "whole already, nothing done", done)
        if waiting:
            drawn(self.stage)  # what cannot be drawn is found now
            try:
                self._make(waiting)
            except Problem as problem:
                raise self._told_of(problem, [output for _, output in waiting]) from None
        return [self.made[number] for number in range(len(self.outputs))]

    def _told_of(self, problem: Problem, outputs: list[Output]) -> Problem:
        """The problem with the name that a person knows, where it speaks of the hidden file that we were writing."""
        for output in outputs:
            if problem.path == partial_of(output.path):
                return Problem(output.path, problem.found, problem.remedy)
        return problem

    def _make(self, waiting: list[tuple[int, Output]]) -> None:
        catcher = self._catcher() if any(output.kind == "sheet" for _, output in waiting) else None
        moving = [(number, output) for number, output in waiting if output.kind in ("burn", "crop")]
        rest = [(number, output) for number, output in waiting if output.kind not in ("burn", "crop")]
        finished: list[tuple[int, Output, dict[str, Any]]] = []
        folders: list[Path] = []
        try:
            for _, output in waiting:
                folders += make_folder(output.path.parent)
                discard(partial_of(output.path))
            frames = None if self.info is None else self.info.frames
            if moving:
                parts = self.passing.make([output for _, output in moving], catcher, self._tell)
                frames = parts[0]["frames"]
                finished += [(number, output, part) for (number, output), part in zip(moving, parts, strict=True)]
            for number, output in rest:
                self._tell(output.word, 0, None)
                if output.kind == "overlay":
                    part = self._overlay(output, frames)
                else:
                    part = self._sheet(output, catcher)
                finished.append((number, output, part))
            for number, output, part in finished:
                receipt = receipt_of(output, self.job.source, self._settings(output), part)
                publish(partial_of(output.path), output.path, receipt, overwrite=self.job.overwrite)
                self.made[number] = Made(output, "written", part["words"], receipt)
        finally:
            for _, output in waiting:
                with suppress(OSError):  # the first failure is the one to tell
                    discard(partial_of(output.path))
            remove_empty(folders)

    def _tell(self, doing: str, done: int, total: int | None) -> None:
        if self.job.progress:
            self.job.progress(doing, done, total)

    def _settings(self, output: Output) -> dict[str, Any]:
        job = self.job
        canvas = None if job.source is not None or job.size is None else Canvas(job.size, job.rate, job.seconds)
        return settings_of(output, job.request, canvas)

    def _catcher(self) -> Catcher:
        passing = self.passing
        return Catcher(passing.recording, passing.clock(), self.job.request.moment)

    def _overlay(self, output: Output, frames: int | None) -> dict[str, Any]:
        return write_overlay(
            partial_of(output.path), output, self.stage, self.recording,
            frames=frames, rate=self.job.rate, seconds=self.job.seconds, tell=self._tell,
        )  # fmt: skip

    def _sheet(self, output: Output, catcher: Catcher | None) -> dict[str, Any]:
        assert self.info is not None and catcher is not None
        caught: Caught = catcher.get()
        return write_sheet(
            partial_of(output.path),
            self.stage,
            self.info,
            caught,
            self.encoding,
            self.matrix,
            start_timecode(self.recording),
        )
