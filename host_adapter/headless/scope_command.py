"""`footroom scope`: scopes of a recording, or of two, as a picture, as a movie, or burnt into a copy."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from rich.text import Text

from ...kernels.encoding import Range
from ..effects.scopes_effect import EFFECT, box_of, marks_for
from ..image import Window
from ..scopes.layout import LEAST_CAPITALS, capitals_for
from ..wanted import read_size
from .applying import Tell, apply_effect, choice_for
from .errors import Problem
from .exits import OK
from .exposing import check_one_transfer
from .host import image_of
from .jobs import Claims
from .media import Info, Recording
from .opening import open_recording, recording_files
from .publish import discard, make_folder, partial_of, publish, remove_empty, sole_writer, system_problem, whole_already
from .receipt import fingerprint, receipt_head
from .scope_movie import FORMS
from .scoping import OWN, Take, page_of, take_of, write_movie, write_picture
from .survey import trusted_range
from .terminal import console, progress_bars
from .viewing import matrix_of

CAUTION = "Scopes are for looking at, not for delivery. Whether a delivery is within limits, footroom check and the broadcaster say."
PICTURES = {".png": "PNG", ".tif": "TIFF", ".tiff": "TIFF", ".jpg": "JPEG", ".jpeg": "JPEG"}
SIZE = (1920, 1080)
LEAST, MOST = (320, 180), (7680, 4320)
FLAGGED = {"arib-std-b67": "hlg", "smpte2084": "pq"}
"""Displays that a recording says itself that it is made for."""
_BURN_ONLY = {"--corner": "corner", "--part": "part", "--opacity": "opacity", "--codec": "codec"}
_PAGE_ONLY = {"--size": "size", "--against": "against"}


@dataclass(frozen=True, slots=True)
class Asked:
    """made_as : 'picture' | 'movie' | 'burn'; values : what a person said, by option; None where left out"""

    source: Path
    out: Path
    made_as: str
    kind: str
    at: Fraction | None
    size: tuple[int, int]
    values: Mapping[str, Any]
    overwrite: bool

    @property
    def inputs(self) -> list[Path]:
        against = self.values["against"]
        return [self.source, *([against] if against is not None else [])]

    def settings(self) -> dict[str, Any]:
        """What decides the result; of another recording what it holds, for its name alone does not say so."""
        values = {name: value for name, value in self.values.items() if name not in ("size", "against")}
        against = self.values["against"]
        other = None if against is None else {"path": str(against), **fingerprint(recording_files(against))}
        at = None if self.at is None else float(self.at)
        size = None if self.made_as == "burn" else list(self.size)
        return {"as": self.made_as, "kind": self.kind, "frame": at, "size": size, "against": other, **values}


def run_scope(
    source: Path, *, out: Path, kind: str | None, at: float | None, made_as: str | None, overwrite: bool, as_json: bool,
    **values: Any,
) -> int:  # fmt: skip
    """The sub-command; returns the exit code.

    Raises: Problem.
    """
    made_as = made_as or ("picture" if out.suffix.lower() in PICTURES else "movie")
    _check_heard(made_as, at, values)
    _check_name(made_as, out)
    try:
        size = SIZE if values["size"] is None else read_size(values["size"])
    except ValueError as error:
        raise Problem(None, f"--size: {error}") from None
    if not (LEAST[0] <= size[0] <= MOST[0] and LEAST[1] <= size[1] <= MOST[1]):
        ends = " to ".join(f"{width}x{height}" for width, height in (LEAST, MOST))
        raise Problem(None, f"--size: scopes are drawn from {ends}, not {size[0]}x{size[1]}")
    moment = None if at is None else Fraction(str(at))
    kind = kind or ("waveform" if made_as == "burn" else "all")
    receipt = _made(Asked(source, out, made_as, kind, moment, size, values, overwrite), quiet=as_json)
    if as_json:
        print(json.dumps({"path": str(out), "as": made_as, **receipt}, indent=2, ensure_ascii=False))
    else:
        _print(out, receipt)
    return OK


def _check_heard(made_as: str, at: float | None, values: Mapping[str, Any]) -> None:
    """Raises: Problem for an option that nothing would hear."""
    if at is not None and made_as != "picture":
        raise Problem(None, f"--frame is for --as picture, and this is a {made_as}", "Leave --frame out.")
    unheard = _PAGE_ONLY if made_as == "burn" else _BURN_ONLY
    for option, name in unheard.items():
        if values[name] is not None:
            whom = "a picture or a movie" if made_as == "burn" else "a burn"
            raise Problem(None, f"{option} is for {whom}, and this is a {made_as}", f"Leave {option} out.")
    if values["against"] is None:
        for option in ("arrange", "assume_against"):
            if values[option] is not None:
                words = f"--{option.replace('_', '-')} is of two recordings, and there is one"
                raise Problem(None, words, "Name the other one with --against FILE.")
    check_one_transfer(values)


def _check_name(made_as: str, out: Path) -> None:
    """Raises: Problem for a name that such a result cannot have."""
    known = {"picture": tuple(PICTURES), "movie": tuple(FORMS)}.get(made_as)
    if known is not None and out.suffix.lower() not in known:
        what = f"'{out.suffix}'" if out.suffix else "a name without a suffix"
        raise Problem(out, f"a {made_as} of scopes cannot be written as {what}", f"Name it {', '.join(known)}.")


def _made(asked: Asked, *, quiet: bool) -> dict[str, Any]:
    out, folders = asked.out, []
    try:
        with ExitStack() as stack:
            recordings = [stack.enter_context(open_recording(path)) for path in asked.inputs]
            marks_for(asked.values["curve"] or "", "none", 10)  # an unknown curve is found now
            claims = Claims([each for path in asked.inputs for each in (*recording_files(path), path)])
            claims.claim(out, asked.source)
            settings = asked.settings()
            folders += make_folder(out.parent)
            bars = stack.enter_context(progress_bars(quiet=quiet))
            with sole_writer(out.parent):
                task = bars.add_task("scope", total=None)

                def tell(doing: str, done: int, total: int | None) -> None:
                    bars.update(task, description=doing, completed=done, total=total)

                receipt = whole_already(out, settings, asked.source, overwrite=asked.overwrite)
                return receipt if receipt is not None else _written(asked, recordings, settings, tell)
    except (OSError, MemoryError) as error:
        raise system_problem(out, error) from None
    finally:
        remove_empty(folders)


def _written(asked: Asked, recordings: list[Recording], settings: dict[str, Any], tell: Tell) -> dict[str, Any]:
    partial = partial_of(asked.out)
    discard(partial)
    try:
        part = (
            _burn(asked, recordings[0], partial, tell)
            if asked.made_as == "burn"
            else _page(asked, recordings, partial, tell)
        )
        about = part.pop("output", {})
        files = recording_files(asked.source)
        receipt = {
            **receipt_head(asked.source, files, asked.out, partial, settings, about),
            "done": part.pop("words"),
            **part,
        }
        publish(partial, asked.out, receipt, overwrite=asked.overwrite)
    except Problem as problem:
        if problem.path == partial:
            raise Problem(asked.out, problem.found, problem.remedy) from None
        raise
    finally:
        discard(partial)
    return receipt


def _range(word: str | None) -> Range | None:
    return None if word is None else Range.parse(word)


def _display(asked: Asked, info: Info) -> str:
    """The display that lines are drawn for: as said, or as the recording says of itself."""
    if asked.values["curve"] is not None:
        return "none"
    return str(asked.values["display"] or FLAGGED.get(info.transfer or "", "none"))


def _page(asked: Asked, recordings: list[Recording], partial: Path, tell: Tell) -> dict[str, Any]:
    words = (asked.values["assume"], asked.values["assume_against"])
    takes: list[Take] = [take_of(each, _range(word)) for each, word in zip(recordings, words, strict=False)]
    first = takes[0]
    marks = marks_for(asked.values["curve"] or "", _display(asked, first.info), first.encoding.depth)
    page = page_of(takes, asked.kind, asked.size, marks, over=asked.values["arrange"] == "over")
    read = {"read_as": [f"{take.encoding.depth} bit, {take.encoding.range.label}" for take in takes]}
    if asked.made_as == "movie":
        return write_movie(partial, page, takes, tell) | read
    tell("draw", 0, None)
    return write_picture(partial, page, takes, asked.at, PICTURES[asked.out.suffix.lower()]) | read


def _burn(asked: Asked, recording: Recording, partial: Path, tell: Tell) -> dict[str, Any]:
    info, given = recording.info, asked.values
    take = take_of(recording, _range(given["assume"]))
    wishes = {
        "kind": asked.kind, "curve": given["curve"], "display": _display(asked, info), "assume": take.encoding.range.label,
        "corner": given["corner"], "size": given["part"], "opacity": given["opacity"],
    }  # fmt: skip
    try:
        values = EFFECT.values({name: value for name, value in wishes.items() if value is not None})
        notes = _notes(values, info)
        choice = choice_for(info, asked.out, given["codec"])
        part = apply_effect(recording, EFFECT, values, partial, choice, matrix_of(info), tell)
    except ValueError as error:
        raise Problem(info.path, str(error)) from None
    return (
        part
        | {
            "read_as": [
                f"{info.depth} bit, {trusted_range(info).label if given['assume'] is None else given['assume']}"
            ]
        }
        | notes
    )


def _notes(values: Mapping[str, Any], info: Info) -> dict[str, Any]:
    """What has to be said of a scope that is small, or will lie turned.

    Raises: Problem where nothing of it could be seen.
    """
    whole = Window(0, 0, info.width, info.height)
    image = replace(image_of(info, (np.zeros((1, 1), np.uint8),), None), whole=whole, bounds=whole)
    box = box_of(values, image)
    if box.empty:
        raise Problem(
            info.path, f"a scope of {values['size']:g} % does not fit a picture of {info.width}x{info.height}",
            "Give a larger --part, or make a picture of it (--as picture).",
        )  # fmt: skip
    notes = []
    if info.turned:
        notes.append(f"players turn this recording by {info.turned} degrees, and the scope with it")
    if not capitals_for(box.x1 - box.x0, box.y1 - box.y0):
        least = 16 * LEAST_CAPITALS
        notes.append(f"the scope is less than {least} columns wide or too low for letters: its lines have no labels")
    return {"notes": notes} if notes else {}


def _print(out: Path, receipt: Mapping[str, Any]) -> None:
    screen = console()
    screen.print(Text(str(receipt["done"])), soft_wrap=True)
    screen.print(Text(f"  read as {' and '.join(receipt['read_as'])} range"))
    for codes in receipt.get("codes", []):
        said = [f"{name} {codes[name]['lowest']} to {codes[name]['highest']}" for name in OWN if name in codes]
        if said:
            screen.print(Text(f"  codes: {', '.join(said)}"), soft_wrap=True)
    for note in receipt.get("notes", []):
        screen.print(Text(f"  {note}"), soft_wrap=True)
    for item in receipt.get("uncarried", []):
        screen.print(Text(f"  NOT CARRIED: {item}", style="bold"), soft_wrap=True)
    screen.print(Text(f"-> {out}"), soft_wrap=True)
    screen.print(Text(f"\n{CAUTION}"))
