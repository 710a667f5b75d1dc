"""`footroom frame` run inside the test's own process, as the program runs it: arguments in, exit code and words out."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from footroom.host_adapter.headless.command import main
from footroom.host_adapter.headless.opening import open_recording


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str

    @property
    def record(self) -> Any:
        return json.loads(self.out)


def run(*arguments: object) -> Done:
    """Any footroom command; a traceback fails the test."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(each) for each in arguments])
        except SystemExit as leaving:
            code = leaving.code
    assert isinstance(code, int)
    return Done(code, out.getvalue(), err.getvalue())


def frame(*arguments: object) -> Done:
    return run("frame", *arguments)


def framed(*arguments: object) -> Any:
    """The JSON record of a job that must succeed."""
    done = frame(*arguments, "--json")
    assert done.code == 0, done.err
    return done.record


def refused(*arguments: object) -> str:
    """The words of a request that must be refused: exit code 2, one line that names the program."""
    done = frame(*arguments)
    assert done.code == 2, (done.code, done.out, done.err)
    assert done.err.startswith("footroom: "), done.err
    assert len(done.err.strip().splitlines()) == 1, done.err
    assert done.out == ""
    return done.err.strip()


def all_planes(path: Path) -> list[tuple[np.ndarray, ...]]:
    """Every frame's planes, codes as they lie in their words."""
    with open_recording(path) as recording:
        return [tuple(plane.copy() for plane in each.planes) for each in recording.frames()]


def listing(folder: Path) -> list[str]:
    """Every file and folder below a folder, hidden ones too."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))
