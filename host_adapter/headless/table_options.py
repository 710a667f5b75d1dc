"""What the command line takes for `footroom table`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from ...kernels.encoding import Range
from ..effects import exposure_effect as exposure
from .exits import AS_JSON, EXIT_CODES, leave
from .options import option
from .words import DISPLAYS

_RANGES = click.Choice([each.label for each in Range])


def _range(_context: click.Context, _parameter: click.Parameter, value: str | None) -> Range | None:
    return None if value is None else Range.parse(value)


def _pair(_context: click.Context, _parameter: click.Parameter, value: str | None) -> tuple[Range, Range] | None:
    if value is None:
        return None
    try:
        before, after = value.split(":")
        return Range.parse(before), Range.parse(after)
    except ValueError:
        raise click.BadParameter(
            f"{value!r} is not two ranges: write IN:OUT, such as narrow:narrow or narrow:full."
        ) from None


def _common(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options of all tables."""
    for declared in reversed(
        (
            click.option(
                "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, metavar="FILE.cube|FILE.clf",
                help="The table; the extension says the format.",
            ),
            click.option("--size", type=int, metavar="N", help="Points along a side; 4096, or 33 of a cube, if left out."),
            click.option(
                "--depth", type=click.IntRange(8, 16), default=10, show_default=True, metavar="BITS",
                help="Bits of the signal that it is for: narrow black and white lie elsewhere at each.",
            ),
            click.option("--overwrite", is_flag=True, help="Replace a table of this name (never the one it is made from)."),
            AS_JSON,
        )
    ):  # fmt: skip
        command = declared(command)
    return command


CUBE = click.option("--cube", "cubic", is_flag=True, help="Three-dimensional, for devices that take nothing else.")


@click.group(short_help="Tables for monitors and programs, each proved by reading it back.")
def table() -> None:
    """Write a table of a range change or a view, or adapt somebody's table to another range.

    Written as .cube or as Common LUT Format (.clf); read back by OpenColorIO, compared with the exact transform, and the
    largest error printed and kept in a receipt.
    """


@table.command("range", epilog=EXIT_CODES, short_help="From one range to the other.")
@click.option("--from", "source", type=_RANGES, callback=_range, required=True, help="Range of the signal.")
@click.option("--to", "target", type=_RANGES, callback=_range, required=True, help="Range that comes out.")
@CUBE
@_common
def range_(**options: Any) -> None:
    """From one range to the other, such as for a monitor that takes full-range log for narrow.

    The recording stays as it is. Excursions are kept as values below 0 and above 1.
    """
    _run("range", options)


@table.command(epilog=EXIT_CODES, short_help="From log to what a display should show.")
@click.option(
    "--curve", metavar="KEY", required=True, help="The log curve, by colour-science's key (footroom survey --curves)."
)
@click.option(
    "--display", type=click.Choice(list(DISPLAYS)), default="bt1886", show_default=True, help="What the monitor shows."
)
@click.option("--from", "source", type=_RANGES, callback=_range, required=True, help="Range of the log signal.")
@click.option("--to", "target", type=_RANGES, callback=_range, help="Range that comes out; the same one if left out.")
@click.option("--clip", is_flag=True, help="Cut highlights at the display's white; they are rolled off otherwise.")
@CUBE
@_common
def view(**options: Any) -> None:
    """From log to what a display should show, with a change of range in the same table if one is asked for."""
    _run("view", options)


@table.command(epilog=EXIT_CODES, short_help="An exposure map for a monitor.")
@option(exposure.CURVE, metavar="KEY")
@option(exposure.DISPLAY)
@click.option("--zones", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help=exposure.ZONES.help)
@option(exposure.CLIP, metavar="X")
@click.option(
    "--over",
    type=click.Choice(list(DISPLAYS)),
    help='Zones of colour "picture" show it as a view for this display; the signal as it is if left out.',
)
@click.option("--from", "source", type=_RANGES, callback=_range, required=True, help="Range of the signal.")
@click.option("--to", "target", type=_RANGES, callback=_range, help="Range that comes out; the same one if left out.")
@_common
def zones(**options: Any) -> None:
    """An exposure map for a monitor, three-dimensional. footroom expose --as table writes its legend too."""
    _run("zones", options)


@table.command(epilog=EXIT_CODES, short_help="Somebody's table, for a signal of another range.")
@click.option(
    "--in", "table", type=click.Path(path_type=Path, dir_okay=False), required=True, metavar="FILE", help="The table."
)
@click.option(
    "--adapt",
    "wanted",
    callback=_pair,
    required=True,
    metavar="IN:OUT",
    help="Ranges it is to take and to give: narrow:narrow, narrow:full …",
)
@click.option("--from", "source", type=_RANGES, callback=_range, help="Range it was made to take; full if left out.")
@click.option("--to", "target", type=_RANGES, callback=_range, help="Range it was made to give; full if left out.")
@click.option(
    "--plain-domain",
    is_flag=True,
    help="Lay points anew over 0..1, for a device that ignores a .cube's domain; costs a little between them.",
)
@_common
def adapt(**options: Any) -> None:
    """Somebody's table that was made for one range, for another, input and output apart.

    A table of ours says itself what it was made for. The points of the original are kept where the format can say so, and the
    result is then exact.
    """
    _run("adapt", options)


def _run(kind: str, options: dict[str, Any]) -> None:
    from .table_command import run_table

    leave(run_table(kind, options.pop("out"), **options))
