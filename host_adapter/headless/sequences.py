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
    """Stills grouped into runs: same folder, same name around the last number; unpadded and padded numbers together.

    Numbers of which none counts on from another, as in wide360.png and wide1080.png, make no run: those are stills by themselves.
    """
    groups: dict[tuple[Path, str, str], dict[str, Path]] = {}
    singles: list[Run] = []
    for file in files:
        match = _NUMBERED.match(file.name)
        if match is None:
            singles.append(_single(file))
        else:
            groups.setdefault((file.parent, match["head"], match["tail"]), {})[match["number"]] = file
    runs = []
    for (folder, head, tail), members in groups.items():
        if any(_counts(number, members) for number in members):
            runs.append(_run(folder, head, tail, members))
        else:
            singles += map(_single, members.values())
    return runs + singles


def run_of(path: Path) -> Run | None:
    """The run that a pattern names or that a still belongs to; None where the path is no still.

    A still that is named itself stands for its run where its number is padded (shot.0007.dpx), or a still has the number before or
    after; any other is itself alone.
    """
    if path.suffix.lower() not in STILL_SUFFIXES:
        return None
    pattern = parse_pattern(path)
    named = pattern or (_NUMBERED.match(path.name) if path.exists() else None)
    if named is None:
        return _single(path)
    members: dict[str, Path] = {}
    for file in path.parent.iterdir() if path.parent.is_dir() else ():
        match = _NUMBERED.match(file.name)
        if match and (match["head"], match["tail"]) == (named["head"], named["tail"]) and file.name[0] != ".":
            members[match["number"]] = file
    if pattern is None and not _counts(named["number"], members):
        return _single(path)
    return _run(path.parent, named["head"], named["tail"], members) if members else Run(path, {})


def _single(file: Path) -> Run:
    return Run(file, {0: file})


def _counts(number: str, members: Iterable[str]) -> bool:
    """Whether a still's number is one that counts stills: padded with zeros, or with another just before or after it."""
    return number[0] == "0" or not {int(number) - 1, int(number) + 1}.isdisjoint(map(int, members))


def _run(folder: Path, head: str, tail: str, members: dict[str, Path]) -> Run:
    """Stills of one name, by the digits of their numbers as written."""
    ordered = {int(number): members[number] for number in sorted(members, key=lambda text: (int(text), text))}
    return Run(folder / f"{head}{'#' * min(map(len, members))}{tail}", ordered)
