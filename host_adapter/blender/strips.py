# SPDX-License-Identifier: GPL-3.0-or-later
"""The recordings behind the sequencer's strips. Data only, no operators."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy

from . import versions

WITHOUT_FILES = {
    "COLOR": "a colour strip has no recording",
    "TEXT": "a text strip has no recording",
    "ADJUSTMENT": "an adjustment strip has no recording",
    "SCENE": "the strips of a scene are surveyed in that scene",
    "MOVIECLIP": "a movie clip belongs to the clip editor; add its file as a movie strip",
    "MASK": "a mask has no recording",
    "MULTICAM": "a multicam strip shows other strips",
}
"""Strips that are left out with a word. Effects on strips and sound are not spoken of."""

DRAWN = "footroom_guides"
"""Custom property of strips that guides are drawn in, which are no recordings."""


@dataclass(frozen=True, slots=True)
class Use:
    """A strip that shows a recording.

    written : its path as Blender holds it; a sequence's with #### for the number
    path : the same, absolute, as the survey opens it
    trouble : why it cannot be looked at, in words, or nothing
    """

    strip: Any
    name: str
    written: str
    path: Path
    muted: bool = False
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Edit:
    """The strips of a scene that show recordings, in the order of the timeline, and what is left out and why."""

    uses: tuple[Use, ...]
    left_out: tuple[tuple[str, str], ...]

    def recordings(self) -> dict[Path, list[Use]]:
        """Every recording once, with the strips that show it; those in trouble left out."""
        found: dict[Path, list[Use]] = {}
        for use in self.uses:
            if not use.trouble:
                found.setdefault(use.path, []).append(use)
        return found


def edit_of(scene: Any) -> Edit:
    """The recordings in a scene's edit. Meta strips are entered."""
    uses, left_out = [], []
    for strip, muted in _walk(scene):
        if strip.type in ("MOVIE", "IMAGE"):
            uses.append(use_of(strip, muted))
        elif strip.type in WITHOUT_FILES:
            left_out.append((strip.name, WITHOUT_FILES[strip.type]))
    return Edit(tuple(uses), tuple(left_out))


def shown(scene: Any) -> list[tuple[Any, bool]]:
    """The strips that show recordings, and whether each is muted, without a look at the disk: for drawing."""
    return [(strip, muted) for strip, muted in _walk(scene) if strip.type in ("MOVIE", "IMAGE")]


def _walk(scene: Any) -> Iterator[tuple[Any, bool]]:
    editor = scene.sequence_editor
    if editor is None:
        return
    waiting = [(versions.top_level(editor), editor.channels, False)]
    while waiting:
        strips, channels, muted = waiting.pop()
        for strip in sorted(strips, key=lambda each: (versions.shows_from(each), each.channel)):
            silent = muted or strip.mute or channels[strip.channel].mute
            if strip.type == "META":
                waiting.append((versions.top_level(strip), strip.channels, silent))
            elif DRAWN not in strip:
                yield strip, silent


def use_of(strip: Any, muted: bool = False) -> Use:
    """The recording that a movie or image strip shows."""
    written = written_path(strip)
    path = absolute(written, strip.id_data)
    return Use(strip, strip.name, written, path, muted, _trouble(strip, written, path))


def written_path(strip: Any) -> str:
    """A strip's path as Blender holds it; of several stills with #### for the number that changes."""
    if strip.type == "MOVIE":
        return str(strip.filepath)
    names = [element.filename for element in strip.elements]
    return f"{as_folder(strip.directory)}{pattern_of(names)}"


def as_folder(directory: str) -> str:
    return directory if not directory or directory.endswith(("/", "\\")) else f"{directory}/"


def pattern_of(names: Sequence[str]) -> str:
    """name.####.ext for numbered stills, the name itself for one; the first name where they have no pattern."""
    from footroom.host_adapter.headless.sequences import runs_in

    distinct = list(dict.fromkeys(names))
    if len(distinct) < 2:
        return distinct[0] if distinct else ""
    runs = runs_in(Path(name) for name in distinct)
    return str(runs[0].pattern) if len(runs) == 1 else distinct[0]


def absolute(written: str, owner: Any) -> Path:
    """A path of Blender's as an absolute one; // is the folder of the blend file that the owner comes from."""
    return Path(os.path.normpath(bpy.path.abspath(written, library=owner.library)))


def _trouble(strip: Any, written: str, path: Path) -> str:
    if not written:
        return "it names no file"
    home = strip.id_data.library.filepath if strip.id_data.library else bpy.data.filepath
    if written.startswith("//") and not home:
        return "its path is relative to a blend file that has not been saved: save the blend file first"
    if getattr(strip, "stream_index", 0):
        return "it shows another picture stream than the first, which is not looked at"
    names = [element.filename for element in strip.elements] if strip.type == "IMAGE" else [path.name]
    if len(set(names)) > 1 and "#" not in path.name:
        return "its stills are not one numbered sequence"
    there = _files_in(path.parent)
    missing = [name for name in dict.fromkeys(names) if name not in there]
    if not missing:
        return ""
    if _packed(path.parent / missing[0]):
        return f"{missing[0]} is packed in the blend file, and the sequencer reads files only: unpack it first"
    more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
    return f"{missing[0]}{more} is not there ({path.parent})"


def _files_in(folder: Path) -> set[str]:
    try:
        with os.scandir(folder) as entries:
            return {entry.name for entry in entries if entry.is_file()}
    except OSError:
        return set()


def _packed(path: Path) -> bool:
    return any(image.packed_file is not None and absolute(image.filepath, image) == path for image in bpy.data.images)
