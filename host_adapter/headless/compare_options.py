"""What the command line takes for `footroom compare`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path

import click

from .exits import AS_JSON, EXIT_CODES, leave


@click.command(epilog=EXIT_CODES, short_help="Hold two recordings of one take against each other.")
@click.argument("first", type=click.Path(path_type=Path), metavar="A")
@click.argument("second", type=click.Path(path_type=Path), metavar="B")
@click.option(
    "--out",
    "--report",
    "out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="Write a page to look at and to show: the verdict, then the pictures it rests on.",
)
@click.option("--mend", is_flag=True, help="Write B with A's codes, by the exact inverse where there is one.")
@click.option(
    "--into",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("matched"),
    show_default=True,
    metavar="FOLDER",
    help="Where --mend writes; never an original's own folder.",
)
@click.option("--overwrite", is_flag=True, help="Replace an existing report or result (never an input).")
@AS_JSON
def compare(
    first: Path, second: Path, out: Path | None, mend: bool, into: Path, overwrite: bool, as_json: bool
) -> None:
    """Say what B's codes are to A's: the same, scaled to narrow, expanded, either twice, or something else.

    A and B are two recordings of one take: movies, pictures, or sequences as name.####.dpx, of any codec, size, depth
    and start, at one rate. Both are only read. Exit code 0 says the same, 1 that they differ in range, in their codes or
    in how their flags have them read, 2 that they are not of one take or cannot be compared.
    """
    from .compare_command import run_compare

    leave(run_compare(first, second, out=out, mend=mend, into=into, overwrite=overwrite, as_json=as_json))
