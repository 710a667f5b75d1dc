# SPDX-License-Identifier: GPL-3.0-or-later
"""The survey as work in a thread: paths in, plain records out. Knows nothing of Blender."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .wording import in_host

if TYPE_CHECKING:
    from .progress import Task

KEPT = (
    "path", "codec", "depth", "frames", "tag", "trusted", "finding", "agrees", "confidence", "why", "settle", "remedy",
    "proposal", "price", "profile", "curve", "clipped_if_trusted", "history",
)  # fmt: skip


class Stopped(Exception):  # noqa: N818  (a wish, no error)
    """The person asked to stop."""


class Watched:
    """A recording whose sampling stops when the person asks for it."""

    def __init__(self, recording: Any, task: Task, first: float) -> None:
        self._recording, self._task, self._first = recording, task, first
        self.info = recording.info

    def sample(self, count: int) -> Iterator[Any]:
        task = self._task
        for number, frame in enumerate(self._recording.sample(count)):
            if task.stop.is_set():
                raise Stopped
            task.show(task.words, self._first + number / count, task.total)
            yield frame

    def __getattr__(self, name: str) -> Any:
        return getattr(self._recording, name)


def survey_paths(paths: Iterable[Path], curve: str, profile: str, task: Task) -> dict[Path, dict[str, Any]]:
    """Survey each recording; those after a stop have no answer.

    Returns: records as `Record.to_json` with the files' stamp, or {'problem': words}.
    """
    from footroom.host_adapter.headless.errors import Problem
    from footroom.host_adapter.headless.survey import survey

    paths = list(paths)
    found: dict[Path, dict[str, Any]] = {}
    for number, path in enumerate(paths):
        if task.stop.is_set():
            break
        task.show(f"survey {path.name}", number, len(paths))
        try:
            with opened(path) as recording:
                watched: Any = Watched(recording, task, number)
                record = survey(watched, curve=curve or None, profile=None if profile == "unsaid" else profile)
            full = record.to_json()
            found[path] = {key: full[key] for key in KEPT} | {"stamp": stamp(path)}
        except Stopped:
            break
        except Problem as problem:
            found[path] = {"problem": in_host(str(problem))}
        except OSError as error:
            found[path] = {"problem": f"{path.name}: it could not be read ({error.strerror or error})."}
    return found


def opened(path: Path) -> Any:
    """A recording, of a still the strip's own and not the run that its name may belong to."""
    from footroom.host_adapter.headless.opening import open_recording
    from footroom.host_adapter.headless.sequences import STILL_SUFFIXES, Run, parse_pattern

    if path.suffix.lower() in STILL_SUFFIXES and parse_pattern(path) is None:
        from footroom.host_adapter.headless.stills import Stills

        return Stills(Run(path, {0: path}))
    return open_recording(path)


def stamp(path: Path) -> list[int]:
    """Bytes and time of change of a recording's files, to see whether they are still those that were looked at."""
    from footroom.host_adapter.headless.opening import recording_files
    from footroom.host_adapter.headless.sequences import parse_pattern

    files = recording_files(path) if parse_pattern(path) else [path]
    facts = [file.stat() for file in files]
    return [sum(each.st_size for each in facts), max(each.st_mtime_ns for each in facts)]
