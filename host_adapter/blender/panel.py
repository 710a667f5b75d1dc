# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel in the sequencer's sidebar: what was found strip by strip, and what to do about it."""

from __future__ import annotations

import textwrap
from importlib import import_module
from importlib.util import find_spec
from typing import Any, ClassVar

import bpy

from . import progress, relinking, strips, versions
from .survey_ops import found_of
from .wording import counted, in_host

PARTS = (
    ("range_modifier", "Range, live"),
    ("live", "Full data, live"),
    ("guides", "Guides"),
    ("nodes", "Compositor"),
)
"""Modules that bring a part of the panel, and its title."""

LEVEL_ICONS = {"INFO": "INFO", "WARNING": "ERROR", "ERROR": "CANCEL"}
COLUMN = 7.0
"""Pixels of a letter, about, at a scale of 1: what lines are broken for."""


def sure_words(confidence: float) -> str:
    from footroom.host_adapter.headless import terminal

    return terminal.sure_words(confidence)


def paragraph(layout: Any, context: Any, words: str, icon: str = "NONE") -> None:
    """Words broken into labels as wide as the sidebar: a label of Blender's is cut off at its end."""
    region = getattr(context, "region", None)
    scale = context.preferences.system.ui_scale
    letters = max(24, int(region.width / (COLUMN * scale)) - 6) if region is not None else 60
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(textwrap.wrap(words, letters)):
        if number == 0:
            column.label(text=line, icon=icon)
        else:
            column.label(text=line, icon="BLANK1" if icon != "NONE" else "NONE")


def on_and_off(layout: Any, operator: str, icon: str, active: bool) -> None:
    """A button that puts something on the selected strips, and one that takes it off again where there is any."""
    row = layout.row(align=True)
    row.operator(operator, icon=icon)
    off = row.row(align=True)
    off.enabled = active
    off.operator(operator, text="Remove", icon="X").remove = True


def state_of(strip: Any) -> tuple[str, str]:
    """A strip in a few words, and the icon beside them."""
    if strip.get(relinking.ORIGINAL):
        if relinking.record_of(strip) is None:
            return "another file since it was mended", "QUESTION"
        words, icon = _found(strip)
        return ("mended", "CHECKMARK") if found_of(strip) is None else (f"mended; {words}", icon)
    return _found(strip)


def _found(strip: Any) -> tuple[str, str]:
    record = found_of(strip)
    if record is None:
        return "not surveyed", "BLANK1"
    if "problem" in record:
        return "could not be looked at", "ERROR"
    if record["depth"] is None:
        return "levels, no range", "CHECKMARK"
    if record["agrees"] is None:
        return "open", "QUESTION"
    found = f"{record['finding']} ({sure_words(record['confidence'])})"
    if record["agrees"]:
        return f"{found}, flag right", "CHECKMARK"
    remedy = "see why" if record["remedy"] == "ask" else record["remedy"]
    return f"{found}, flag WRONG: {remedy}", "CANCEL"


def needs_a_look(strip: Any) -> bool:
    record = found_of(strip)
    if strip.get(relinking.ORIGINAL):
        return False
    return record is None or record.get("agrees") is not True


def draw_strip(layout: Any, context: Any, strip: Any, muted: bool) -> None:
    """One strip: its name, its state, and its reasons where they are open."""
    words, icon = state_of(strip)
    box = layout.box()
    row = box.row(align=True)
    row.active = not muted
    opened = strip.footroom_open
    row.prop(strip, "footroom_open", text="", icon="DOWNARROW_HLT" if opened else "RIGHTARROW", emboss=False)
    row.label(text=f"{strip.name}{' (muted)' if muted else ''}", icon="RESTRICT_SELECT_OFF" if strip.select else "NONE")
    row = box.row()
    row.active = not muted
    row.label(text=words, icon=icon)
    if opened:
        draw_reasons(box.column(), context, strip)


def draw_reasons(layout: Any, context: Any, strip: Any) -> None:
    """What the state of a strip rests on."""
    mended = relinking.record_of(strip)
    if mended is not None:
        paragraph(layout, context, mended.get("words", ""), "FILE_TICK")
        for lost in mended.get("lost", ()):
            paragraph(layout, context, f"lost: {lost}")
        for item in mended.get("uncarried", ()):
            paragraph(layout, context, f"not carried over: {item}", "ERROR")
        paragraph(layout, context, f"original: {strip[relinking.ORIGINAL]}")
    record = found_of(strip)
    if record is None:
        if mended is None:
            paragraph(layout, context, "Survey says what its codes are.")
        return
    if "problem" in record:
        paragraph(layout, context, record["problem"], "ERROR")
        return
    from footroom.host_adapter.headless.terminal import flag_words, price_words, share_words

    bits = f", {record['depth']} bit" if record["depth"] else ""
    paragraph(layout, context, f"{record['codec']}{bits}; flag: {flag_words(record['tag'])}")
    for reason in record["why"]:
        paragraph(layout, context, in_host(reason), "DOT")
    if record.get("settle"):
        paragraph(layout, context, f"what would settle it: {in_host(record['settle'])}", "QUESTION")
    if clipped := share_words(record["clipped_if_trusted"]):
        paragraph(layout, context, f"clipped if the flag is trusted: {clipped}")
    if price := price_words(record["remedy"], record.get("price")):
        paragraph(layout, context, f"{record['remedy']}: {price}", "TOOL_SETTINGS")


def draw_busy(layout: Any, task: progress.Task) -> None:
    words = "stopping…" if task.stop.is_set() else task.words
    if hasattr(layout, "progress"):
        layout.progress(factor=task.share, text=words)
    else:
        layout.label(text=f"{words} ({100 * task.share:.0f} %)")
    layout.operator("footroom.stop", icon="X")


def draw_main(layout: Any, context: Any) -> None:
    """The buttons, what was said last, and the strips."""
    scene = versions.edit_scene(context)
    task = progress.busy()
    if task is not None:
        draw_busy(layout, task)
    column = layout.column(align=True)
    row = column.row(align=True)
    row.operator("footroom.survey", text="Survey selected", icon="VIEWZOOM").selected = True
    row.operator("footroom.survey", text="Survey all").selected = False
    row = column.row(align=True)
    row.operator("footroom.mend", text="Mend selected", icon="TOOL_SETTINGS").selected = True
    row.operator("footroom.mend", text="Mend all").selected = False
    row = column.row(align=True)
    row.operator("footroom.put_back", text="Put back selected", icon="LOOP_BACK").selected = True
    row.operator("footroom.put_back", text="Put back all").selected = False
    for level, words in progress.State.said:
        paragraph(layout, context, words, LEVEL_ICONS.get(level, "INFO"))
    draw_strips(layout, context, scene)


def draw_strips(layout: Any, context: Any, scene: Any) -> None:
    """All strips that show recordings, or those that need a look."""
    shown = strips.shown(scene)
    if not shown:
        paragraph(layout, context, "No strip shows a movie or stills.")
        return
    wanting = [(strip, muted) for strip, muted in shown if needs_a_look(strip)]
    layout.prop(scene.footroom, "only_open")
    if scene.footroom.only_open:
        if len(wanting) < len(shown):
            layout.label(text=f"{counted(len(shown) - len(wanting), 'strip')} not shown")
        shown = wanting
    for strip, muted in shown:
        draw_strip(layout, context, strip, muted)


class _Sidebar:
    bl_space_type = "SEQUENCE_EDITOR"
    bl_region_type = "UI"
    bl_category = "Footroom"


class FOOTROOM_PT_main(_Sidebar, bpy.types.Panel):  # noqa: N801  (Blender's naming)
    bl_idname = "FOOTROOM_PT_main"
    bl_label = "Code ranges"

    def draw(self, context: Any) -> None:
        draw_main(self.layout, context)


class FOOTROOM_PT_survey(_Sidebar, bpy.types.Panel):  # noqa: N801  (Blender's naming)
    bl_idname = "FOOTROOM_PT_survey"
    bl_parent_id = "FOOTROOM_PT_main"
    bl_label = "What you know"
    bl_options: ClassVar[set[str]] = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        _draw_settings(self.layout, context, ("profile", "curve"))


class FOOTROOM_PT_mend(_Sidebar, bpy.types.Panel):  # noqa: N801  (Blender's naming)
    bl_idname = "FOOTROOM_PT_mend"
    bl_parent_id = "FOOTROOM_PT_main"
    bl_label = "How to mend"
    bl_options: ClassVar[set[str]] = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        _draw_settings(self.layout, context, ("remedy", "codes", "dither", "seed", "even_so", "folder", "replace"))


def _draw_settings(layout: Any, context: Any, names: tuple[str, ...]) -> None:
    layout.use_property_split = True
    layout.use_property_decorate = False
    settings = versions.edit_scene(context).footroom
    for name in names:
        layout.prop(settings, name)


def _part(module_name: str, title: str) -> Any:
    """A part of the panel drawn by another module; None where that draws nothing."""
    package = __package__ or ""
    if find_spec(f".{module_name}", package) is None:
        return None
    module = import_module(f".{module_name}", package)
    if not hasattr(module, "draw"):
        return None

    def draw(self: Any, context: Any) -> None:
        module.draw(self.layout, context)

    name = f"FOOTROOM_PT_{module_name}"
    facts = {
        "bl_idname": name,
        "bl_parent_id": "FOOTROOM_PT_main",
        "bl_label": getattr(module, "TITLE", title),
        "bl_options": {"DEFAULT_CLOSED"},
        "draw": draw,
        "__module__": __name__,
    }
    return type(name, (_Sidebar, bpy.types.Panel), facts)


_classes: list[Any] = []


def register() -> None:
    parts = [part for name, title in PARTS if (part := _part(name, title)) is not None]
    for made in (FOOTROOM_PT_main, FOOTROOM_PT_survey, FOOTROOM_PT_mend, *parts):
        bpy.utils.register_class(made)
        _classes.append(made)


def unregister() -> None:
    while _classes:
        bpy.utils.unregister_class(_classes.pop())
