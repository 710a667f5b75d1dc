"""`footroom frame`: options into a request, and the job with its progress; `frame_report.py` says what came of it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from ...kernels.encoding import Range
from ..wanted import Placed, read_grid, read_rate, read_safe, read_size, read_squeeze, read_window
from .delivery.files import check_free, check_names, read_deliveries, read_path
from .delivery.job import Job, Made
from .delivery.request import Delivery, Request
from .errors import Problem
from .exits import OK
from .frame_report import frame_record, print_frame
from .publish import sole_writer, system_problem
from .terminal import progress_bars

T = TypeVar("T")


def run_frame(
    source: Path | None,
    *,
    out: Path,
    kinds: tuple[str, ...],
    windows: tuple[str, ...],
    grids: tuple[str, ...],
    safes: tuple[str, ...],
    centre: bool,
    squeeze: str | None,
    desqueeze: bool,
    even: bool,
    shade: float | None,
    label: bool,
    path: Path | None,
    deliveries: Path | None,
    assume: str | None,
    codec: str | None,
    at: float | None,
    size: str | None,
    rate: str | None,
    seconds: float | None,
    overwrite: bool,
    as_json: bool,
) -> int:
    """The sub-command; returns the exit code.

    Raises: Problem.
    """
    request = Request(
        deliveries=_deliveries(windows, path, deliveries),
        grids=tuple(_read("--grid", read_grid, text) for text in grids),
        safes=_areas(safes),
        centre=centre,
        squeeze=None if squeeze is None else _read("--squeeze", read_squeeze, squeeze),
        desqueeze=desqueeze,
        even=even,
        shade=(shade or 0) / 100,
        labels=label,
        assume=None if assume is None else Range.parse(assume),
        codec=codec,
        moment=_seconds("--at", at),
    )
    _check(request, kinds)
    job = Job(
        request, source, out, tuple(dict.fromkeys(kinds)), deliveries is not None,
        None if size is None else _read("--size", read_size, size),
        None if rate is None else _read("--rate", read_rate, rate),
        _seconds("--seconds", seconds), overwrite,
    )  # fmt: skip
    made = _run(job, quiet=as_json)
    assert job.stage is not None
    if as_json:
        print(json.dumps(frame_record(job, job.stage, made), indent=2, ensure_ascii=False))
    else:
        print_frame(job, job.stage, made)
    return OK


def _read(option: str, reader: Callable[[str], T], text: str) -> T:
    try:
        return reader(text)
    except ValueError as error:
        raise Problem(None, f"{option}: {error}") from None


def _seconds(option: str, value: float | None) -> Fraction | None:
    if value is None:
        return None
    if not math.isfinite(value):
        raise Problem(None, f"{option}: {value} is no number of seconds")
    return Fraction(str(value))


def _areas(safes: tuple[str, ...]) -> tuple[Placed, ...]:
    return tuple(_read("--safe", read_safe, text) for text in safes)


def _deliveries(windows: tuple[str, ...], path: Path | None, file: Path | None) -> tuple[Delivery, ...]:
    """From --window and --path, or from the file.

    Raises: Problem where both say windows, or a path has no window of its own.
    """
    if file is not None:
        if windows or path is not None:
            raise Problem(
                None, "the deliveries file says the windows and their paths", "Leave --window and --path out."
            )
        return read_deliveries(file)
    made = tuple(Delivery(_read("--window", read_window, text)) for text in windows)
    check_names(made)
    if path is not None:
        if len(made) != 1:
            raise Problem(
                path,
                f"a path moves one window, and there are {len(made)}",
                "Name one --window, or write a deliveries file where each has its own path.",
            )
        check_free(made[0].wanted, path)
        made = (replace(made[0], path=read_path(path)),)
    return made


def _check(request: Request, kinds: tuple[str, ...]) -> None:
    guides = request.deliveries or request.grids or request.safes or request.centre
    if not guides and kinds != ("sheet",):
        raise Problem(None, "there is nothing to draw", "Name a --window, --grid, --safe or --centre.")
    if request.shade and not request.deliveries:
        raise Problem(None, "--shade darkens what lies outside all windows, and there is none", "Name a --window.")


def _run(job: Job, *, quiet: bool) -> list[Made]:
    """The job with its progress bars; the folder of its results is held meanwhile."""
    folder = job.out if job.out.is_dir() else job.out.parent
    try:
        with sole_writer(folder), progress_bars(quiet=quiet) as bars:
            task = bars.add_task("frame", total=None)

            def show(doing: str, done: int, total: int | None) -> None:
                bars.update(task, description=doing, completed=done, total=total)

            job.progress = show
            return job.run()
    except (OSError, MemoryError) as error:
        raise system_problem(_concerned(job, error), error) from None


def _concerned(job: Job, error: OSError | MemoryError) -> Path:
    """What the system refused: the recording where it names that, or memory for its frames; else what was to be written."""
    named = isinstance(error, MemoryError) or str(error.filename) == str(job.source)
    return job.source if job.source is not None and named else job.out
