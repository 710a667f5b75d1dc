"""Which inputs become which results: names, and the collisions that are refused before a frame is read."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from .errors import Problem
from .opening import gather
from .plan import Order


@dataclass(frozen=True, slots=True)
class Source:
    """An input as found: its path (or sequence pattern), and the folder below the output that its result goes to."""

    path: Path
    below: Path


def find_sources(inputs: Iterable[Path]) -> tuple[list[Source], list[Path]]:
    """The recordings among files, folders and sequences, each once, and what is no recording.

    A folder's own structure is kept below the output, so that two cards with the same file names stay apart.
    """
    sources: list[Source] = []
    ignored: list[Path] = []
    seen: set[Path] = set()
    for given in inputs:
        found, others = gather([given])
        ignored.extend(others)
        for path in found:
            key = path.resolve()
            if key in seen:
                continue
            seen.add(key)
            inside = given.is_dir() and path.is_relative_to(given)
            below = path.parent.relative_to(given) if inside else Path()
            sources.append(Source(path, below))
    return sources, ignored


def plain_name(path: Path) -> str:
    """A recording's name without its extension; for a sequence without its number too ('shot.####.dpx' is 'shot')."""
    stem = path.stem
    for mark in ("#", "%"):
        stem = stem.split(mark, 1)[0]
    return stem.rstrip("._-") or "frames"


@dataclass(frozen=True, slots=True)
class Job:
    """One order and the folder its result goes to."""

    order: Order
    folder: Path


class Claims:
    """Result names, each given out once; the inputs' own names never."""

    def __init__(self, inputs: Iterable[Path]) -> None:
        self._inputs = {os.path.realpath(path) for path in inputs}
        self._taken: dict[str, Path] = {}

    def claim(self, result: Path, source: Path) -> None:
        """Take a name for a result.

        Raises: Problem where it is an input's, that of a folder an input lies in, or another result's.
        """
        key = os.path.realpath(result)
        if any(name == key or name.startswith(key + os.sep) for name in self._inputs):
            raise Problem(
                source, f"its result would lie on top of the original ({result})", "Choose another --out folder."
            )
        if key in self._taken:
            raise Problem(
                source,
                f"its result would have the same name as that of {self._taken[key]} ({result})",
                "Choose another name or --out folder, or give their common folder as the input.",
            )
        self._taken[key] = source
