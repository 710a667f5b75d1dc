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

from ..effects import guides_effect as guides
from ..effects.range_effect import ASSUME, TO
from ..effects.shared import DEPTH, DITHER, SEED
from .compare_options import compare
from .errors import Problem
from .exits import AS_JSON, EXIT_CODES, INTERRUPTED, OK, REPORT, WRONG, leave
from .expose_options import expose
from .gstreamer_options import gstreamer, live, timeline
from .options import option
from .scope_options import scope
from .table_options import table
from .trial_options import trial
from .words import FRAMINGS, PROFILES

if TYPE_CHECKING:
    from types import FrameType

INPUTS = click.argument("inputs", nargs=-1, type=click.Path(path_type=Path), metavar="INPUT…")


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
    "left out: that of --from, for codes scaled twice).",
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


@footroom.command(epilog=EXIT_CODES, short_help="Guides, overlays, crops and a sheet for every delivery.")
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


@footroom.command(epilog=EXIT_CODES, short_help="Deliveries against a rule: limits, flag, range.")
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


@footroom.group(short_help="Add-ons for open hosts: build and check them.")
def host() -> None:
    """The add-ons that run the same kernels inside open editing and compositing programs."""


@host.command(epilog=EXIT_CODES, short_help="The add-on for Blender's sequencer and compositor.")
@click.option(
    "--build",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.zip",
    help="Write the extension with all it needs.",
)
@click.option("--check", is_flag=True, help="Say what is there and what is wrong.")
@click.option(
    "--platform",
    type=click.Choice(["linux-x64", "windows-x64", "macos-arm64"]),
    default="linux-x64",
    show_default=True,
    help="What the extension is built for.",
)
@click.option(
    "--release",
    type=click.Choice(["5.0", "5.1"]),
    default="5.0",
    show_default=True,
    help="The Blender that it is built for: 5.0 (Python 3.11), or 5.1 and newer (Python 3.13).",
)
@click.option(
    "--wheels",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    metavar="FOLDER",
    help="Wheels fetched before, so that building needs no network.",
)
@click.option("--program", metavar="FILE", help="The Blender program to check; the one on the path if left out.")
@AS_JSON
def blender(
    build: Path | None,
    check: bool,
    platform: str,
    release: str,
    wheels: Path | None,
    program: str | None,
    as_json: bool,
) -> None:
    """Build the add-on as an extension that installs from one file, or check what is there.

    The add-on surveys and mends the strips of a timeline, feeds full data that is flagged narrow into renders, and lays
    delivery guides over the picture.
    """
    from .host_command import run_build, run_check

    if (build is None) == (not check):
        raise click.UsageError("Say either --build FILE.zip or --check.")
    if build is not None:
        leave(run_build(build, platform=platform, release=release, wheels=wheels, as_json=as_json))
    else:
        leave(run_check(program=program, as_json=as_json))


footroom.add_command(live)
footroom.add_command(timeline)
footroom.add_command(table)
footroom.add_command(expose)
footroom.add_command(scope)
footroom.add_command(trial)
footroom.add_command(compare)
host.add_command(gstreamer)


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
