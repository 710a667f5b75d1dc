"""Numbered stills as one recording: patterns, members, natural order, and what is missing."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

STILL_SUFFIXES = frozenset({".dpx", ".tif", ".tiff", ".png", ".exr"})
_NUMBERED = re.compile(r"^(?P<head>.*?)(?P<number>\d+)(?P<tail>\.[A-Za-z]+)$")
_PATTERN = re.compile(r"^(?P<head>.*?)(?:(?P<hashes>#+)|%(?:0(?P<width>\d+))?d)(?P<tail>\.[A-Za-z]+)$")


@dataclass(frozen=True, slots=True)
class Run:
    """Stills of one name and numbers.

    pattern : `name.####.ext`, as many # as the numbers have digits; the file itself for a still without a number
    files : number to file, in order of the numbers
    """

    pattern: Path
    files: dict[int, Path] = field(hash=False)

    @property
    def missing(self) -> list[int]:
        """Numbers between the first and the last that no file has."""
        numbers = list(self.files)
        return sorted(set(range(numbers[0], numbers[-1] + 1)) - set(numbers))


def natural_key(path: Path) -> tuple[list[tuple[int, int, str]], str]:
    """Sorts a2 before a10."""
    parts = re.split(r"(\d+)", path.name.casefold())
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part], path.name


def parse_pattern(path: Path) -> re.Match[str] | None:
    """The parts of `name.####.ext` or `name.%04d.ext`, or None where it is no pattern of stills."""
    match = _PATTERN.match(path.name)
    return match if match and match["tail"].lower() in STILL_SUFFIXES else None


def runs_in(files: Iterable[Path]) -> list[Run]:
    """Stills grouped into runs: same folder, same name around the last number; unpadded and padded numbers together."""
    groups: dict[tuple[Path, str, str], list[tuple[int, str, Path]]] = {}
    singles: list[Run] = []
    for file in files:
        match = _NUMBERED.match(file.name)
        if match is None:
            singles.append(Run(file, {0: file}))
            continue
        key = (file.parent, match["head"], match["tail"])
        groups.setdefault(key, []).append((int(match["number"]), match["number"], file))
    runs = []
    for (folder, head, tail), members in groups.items():
        digits = min(len(text) for _, text, _ in members)
        ordered = {number: file for number, _, file in sorted(members)}
        runs.append(Run(folder / f"{head}{'#' * digits}{tail}", ordered))
    return runs + singles


def run_of(path: Path) -> Run | None:
    """The run that a pattern names or that a still belongs to; None where the path is no still."""
    if path.suffix.lower() not in STILL_SUFFIXES:
        return None
    match = parse_pattern(path)
    head, tail = (match["head"], match["tail"]) if match else ("", "")
    if match is None:
        numbered = _NUMBERED.match(path.name)
        if numbered is None or not path.exists():
            return Run(path, {0: path})
        head, tail = numbered["head"], numbered["tail"]
    folder = path.parent
    siblings = folder.iterdir() if folder.is_dir() else iter(())
    wanted = [file for file in siblings if file.name.startswith(head) and file.name.endswith(tail)]
    for run in runs_in(file for file in wanted if not file.name.startswith(".")):
        first = _NUMBERED.match(next(iter(run.files.values())).name)
        if first and (first["head"], first["tail"]) == (head, tail):
            return run
    return Run(path, {})
