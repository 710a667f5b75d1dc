"""What the command line takes for `footroom check`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path

import click

from .exits import AS_JSON, EXIT_CODES, INPUTS, REPORT, leave


@click.command(epilog=EXIT_CODES, short_help="Deliveries against a rule: limits, flag, range.")
@INPUTS
@click.option(
    "--rule",
    default="r103",
    show_default=True,
    metavar="r103|interface|full|FILE",
    help="r103: EBU R 103 v3.0. interface: codes that a serial interface keeps for itself. full: full range. Or a TOML file.",
)
@REPORT
@click.option("--overwrite", is_flag=True, help="Replace an existing report.")
@AS_JSON
def check(inputs: tuple[Path, ...], rule: str, report: Path | None, overwrite: bool, as_json: bool) -> None:
    """Check deliveries against a rule: every frame, its limits, flag against data, one range throughout.

    Says where and when. Exit code 1 where one fails. The broadcaster's own specification decides, not this.
    """
    from .check_command import run_check

    if not inputs:
        raise click.UsageError("Name at least one recording, folder or sequence.")
    leave(run_check(inputs, rule=rule, report=report, overwrite=overwrite, as_json=as_json))
