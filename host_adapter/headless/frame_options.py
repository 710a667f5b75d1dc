"""What the command line takes for `footroom frame`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..effects import guides_effect as guides
from ..effects.range_effect import ASSUME
from .exits import AS_JSON, EXIT_CODES, leave
from .options import option
from .words import FRAMINGS


@click.command(epilog=EXIT_CODES, short_help="Guides, overlays, crops and a sheet for every delivery.")
@click.argument("source", required=False, type=click.Path(path_type=Path), metavar="[INPUT]")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="PATH",
    help="The result; a folder where there are several.",
)
@click.option(
    "--as",
    "kinds",
    type=click.Choice(FRAMINGS),
    multiple=True,
    help="burn: guides drawn into a copy. overlay: guides alone, with alpha. crop: each window a recording of its own. "
    "sheet: one picture that shows them all. Several at once. Left out: all four with --deliveries; an overlay without "
    "INPUT; else what --out is named for: .png, .tif or .jpg a sheet, .exr an overlay of a movie, anything else a burn.",
)
@option(
    guides.WINDOWS,
    "--window",
    multiple=True,
    metavar="W",
    help="What a delivery keeps: 9:16, 1.91:1, 2.39, 1080x1350; then @left (or right, top, bottom, top-left …) and ,X,Y "
    "to move it by pixels or by 5%; NAME= before it names it: story=9:16@centre,40,0. Repeat for more.",
    destination="windows",
)
@option(
    guides.GRID,
    destination="grids",
    multiple=True,
    metavar="G",
    help="thirds, diagonals or 4x2; @NAME to draw it in a window.",
)
@option(
    guides.SAFE,
    destination="safes",
    multiple=True,
    metavar="S",
    help="action (93 %), title (90 %) after SMPTE ST 2046-1, or any per cent; @NAME to draw it in a window.",
)
@option(guides.CENTRE)
@option(guides.SQUEEZE, text=True, metavar="K")
@click.option("--desqueeze", is_flag=True, help="Resample the results to square pixels too.")
@option(guides.EVEN)
@option(guides.SHADE, metavar="X", help="Darken what lies outside all windows, by X per cent.")
@option(guides.LABEL, help="Write names and sizes beside the guides (a sheet always has them).")
@click.option(
    "--path",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="TOML for the one window, which moves: a list of [[key]], each with time (seconds), x and y (its middle, 0 to 1) "
    "and, if they are not as usual, part (of its size) and ease. A crop of changing size needs --size.",
)
@click.option(
    "--deliveries",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="TOML with a [delivery.NAME] for each: window, size, safe, part, path or key; makes the whole set.",
)
@option(ASSUME, without=("flag",), help="What the codes are, where the flag is wrong: decides the codes of the guides.")
@click.option("--codec", metavar="NAME", help="Codec of burn and crops, such as ffv1, prores, dnxhr, h264, hevc.")
@click.option(
    "--at",
    type=click.FloatRange(0),
    metavar="SECONDS",
    help="Which frame a sheet shows; one about the middle if left out.",
)
@click.option(
    "--size", metavar="WxH", help="Without INPUT, the overlay's size; with it, what the one crop is scaled to."
)
@click.option("--rate", metavar="R", help="Without INPUT, frames a second of an overlay movie.")
@click.option(
    "--seconds",
    type=click.FloatRange(0, 86400, min_open=True),
    metavar="S",
    help="Without INPUT, length of an overlay movie.",
)
@click.option("--overwrite", is_flag=True, help="Replace what lies under a result's name (never an input).")
@AS_JSON
def frame(source: Path | None, **options: Any) -> None:
    """Show what each delivery keeps of a picture, and make it: guides burnt in, overlays, crops, a sheet.

    INPUT is a movie, a picture, or a sequence of stills as name.####.dpx; it is only read. Windows are placed on the
    picture as it is displayed, and rounded to what the chroma sampling allows; what that did is reported.
    """
    from .frame_command import run_frame

    leave(run_frame(source, **options))
