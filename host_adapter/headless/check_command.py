"""`footroom check`: deliveries against a rule, what failed, where and when."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

from .checking.rules import read_rule
from .checking.run import Verdict, check
from .checking.verdict import FAIL, NOTE, OPEN, PASS, Check
from .errors import Problem
from .exits import FOUND, OK, PARTLY, WRONG
from .jobs import find_sources
from .report.check_page import check_page
from .report.hook import report_to, say_report
from .report.render import check_report
from .terminal import console, plain, progress_bars, short_names, show

CAUTION = (
    "The broadcaster's own specification and its own measurement decide. This measures the file, it accepts nothing."
)
SPANS_SHOWN = 5
_WORDS = {PASS: "pass", FAIL: "FAIL", NOTE: "note", OPEN: "open"}


def run_check(
    inputs: tuple[Path, ...], *, rule: str, report: Path | None = None, overwrite: bool = False, as_json: bool
) -> int:
    """The sub-command; returns the exit code."""
    if report is not None:
        check_report(report, inputs, overwrite=overwrite)
    asked = read_rule(rule)
    sources, ignored = find_sources(inputs)
    failed = [{"path": str(path), "error": "not a recording"} for path in ignored if path in inputs]
    verdicts: list[Verdict] = []
    with progress_bars(quiet=as_json) as bars:
        for source in sources:
            task = bars.add_task(f"check {source.path.name}", total=None)

            def tell(done: int, total: int | None, task: Any = task) -> None:
                bars.update(task, completed=done, total=total)

            try:
                verdicts.append(check(source.path, asked, tell))
            except Problem as problem:
                failed.append({"path": str(source.path), "error": str(Problem(None, problem.found, problem.remedy))})
            except OSError as error:
                failed.append({"path": str(source.path), "error": f"it could not be read ({error.strerror or error})"})
            bars.remove_task(task)
    unreported = None
    if report is not None and verdicts:
        unreported = report_to(
            report,
            lambda tell: check_page(asked.name, verdicts, failed, CAUTION, tell),
            overwrite=overwrite,
            quiet=as_json,
        )
    if as_json:
        said: dict[str, Any] = {
            "rule": asked.name,
            "recordings": [verdict.to_json() for verdict in verdicts],
            "failed": failed,
            "caution": CAUTION,
        }
        if report is not None:
            said["report"] = str(report) if unreported is None else {"error": str(unreported)}
        print(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        _print(asked.name, verdicts, failed)
        if report is not None and verdicts:
            say_report(report, unreported)
    if not verdicts:
        return WRONG
    if failed or unreported:
        return PARTLY
    return OK if all(verdict.passed for verdict in verdicts) else FOUND


def _print(rule: str, verdicts: list[Verdict], failed: list[dict[str, str]]) -> None:
    screen = console()
    screen.print(Text(f"Checked against {plain(rule)}"))
    names = short_names([str(verdict.info.path) for verdict in verdicts])
    for name, verdict in zip(names, verdicts, strict=True):
        word = "passes" if verdict.passed else "FAILS"
        about = f" ({verdict.frames} frame{'s' * (verdict.frames != 1)}, read as {verdict.range.label})"
        screen.print()
        screen.print(Text.assemble((f"{plain(name)} {word}", "bold"), about))
        rows = Table.grid(padding=(0, 2))
        rows.add_column(width=6, justify="right")
        rows.add_column(overflow="fold")
        for each in verdict.checks:
            rows.add_row(_WORDS[each.verdict], Text(each.words, style="bold" if each.verdict == FAIL else ""))
            for line in _where(each, verdict):
                rows.add_row("", Text(f"  {line}"))
        show(screen, rows)
    if not verdicts and not failed:
        screen.print()
        screen.print(Text("NOT CHECKED: no recording was found there", style="bold"))
    for failure in failed:
        screen.print()
        screen.print(Text(f"NOT CHECKED {plain(failure['path'])}: {plain(failure['error'])}", style="bold"))
    screen.print()
    screen.print(Text(CAUTION))


def _where(each: Check, verdict: Verdict) -> list[str]:
    """Lines that say when and where a check failed."""
    if each.verdict == PASS:
        return []
    lines = [span.words(verdict.clock) for span in each.spans[:SPANS_SHOWN]]
    if len(each.spans) > SPANS_SHOWN:
        lines.append(f"and {len(each.spans) - SPANS_SHOWN} more places (--json lists them)")
    worst = each.worst
    if worst is not None and worst.worst is not None and each.worst_frame is not None:
        sample = worst.worst
        lines.append(
            f"worst: {verdict.clock.words(each.worst_frame)}, {worst.share * 100:.2g} % of the area; "
            f"{sample.channel} {round(sample.code, 1):g} at column {sample.x}, row {sample.y}"
        )
    return lines
