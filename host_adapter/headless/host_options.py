"""What the command line takes for `footroom host`. Declarations alone; the work loads when it is asked for."""

from __future__ import annotations

from pathlib import Path

import click

from .exits import AS_JSON, EXIT_CODES, leave
from .gstreamer_options import gstreamer


@click.group(short_help="Add-ons for open hosts: build and check them.")
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


host.add_command(gstreamer)
