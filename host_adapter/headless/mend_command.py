"""`footroom mend`: turn a plan or options into jobs, run them, print what became of each."""

from __future__ import annotations

import json
import threading
from concurrent.futures import Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Any

from rich.progress import Progress
from rich.text import Text

from ...kernels.encoding import Range
from .errors import Problem
from .exits import INTERRUPTED, OK, PARTLY, WRONG
from .jobs import Claims, Job, find_sources
from .losses import loss_lines
from .mend import Bench, Outcome, mend
from .plan import Order, check_order, read_plan
from .publish import sole_writer
from .receipt import receipt_path
from .terminal import console, progress_bars


def run_mend(
    inputs: tuple[Path, ...],
    *,
    out: Path,
    plan: Path | None,
    remedy: str | None,
    source: str | None,
    target: str | None,
    dither: str | None,
    seed: int,
    depth: int | None,
    codec: str | None,
    profile: str | None,
    even_so: bool,
    jobs: int,
    report: Path | None = None,
    overwrite: bool,
    as_json: bool,
) -> int:
    """The sub-command; returns the exit code."""
    if report is not None:
        from .report.render import check_report

        check_report(report, (*inputs, *([plan] if plan else [])), overwrite=overwrite)
    if plan is not None:
        work = jobs_of_plan(read_plan(plan), plan, out)
        strangers: list[Path] = []
    else:
        assert remedy is not None
        sources, ignored = find_sources(inputs)
        strangers = [path for path in ignored if path in inputs]
        work = []
        for found in sources:
            order = Order(
                path=found.path,
                remedy=remedy,
                source=Range.parse(source) if source else None,
                target=_target(remedy, source, target),
                dither=dither,
                seed=seed,
                depth=depth,
                codec=codec,
                profile=profile,
                even_so=even_so,
            )
            check_order(order)
            work.append(Job(order, out / found.below))
    outcomes = run_jobs(work, out, jobs=jobs, overwrite=overwrite, survey_first=plan is None, quiet=as_json)
    outcomes += [Outcome(Order(path, "none"), "failed", f"{path.name}: not a recording.") for path in strangers]
    unreported = None
    if report is not None and any(outcome.state == "stopped" for outcome in outcomes):
        unreported = Problem(report, "the run was stopped before its end", "Run the same command again.")
    elif report is not None:
        from .report.hook import report_to
        from .report.mend_page import mend_page

        unreported = report_to(report, lambda done: mend_page(outcomes, done=done), overwrite=overwrite, quiet=as_json)
    if as_json:
        said: dict[str, Any] = {"results": [outcome.to_json() for outcome in outcomes]}
        if report is not None:
            said["report"] = str(report) if unreported is None else {"error": str(unreported)}
        print(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        print_outcomes(outcomes)
        if report is not None:
            from .report.hook import say_report

            say_report(report, unreported)
    return exit_code(outcomes) or (PARTLY if unreported else OK)


def jobs_of_plan(orders: list[Order], plan: Path, out: Path) -> list[Job]:
    """A plan's orders as jobs, each below the output folder as its recording lies below the plan's."""
    base = plan.parent.resolve()
    return [Job(order, out / _below(order.path, base)) for order in orders]


def _target(remedy: str, source: str | None, target: str | None) -> Range | None:
    if target is not None:
        return Range.parse(target)
    if source is None or remedy == "retag":
        return None
    if remedy == "undo":
        return None  # what the history says
    return Range.NARROW if source == "full" else Range.FULL


def _below(path: Path, base: Path) -> Path:
    """The folder of a plan's recording below the plan's own, so that two cards stay apart in the output too."""
    parent = path.resolve().parent
    return parent.relative_to(base) if parent.is_relative_to(base) else Path()


def exit_code(outcomes: list[Outcome]) -> int:
    """0 all done, 2 all failed, 3 some failed, 130 stopped."""
    if any(outcome.state == "stopped" for outcome in outcomes):
        return INTERRUPTED
    failed = sum(outcome.state == "failed" for outcome in outcomes)
    if not failed and outcomes:
        return OK
    return WRONG if failed == len(outcomes) else PARTLY


def run_jobs(
    work: list[Job],
    out: Path,
    *,
    jobs: int = 1,
    overwrite: bool = False,
    survey_first: bool = False,
    quiet: bool = False,
) -> list[Outcome]:
    """Run jobs, some at once, in one output folder; outcomes in the order of the jobs."""
    if not work:
        return []
    stop = threading.Event()
    bench = Bench(Claims(job.order.path for job in work), overwrite, survey_first, stop)
    with sole_writer(out), progress_bars(quiet=quiet) as bars, ThreadPoolExecutor(jobs) as pool:
        futures = [pool.submit(_run, job, bench, bars) for job in work]
        try:
            while wait(futures, timeout=0.2).not_done:
                pass
        except KeyboardInterrupt:
            stop.set()
            for future in futures:
                future.cancel()
            wait(futures)
        return [_outcome(job, future) for job, future in zip(work, futures, strict=True)]


def _outcome(job: Job, future: Future[Outcome]) -> Outcome:
    if future.cancelled():
        return Outcome(job.order, "stopped", "not begun")
    return future.result()


def _run(job: Job, bench: Bench, bars: Progress) -> Outcome:
    if bench.stopped():
        return Outcome(job.order, "stopped", "not begun")
    task = bars.add_task(job.order.path.name, total=None)

    def show(doing: str, done: int, total: int | None) -> None:
        bars.update(task, description=f"{doing} {job.order.path.name}", completed=done, total=total)

    try:
        return mend(job, bench, show)
    finally:
        bars.remove_task(task)


def print_outcomes(outcomes: list[Outcome]) -> None:
    """One line each, with what was lost or could not be carried below it; failures go to the error stream."""
    screen, errors = console(), console(stderr=True)
    for outcome in outcomes:
        if outcome.state == "failed":
            errors.print(Text(f"footroom: {outcome.words}"), soft_wrap=True)
            continue
        head = Text.assemble((outcome.order.path.name, "bold"), f": {outcome.words}")
        screen.print(head, soft_wrap=True)
        if outcome.result is not None:
            screen.print(Text(f"  -> {outcome.result}"), soft_wrap=True)
        lost = loss_lines((outcome.receipt or {}).get("lost"))
        for line in lost or (["nothing"] if outcome.receipt else []):
            screen.print(Text(f"  lost: {line}"), soft_wrap=True)
        for item in (outcome.receipt or {}).get("uncarried", []):
            screen.print(Text(f"  NOT CARRIED: {item}", style="bold"), soft_wrap=True)
    made = [outcome for outcome in outcomes if outcome.state == "written" and outcome.result is not None]
    if made and made[0].result is not None:
        screen.print(
            Text(f"\nEach result has its receipt beside it, such as {receipt_path(made[0].result).name}."),
            soft_wrap=True,
        )
        screen.print(Text("Look at the results before you part with an original."), soft_wrap=True)
