"""What the command line takes for `footroom scope`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ..effects import scopes_effect as scopes
from ..effects.exposure_effect import CURVE
from ..effects.range_effect import ASSUME
from .exits import AS_JSON, EXIT_CODES, leave
from .options import option


@click.command(epilog=EXIT_CODES, short_help="Waveform, parade, vectorscope and histogram, in true codes.")
@click.argument("source", type=click.Path(path_type=Path), metavar="INPUT")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="PATH", help="The result.")
@option(scopes.KIND, help="Which scopes are drawn; all of them if left out, of a burn the waveform.")
@click.option(
    "--frame",
    "at",
    type=click.FloatRange(0),
    metavar="SECONDS",
    help="Which frame a picture shows; the middle one if left out.",
)
@click.option(
    "--as",
    "made_as",
    type=click.Choice(["picture", "movie", "burn"]),
    help="picture: one frame's scopes. movie: those of every frame (.mkv lossless, .mp4 and .mov H.264). burn: a copy of the "
    "recording with them in a corner. If left out, .png, .tif and .jpg are pictures, the rest is a movie.",
)
@click.option(
    "--against",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Another recording, on the same scale, whatever its depth and range.",
)
@click.option(
    "--arrange",
    type=click.Choice(["beside", "over"]),
    help="The two side by side (if left out), or their traces over each other in two tints.",
)
@option(CURVE, metavar="KEY", help="The log curve, by colour-science's key: draws its 18 % grey and its 90 % card.")
@option(
    scopes.DISPLAY, without=("none",), help="What a finished picture is made for: draws its 18 % grey and its white."
)
@option(ASSUME, without=("flag",), help="What the codes are, where the flag is wrong.")
@option(ASSUME, "--assume-against", "assume_against", without=("flag",), help="The same of the other recording.")
@click.option("--size", metavar="WxH", help="Of a picture or a movie; 1920x1080 if left out.")
@option(scopes.CORNER, help="Of a burn: where; bottom-left if left out.")
@option(
    scopes.SIZE,
    "--part",
    "part",
    metavar="X",
    help="Of a burn: per cent of the picture's width and height; 40 if left out.",
)
@option(scopes.OPACITY, metavar="X", help="Of a burn: how much it hides; 100 if left out.")
@click.option("--codec", metavar="NAME", help="Codec of a burn, such as ffv1, prores, dnxhr, h264, hevc.")
@click.option("--overwrite", is_flag=True, help="Replace what lies under the result's name (never an input).")
@AS_JSON
def scope(source: Path, **options: Any) -> None:
    """Show where the codes of a picture lie: by column, by channel, as colours, and how many there are of each.

    Everything is in codes of the recording's own encoding: its depth, and the range that it is flagged, or that --assume says.
    Lines are drawn at black, white, the codes that a serial interface reserves, and the curve's grey and white.
    """
    from .scope_command import run_scope

    leave(run_scope(source, **options))
