"""What the command line takes for `footroom expose`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..effects import exposure_effect as exposure
from ..effects.range_effect import ASSUME
from .exits import AS_JSON, EXIT_CODES, leave
from .options import option


@click.command(epilog=EXIT_CODES, short_help="A map of exposure in stops, with a legend.")
@click.argument("source", type=click.Path(path_type=Path), metavar="INPUT")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="PATH", help="The result.")
@click.option(
    "--as",
    "kind",
    type=click.Choice(["burn", "picture", "table"]),
    help="burn: a copy with the map in it. picture: one frame as PNG, the legend beside it. table: for a monitor, the legend as a "
    "picture of its own. If left out, .png is a picture, .cube and .clf are tables, the rest is a burn.",
)
@option(exposure.CURVE, metavar="KEY")
@option(exposure.DISPLAY, help="What a finished picture is made for; bt1886 where no curve is named either.")
@option(ASSUME, without=("flag",), help="What the codes are, where the flag is wrong.")
@click.option("--zones", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help=exposure.ZONES.help)
@option(exposure.CLIP, metavar="X")
@option(exposure.LEGEND, help="The side of the legend; a burn has none if left out, the others have it at the right.")
@option(
    exposure.MIX, metavar="X", help="Of a burn: how much of the map, and how little of the picture; 100 if left out."
)
@click.option(
    "--at", type=click.FloatRange(0), metavar="SECONDS", help="Which frame a picture shows; the middle one if left out."
)
@click.option("--codec", metavar="NAME", help="Codec of a burn, such as ffv1, prores, dnxhr, h264, hevc.")
@click.option("--size", type=int, metavar="N", help="Points along a side of a table; 33 if left out.")
@click.option("--overwrite", is_flag=True, help="Replace what lies under the result's name (never an input).")
@AS_JSON
def expose(source: Path, **options: Any) -> None:
    """Show the exposure of every pixel in stops from 18 % grey, through the recording's curve and its true range.

    Name the --curve of log footage, or the --display of a finished picture. The legend says of every zone its stops, per cent of
    signal and code. Clipped is striped and no light is dotted, whatever the colours.
    """
    from .expose_command import run_expose

    leave(run_expose(source, **options))
