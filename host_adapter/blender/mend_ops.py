# SPDX-License-Identifier: GPL-3.0-or-later
"""footroom.mend: mended copies beside the recordings, put behind the strips; footroom.put_back: the originals again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, ClassVar

import bpy

from . import live, polls, progress, range_modifier, relinking, strips, versions
from .mending import Made, Wish, folders, mend_all, order_of, run_path
from .progress import Task, Working, say
from .survey_ops import found_of
from .surveying import stamp
from .wording import counted


def corrected_live(strip: Any) -> bool:
    """Whether a modifier of ours corrects a strip's range already."""
    return live.modifier_of(strip) is not None or range_modifier.modifier_of(strip) is not None


def wrong(strip: Any) -> bool:
    """Whether the survey found a strip's file wrong, with a remedy."""
    record = found_of(strip)
    return bool(record and record.get("remedy") in ("retag", "lift", "rescale"))


def _mended(strip: Any) -> bool:
    return bool(strip.get(relinking.ORIGINAL))


def _unless(context: Any, is_so: Callable[[Any], Any], words: str) -> str:
    """The words, unless something is so of any strip that shows a recording."""
    strips_here = versions.every_strip(versions.edit_scene(context))
    return "" if any(is_so(strip) for strip in strips_here if strip.type in ("MOVIE", "IMAGE")) else words


class FOOTROOM_OT_mend(Working, bpy.types.Operator):  # noqa: N801  (Blender's naming)
    """Make mended copies of the recordings and show them in the strips; trims, effects and animation stay"""

    bl_idname = "footroom.mend"
    bl_label = "Mend"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    selected: bpy.props.BoolProperty(  # type: ignore[valid-type]
        name="Selected only", description="Mend what the selected strips show", default=False, options={"SKIP_SAVE"}
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        return polls.ready(cls, polls.no_edit(context) or _unless(context, found_of, "Survey the strips first"))

    def begin(self, context: Any) -> Task | None:
        progress.hush()
        scene = versions.edit_scene(context)
        self._scene = scene.name
        edit = strips.edit_of(scene)
        try:
            wish = wish_of(scene)
        except relinking.Refused as refused:
            say(self, "WARNING", str(refused))
            return None
        uses = [use for use in edit.uses if (use.strip.select if self.selected else wrong(use.strip))]
        orders = self._orders(uses, wish)
        if not orders:
            if not uses:
                say(self, "INFO", "No selected strip shows a recording" if self.selected else "Nothing is wrong")
            return None
        self._names = {path: [use.name for use in uses if run_path(use.path) == path] for path in orders}
        where = folders(list(orders), [run_path(path) for path in edit.recordings()], wish.folder)
        work = [(order, where[path]) for path, order in orders.items()]
        return Task("mend", lambda task: mend_all(work, wish, task))

    def _orders(self, uses: Sequence[strips.Use], wish: Wish) -> dict[Path, Any]:
        """An order for each recording that there is something to do with; what stands in the way is said."""
        orders: dict[Path, Any] = {}
        for use in uses:
            record = found_of(use.strip)
            if use.strip.get(relinking.ORIGINAL) and relinking.record_of(use.strip) is not None:
                say(self, "INFO", f"{use.name}: mended already; put its original back to mend it another way")
            elif corrected_live(use.strip):
                say(self, "WARNING", f"{use.name}: it is corrected live, and would be twice; switch that off first")
            elif use.trouble:
                say(self, "WARNING", f"{use.name}: {use.trouble}")
            elif record is None or "problem" in record:
                say(self, "WARNING", f"{use.name}: not surveyed; survey it first")
            elif run_path(use.path) not in orders:
                if record["stamp"] != stamp(use.path):
                    say(self, "WARNING", f"{use.name}: its file has changed since the survey; survey it again")
                    continue
                order = order_of(run_path(use.path), record, wish)
                if isinstance(order, str):
                    say(self, "INFO", f"{use.name}: {order}")
                else:
                    orders[order.path] = order
        return orders

    def end(self, _context: Any, task: Task) -> set[str]:
        scene = bpy.data.scenes.get(self._scene)
        made: dict[Path, Made] = task.result
        if scene is None:
            say(self, "WARNING", "The scene is gone; the results are kept, no strip was changed")
            return {"CANCELLED"}
        changed, whole = 0, sum(what.result is not None for what in made.values())
        for path, what in made.items():
            if what.result is None:
                say(self, "ERROR" if what.state == "failed" and not whole else "WARNING", _named(path, what.words))
        for use in strips.edit_of(scene).uses:  # looked up anew: the edit may have changed meanwhile
            path = run_path(use.path)
            done = made.get(path)
            if done is None or done.result is None or use.name not in self._names[path]:
                continue
            try:
                relinking.relink(
                    use.strip, done.result, {"words": done.words, "lost": done.lost, "uncarried": done.uncarried}
                )
                changed += 1
            except relinking.Refused as refused:
                say(self, "WARNING", f"{use.name}: {refused}")
                continue
            if use.strip.use_proxy:
                say(self, "WARNING", f"{use.name}: its proxies show the original; build them anew")
            for lost in done.uncarried:
                say(self, "WARNING", f"{use.name}: not carried over: {lost}")
        words = f"Mended {counted(whole, 'recording')}, {counted(changed, 'strip')} changed"
        say(self, "INFO", ("Stopped. " if task.stop.is_set() else "") + words)
        return {"FINISHED"} if changed else {"CANCELLED"}


def _named(path: Path, words: str) -> str:
    return words if words.startswith(path.name) else f"{path.name}: {words}"


def wish_of(scene: Any) -> Wish:
    """The panel's settings. Raises: Refused for a folder relative to a blend file that was never saved."""
    settings = scene.footroom
    if settings.folder.startswith("//") and not bpy.data.filepath:
        raise relinking.Refused(
            "The folder is relative to a blend file that has not been saved: save the blend file first"
        )
    folder = strips.absolute(settings.folder, scene) if settings.folder else None
    return Wish(
        settings.remedy, settings.codes, settings.dither, settings.seed, settings.profile, folder, settings.replace,
        settings.even_so,
    )  # fmt: skip


class FOOTROOM_OT_put_back(bpy.types.Operator):  # noqa: N801  (Blender's naming)
    """Show the original recordings in mended strips again; the mended copies stay where they are"""

    bl_idname = "footroom.put_back"
    bl_label = "Put the original back"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    selected: bpy.props.BoolProperty(  # type: ignore[valid-type]
        name="Selected only", description="Put back the originals of the selected strips", default=False,
        options={"SKIP_SAVE"},
    )  # fmt: skip

    @classmethod
    def poll(cls, context: Any) -> bool:
        return polls.ready(cls, polls.no_edit(context) or _unless(context, _mended, "No strip is mended"))

    def execute(self, context: Any) -> set[str]:
        progress.hush()
        edit = strips.edit_of(versions.edit_scene(context))
        mended = [use for use in edit.uses if _mended(use.strip)]
        wanted = [use for use in mended if use.strip.select or not self.selected]
        if not wanted:
            say(self, "INFO", "No selected strip is mended")
            return {"CANCELLED"}
        done = 0
        for use in wanted:
            try:
                relinking.put_back(use.strip)
                done += 1
            except relinking.Refused as refused:
                say(self, "WARNING", f"{use.name}: {refused}")
        say(self, "INFO", f"Put back the original of {counted(done, 'strip')}")
        return {"FINISHED"} if done else {"CANCELLED"}


def register() -> None:
    for made in (FOOTROOM_OT_mend, FOOTROOM_OT_put_back):
        bpy.utils.register_class(made)


def unregister() -> None:
    for made in (FOOTROOM_OT_put_back, FOOTROOM_OT_mend):
        bpy.utils.unregister_class(made)
