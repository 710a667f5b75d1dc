"""What the command line takes for `footroom trial`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..effects.range_effect import ASSUME, TO
from ..effects.shared import SEED
from .exits import AS_JSON, EXIT_CODES, REPORT, leave
from .options import option


@click.command(epilog=EXIT_CODES, short_help="Does dither pay, on your picture, through your codec?")
@click.argument("inputs", nargs=-1, type=click.Path(path_type=Path), metavar="[INPUT…]")
@click.option(
    "--depth",
    type=click.IntRange(8, 15),
    default=8,
    show_default=True,
    metavar="BITS",
    help="Bits of the result's codes.",
)
@option(TO, destination="target", help="The result's range; that of the recording if left out.")
@option(ASSUME, destination="source", without=("flag",))
@click.option(
    "--codec",
    metavar="NAME",
    default="h264",
    show_default=True,
    help="The delivery's codec: h264, hevc, av1, vp9; none to leave it out.",
)
@click.option(
    "--quality",
    type=click.FloatRange(0, 63),
    metavar="Q",
    help="Its constant rate factor, 0 best; if left out 20 for h264, 22 hevc, 28 av1 and vp9.",
)
@click.option(
    "--frames",
    type=click.IntRange(2, 240),
    default=24,
    show_default=True,
    help="Frames in a row to try, from the middle.",
)
@option(SEED, default=SEED.default, show_default=True)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write pictures and trial.json there: crops with their contrast raised, the scan line, the spectra.",
)
@REPORT
@click.option("--overwrite", is_flag=True, help="Write into a folder that holds something, and over a report.")
@AS_JSON
def trial(inputs: tuple[Path, ...], codec: str, **options: Any) -> None:
    """Requantise plainly and with each dither, then send each through the delivery codec, and compare.

    INPUT is a recording as for survey; without one, gradients are made. It is only read, and no coded file is left. 'bands' is the
    banding index CAMBI, 0 none, about 5 where they begin to annoy; 'stairs' how far areas lie from their tone, 'bias' how much the error
    follows the tone, 'noise' its variance, in steps of the result; 'low' the share of it that is coarse, 1 as white noise's.
    """
    from .trial_command import run_trial

    leave(run_trial(inputs, codec=None if codec.lower() == "none" else codec, **options))
