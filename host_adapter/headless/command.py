"""The command line. Heavy libraries load inside the commands, so help is quick."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from ..effects.range_effect import ASSUME, TO
from ..effects.shared import DEPTH, DITHER, SEED
from .check_options import check
from .compare_options import compare
from .errors import Problem
from .exits import AS_JSON, EXIT_CODES, INPUTS, INTERRUPTED, OK, REPORT, WRONG, leave
from .expose_options import expose
from .frame_options import frame
from .gstreamer_options import live, timeline
from .host_options import host
from .options import option
from .scope_options import scope
from .table_options import table
from .trial_options import trial
from .words import PROFILES

if TYPE_CHECKING:
    from types import FrameType


@click.group(epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="footroom")
def footroom() -> None:
    """Says what the codes of each recording are, mends those whose range flag is wrong, and proves it.

    Originals are only ever read. Keep your own backup all the same, and check a mended copy before you
    wipe a card.
    """


@footroom.command(epilog=EXIT_CODES, short_help="Say what the codes of recordings are, and why.")
@INPUTS
@click.option(
    "--frames",
    type=click.IntRange(1, 10000),
    default=24,
    show_default=True,
    help="Frames to look at, spread over the whole length.",
)
@click.option(
    "--curve", metavar="KEY", help="The log curve it was recorded with, by colour-science's key (see --curves)."
)
@click.option("--curves", is_flag=True, help="List the keys that --curve takes, and stop.")
@click.option("--profile", type=click.Choice(PROFILES), help="What kind of picture it is, where the file does not say.")
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the proposals to a TOML file for you to edit.",
)
@REPORT
@click.option("--overwrite", is_flag=True, help="Replace an existing plan or report.")
@AS_JSON
def survey(
    inputs: tuple[Path, ...],
    frames: int,
    curve: str | None,
    curves: bool,
    profile: str | None,
    plan: Path | None,
    report: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Say what the codes of each recording are, with the evidence, and what would mend it.

    INPUT is a movie, a folder (searched through), or a sequence of stills as name.####.dpx or name.%04d.dpx.
    --curve alone may be said of a whole card; with --profile log you vouch that each one is in that curve.
    The finding is narrow, full or undetermined; exit code 1 says that at least one disagrees with its flag.
    """
    from .survey_command import list_curves, run_survey

    if curves:
        list_curves()
        return
    if not inputs:
        raise click.UsageError("Name at least one recording, folder or sequence.")
    leave(
        run_survey(
            inputs,
            frames=frames,
            curve=curve,
            profile=profile,
            plan=plan,
            report=report,
            overwrite=overwrite,
            as_json=as_json,
        )
    )


@footroom.command(epilog=EXIT_CODES, short_help="Make corrected copies, each with a receipt.")
@INPUTS
@click.option(
    "--out",
    "out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    metavar="FOLDER",
    help="Where the results go; never the originals' own folder.",
)
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Do what this plan says (footroom survey --plan makes one).",
)
@click.option(
    "--remedy",
    type=click.Choice(["retag", "lift", "rescale", "undo"]),
    help="retag: only the flag. lift: two more bits, reversible. rescale: same depth, dithered. undo: take back one "
    "scaling too many, into two more bits.",
)
@option(
    ASSUME, "--from", "source", without=("flag",), help="What the codes are now. undo: what the last scaling made them."
)
@option(
    TO,
    destination="target",
    help="retag: the copy's flag. lift, rescale: the copy's range (if left out: the other one). undo: the copy's flag (if "
    "left out: what the history of the codes asks for).",
)
@option(DITHER, help=f"For rescale; {DITHER.default} if left out.")
@option(SEED, default=SEED.default, show_default=True)
@option(DEPTH, without=("same",))
@click.option("--codec", metavar="NAME", help="Codec of the result, such as ffv1, prores, dnxhr, h264, hevc.")
@click.option("--profile", type=click.Choice(PROFILES), help="What kind of picture it is, where the file does not say.")
@click.option("--even-so", is_flag=True, help="Do it although the survey or the kind of picture speaks against it.")
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Recordings mended at once.")
@REPORT
@click.option("--overwrite", is_flag=True, help="Replace what lies under a result's name (never an input).")
@AS_JSON
def mend(inputs: tuple[Path, ...], **options: Any) -> None:
    """Make corrected copies with a receipt each; an original is never touched.

    Either with a plan, or with --remedy and the ranges. Interrupted, it leaves whole results or nothing; run the
    same command again and it goes on where it stopped.
    """
    from .mend_command import run_mend

    if options["plan"] is None and options["remedy"] is None:
        raise click.UsageError(
            "Say --remedy retag, lift, rescale or undo, or give a --plan (footroom survey --plan FILE makes one)."
        )
    if options["plan"] is not None and (
        inputs
        or any(options[key] for key in ("remedy", "source", "target", "dither", "depth", "codec", "profile", "seed"))
    ):
        raise click.UsageError("A plan says everything itself: give either --plan, or inputs and their options.")
    if options["plan"] is None and not inputs:
        raise click.UsageError("Name at least one recording, folder or sequence.")
    leave(run_mend(inputs, **options))


@footroom.command(epilog=EXIT_CODES, short_help="Make a small shoot and show the whole job on it.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("footroom-demo"),
    show_default=True,
    metavar="FOLDER",
    help="Where the shoot and the results go.",
)
@click.option("--overwrite", is_flag=True, help="Make it anew where it exists.")
@AS_JSON
def demo(out: Path, overwrite: bool, as_json: bool) -> None:
    """Make a small invented shoot, survey it, mend it, survey it again, draw before and after, and frame it."""
    from .demo.run import run_demo

    leave(run_demo(out, overwrite=overwrite, as_json=as_json))


for command in (check, compare, expose, frame, host, live, scope, table, timeline, trial):
    footroom.add_command(command)


def _terminated(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def main(arguments: list[str] | None = None) -> NoReturn:
    """The program: runs the command line, turns a person's mistake into one line, and exits."""
    signal.signal(signal.SIGTERM, _terminated)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a file's name need not be text
    as_json = "--json" in (sys.argv[1:] if arguments is None else arguments)
    try:
        code = footroom.main(arguments, prog_name="footroom", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        if as_json:
            print(json.dumps({"error": error.format_message()}, ensure_ascii=False))
        code = WRONG
    except Problem as problem:
        _say(str(problem), as_json)
        code = WRONG
    except (KeyboardInterrupt, click.Abort):
        print("\nfootroom: stopped; no original was touched and nothing half-written was left", file=sys.stderr)
        code = INTERRUPTED
    except BrokenPipeError:  # the reader of our output went away (| head): not an error of ours
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = OK
    sys.exit(code if isinstance(code, int) else OK)


def _say(text: str, as_json: bool) -> None:
    text = " ".join(text.splitlines())  # one line, whatever a file is called
    print(f"footroom: {text}", file=sys.stderr)
    if as_json:
        print(json.dumps({"error": text}, ensure_ascii=False))
