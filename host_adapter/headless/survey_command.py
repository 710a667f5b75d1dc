"""`footroom survey`: find the recordings, survey each, print or write what was found."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from .command import FOUND, OK, PARTLY, WRONG
from .errors import Problem
from .jobs import find_sources
from .plan import write_plan
from .terminal import console, plain, progress_bars, reasons, survey_table


def list_curves() -> None:
    """Print the log curves that colour-science registers."""
    import colour

    for key in colour.LOG_ENCODINGS:
        print(key)


def survey_inputs(
    inputs: tuple[Path, ...] | list[Path],
    *,
    frames: int = 24,
    curve: str | None = None,
    profile: str | None = None,
    quiet: bool = False,
) -> tuple[list[dict[str, Any]], list[dict[str, str]]]:
    """Survey everything that the inputs hold.

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
            bars.update(task, advance=1, description=f"survey {path.name}")
    return records, failed


def run_survey(
    inputs: tuple[Path, ...],
    *,
    frames: int,
    curve: str | None,
    profile: str | None,
    plan: Path | None,
    overwrite: bool,
    as_json: bool,
) -> int:
    """The sub-command; returns the exit code."""
    if plan is not None and plan.exists() and not overwrite:  # said before the work, not after it
        raise Problem(plan, "this plan exists and may hold somebody's edits", "Name another file, or add --overwrite.")
    records, failed = survey_inputs(inputs, frames=frames, curve=curve, profile=profile, quiet=as_json)
    if plan is not None and records:
        write_plan(plan, records, overwrite=overwrite)
    if as_json:
        print(json.dumps({"recordings": records, "failed": failed}, indent=2, ensure_ascii=False))
    else:
        _print(records, failed, plan)
    if not records:
        return WRONG
    if failed:
        return PARTLY
    return FOUND if any(record["agrees"] is False for record in records) else OK


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
