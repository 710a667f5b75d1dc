"""`footroom frame`: options into a request, the job with its progress, and the report in words or as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

from rich.text import Text

from ...kernels.encoding import Range
from ..wanted import Placed, read_grid, read_rate, read_safe, read_size, read_squeeze, read_window
from .command import OK
from .delivery.files import check_free, check_names, read_deliveries, read_path
from .delivery.job import Job, Made
from .delivery.request import Delivery, Request
from .delivery.stage import Stage, common_report, window_report
from .errors import Problem
from .publish import sole_writer, system_problem
from .receipt import receipt_path
from .terminal import console, plain_table, progress_bars

T = TypeVar("T")
Record = dict[str, Any]

CAUTION = (
    "Burns and overlays carry guides: they are for looking at, not for delivery. Sizes and safe areas are the house's or "
    "the broadcaster's to decide."
)


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
    canvas = None if size is None else _read("--size", read_size, size)
    if canvas is not None and source is not None:
        request = _sized(request, canvas)
        canvas = None
    job = Job(
        request, source, out, tuple(dict.fromkeys(kinds)), deliveries is not None, canvas,
        None if rate is None else _read("--rate", read_rate, rate),
        _seconds("--seconds", seconds), overwrite,
    )  # fmt: skip
    made = _run(job, quiet=as_json)
    assert job.stage is not None
    if as_json:
        print(json.dumps(_record(job, job.stage, made), indent=2, ensure_ascii=False))
    else:
        _print(job, job.stage, made)
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


def _sized(request: Request, size: tuple[int, int]) -> Request:
    """--size beside a recording is the size of its one crop."""
    if len(request.deliveries) != 1:
        raise Problem(
            None,
            f"--size beside a recording scales one crop, and there are {len(request.deliveries)} windows",
            "Write a deliveries file, where each has its own size.",
        )
    return replace(request, deliveries=(replace(request.deliveries[0], size=size),))


def _check(request: Request, kinds: tuple[str, ...]) -> None:
    guides = request.deliveries or request.grids or request.safes or request.centre
    if not guides and kinds != ("sheet",):
        raise Problem(None, "there is nothing to draw", "Name a --window, --grid, --safe or --centre.")
    if request.shade and not request.deliveries:
        raise Problem(None, "--shade darkens what lies outside the windows, and there is none", "Name a --window.")


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
        raise system_problem(job.source or job.out, error) from None


def _record(job: Job, stage: Stage, made: list[Made]) -> Record:
    source, picture = stage.source, stage.picture
    return {
        "input": None if job.source is None else str(job.source),
        "picture": {
            "width": source.width, "height": source.height, "pixel_aspect": float(source.aspect),
            "displayed_ratio": round(float(source.ratio), 5), "made_in": [picture.width, picture.height],
        },
        "windows": [window_report(stage, delivery) for delivery in job.request.deliveries],
        "common_area": common_report(stage),
        "notes": list(stage.notes),
        "results": [
            {
                "as": one.output.kind,
                "of": None if one.output.delivery is None else one.output.delivery.name,
                "path": str(one.output.path),
                "state": one.state,
                "words": one.words,
                "receipt": str(receipt_path(one.output.path)),
                "uncarried": one.receipt.get("uncarried", []),
            }
            for one in made
        ],
    }  # fmt: skip


def _print(job: Job, stage: Stage, made: list[Made]) -> None:
    screen = console()
    if job.request.deliveries:
        screen.print(_table(stage, job.request.deliveries))
    common = common_report(stage)
    if common is not None:
        words = f"{common['width']} x {common['height']} at {common['x']}, {common['y']}"
        screen.print(Text(f"common area: {words}, {common['kept_percent']:.1f} % of the picture"))
    elif len(job.request.deliveries) > 1:
        screen.print(Text("common area: none; no pixel is in every window", style="bold"))
    for note in (*stage.notes, *_held(stage, job.request.deliveries)):
        screen.print(Text(note))
    for one in made:
        screen.print(Text.assemble((one.output.word, "bold"), f": {one.words}"), soft_wrap=True)
        screen.print(Text(f"  -> {one.output.path}"), soft_wrap=True)
        for item in one.receipt.get("uncarried", []):
            screen.print(Text(f"  NOT CARRIED: {item}", style="bold"), soft_wrap=True)
    if any(one.output.kind in ("burn", "overlay") for one in made):
        screen.print(Text(f"\n{CAUTION}"))


def _table(stage: Stage, deliveries: tuple[Delivery, ...]) -> Any:
    table = plain_table()
    for heading in ("window", "x", "y", "width", "height", "keeps", "ratio", "rounding"):
        table.add_column(
            heading, justify="left" if heading in ("window", "rounding") else "right", no_wrap=heading != "rounding"
        )
    for delivery in deliveries:
        report = window_report(stage, delivery)
        moves = " (moves; here at the start)" if report["moves"] else ""
        table.add_row(
            Text(report["name"] + moves), str(report["x"]), str(report["y"]), str(report["width"]), str(report["height"]),
            f"{report['kept_percent']:.1f} %", f"{report['ratio']:.4g}", rounding_words(report["rounding"]),
        )  # fmt: skip
    return table


def rounding_words(rounding: dict[str, float]) -> str:
    """What rounding to whole samples did, in pixels of the recording."""
    names = {
        "wider": ("wider", "narrower"),
        "higher": ("higher", "lower"),
        "right": ("right", "left"),
        "down": ("down", "up"),
    }
    words = [f"{abs(value):.3g} {names[key][value < 0]}" for key, value in rounding.items() if abs(value) >= 0.005]
    return ", ".join(words) or "none"


def _held(stage: Stage, deliveries: tuple[Delivery, ...]) -> list[str]:
    notes = []
    for delivery in deliveries:
        held = [] if delivery.path is None else delivery.path.held_in(delivery.wanted, stage.picture)
        if held:
            keys = ", ".join(map(str, held))
            notes.append(
                f"window {delivery.name}: key {keys} would push it over the picture's edge; it stops at the edge"
            )
    return notes
