"""`footroom survey`: find the recordings, survey each, print or write what was found."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import Problem
from .exits import FOUND, OK, PARTLY, WRONG
from .jobs import find_sources
from .plan import write_plan
from .terminal import console, plain, progress_bars, reasons, survey_table

if TYPE_CHECKING:
    from .report.page import Page
    from .report.survey_page import Gallery
    from .survey import Record


def list_curves() -> None:
    """Print the log curves that colour-science registers."""
    from .curves import keys

    for key in keys():
        print(key)


def survey_inputs(
    inputs: tuple[Path, ...] | list[Path],
    *,
    frames: int = 24,
    curve: str | None = None,
    profile: str | None = None,
    quiet: bool = False,
    see: Callable[[Record], None] | None = None,
) -> tuple[list[dict[str, Any]], list[dict[str, str]]]:
    """Survey everything that the inputs hold.

    see : called with each record while its evidence is at hand
    Returns: the records, and what failed as {"path", "error"}.
    """
    from .survey import survey_all

    sources, ignored = find_sources(inputs)
    failed = [{"path": str(path), "error": "not a recording"} for path in ignored if path in inputs]
    records: list[dict[str, Any]] = []
    with progress_bars(quiet=quiet) as bars:
        task = bars.add_task("survey", total=len(sources))
        paths = [source.path for source in sources]
        for path, answer in survey_all(paths, frames=frames, curve=curve, profile=profile):
            if isinstance(answer, Problem):
                failed.append({"path": str(path), "error": str(answer)})
            else:
                records.append(answer.to_json())
                if see is not None:
                    see(answer)
            bars.update(task, advance=1, description=f"survey {path.name}")
    return records, failed


def run_survey(
    inputs: tuple[Path, ...],
    *,
    frames: int,
    curve: str | None,
    profile: str | None,
    plan: Path | None,
    report: Path | None = None,
    overwrite: bool,
    as_json: bool,
) -> int:
    """The sub-command; returns the exit code."""
    if plan is not None and plan.exists() and not overwrite:  # said before the work, not after it
        raise Problem(plan, "this plan exists and may hold somebody's edits", "Name another file, or add --overwrite.")
    gallery = None
    if report is not None:
        from .report.render import check_report
        from .report.survey_page import Gallery

        check_report(report, (*inputs, *([plan] if plan else [])), overwrite=overwrite)
        gallery = Gallery()
    records, failed = survey_inputs(inputs, frames=frames, curve=curve, profile=profile, quiet=as_json, see=gallery)
    if plan is not None and records:
        write_plan(plan, records, overwrite=overwrite)
    unreported = None
    if report is not None and gallery is not None:
        unreported = _report(report, records, failed, gallery, frames, overwrite=overwrite, quiet=as_json)
    if as_json:
        said: dict[str, Any] = {"recordings": records, "failed": failed}
        if report is not None:
            said["report"] = str(report) if unreported is None else {"error": str(unreported)}
        print(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        _print(records, failed, plan)
        if report is not None:
            from .report.hook import say_report

            say_report(report, unreported)
    if not records:
        return WRONG
    if failed or unreported:
        return PARTLY
    return FOUND if any(record["agrees"] is False for record in records) else OK


def _report(
    path: Path,
    records: list[dict[str, Any]],
    failed: list[dict[str, str]],
    gallery: Gallery,
    frames: int,
    *,
    overwrite: bool,
    quiet: bool,
) -> Problem | None:
    from .report.hook import report_to
    from .report.survey_page import survey_page

    def make(done: Callable[[str], None]) -> Page:
        return survey_page(records, failed, gallery, frames=frames, done=done)

    return report_to(path, make, overwrite=overwrite, quiet=quiet)


def _print(records: list[dict[str, Any]], failed: list[dict[str, str]], plan: Path | None) -> None:
    screen = console()
    for record in records:
        reasons(screen, record)
    if records:
        screen.print()
        screen.print(survey_table(records))
    errors = console(stderr=True)
    for failure in failed:
        errors.print(f"footroom: {plain(failure['error'])}", soft_wrap=True)
    if not records and not failed:
        errors.print("footroom: no recording was found there")
    if plan is not None and records:
        screen.print(
            f"\nThe plan is {plain(plan)}. Read and edit it, then: footroom mend --plan {plain(plan)} --out FOLDER"
        )
