# SPDX-License-Identifier: GPL-3.0-or-later
"""footroom.survey: what the codes of the edit's recordings are, kept with each strip."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any, ClassVar

import bpy

from . import polls, progress, strips, versions
from .progress import Task, Working, say
from .surveying import survey_paths
from .wording import counted

SURVEYED = "footroom_survey"
"""Custom property of a strip: what was found, as JSON, by the path of the file it showed."""

FILES = 3
"""Files of one strip whose findings are kept: its original, its mended copy, one more."""


def keep(use: strips.Use, record: dict[str, Any]) -> None:
    """Keep a survey's answer with the strip, beside those of the files that it had before."""
    held = {path: found for path, found in _held(use.strip).items() if path != str(use.path)}
    recent = dict(list(held.items())[1 - FILES :])
    found = {**record, "written": use.written}
    use.strip[SURVEYED] = json.dumps({**recent, str(use.path): found}, ensure_ascii=False)


def _held(strip: Any) -> dict[str, dict[str, Any]]:
    return _read(str(strip.get(SURVEYED, "{}")))


@lru_cache(maxsize=4096)
def _read(text: str) -> dict[str, dict[str, Any]]:
    """Read once: a panel asks for it at every redraw. Nobody changes what comes back."""
    try:
        held = json.loads(text)
    except ValueError:
        return {}
    return held if isinstance(held, dict) else {}


def found_of(strip: Any) -> dict[str, Any] | None:
    """What the survey found of the file that the strip shows now; None where it has not been looked at.

    Known again by its place, or by its place beside the blend file: Blender writes paths anew when it saves, and a project
    may be moved as a whole.
    """
    held = _held(strip)
    if not held:
        return None
    written = strips.written_path(strip)
    found = held.get(str(strips.absolute(written, strip.id_data)))
    if found is None and written.startswith("//"):
        found = next((each for each in held.values() if each.get("written") == written), None)
    return found


class FOOTROOM_OT_survey(Working, bpy.types.Operator):  # noqa: N801  (Blender's naming)
    """Look at the recordings of the edit: what their codes are, how sure that is, and what to do about wrong ones"""

    bl_idname = "footroom.survey"
    bl_label = "Survey"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    selected: bpy.props.BoolProperty(  # type: ignore[valid-type]
        name="Selected only", description="Look at the selected strips alone", default=False, options={"SKIP_SAVE"}
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        return polls.ready(cls, polls.no_edit(context))

    def begin(self, context: Any) -> Task | None:
        progress.hush()
        scene = versions.edit_scene(context)
        self._scene = scene.name
        edit = strips.edit_of(scene)
        uses = [use for use in edit.uses if use.strip.select or not self.selected]
        if not uses:
            say(self, "WARNING", "No selected strip shows a movie or stills" if self.selected else _nothing(edit))
            return None
        wanted = {use.path for use in uses if not use.trouble}
        settings = scene.footroom
        curve, profile = settings.curve, settings.profile
        self._names = [use.name for use in uses]
        return Task("survey", lambda task: survey_paths(sorted(wanted), curve, profile, task))

    def end(self, _context: Any, task: Task) -> set[str]:
        scene = bpy.data.scenes.get(self._scene)
        if scene is None:
            say(self, "WARNING", "The scene is gone; nothing was kept")
            return {"CANCELLED"}
        troubles = 0
        for use in strips.edit_of(scene).uses:  # looked up anew: the edit may have changed meanwhile
            if use.name not in self._names:
                continue
            record = {"problem": use.trouble} if use.trouble else task.result.get(use.path)
            if record is None:
                continue
            keep(use, record)
            if "problem" in record:
                troubles += 1
                say(self, "WARNING", f"{use.name}: {record['problem']}")
        self._sum_up(scene, task, troubles)
        return {"FINISHED"}

    def _sum_up(self, scene: Any, task: Task, troubles: int) -> None:
        records = [record for record in task.result.values() if "problem" not in record]
        wrong = sum(record["agrees"] is False for record in records)
        unsure = sum(record["agrees"] is None and record["depth"] is not None for record in records)
        parts = [counted(len(records), "recording"), f"{wrong} wrong", f"{unsure} open"]
        if troubles:
            parts.append(f"{counted(troubles, 'strip')} could not be looked at")
        stopped = "Stopped. " if task.stop.is_set() else ""
        say(self, "INFO", f"{stopped}Surveyed {', '.join(parts)}")


def _nothing(edit: strips.Edit) -> str:
    reasons = sorted({why for _, why in edit.left_out})
    return "No strip shows a movie or stills" + (f": {'; '.join(reasons)}" if reasons else "")


def register() -> None:
    bpy.utils.register_class(FOOTROOM_OT_survey)


def unregister() -> None:
    bpy.utils.unregister_class(FOOTROOM_OT_survey)
