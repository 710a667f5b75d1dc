# SPDX-License-Identifier: GPL-3.0-or-later
"""Putting another file behind a strip, and the original again; all else about the strip stays. No operators."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import bpy

from . import versions
from .strips import absolute, as_folder, written_path

ORIGINAL = "footroom_original"
"""Custom property of a mended strip: the file it had, as Blender held it."""
MENDED = "footroom_mended"
"""Custom property of a mended strip: what was done, as JSON."""


class Refused(Exception):  # noqa: N818  (the timeline's answer, no error of the program)
    """A strip that is left as it was, and why, in words."""


def record_of(strip: Any) -> dict[str, Any] | None:
    """What was done to a strip, or None where nothing was or another file has been put behind it since."""
    if not strip.get(ORIGINAL):
        return None
    try:
        record: dict[str, Any] = json.loads(strip.get(MENDED, "{}"))
    except ValueError:
        record = {}
    result = record.get("result")
    if result is None:
        return record
    same = Path(written_path(strip).replace("\\", "/").lstrip("/")).parts[-2:] == Path(result).parts[-2:]
    return record if same else None  # the last two parts only: a project may be moved as a whole


def relink(strip: Any, result: Path, record: dict[str, Any]) -> None:
    """Put a mended recording behind a strip; all else about the strip stays.

    result : a movie, or a folder of stills with the names that the strip's have
    record : what was done, kept with the strip
    Raises: Refused where the result does not fit the strip, which is then as it was.
    """
    was = written_path(strip)
    here = absolute(was, strip.id_data)
    extra: dict[str, Any]
    if strip.type == "MOVIE":
        source = reading_of(here)
        held = _swap_movie(strip, _like(was, result, strip.id_data), source, 0)
        assert source is not None
        extra = {"pictures": source.frames, "fps": source.fps, "held": held}
    else:
        names = [element.filename for element in strip.elements]
        new = _members(names, result)
        extra = {"suffix": Path(names[0]).suffix}
        _swap_stills(strip, as_folder(_like(was, result, strip.id_data)), new)
    strip[ORIGINAL] = was
    there = absolute(written_path(strip), strip.id_data)
    places = {"absolute": str(here), "result": str(there), "beside": _beside(here, there)}
    kept = {**record, **extra, **places}
    strip[MENDED] = json.dumps(kept, ensure_ascii=False)


def put_back(strip: Any) -> None:
    """Put the original behind a mended strip again.

    Raises: Refused where it is not mended, or its original is not there or has another length by now.
    """
    if not strip.get(ORIGINAL):
        raise Refused("it has no original to put back")
    record = record_of(strip)
    if record is None:
        raise Refused(f"another file was put behind it since it was mended; its original was {strip[ORIGINAL]}")
    was = str(strip[ORIGINAL])
    now = written_path(strip)
    here = absolute(now, strip.id_data)
    # As seen from the result first: Blender rewrites its own paths on saving, not ours, and projects are moved as a whole
    places = [Path(os.path.normpath(here.parent / record["beside"]))] if "beside" in record else []
    places += [] if was.startswith("//") and not bpy.data.filepath else [absolute(was, strip.id_data)]
    places += [Path(record["absolute"])] if "absolute" in record else []
    suffix = record.get("suffix")
    names = [
        str(Path(element.filename).with_suffix(suffix)) if suffix else element.filename for element in strip.elements
    ]
    for path in places:
        written = _like(now, path, strip.id_data)
        if strip.type == "MOVIE" and path.is_file():
            source = Reading(record["pictures"], record["fps"]) if "pictures" in record else reading_of(path)
            _swap_movie(strip, written, source, record.get("held", 0), exact=True)
            break
        if strip.type == "IMAGE" and all((path.parent / name).is_file() for name in names):
            _swap_stills(strip, written[: len(written) - len(path.name)], names)
            break
    else:
        raise Refused(f"its original is not there ({was})")
    for name in (ORIGINAL, MENDED):
        if name in strip:
            del strip[name]


def _beside(path: Path, other: Path) -> str:
    """Where a file lies as seen from another's folder."""
    try:
        return os.path.relpath(path, other.parent)
    except ValueError:  # another drive
        return str(path)


def _like(was: str, path: Path, owner: Any) -> str:
    """A path in the form that another has: relative to the blend file, or absolute."""
    if was.startswith("//") and owner.library is None:
        try:
            return str(bpy.path.relpath(str(path)))
        except ValueError:  # another drive
            pass
    return str(path)


def _members(names: Sequence[str], folder: Path) -> list[str]:
    """A mended still for each of the strip's, by name without extension. Raises: Refused."""
    there = {path.stem: path.name for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")}
    missing = [name for name in names if Path(name).stem not in there]
    if missing:
        raise Refused(f"the result has no still for {missing[0]}")
    return [there[Path(name).stem] for name in names]


@dataclass(frozen=True, slots=True)
class Reading:
    """A movie as Blender reads it: pictures (from the length that the file says) and speed."""

    frames: int
    fps: float

    @property
    def words(self) -> str:
        return f"{self.frames} pictures at {self.fps:.6g} a second"


def reading_of(path: Path) -> Reading | None:
    """How Blender reads a movie; None where it cannot. Changes nothing in the timeline."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return _reading(str(path), facts.st_size, facts.st_mtime_ns)


@lru_cache(maxsize=64)
def _reading(path: str, _size: int, _changed: int) -> Reading | None:
    """Read once: opening a movie costs as much as all the rest, and an edit has many strips of one."""
    try:
        clip = bpy.data.movieclips.load(path)
    except RuntimeError:
        return None
    try:
        return Reading(clip.frame_duration, clip.fps) if clip.frame_duration > 0 else None
    finally:
        bpy.data.movieclips.remove(clip)


def _swap_movie(strip: Any, filepath: str, source: Reading | None, held: int, *, exact: bool = False) -> int:
    """Change the file alone. What Blender sets anew with it is set back.

    A Matroska file does not say how long its picture is, so where sound is longer Blender takes it for more pictures;
    those that there are not are then held off the end, or speed effects and reversed strips would be others.

    source : the file that the strip's timing is made for, as Blender reads it
    held : pictures of the present file that are held off so far
    exact : it has to be of the very length
    Returns: the pictures held off now.
    Raises: Refused, and nothing is changed.
    """
    path = absolute(filepath, strip.id_data)
    reading = reading_of(path)
    if reading is None:
        raise Refused(f"Blender cannot read {path.name}")
    if source is None:
        raise Refused("Blender cannot read the file that it shows")
    extra = reading.frames - source.frames
    if extra < 0 or (exact and extra) or abs(reading.fps - source.fps) > 1e-3 * source.fps:
        raise Refused(f"{path.name} has {reading.words}, and the strip is made for {source.words}")
    before, timing, was = facts(strip), _timing(strip), strip.filepath
    strip.filepath = filepath
    trimmed = (versions.hard_trim_end(strip),)
    _restore(strip, {**before, trimmed: before[trimmed] + extra - held})
    if _timing(strip) != timing:
        strip.filepath = was
        _restore(strip, before)
        raise Refused(f"with {path.name} it would have another length than it has")
    return extra


def _timing(strip: Any) -> tuple[float, ...]:
    return versions.content_length(strip), versions.shows_from(strip), versions.shows_to(strip)


def _swap_stills(strip: Any, directory: str, names: Sequence[str]) -> None:
    before = facts(strip)
    strip.directory = directory
    for element, name in zip(strip.elements, names, strict=True):
        element.filename = name
    strip.invalidate_cache("RAW")
    _restore(strip, before)


_OWN = {"rna_type", "name", "filepath", "directory", "footroom_open"}
_PARTS = ("transform", "crop", "proxy", "colorspace_settings")


def facts(strip: Any) -> dict[tuple[str, ...], Any]:
    """All settings of a strip that can be set, but its file: what relinking must leave alone."""
    found: dict[tuple[str, ...], Any] = {}
    for path, owner in [((), strip), *(((part,), getattr(strip, part, None)) for part in _PARTS)]:
        if owner is None:
            continue
        passed = _OWN | versions.superseded(owner)
        for prop in owner.bl_rna.properties:
            if prop.is_readonly or prop.identifier in passed or prop.type in ("POINTER", "COLLECTION"):
                continue
            value = getattr(owner, prop.identifier)
            found[*path, prop.identifier] = tuple(value) if getattr(prop, "is_array", False) else value
    return found


def _restore(strip: Any, before: dict[tuple[str, ...], Any]) -> None:
    for path, value in sorted(before.items(), key=lambda item: versions.set_order(item[0][-1])):
        owner = getattr(strip, path[0]) if len(path) > 1 else strip
        now = getattr(owner, path[-1])
        if (tuple(now) if isinstance(value, tuple) else now) != value:
            setattr(owner, path[-1], value)
