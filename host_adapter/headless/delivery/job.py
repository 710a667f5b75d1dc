"""One recording, all its results: burn and crops in one pass over it, then overlays and the sheet; each whole or absent."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from ....kernels.encoding import Encoding
from ....kernels.matrix import Matrix
from ..change import Kept
from ..codecs import CodecChoice, choose_codec
from ..errors import Problem
from ..jobs import Claims
from ..media import Frame, Info, Plane, Recording, Written
from ..opening import open_recording, recording_files
from ..publish import discard, make_folder, partial_of, publish, remove_empty, whole_already
from ..receipt import RECEIPT_VERSION, fingerprint, members, program_version
from ..sheet import check_sheet
from ..verify import verify_scaled
from ..viewing import matrix_of
from ..writing import Result, transform_all
from .makers import Clock, Cutter, Desqueezed, Painter, clock_of, drawn, first_frame, written_encoding
from .outputs import Output, default_kinds, encoding_of, plan_outputs, suffix_of
from .overlays import write_overlay
from .request import Request
from .showing import Catcher, Caught, write_sheet
from .stage import Stage, bare_stage, stage_for

Progress = Callable[[str, int, int | None], None]


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
    size, rate, seconds : of an overlay without a recording; rate and seconds only where it is a movie
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
    progress: Progress | None = None
    stage: Stage | None = field(default=None, init=False)
    info: Info | None = field(default=None, init=False)

    def run(self) -> list[Made]:
        """All results.

        Raises: Problem for what cannot be done; nothing half-written is left.
        """
        with ExitStack() as stack:
            recording = stack.enter_context(open_recording(self.source)) if self.source is not None else None
            self.info = None if recording is None else recording.info
            self.stage = self._stage()
            kinds = self.kinds or default_kinds(self.out, self.info, from_file=self.from_file)
            if recording is None and set(kinds) - {"overlay"}:
                raise Problem(None, f"a {kinds[0]} needs a recording", "Name one, or make an --as overlay.")
            outputs = plan_outputs(kinds, self.request, self.source, self.info, self.out, from_file=self.from_file)
            return _Run(self, recording, self.stage, outputs).all()

    def _stage(self) -> Stage:
        if self.info is not None:
            if self.size is not None or self.rate is not None or self.seconds is not None:
                raise Problem(
                    self.source,
                    "the recording says its own size, rate and length",
                    "Leave --size, --rate and --seconds out.",
                )
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

    def _settled(self, output: Output) -> Output:
        """The output under its full name: a movie's suffix is its codec's."""
        if output.kind not in ("burn", "crop") or self.info is None:
            if output.kind == "sheet":
                check_sheet(output.path, len(self.job.request.deliveries))
            return output
        choice = self._choice(output)
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

    def _result_info(self, output: Output) -> Info:
        """The source's facts with the result's size and pixel aspect."""
        assert self.info is not None
        info = self.info
        if output.kind == "crop":
            assert output.delivery is not None
            (columns, rows), aspect, _ = self.stage.crop_size(output.delivery)
        else:
            columns, rows = self.stage.picture.width, self.stage.picture.height
            aspect = self.stage.picture.aspect
        container = info.container
        if info.kind == "movie" and output.path == self.job.out and output.path.suffix:
            container = {"m4v": "mp4", "mkv": "mkv"}.get(output.path.suffix[1:].lower(), output.path.suffix[1:].lower())
        return replace(info, width=columns, height=rows, aspect=aspect, container=container)

    def _choice(self, output: Output) -> CodecChoice:
        info = self._result_info(output)
        return choose_codec(info, depth=info.depth or 0, remedy="rescale", codec=self.job.request.codec)

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
                parts = self._pass([output for _, output in moving], catcher)
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
                receipt = self._receipt(output, part)
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

    def _clock(self) -> Clock:
        assert self.recording is not None and self.info is not None
        return clock_of(self.info, first_frame(self.recording))

    def _catcher(self) -> Catcher:
        assert self.recording is not None
        return Catcher(self.recording, self._clock(), self.job.request.moment)

    def _pass(self, outputs: list[Output], catcher: Catcher | None) -> list[dict[str, Any]]:
        """Burn and crops: the source decoded once, every result verified by reading it back."""
        assert self.recording is not None and self.info is not None
        info, clock = self.info, self._clock()
        results: list[Result] = []
        kept: list[Kept] = []
        choices: list[CodecChoice] = []
        for output in outputs:
            choice = self._choice(output)
            flagged = self._flagged(choice)
            keep = Kept(info.frames, lossless=choice.lossless)
            process = self._process(output, choice, clock, keep, catcher if not results else None)
            results.append(Result(partial_of(output.path), self._result_info(output), flagged, choice, process))
            kept.append(keep)
            choices.append(choice)
        doing = "burn and crops" if len(outputs) > 1 else outputs[0].word
        written = transform_all(self.recording, results, progress=lambda done: self._tell(doing, done, info.frames))
        parts = []
        for output, result, keep, choice, one in zip(outputs, results, kept, choices, written, strict=True):
            verified = verify_scaled(
                result.target,
                keep,
                one.frames,
                result.encoding.range,
                lambda done: self._tell("verify", done, info.frames),
            )
            if output.single:
                _lift_out(result.target)
            parts.append(self._part(output, result, choice, one, verified))
        return parts

    def _flagged(self, choice: CodecChoice) -> Encoding:
        """The encoding of a result with the range that its file is to say: the source's own flag, which framing leaves alone."""
        assert self.info is not None
        return Encoding(self.info.depth or 16, self.info.tag.trusted, self.info.model)

    def _process(
        self, output: Output, choice: CodecChoice, clock: Clock, keep: Kept, catcher: Catcher | None
    ) -> Callable[[Frame, tuple[Plane, ...]], None]:
        assert self.info is not None
        info, source = self.info, self.encoding
        written = written_encoding(info, source, choice)
        if output.kind == "crop":
            assert output.delivery is not None
            cutter = Cutter(self.stage, output.delivery, info)

            def fill(frame: Frame, targets: tuple[Plane, ...]) -> None:
                cutter.cut(frame.planes, targets, source, written, clock(frame))
        else:
            painter = Painter(self.stage, info, source, self.matrix)
            squarer = Desqueezed(self.stage, info) if self.stage.resampled else None

            def fill(frame: Frame, targets: tuple[Plane, ...]) -> None:
                planes = frame.planes if squarer is None else squarer.apply(frame.planes, source)
                painter.paint(planes, targets, written, clock(frame))

        def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
            if catcher is not None:
                catcher.offer(frame)
            fill(frame, targets)
            keep.add(frame, targets)

        return process

    def _part(
        self, output: Output, result: Result, choice: CodecChoice, written: Written, verified: dict[str, Any]
    ) -> dict[str, Any]:
        info = result.info
        coded = "every code kept" if written.lossless else "lossy"
        scaled = (
            " resampled,"
            if output.kind == "crop" and output.delivery and self.stage.crop_size(output.delivery)[2]
            else ""
        )
        return {
            "words": f"{info.width}x{info.height},{scaled} {written.frames} frames, written as {written.codec} ({coded})",
            "frames": written.frames,
            "output": {
                "codec": written.codec, "pixel_format": written.pixel_format, "lossless_codec": written.lossless,
                "why_this_codec": choice.why, "options": dict(choice.options), "width": info.width, "height": info.height,
            },
            "carried": list(written.carried), "uncarried": list(written.uncarried), "verified": verified,
        }  # fmt: skip

    def _overlay(self, output: Output, frames: int | None) -> dict[str, Any]:
        return write_overlay(
            partial_of(output.path), output, self.stage, self.recording,
            frames=frames, rate=self.job.rate, seconds=self.job.seconds, tell=self._tell,
        )  # fmt: skip

    def _sheet(self, output: Output, catcher: Catcher | None) -> dict[str, Any]:
        assert self.info is not None and catcher is not None
        caught: Caught = catcher.get()
        return write_sheet(partial_of(output.path), self.stage, self.info, caught, self.encoding, self.matrix)

    def _settings(self, output: Output) -> dict[str, Any]:
        """What decides a result: another wish for one kind leaves the others whole."""
        request = self.job.request
        deliveries = request.deliveries if output.delivery is None else (output.delivery,)
        settings: dict[str, Any] = {
            "as": output.kind,
            "windows": [repr(delivery) for delivery in deliveries],
            "squeeze": None if request.squeeze is None else str(request.squeeze),
            "desqueeze": request.desqueeze,
            "even": request.even,
        }
        if output.kind != "crop":
            settings |= {
                "guides": [repr(each) for each in (*request.grids, *request.safes)],
                "centre": request.centre, "shade": request.shade, "label": request.labels,
            }  # fmt: skip
        if output.kind in ("burn", "crop"):
            settings["codec"] = request.codec
        if output.kind in ("burn", "sheet"):
            settings["assume"] = None if request.assume is None else request.assume.label
        if output.kind == "sheet":
            settings["at"] = None if request.moment is None else str(request.moment)
        if self.job.source is None:
            asked = (self.job.size, self.job.rate, self.job.seconds)
            settings["canvas"] = [None if each is None else str(each) for each in asked]
        return settings

    def _receipt(self, output: Output, part: dict[str, Any]) -> dict[str, Any]:
        source = self.job.source
        return {
            "receipt": RECEIPT_VERSION,
            "footroom": program_version(),
            "made": datetime.now(UTC).isoformat(timespec="seconds"),
            "input": None if source is None else {"path": str(source), **fingerprint(recording_files(source))},
            "output": {"path": output.path.name, **fingerprint(members(partial_of(output.path))), **part["output"]},
            "parameters": self._settings(output),
            "done": part["words"],
            "carried": part.get("carried", []),
            "uncarried": part.get("uncarried", []),
            "verified": part.get("verified"),
        }


def _lift_out(target: Path) -> None:
    """A folder of one still becomes that still."""
    (only,) = target.iterdir()
    aside = target.with_name(target.name + ".one")
    only.rename(aside)
    target.rmdir()
    aside.rename(target)
