"""`footroom timeline`: survey the clips of an Editing Services project, mend them by effects, write project and render."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.text import Text

from ..gstreamer.needed import Source, description_for
from ..gstreamer.xges import read_project
from .errors import Problem
from .exits import FOUND, OK, PARTLY
from .publish import discard, partial_of, publish, system_problem
from .receipt import RECEIPT_VERSION, fingerprint, program_version
from .remedy import FINISHED
from .survey import Record, survey_all
from .terminal import console, plain, progress_bars, reasons, survey_table

if TYPE_CHECKING:
    from ..gstreamer.needed import Signal
    from ..gstreamer.timeline import Put, Timeline

BINDINGS = "footroom host gstreamer --check says what to install."


@dataclass(slots=True)
class Report:
    """What was found and done.

    records : surveys by file; failed : files that could not be surveyed, with the reason
    left : clips' files that are left alone although something is wrong with them, with the reason
    changed : what the framework itself does to codes in the render, in words
    """

    records: dict[Path, Record] = field(default_factory=dict)
    failed: dict[Path, str] = field(default_factory=dict)
    left: dict[Path, str] = field(default_factory=dict)
    puts: list[Put] = field(default_factory=list)
    signal: Signal | None = None
    saved: Path | None = None
    render: Path | None = None
    changed: list[str] = field(default_factory=list)
    mended: bool = False

    @property
    def code(self) -> int:
        """Exit code: files that failed come before findings, which count where they were not mended."""
        if self.failed:
            return PARTLY
        wrong = [path for path, record in self.records.items() if record.agrees is False]
        return FOUND if (self.left or (wrong and not self.mended)) else OK


def run_timeline(
    project: Path,
    *,
    survey: bool,
    mend: bool,
    out: Path | None,
    save: Path | None,
    frames: int,
    curve: str | None,
    profile: str | None,
    dither: str,
    seed: int,
    even_so: bool,
    overwrite: bool,
    as_json: bool,
) -> int:
    """The sub-command; returns the exit code.

    Raises: Problem.
    """
    if save is not None and not mend:
        raise Problem(None, "--save names the mended project, and nothing is to be mended", "Add --mend.")
    file = read_project(project)
    target = (save or project.with_name(f"{project.stem}.footroom.xges")) if mend else None
    _check_targets(file, target, out, overwrite)
    if mend or out is not None:
        _framework()  # said before the work, not after it
    report = Report()
    if survey or mend or out is None:
        _survey(file.pictures, report, frames, curve, profile, quiet=as_json)
    if mend or out is not None:
        _work(project, target, out, report, dither, seed, even_so=even_so, overwrite=overwrite, quiet=as_json)
    if as_json:
        print(json.dumps(_to_json(project, report), indent=2, ensure_ascii=False))
    else:
        _print(report)
    return report.code


def _framework() -> Any:
    try:
        from ..gstreamer import render, timeline
    except (ImportError, ValueError) as error:
        raise Problem(None, f"GStreamer's Editing Services are not there for this Python ({error})", BINDINGS) from None
    return timeline, render


def _check_targets(file: Any, save: Path | None, out: Path | None, overwrite: bool) -> None:
    """Nothing of the project's own may be written over.

    Raises: Problem.
    """
    inputs = {file.path.resolve(), *(clip.path.resolve() for clip in file.clips if clip.path is not None)}
    for target, option, suffix in ((save, "--save", ".xges"), (out, "--out", ".mkv")):
        if target is None:
            continue
        if target.suffix.lower() != suffix:
            raise Problem(target, f"{option} writes {suffix} files", f"Name it {target.with_suffix(suffix).name}.")
        if target.resolve() in inputs:
            raise Problem(target, f"{option} would write over the project or one of its clips", "Choose another name.")
        if target.is_dir():
            raise Problem(target, f"{option} names a folder", "Name a file.")
        if target.exists() and not overwrite:
            raise Problem(target, "there is a file of this name", "Choose another name, or add --overwrite.")
        if not target.parent.is_dir():
            raise Problem(target, f"there is no folder {target.parent}", "Make it, or choose another.")
        if not os.access(target.parent, os.W_OK):
            words = f"nothing may be written to {target.parent}"
            raise Problem(target, words, "Check its rights, or choose another folder.")


def _survey(
    paths: list[Path], report: Report, frames: int, curve: str | None, profile: str | None, *, quiet: bool
) -> None:
    with progress_bars(quiet=quiet) as bars:
        task = bars.add_task("survey", total=len(paths))
        for path, answer in survey_all(paths, frames=frames, curve=curve, profile=profile):
            if isinstance(answer, Problem):
                report.failed[path] = str(answer)
            else:
                report.records[path] = answer
            bars.update(task, advance=1, description=f"survey {path.name}")


def _work(
    project: Path, save: Path | None, out: Path | None, report: Report, dither: str, seed: int, *,
    even_so: bool, overwrite: bool, quiet: bool,
) -> None:  # fmt: skip
    framework, rendering = _framework()
    timeline = framework.Timeline(project)
    try:
        if save is not None:
            _mend(timeline, report, dither, seed, even_so=even_so)
            timeline.save(save)
            report.saved = save
        if out is not None:
            _render(rendering, timeline, project, out, report, overwrite=overwrite, quiet=quiet)
    except OSError as error:
        raise system_problem(out or project, error) from None


def _mend(timeline: Timeline, report: Report, dither: str, seed: int, *, even_so: bool) -> None:
    timeline.check_no_second_change()
    sources = {path: _source(record, report, even_so) for path, record in report.records.items()}
    report.signal = timeline.signal(sources)
    for clip, path in list(timeline.picture_clips()):
        if path in sources and path not in report.left:
            wanted = description_for(sources[path], report.signal, dither, seed)
            put = timeline.put(clip, path, wanted)
            if put is not None:
                report.puts.append(put)
    timeline.pin(report.signal)
    report.mended = True


def _source(record: Record, report: Report, even_so: bool) -> Source:
    """What a file's codes are taken for: what the survey finds, or, where that is open, what the file itself says."""
    info, found = record.info, record.finding.finding
    codes = record.trusted if found is None else found
    if record.agrees is False and record.profile in FINISHED and record.remedy.name == "ask" and not even_so:
        report.left[info.path] = record.why[-1]
    elif found is None and record.remedy.name == "ask":
        report.left[info.path] = f"its codes speak against its flag, but not enough; {record.finding.settle}"
    silent = info.tag.container is None and info.tag.stream is None
    return Source(info.depth, info.model, info.sampling, None if info.depth is None else codes, record.trusted, silent)


def _render(
    rendering: Any, timeline: Timeline, project: Path, out: Path, report: Report, *, overwrite: bool, quiet: bool
) -> None:
    partial = partial_of(out)
    discard(partial)
    try:
        with progress_bars(quiet=quiet) as bars:
            task = bars.add_task(f"render {out.name}", total=1.0)
            report.changed = rendering.render(timeline, partial, lambda done: bars.update(task, completed=done))
        written = _read_back(partial, timeline)
        receipt = {
            "receipt": RECEIPT_VERSION,
            "footroom": program_version(),
            "made": datetime.now(UTC).isoformat(timespec="seconds"),
            "input": {"path": str(project), **fingerprint([project])},
            "output": {"path": out.name, **fingerprint([partial]), **written},
            "parameters": {"effects": [_put_json(put) for put in report.puts]},
            "done": f"timeline rendered, {written['frames']} frames",
            "framework_changed": report.changed,
        }
        publish(partial, out, receipt, overwrite=overwrite)
        report.render = out
    finally:
        discard(partial)


def _read_back(path: Path, timeline: Timeline) -> dict[str, Any]:
    """What was written, read by another library; all frames of the timeline must be there.

    Raises: Problem.
    """
    from .opening import open_recording

    with open_recording(path) as recording:
        info = recording.info
        frames = sum(1 for _ in recording.frames())
    expected = None if info.rate is None else round(timeline.timeline.get_duration() * info.rate / 10**9)
    if expected is not None and frames != expected:
        raise Problem(path, f"the render holds {frames} frames and the timeline {expected}", "Please report this.")
    return {
        "frames": frames, "codec": info.codec, "pixel_format": info.pixel_format, "width": info.width,
        "height": info.height, "flag": info.tag.trusted.label,
    }  # fmt: skip


def _put_json(put: Put) -> dict[str, str]:
    return {"clip": put.clip, "path": str(put.path), "effect": put.description, "state": put.state}


def _to_json(project: Path, report: Report) -> dict[str, Any]:
    signal = report.signal
    return {
        "project": str(project),
        "recordings": [record.to_json() for record in report.records.values()],
        "failed": [{"path": str(path), "error": error} for path, error in report.failed.items()],
        "left_alone": [{"path": str(path), "why": why} for path, why in report.left.items()],
        "pinned": None if signal is None else {"format": signal.format, "colorimetry": signal.colorimetry},
        "effects": [_put_json(put) for put in report.puts],
        "saved": None if report.saved is None else str(report.saved),
        "render": None if report.render is None else str(report.render),
        "framework_changed": report.changed,
    }


def _print(report: Report) -> None:
    screen, errors = console(), console(stderr=True)
    records: list[Mapping[str, Any]] = [record.to_json() for record in report.records.values()]
    for record in records:
        reasons(screen, record)
    if records:
        screen.print()
        screen.print(survey_table(records))
    if report.signal is not None:
        screen.print(Text(f"pinned: {report.signal.format}, colorimetry {report.signal.colorimetry}"))
    for put in report.puts:
        words = f"{put.state}: {put.description}" if put.state != "removed" else "its range effect removed, not needed"
        screen.print(Text.assemble((f"{put.clip} ({put.path.name})", "bold"), f" {words}"), soft_wrap=True)
    for path, why in report.left.items():
        screen.print(Text.assemble((f"{path.name} left alone", "bold"), f": {why}"), soft_wrap=True)
    for change in report.changed:
        more = "" if report.mended else "; --mend puts our effect in its place"
        screen.print(Text(f"GStreamer itself converts {change}, inexactly{more}"), soft_wrap=True)
    for target in (report.saved, report.render):
        if target is not None:
            screen.print(Text(f"-> {target}"), soft_wrap=True)
    for error in report.failed.values():
        errors.print(f"footroom: {plain(error)}", soft_wrap=True)
