# SPDX-License-Identifier: GPL-3.0-or-later
"""What differs between Blender versions, in one place; the rest of the add-on asks here.

===========================  ==================================  ========================================
what                         before                              now
===========================  ==================================  ========================================
strips of an edit            `sequences` (to 4.3)                `strips`
the edit that is shown       the scene of the window             `workspace.sequencer_scene` (5.0)
compositor of a strip        none                                modifier of type COMPOSITOR (5.0)
node groups of compositors   `scene.node_tree` for the scene     all in `node_groups` (5.0)
strip that is Non-Color      its pixels are the sequencer's        its pixels are the working space's (5.2)
times of a strip             `frame_start`, `frame_duration` …   `content_start`, `content_duration` … (5.3)
overlay on Rec.1886          leaves the rest bit for bit (5.0)   moves all of it by 2e-5 (5.2; sRGB does not)
===========================  ==================================  ========================================
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import bpy

LEAST = (5, 0, 0)
"""The first version with compositor modifiers on strips."""

WORKING_SPACE = "scene_linear"
"""The scene's working space, as Convert Colorspace nodes call it whatever it is."""

COMPOSITOR = "COMPOSITOR"


def data_space(sequencer: str) -> str:
    """The colour space that pixels of a Non-Color strip are taken for, given the sequencer's."""
    return WORKING_SPACE if bpy.app.version >= (5, 2, 0) else sequencer


RELATIVE_PATH = {"PATH_SUPPORTS_BLEND_RELATIVE"} if bpy.app.version >= (4, 5, 0) else set()
"""Options of a property that may hold a path with // for the blend file's folder; needed since 4.5, unknown before."""


def too_old() -> str:
    """Why this Blender cannot do it, or nothing."""
    if bpy.app.version < LEAST:
        return f"Blender {bpy.app.version_string} has no compositor for strips; it takes {LEAST[0]}.{LEAST[1]} or newer"
    return ""


def top_level(editor: Any) -> Any:
    """The strips of an edit, not those inside meta strips."""
    return editor.strips if hasattr(editor, "strips") else editor.sequences


def every_strip(scene: Any) -> list[Any]:
    """The strips of a scene's edit, those inside meta strips too."""
    editor = scene.sequence_editor
    if editor is None:
        return []
    return list(editor.strips_all if hasattr(editor, "strips_all") else editor.sequences_all)


def siblings(strip: Any) -> Any:
    """The strips that a strip lies among: those of its meta strip, or of the edit."""
    return top_level(strip.parent_meta() or strip.id_data.sequence_editor)


def strip_type() -> Any:
    """The type of strips, for properties on them."""
    return getattr(bpy.types, "Strip", None) or bpy.types.Sequence


def edit_scene(context: Any) -> Any:
    """The scene whose edit is shown."""
    return getattr(context, "sequencer_scene", None) or context.scene


def selected(context: Any) -> list[Any]:
    """The selected strips of the edit that is shown; the active one where none is."""
    scene = edit_scene(context)
    found = [strip for strip in every_strip(scene) if strip.select]
    active = scene.sequence_editor.active_strip if scene.sequence_editor else None
    return found or ([active] if active is not None else [])


_TIMES = {
    "frame_start": "content_start",
    "frame_duration": "content_duration",
    "frame_final_start": "left_handle",
    "frame_final_end": "right_handle",
    "frame_final_duration": "duration",
    "frame_offset_start": "left_handle_offset",
    "frame_offset_end": "right_handle_offset",
    "animation_offset_start": "content_trim_start",
    "animation_offset_end": "content_trim_end",
}
"""Times of a strip: their names before 5.3, and since."""


def superseded(owner: Any) -> set[str]:
    """Names of times that a strip has under a newer name too; they go in 6.0, and to read one warns."""
    names = owner.bl_rna.properties.keys()
    return {before for before, now in _TIMES.items() if before in names and now in names}


def set_order(name: str) -> int:
    """When a setting of a strip is set among others: offsets of the handles, then hard trims, which never leave less than a frame."""
    name = {now: before for before, now in _TIMES.items()}.get(name, name)
    return 0 if name.startswith("frame_offset") else 1 if name.startswith("animation_offset") else 2


def hard_trim_end(strip: Any) -> str:
    """What the frames that are trimmed hard off a strip's end are called."""
    before = "animation_offset_end"
    return _TIMES[before] if before in superseded(strip) else before


def _time(strip: Any, now: str, before: str) -> Any:
    """A time under its name since 5.3, or the one before, which goes in 6.0."""
    return getattr(strip, now) if hasattr(strip, now) else getattr(strip, before)


def shows_from(strip: Any) -> int:
    """The first frame of the timeline that a strip shows at."""
    return int(_time(strip, "left_handle", "frame_final_start"))


def shows_to(strip: Any) -> int:
    """The first one that it does not show at any more."""
    return int(_time(strip, "right_handle", "frame_final_end"))


def content_start(strip: Any) -> float:
    """Where on the timeline the first frame of a strip's content lies, shown or not."""
    return float(_time(strip, "content_start", "frame_start"))


def content_length(strip: Any) -> int:
    """Frames of a strip's content, shown or not, less those that are trimmed hard."""
    return int(_time(strip, "content_duration", "frame_duration"))


def trimmed_hard(strip: Any) -> int:
    """Frames of the recording before a strip's content."""
    return int(_time(strip, "content_trim_start", "animation_offset_start"))


def set_length(strip: Any, frames: int) -> None:
    """How long a strip shows."""
    setattr(strip, "duration" if hasattr(strip, "duration") else "frame_final_duration", frames)


def show_edit(context: Any, scene: Any) -> None:
    """Make a scene's edit the one that is shown, where none is: adding a modifier to a strip fails otherwise."""
    workspace = getattr(context, "workspace", None)
    if workspace is not None and getattr(workspace, "sequencer_scene", scene) is None:
        workspace.sequencer_scene = scene


def add_compositor(context: Any, strip: Any, name: str, tree: Any) -> Any:
    """A compositor modifier that runs a finished node group."""
    show_edit(context, strip.id_data)
    modifier = strip.modifiers.new(name, COMPOSITOR)
    modifier.node_group = tree
    return modifier


def remove_modifier(strip: Any, modifier: Any) -> None:
    """Take a compositor modifier off, and its node group and that group's images out of the file where nothing else uses them."""
    tree = modifier.node_group
    modifier.node_group = None  # or Blender 5.0.1 goes on counting the user
    strip.modifiers.remove(modifier)
    if tree is None or tree.users:
        return
    images = [node.image for node in tree.nodes if node.bl_idname == "CompositorNodeImage" and node.image]
    bpy.data.node_groups.remove(tree)
    for image in images:
        if not image.users:
            bpy.data.images.remove(image)


def put_first(strip: Any, name: str) -> bool:
    """Move a modifier before the strip's others; whether it stands there now. Only the operator can, on the active strip."""
    editor = strip.id_data.sequence_editor
    active = editor.active_strip
    editor.active_strip = strip
    try:
        for _ in range(len(strip.modifiers)):
            if strip.modifiers[0].name == name:
                break
            bpy.ops.sequencer.strip_modifier_move(name=name, direction="UP")
    except RuntimeError:
        pass  # another scene's edit is shown
    finally:
        editor.active_strip = active
    return bool(strip.modifiers[0].name == name)


def compositors(strip: Any) -> Iterator[Any]:
    """The compositor modifiers of a strip."""
    for modifier in getattr(strip, "modifiers", ()):
        if modifier.type == COMPOSITOR:
            yield modifier


def new_tree(name: str) -> Any:
    """An empty compositor node group."""
    return bpy.data.node_groups.new(name, "CompositorNodeTree")


def socket(tree: Any, name: str, kind: str, direction: str) -> Any:
    """A socket on a node group. kind : 'Color' | 'Bool' | 'Vector' | 'Float'; direction : 'INPUT' | 'OUTPUT'."""
    return tree.interface.new_socket(name, in_out=direction, socket_type=f"NodeSocket{kind}")


def changed(strip: Any) -> None:
    """Let go of what was read and drawn from a strip before."""
    if hasattr(strip, "invalidate_cache"):
        strip.invalidate_cache("RAW")
        strip.invalidate_cache("COMPOSITE")


def tell_later(lines: Sequence[str]) -> None:
    """Words for a person at a window, from a handler: renders run on a thread of their own, where nothing may be drawn."""
    words = list(lines)[:8]

    def draw(menu: Any, _: Any) -> None:
        for line in words:
            menu.layout.label(text=line)

    def show() -> None:
        bpy.context.window_manager.popup_menu(draw, title="Footroom", icon="ERROR")

    if not bpy.app.background:
        bpy.app.timers.register(show, first_interval=0.1)


def register() -> None:
    """Nothing to register."""


def unregister() -> None:
    """Nothing to take back."""
