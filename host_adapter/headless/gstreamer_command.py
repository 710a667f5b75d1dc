"""`footroom host gstreamer`: is everything there, the variables, and GStreamer's own programs run with them."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
from collections.abc import Sequence

from rich.text import Text

from ..gstreamer.check import apt_words, check
from ..gstreamer.environment import TOOL_PACKAGES, Environment, prepare
from .errors import Problem
from .exits import FOUND, OK
from .terminal import console, plain_table, progress_bars


def run_check(*, as_json: bool) -> int:
    """Look at everything; exit code 1 where something that is needed is not there."""
    with progress_bars(quiet=as_json) as bars:
        bars.add_task("looking at GStreamer", total=None)
        facts = check()
    wrong = any(good is False for _, good, _ in facts)
    if as_json:
        listed = [{"what": what, "good": good, "words": words} for what, good, words in facts]
        print(json.dumps({"checks": listed, "install": apt_words() if wrong else None}, ensure_ascii=False, indent=2))
        return FOUND if wrong else OK
    screen = console()
    table = plain_table()
    table.show_header = False
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for what, good, words in facts:
        mark = {True: "right", False: "WRONG", None: "-"}[good]
        table.add_row(Text(mark, style="bold" if good is False else ""), Text(what), Text(words))
    screen.print(table)
    if wrong:
        screen.print("On Debian and Ubuntu all of it comes with:\n")
        screen.print(Text(apt_words()), soft_wrap=True)
    return FOUND if wrong else OK


def run_env(*, as_json: bool) -> int:
    """Print the variables: for `eval` in a shell, or as JSON."""
    variables = dict(_prepared().variables)
    if as_json:
        print(json.dumps(variables, ensure_ascii=False, indent=2))
    else:
        for name, value in variables.items():
            print(f"export {name}={shlex.quote(value)}")
    return OK


def run_program(command: Sequence[str]) -> int:
    """Run a program with the variables; it takes this process's place where the system can do that.

    Raises: Problem where there is no such program.
    """
    environment = _prepared().whole()
    program = shutil.which(command[0], path=environment["PATH"])
    if program is None:
        package = TOOL_PACKAGES.get(command[0])
        remedy = (
            f"Install it: apt-get install {package}." if package else "Check the spelling, or name it with its folder."
        )
        raise Problem(None, f"there is no program {command[0]!r} on the path", remedy)
    if os.name == "posix":
        os.execve(program, list(command), environment)
    return subprocess.run([program, *command[1:]], env=environment, check=False).returncode


def _prepared() -> Environment:
    try:
        return prepare()
    except OSError as error:
        raise Problem(
            None, f"the plugin files cannot be written to {error.filename} ({error.strerror})",
            "Set XDG_CACHE_HOME to a folder that can be written.",
        ) from None  # fmt: skip
