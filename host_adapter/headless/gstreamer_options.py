"""What `footroom live`, `footroom timeline` and `footroom host gstreamer` take. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from ..effect import Kind
from ..effects import guides_effect, range_effect
from ..effects.shared import DITHER, SEED
from .exits import AS_JSON, EXIT_CODES, leave
from .options import option
from .words import PROFILES

_HELP = {
    "assume": "What the codes of the source are. A file's own flag if left out; else what the source says while it runs.",
    "to": "The range that goes out. Left out, codes and range stay.",
    "windows": "What a delivery keeps: 9:16, 1.91:1, 2.39, 1080x1350; @left, ,X,Y and NAME= as for footroom frame. "
    "Repeat for more.",
    "grid": "thirds, diagonals or 4x2; @NAME to draw it in a window. Repeat for more.",
    "safe": "action (93 %), title (90 %) after SMPTE ST 2046-1, or any per cent; @NAME for one in a window.",
}
_FLAGS = {"windows": "--window"}
_METAVARS = {"windows": "W", "grid": "G", "safe": "S", "shade": "X", "squeeze": "K"}


def effect_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The parameters of the effects as options, which arrive under the parameters' names; None or () where left out."""
    for effect in (guides_effect.EFFECT, range_effect.EFFECT):
        for param in reversed(effect.params):
            command = option(
                param, _FLAGS.get(param.name), param.name, help=_HELP.get(param.name), metavar=_METAVARS.get(param.name),
                multiple=param.kind is Kind.TEXT, without=("same",) if param.name == "depth" else ("flag",),
            )(command)  # fmt: skip
    return command


@click.command(epilog=EXIT_CODES, short_help="Range, dither and guides while the signal runs.")
@click.argument("source", metavar="SOURCE")
@click.option("--out", required=True, metavar="SINK", help="window, null, a file, srt://HOST:PORT or udp://HOST:PORT.")
@effect_options
@click.option(
    "--on-error", type=click.Choice(["stop", "pass"]), default="stop", show_default=True,
    help="When a frame cannot be changed: stop, or let it through as it is and count it.",
)  # fmt: skip
@click.option("--codec", metavar="NAME", help="ffv1 (without loss) or h264; by the SINK if left out.")
@click.option(
    "--bitrate", type=click.IntRange(100, 500_000), metavar="KBIT", help="For h264, kbit/s; 8000 if left out."
)
@click.option("--size", metavar="WxH", help="Of the test source, or asked of a capture device.")
@click.option("--rate", metavar="R", help="Frames a second of the same: 25, 29.97, 60.")
@click.option("--pixels", metavar="FORMAT", help="Format of the same, as GStreamer names it: I422_10LE, v210, YUY2.")
@click.option("--seconds", type=click.FloatRange(0, min_open=True), metavar="S", help="End after so long.")
@click.option("--chain", "show_chain", is_flag=True, help="Print the chain as gst-launch-1.0 takes it, and stop.")
@click.option("--overwrite", is_flag=True, help="Replace a file of SINK's name (never the source).")
@AS_JSON
def live(source: str, **options: Any) -> None:
    """Bring a running signal to another range, draw guides over it, and say each second how it goes.

    SOURCE is test, a file (played in real time), a capture device such as /dev/video0, or the URL of a stream (srt, rtsp,
    udp, http). Only the picture is taken, not the sound. It ends with the source, after --seconds, or with Ctrl-C; a file
    is whole in every case.

    Try the whole chain before the event, on this very machine and with the real signal, and keep a clean recording
    elsewhere. What the broadcaster or the venue asks for goes before anything said here.

    With --json, each line is a value of its own: one a second, and one at the end.
    """
    from .live_command import run_live

    leave(run_live(source, **options))


@click.command(epilog=EXIT_CODES, short_help="Survey and mend the clips of an Editing Services project.")
@click.argument("project", type=click.Path(path_type=Path, dir_okay=False), metavar="PROJECT.xges")
@click.option(
    "--survey", is_flag=True, help="Say what the codes of its clips are. Done anyway if nothing else is asked."
)
@click.option("--mend", is_flag=True, help="Put range effects on its clips where they need one, and write the project.")
@click.option(
    "--save", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Where the mended project goes; PROJECT.footroom.xges if left out. Never the project itself.",
)  # fmt: skip
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE.mkv",
    help="Render it, mended or as it is, without loss (FFV1).",
)
@click.option(
    "--frames", type=click.IntRange(1, 10000), default=24, show_default=True, help="Frames of each clip to look at."
)
@click.option(
    "--curve", metavar="KEY", help="The log curve the clips were recorded with (see footroom survey --curves)."
)
@click.option(
    "--profile", type=click.Choice(PROFILES), help="What kind of picture they are, where the files do not say."
)
@option(DITHER, default=DITHER.default, show_default=True)
@option(SEED, default=SEED.default, show_default=True)
@click.option("--even-so", is_flag=True, help="Scale finished pictures too where the survey speaks for it.")
@click.option("--overwrite", is_flag=True, help="Replace results of these names (never the project, never a clip).")
@AS_JSON
def timeline(project: Path, **options: Any) -> None:
    """Survey the clips of a GStreamer Editing Services timeline, mend them inside it, and render it.

    A clip whose codes are not what its file says gets the range effect, with what the survey found; what is open is taken
    as the file says. The timeline's format and colorimetry are pinned, so that the framework changes no code by itself.
    The project and its clips are only read.

    Look at the render before you deliver it; the broadcaster's own specification decides.
    """
    from .timeline_command import run_timeline

    leave(run_timeline(project, **options))


@click.command(
    epilog=EXIT_CODES, short_help="The elements for GStreamer: check them, run its programs with them.",
    context_settings={"ignore_unknown_options": True, "allow_interspersed_args": False},
)  # fmt: skip
@click.option("--check", is_flag=True, help="Say what is there, what is not, and what to install.")
@click.option(
    "--env", "show_env", is_flag=True, help="Print the variables that make GStreamer's programs find the elements."
)
@click.option(
    "--run", is_flag=True, help="Run COMMAND with these variables: gst-launch-1.0, gst-inspect-1.0, ges-launch-1.0 …"
)
@AS_JSON
@click.argument("command", nargs=-1, type=click.UNPROCESSED, metavar="[COMMAND…]")
def gstreamer(check: bool, show_env: bool, run: bool, as_json: bool, command: tuple[str, ...]) -> None:
    """Check the elements for GStreamer, or run its own programs with them.

    \b
    footroom host gstreamer --check
    footroom host gstreamer --run gst-inspect-1.0 footroomrange
    eval "$(footroom host gstreamer --env)"
    """
    from .gstreamer_command import run_check, run_env, run_program

    if check + show_env + run != 1:
        raise click.UsageError("Say one of --check, --env and --run COMMAND…")
    if bool(command) != run:
        raise click.UsageError(
            "Name the program to run, as in --run gst-launch-1.0 …"
            if run
            else f"Only --run takes a command, got {command[0]!r}."
        )
    leave(run_check(as_json=as_json) if check else run_env(as_json=as_json) if show_env else run_program(command))
