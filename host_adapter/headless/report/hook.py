"""What the sub-commands with --report call: a page made and written after the work, its failure told and not thrown."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rich.text import Text

from ..errors import Problem
from ..terminal import console, progress_bars
from .page import Page
from .render import write_report

Maker = Callable[[Callable[[str], None]], Page]
"""Makes a page, given what to call with the name of each recording that was pictured."""


def report_to(path: Path, make: Maker, *, overwrite: bool, quiet: bool) -> Problem | None:
    """Write a report, with progress.

    Returns: what stands in the way, else None: the work that the report is about is done either way.
    """
    with progress_bars(quiet=quiet) as bars:
        task = bars.add_task("report", total=None)
        try:
            write_report(make(lambda name: bars.update(task, description=f"report {name}")), path, overwrite=overwrite)
        except Problem as problem:
            return problem
    return None


def say_report(path: Path, problem: Problem | None) -> None:
    """A line for a person: where the report is, or why there is none."""
    if problem is None:
        console().print(Text(f"\nThe report is {path}."), soft_wrap=True)
    else:
        console(stderr=True).print(Text(f"footroom: no report was written: {problem}"), soft_wrap=True)
