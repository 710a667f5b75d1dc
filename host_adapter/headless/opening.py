"""From what a person names to recordings: files, folders and sequences, opened by the reader that suits them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from .errors import Problem
from .media import Recording
from .sequences import STILL_SUFFIXES, Run, natural_key, parse_pattern, run_of, runs_in

_MOVIES = (
    "mov", "mp4", "m4v", "mkv", "webm", "mxf", "avi", "mts", "m2ts", "m2t", "ts", "mpg", "mpeg", "m2v", "vob", "mod",
    "tod", "3gp", "3g2", "flv", "wmv", "asf", "ogv", "dv", "gxf", "y4m", "ivf", "h264", "264", "hevc", "265", "h265",
    "nut", "insv", "lrv", "apv", "obu",
)  # fmt: skip
_PICTURES = (
    "jpg", "jpeg", "jp2", "heic", "heif", "gif", "bmp", "webp", "dng", "cr2", "cr3", "nef", "arw", "raf", "rw2", "tga",
)  # fmt: skip
MOVIE_SUFFIXES = frozenset(f".{suffix}" for suffix in _MOVIES)
"""What a folder is searched for; a file that is named outright is tried whatever its name."""

OTHER_STILLS = frozenset(f".{suffix}" for suffix in _PICTURES)
"""Stills that are no part of a recording here."""

TRIAL_RECORD = "trial.json"
"""What `footroom trial --out` writes beside its pictures, with their names."""


def open_recording(path: Path | str) -> Recording:
    """A movie, or a sequence of stills: `name.####.ext`, `name.%04d.ext`, a member (see `run_of`), or a folder of just these.

    Raises: Problem for what is neither, or cannot be read.
    """
    path = Path(path)
    run = _only_run(path) if path.is_dir() else run_of(path)
    if run is not None:
        from .stills import Stills

        return Stills(run)
    if path.suffix.lower() in OTHER_STILLS and path.exists():
        raise Problem(path, "stills of this kind are not read", "Convert them to TIFF, PNG, DPX or EXR.")
    from .movie import open_movie

    return open_movie(path)


def gather(inputs: Iterable[Path | str]) -> tuple[list[Path], list[Path]]:
    """Recordings under the given files, folders and patterns, in natural order, each once; and the files passed over.

    Returns recordings (movies' paths, and patterns `name.####.ext` for sequences) and what was found in folders that is
    no recording. Hidden files, receipts, and a trial's pictures and record are neither. Something named outright always
    counts as a recording: opening it says what is wrong with it.
    """
    found: dict[Path, None] = {}
    passed: dict[Path, None] = {}
    for given in inputs:
        path = Path(given)
        if path.is_dir():
            _gather_folder(path, found, passed)
        elif path.suffix.lower() in STILL_SUFFIXES:
            run = run_of(path) if path.exists() or parse_pattern(path) else None
            found[run.pattern if run is not None else path] = None
        else:
            found[path] = None
    return list(found), list(passed)


def _gather_folder(folder: Path, found: dict[Path, None], passed: dict[Path, None]) -> None:
    try:
        entries = sorted(folder.iterdir(), key=natural_key)
    except PermissionError:
        raise Problem(folder, "the folder may not be read", "Give yourself permission to read it.") from None
    own = _of_a_trial(folder)
    entries = [entry for entry in entries if not entry.name.startswith((".", "$")) and entry.name not in own]
    runs: list[Run] = runs_in(entry for entry in entries if entry.suffix.lower() in STILL_SUFFIXES and entry.is_file())
    members = {member: run for run in runs for member in run.files.values()}
    for entry in entries:
        if entry.is_dir():
            if not entry.is_symlink():
                _gather_folder(entry, found, passed)
        elif entry in members:
            found[members[entry].pattern] = None
        elif entry.suffix.lower() in MOVIE_SUFFIXES:
            found[entry] = None
        elif not is_receipt(entry):
            passed[entry] = None


def _of_a_trial(folder: Path) -> set[str]:
    """Names of what `footroom trial --out` wrote there: its record and the pictures that the record names."""
    try:
        record = json.loads((folder / TRIAL_RECORD).read_bytes())
        pictures = record["pictures"] if isinstance(record["trials"], list) else None
    except (OSError, ValueError, KeyError, TypeError):
        return set()
    if not isinstance(pictures, list):
        return set()
    return {TRIAL_RECORD, *(name for name in pictures if isinstance(name, str) and name.endswith(".png"))}


def is_receipt(path: Path) -> bool:
    """True for the project's own record beside a result."""
    return path.name.endswith(".receipt.json")


def recording_files(path: Path | str) -> list[Path]:
    """The files that a recording consists of: the movie, or the stills of a run in the order of their numbers.

    Raises: Problem where a pattern matches nothing.
    """
    path = Path(path)
    if path.is_dir():
        return list(_only_run(path).files.values())
    run = run_of(path)
    if run is None:
        return [path]
    if not run.files:
        raise Problem(path, "no file matches this pattern", "Check the folder and the spelling.")
    return list(run.files.values())


def _only_run(folder: Path) -> Run:
    """The one run of stills in a folder, hidden or not.

    Raises: Problem where there is none, or more than one.
    """
    stills = [entry for entry in folder.iterdir() if entry.suffix.lower() in STILL_SUFFIXES and entry.is_file()]
    runs = runs_in(sorted(entry for entry in stills if not entry.name.startswith(".")))
    if len(runs) == 1:
        return runs[0]
    if not runs:
        raise Problem(folder, "this is a folder without stills", "Name a movie, or a sequence as name.####.dpx.")
    names = ", ".join(run.pattern.name for run in runs[:3])
    raise Problem(folder, f"this folder holds several sequences ({names})", "Name one of them as name.####.dpx.")
