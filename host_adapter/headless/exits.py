"""Exit codes, and what the declarations of all commands share."""

from __future__ import annotations

import sys
from pathlib import Path

import click

OK, FOUND, WRONG, PARTLY, INTERRUPTED = 0, 1, 2, 3, 130
EXIT_CODES = """
\b
Exit codes: 0 fine; 1 the check found something; 2 the request or the input is wrong;
3 some inputs failed and the rest were done; 130 interrupted.
"""
INPUTS = click.argument("inputs", nargs=-1, type=click.Path(path_type=Path), metavar="INPUT…")
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON and nothing else.")
REPORT = click.option(
    "--report",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="Write a page to look at and to show: the verdict, then the pictures it rests on.",
)


def leave(code: int) -> None:
    """End the program with a code, unless it is fine."""
    if code:
        sys.exit(code)
