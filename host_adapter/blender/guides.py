# SPDX-License-Identifier: GPL-3.0-or-later
"""Guides over the edit: one overlay strip on top for the chosen deliveries, drawn anew in place when they change.

The strip may be cut, copied and put into a meta strip (see guides_strips.py). It shows a still of the render's size with coverage, in
sRGB, so that its levels reach the display as drawn under the Standard view; pixels that no guide covers keep their very bits. It is
muted in final renders unless asked for. Values that are animated are drawn as they are at the frame of the last change.
"""

from __future__ import annotations

import os
from typing import Any, ClassVar

import bpy
from bpy.app.handlers import persistent

from . import guides_still, guides_strips, polls, properties, versions
from .guides_still import EFFECT, FOLDER
from .guides_strips import UNMUTED, shown, strip_of, strips_of

WARNING = "Guides are in this render: it is not for delivery"

_problem: list[str] = []
"""Why the last change could not be drawn, in words."""


def update(scene: Any) -> Any:
    """Draw the guides into the overlay strips, made where there is none; the first of them.

    Raises: ValueError, Problem, OSError; the edit is as it was then.
    """
    path = guides_still.home(scene, bpy.data.filepath)
    guides_still.write_still(scene, path)
    for strip in strips_of(scene) or [guides_strips.new_strip(scene, path)]:
        guides_strips.point(strip, path)
    guides_strips.put_on_top(scene)
    return strip_of(scene)


def _redraw(scene: Any) -> None:
    from footroom.host_adapter.headless.errors import Problem

    _problem.clear()
    try:
        update(scene)
    except (ValueError, Problem, OSError) as reason:
        _problem.append(str(reason))


def _on_change(group: Any, context: Any) -> None:
    """A guide's property changed. With a window open the drawing waits a moment, so that a slider stays smooth."""
    scene = group.id_data
    if strip_of(scene) is None:
        return
    if bpy.app.background:
        _redraw(scene)
        return
    _waiting.add(scene.name)
    if not bpy.app.timers.is_registered(_redraw_waiting):
        bpy.app.timers.register(_redraw_waiting, first_interval=0.2)


_waiting: set[str] = set()


def _redraw_waiting() -> None:
    while _waiting:
        scene = bpy.data.scenes.get(_waiting.pop())
        if scene is not None and strip_of(scene) is not None:
            _redraw(scene)


@persistent  # type: ignore[untyped-decorator]
def before_render(scene: Any, _: Any = None) -> None:
    """Mute the overlay for the final render, or warn."""
    if not scene.render.use_sequencer:
        return
    strips = [strip for each in bpy.data.scenes for strip in shown(each)]
    if strips and scene.footroom_guides_in_render:
        print(f"Footroom: {WARNING}.")
        versions.tell_later([WARNING])
        return
    for strip in strips:
        strip[UNMUTED] = True
        strip.mute = True


@persistent  # type: ignore[untyped-decorator]
def after_render(_: Any = None, __: Any = None) -> None:
    """Show the overlay again; a file that was saved in the middle of a render too."""
    for scene in bpy.data.scenes:
        for strip in strips_of(scene):
            if UNMUTED in strip:
                strip.mute = False
                del strip[UNMUTED]


@persistent  # type: ignore[untyped-decorator]
def after_undo(_: Any = None, __: Any = None) -> None:
    """The still on the disk follows what undo brought back."""
    for scene in bpy.data.scenes:
        if strip_of(scene) is not None:
            _redraw(scene)


@persistent  # type: ignore[untyped-decorator]
def before_save(path: Any = None, _: Any = None) -> None:
    """A still among temporary files moves beside the blend file that is about to be written."""
    from footroom.host_adapter.headless.errors import Problem

    blend = path if isinstance(path, str) and path else bpy.data.filepath
    for scene in bpy.data.scenes:
        strips = [strip for strip in strips_of(scene) if not strip.directory.startswith("//")]
        if not strips or not blend:
            continue
        place = guides_still.home(scene, blend)
        try:
            guides_still.write_still(scene, place)
        except (ValueError, Problem, OSError) as reason:
            _problem[:] = [str(reason)]
            continue
        for strip in strips:
            # Relative to the file about to be written, unless Blender is going to reckon paths anew from an old place.
            strip.directory = f"{place.parent}{os.sep}" if bpy.data.filepath else f"//{FOLDER}/"
            strip.elements[0].filename = place.name


class FOOTROOM_OT_guides_update(bpy.types.Operator):  # noqa: N801
    """Draw the guides for the chosen deliveries as one strip on top, for looking at, not for delivery"""

    bl_idname = "footroom.guides_update"
    bl_label = "Draw guides"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    def execute(self, context: Any) -> set[str]:
        from footroom.host_adapter.headless.errors import Problem

        scene = versions.edit_scene(context)
        _problem.clear()
        try:
            wanted = guides_still.values(scene)
            if not any((wanted["windows"].strip(), wanted["grid"].strip(), wanted["safe"].strip(), wanted["centre"])):
                self.report({"ERROR"}, "There is nothing to draw: name windows, a grid, safe areas or the centre.")
                return {"CANCELLED"}
            strip = update(scene)
        except (ValueError, Problem) as reason:
            self.report({"ERROR"}, f"{str(reason).rstrip('.')}.")
            return {"CANCELLED"}
        except OSError as reason:
            self.report({"ERROR"}, f"The guides could not be written ({reason.strerror}: {reason.filename}).")
            return {"CANCELLED"}
        muted = "in final renders too" if scene.footroom_guides_in_render else "muted in final renders"
        self.report({"INFO"}, f"Guides are on channel {strip.channel}, {muted}.")
        return {"FINISHED"}


class FOOTROOM_OT_guides_remove(bpy.types.Operator):  # noqa: N801
    """Take the strips with the guides away"""

    bl_idname = "footroom.guides_remove"
    bl_label = "Remove guides"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        there = strip_of(versions.edit_scene(context)) is not None
        return polls.ready(cls, "" if there else "There are no guides in this edit")

    def execute(self, context: Any) -> set[str]:
        guides_strips.remove(versions.edit_scene(context))
        _problem.clear()
        self.report({"INFO"}, "The guides are gone.")
        return {"FINISHED"}


def draw(layout: Any, context: Any) -> None:
    """For the panel."""
    from .panel import paragraph

    scene = versions.edit_scene(context)
    group = scene.footroom.guides
    column = layout.column()
    for param in EFFECT.params:
        column.prop(group, param.name)
    row = layout.row(align=True)
    row.operator(FOOTROOM_OT_guides_update.bl_idname, icon="OVERLAY")
    row.operator(FOOTROOM_OT_guides_remove.bl_idname, text="Remove", icon="X")
    layout.prop(scene, "footroom_guides_in_render")
    if scene.footroom_guides_in_render and shown(scene):
        paragraph(layout, context, "Guides are left in final renders, which are not for delivery then", "ERROR")
    for words in _problem:
        paragraph(layout, context, words, "ERROR")


_CLASSES = (FOOTROOM_OT_guides_update, FOOTROOM_OT_guides_remove)
_HANDLERS = {
    "render_init": before_render,
    "render_complete": after_render,
    "render_cancel": after_render,
    "load_post": after_render,
    "undo_post": after_undo,
    "redo_post": after_undo,
    "save_pre": before_save,
}


def register() -> None:
    for each in _CLASSES:
        bpy.utils.register_class(each)
    bpy.types.Scene.footroom_guides_in_render = bpy.props.BoolProperty(
        name="In final renders", description="Leave the guides in final renders, which are not for delivery then",
        options=set(),
    )  # fmt: skip
    properties.watchers["guides"].append(_on_change)
    for name, handler in _HANDLERS.items():
        getattr(bpy.app.handlers, name).append(handler)


def unregister() -> None:
    for name, handler in _HANDLERS.items():
        handlers = getattr(bpy.app.handlers, name)
        if handler in handlers:
            handlers.remove(handler)
    if _on_change in properties.watchers["guides"]:
        properties.watchers["guides"].remove(_on_change)
    if bpy.app.timers.is_registered(_redraw_waiting):
        bpy.app.timers.unregister(_redraw_waiting)
    del bpy.types.Scene.footroom_guides_in_render
    for each in reversed(_CLASSES):
        bpy.utils.unregister_class(each)
