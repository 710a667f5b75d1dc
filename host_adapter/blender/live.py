# SPDX-License-Identifier: GPL-3.0-or-later
"""footroom.live: full codes flagged narrow, right in renders without a new file.

Blender's decoder clips such codes before anything in Blender sees them. So before each rendered frame the recording is read here, its
codes become R'G'B' levels by the range that is true, and the picture goes into an image that a modifier puts in the strip's place. The
strip stays what it is: trims, crop, transform, flips, opacity, fades, later modifiers and effects apply as ever. Outside renders the
modifier is muted, and the preview shows Blender's own decode.

What it cannot do is refused in words (see feed.hindrance): retimed strips and strips under a speed effect, deinterlacing, saturation
and multiply, recordings with alpha. An edit that is shown through a scene strip is fed only when that scene itself is rendered.
"""

from __future__ import annotations

from typing import Any, ClassVar

import bpy
from bpy.app.handlers import persistent

from footroom.host_adapter.effects import effect
from footroom.kernels.encoding import Range

from . import code_values, feed, polls, versions
from .feed import Feed, Unfed
from .nodes import Wiring
from .properties import annotations_of

LIVE = "footroom_live"
"""Custom property of a fed strip: what its codes are, 'full' or 'narrow'."""
NAME = "Footroom live"
"""Of the modifier; node group and image have it with the strip's name."""

RANGE = effect("range")

_feeds: dict[str, Feed] = {}
troubles: list[str] = []
"""What went wrong in the last render, in words."""


def modifier_of(strip: Any) -> Any:
    """The strip's live modifier, or None."""
    found = (each for each in versions.compositors(strip) if each.node_group and each.node_group.name.startswith(NAME))
    return next(found, None)


def image_of(strip: Any) -> Any:
    """The image that the strip's picture goes into, or None."""
    modifier = modifier_of(strip)
    nodes = modifier.node_group.nodes if modifier is not None else ()
    return next((node.image for node in nodes if node.bl_idname == "CompositorNodeImage"), None)


def switch_on(context: Any, strip: Any, range_: Range) -> None:
    """Feed a strip in renders from now on.

    Raises: Unfed in words; Problem where its recording cannot be read.
    """
    scene = strip.id_data
    if words := feed.hindrance(strip, scene):
        raise Unfed(words)
    made = Feed(feed.path_of(strip))
    made.close()
    if words := feed.needs_feeding(made.reach.info, range_):
        raise Unfed(words)
    switch_off(strip)
    name = f"{NAME} {strip.name}"
    image = bpy.data.images.new(name, *made.size, alpha=True, float_buffer=True)
    image.colorspace_settings.name = code_values.DATA
    modifier = versions.add_compositor(context, strip, NAME, _tree(name, image, code_values.code_space(strip, scene)))
    modifier.mute, modifier.show_expanded = True, False
    if not versions.put_first(strip, modifier.name):
        switch_off(strip)
        raise Unfed("it has modifiers that should come after; show this scene's edit, or take them off first")
    strip[LIVE] = range_.label


def _tree(name: str, image: Any, space: str) -> Any:
    """A node group that gives the image, whose pixels are in the strip's own colour space, instead of what comes in."""
    tree = versions.new_tree(name)
    versions.socket(tree, "Image", "Color", "OUTPUT")
    versions.socket(tree, "Image", "Color", "INPUT")
    wiring = Wiring(tree)
    wiring.node("NodeGroupInput")
    shown = wiring.node("CompositorNodeImage", image=image).outputs["Image"]
    converted = wiring.between_spaces(shown, space, versions.WORKING_SPACE)
    wiring.feed(wiring.node("NodeGroupOutput").inputs["Image"], converted)
    return tree


def switch_off(strip: Any) -> bool:
    """Leave a strip as it was before; whether it was fed."""
    modifier = modifier_of(strip)
    had = LIVE in strip or modifier is not None
    if modifier is not None:
        versions.remove_modifier(strip, modifier)
    if LIVE in strip:
        del strip[LIVE]
    return had


def fed(scene: Any) -> list[Any]:
    """The strips of a scene that are fed in renders."""
    return [strip for strip in versions.every_strip(scene) if LIVE in strip and modifier_of(strip) is not None]


def feed_strip(strip: Any, frame: int) -> None:
    """Bring a strip's picture at a frame of the timeline.

    Raises: Unfed, Problem, ValueError, OSError in words.
    """
    if words := feed.hindrance(strip, strip.id_data):
        raise Unfed(words)
    image, path = image_of(strip), feed.path_of(strip)
    held = _feeds.get(image.name)
    if held is None or held.path != path or held.stamp != feed.stamp_of(path):
        if held is not None:
            held.close()
        held = _feeds[image.name] = Feed(path)
    if held.size != tuple(image.size):
        image.scale(*held.size)
    image_pixels = held.picture(feed.source_frame(strip, frame), Range.parse(strip[LIVE]))
    feed.pour(image, image_pixels)


@persistent  # type: ignore[untyped-decorator]
def before_render(scene: Any, _: Any = None) -> None:
    """Let the modifiers work from here on."""
    troubles.clear()
    for other in versions.every_strip(scene):
        if other.type == "SCENE" and other.scene is not None and other.scene_input == "SEQUENCER" and fed(other.scene):
            _tell(
                f"{other.name} shows the edit of {other.scene.name}, whose strips are fed only when it is rendered itself"
            )
    strips = fed(scene)
    for strip in strips:
        _own(strip, strips)
        modifier_of(strip).mute = False


def _own(strip: Any, strips: list[Any]) -> None:
    """A strip that was made as another's copy, or cut from it, gets a node group and an image of its own."""
    modifier = modifier_of(strip)
    tree = modifier.node_group
    if all(modifier_of(other).node_group != tree for other in strips if other != strip):
        return
    copied = tree.copy()
    for node in copied.nodes:
        if node.bl_idname == "CompositorNodeImage":
            image = node.image
            node.image = bpy.data.images.new(image.name, *image.size, alpha=True, float_buffer=True)
            node.image.colorspace_settings.name = code_values.DATA
    modifier.node_group = copied


@persistent  # type: ignore[untyped-decorator]
def before_frame(scene: Any, _: Any = None) -> None:
    """Bring the pictures of all fed strips that show."""
    from footroom.host_adapter.headless.errors import Problem

    if not scene.render.use_sequencer:
        return
    frame = scene.frame_current
    for strip in fed(scene):
        if strip.mute or not feed.covers(strip, frame):
            continue
        try:
            feed_strip(strip, frame)
        except (Unfed, Problem, ValueError, OSError, MemoryError) as reason:
            _tell(f"frame {frame}, {strip.name}: {str(reason).rstrip('.')}; the strip is black there")
            feed.black(image_of(strip))


@persistent  # type: ignore[untyped-decorator]
def after_render(scene: Any, _: Any = None) -> None:
    """Back to Blender's own picture for the preview, and let go of the files."""
    for strip in fed(scene):
        modifier_of(strip).mute = True
    let_go()
    if troubles:
        versions.tell_later(troubles)


@persistent  # type: ignore[untyped-decorator]
def after_load(_: Any = None, __: Any = None) -> None:
    """A file that was saved in the middle of a render comes back muted; files of the one before are let go."""
    let_go()
    troubles.clear()
    for scene in bpy.data.scenes:
        for strip in fed(scene):
            modifier_of(strip).mute = True


def let_go() -> None:
    """Close the recordings."""
    while _feeds:
        _feeds.popitem()[1].close()


def _tell(words: str) -> None:
    if words not in troubles:
        troubles.append(words)
        print(f"Footroom: {words}.")


class FOOTROOM_OT_live(bpy.types.Operator):  # noqa: N801
    """Read the selected strips' codes by their true range in renders, without a new file; for full codes flagged narrow"""

    bl_idname = "footroom.live"
    bl_label = "Right in renders"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    __annotations__ = {
        **annotations_of(RANGE, only=("assume",)),
        "remove": bpy.props.BoolProperty(
            name="Remove", description="Leave the strips as they were", options={"SKIP_SAVE"}
        ),
    }

    @classmethod
    def poll(cls, context: Any) -> bool:
        return polls.ready(cls, polls.no_selection(context, "movie strip"))

    def execute(self, context: Any) -> set[str]:
        from footroom.host_adapter.headless.errors import Problem

        given = self.assume if self.properties.is_property_set("assume") else Range.FULL.label
        if given == "flag":
            self.report({"ERROR"}, "Say what the codes are; as flagged is how Blender reads them already.")
            return {"CANCELLED"}
        done = 0
        for strip in versions.selected(context):
            if self.remove:
                done += switch_off(strip)
                continue
            try:
                switch_on(context, strip, Range.parse(given))
                done += 1
            except (Unfed, Problem, OSError) as reason:
                self.report({"WARNING"}, f"{strip.name}: {str(reason).rstrip('.')}.")
        if done:
            how = (
                "as they were"
                if self.remove
                else f"read as {given} in renders; the preview shows Blender's own reading"
            )
            self.report({"INFO"}, f"{done} {'strip' if done == 1 else 'strips'} {how}.")
        return {"FINISHED"} if done else {"CANCELLED"}


def draw(layout: Any, context: Any) -> None:
    """For the panel."""
    from .panel import on_and_off, paragraph

    layout.label(text="Full codes, flagged narrow:")
    on_and_off(
        layout,
        FOOTROOM_OT_live.bl_idname,
        "RENDER_ANIMATION",
        any(LIVE in strip for strip in versions.selected(context)),
    )
    number = len(fed(versions.edit_scene(context)))
    if number:
        paragraph(layout, context, f"{number} in this edit; the preview shows Blender's own reading", "INFO")
    for words in troubles[:8]:
        paragraph(layout, context, words, "ERROR")


_HANDLERS = {
    "render_init": before_render,
    "render_pre": before_frame,
    "render_complete": after_render,
    "render_cancel": after_render,
    "load_post": after_load,
}


def register() -> None:
    bpy.utils.register_class(FOOTROOM_OT_live)
    for name, handler in _HANDLERS.items():
        getattr(bpy.app.handlers, name).append(handler)


def unregister() -> None:
    let_go()
    for name, handler in _HANDLERS.items():
        handlers = getattr(bpy.app.handlers, name)
        if handler in handlers:
            handlers.remove(handler)
    bpy.utils.unregister_class(FOOTROOM_OT_live)
