# SPDX-License-Identifier: GPL-3.0-or-later
"""footroom.range_modifier: a strip whose codes are narrow but were read as full is mended live, without a new file.

The modifier is a compositor node group of plain arithmetic in the strip's own colour space (see nodes.py). It is saved with the file,
and renders wherever the file is opened, with or without this add-on. Full codes that were read as narrow cannot be mended so: Blender's
decoder has clipped them before any modifier sees them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import bpy

from footroom.host_adapter.effects import effect
from footroom.kernels.encoding import Encoding, Model, Range
from footroom.kernels.matrix import Matrix

from . import code_values, polls, versions
from .nodes import Constants, Wiring, weights_of
from .properties import annotations_of

NAME = "Footroom range"
"""Of the modifier on the strip."""

RANGE = effect("range")
ADJUSTMENT, RECORDED = "ADJUSTMENT", ("MOVIE", "IMAGE")


@dataclass(frozen=True, slots=True)
class Fit:
    """What a modifier is made for.

    held : what Blender holds for a code, over code / M
    space : colour space in which pixels are codes
    opaque : there is no alpha, whose nodes would cost time
    """

    encoding: Encoding
    matrix: Matrix
    held: float
    space: str
    opaque: bool

    @property
    def name(self) -> str:
        """Of the node group; alike ones share it."""
        coding = "R'G'B'" if self.encoding.model is Model.RGB else self.matrix.name
        kind = "still" if self.held == 1 and self.encoding.depth > 8 else "movie"
        alpha = "" if self.opaque else " with alpha"
        return f"{NAME} narrow read as full {self.encoding.depth} bit {coding} {kind} {self.space}{alpha}"


class Unmendable(Exception):  # noqa: N818  (an answer, not a failure of the program)
    """Why a strip cannot have the modifier, in words."""


def tree_for(fit: Fit) -> Any:
    """The node group, made once."""
    found = bpy.data.node_groups.get(fit.name)
    if found is not None and found.bl_idname == "CompositorNodeTree":
        return found
    tree = versions.new_tree(fit.name)
    versions.socket(tree, "Image", "Color", "OUTPUT")
    versions.socket(tree, "Image", "Color", "INPUT")
    wiring = Wiring(tree)
    image = wiring.node("NodeGroupInput").outputs["Image"]
    if not fit.opaque:
        image = wiring.alpha(image, "To Straight")
    full = Encoding(fit.encoding.depth, Range.FULL, fit.encoding.model)
    maps = Constants.between(fit.encoding, full)
    codes = wiring.between_spaces(image, versions.WORKING_SPACE, fit.space)
    luma, chroma = maps.luma / fit.held, maps.chroma / fit.held
    mended = wiring.mapped(codes, luma, chroma, maps.offset, weights_of(fit.matrix), opaque=fit.opaque)
    shown = wiring.between_spaces(mended, fit.space, versions.WORKING_SPACE)
    if not fit.opaque:
        shown = wiring.alpha(shown, "To Premultiplied")
    wiring.feed(wiring.node("NodeGroupOutput").inputs["Image"], shown)
    return tree


def fit_of(strip: Any, scene: Any, codes: str, depth: int, matrix: Matrix, coded_as: Model) -> Fit:
    """What a strip's modifier is to be made for.

    codes : 'narrow' | 'full' | 'flag', what its codes are
    depth, matrix, coded_as : for an adjustment strip, which has no recording to ask
    Raises: Unmendable; Problem where the recording cannot be read.
    """
    space = code_values.code_space(strip, scene)
    if strip.type == ADJUSTMENT:
        if codes != Range.NARROW.label:
            raise Unmendable("what lies under an adjustment strip is mended only from narrow codes read as full")
        encoding = Encoding(depth, Range.NARROW, coded_as)
        return Fit(encoding, matrix, float(code_values.held(depth, True)), space, False)
    if strip.type not in RECORDED:
        raise Unmendable("it has no recording; use a movie, image or adjustment strip")
    from footroom.host_adapter.headless.viewing import matrix_of

    info = recording_info(strip)
    if info.depth is None:
        raise Unmendable("it holds floating-point levels, which have no range")
    reads = code_values.read_as(info)
    meant = info.tag.trusted if codes == "flag" else Range.parse(codes)
    if meant is reads:
        raise Unmendable(f"Blender reads it as {reads.label} already, which is what its codes are said to be")
    if reads is Range.NARROW:
        raise Unmendable(
            "Blender's decoder reads it as narrow and has clipped its full codes below "
            f"{16 << (info.depth - 8)} and above {235 << (info.depth - 8)} before any modifier sees them; "
            "mend the file and relink it (Mend), or use the live path for renders"
        )
    model = Model.YCBCR if info.model is Model.YCBCR else Model.RGB
    held = code_values.held(info.depth, info.kind == "movie")
    return Fit(Encoding(info.depth, Range.NARROW, model), matrix_of(info), float(held), space, not info.alpha)


def recording_info(strip: Any) -> Any:
    """The facts of a strip's recording. Raises: Problem; Unmendable where it has no file."""
    from footroom.host_adapter.headless.opening import open_recording

    if strip.type == "MOVIE":
        path = strip.filepath
    elif strip.elements:
        path = str(Path(strip.directory) / strip.elements[0].filename)
    else:
        path = ""
    if not path:
        raise Unmendable("it names no file")
    with open_recording(Path(bpy.path.abspath(path))) as recording:
        return recording.info


def surveyed(strip: Any) -> str:
    """What the survey found the strip's codes to be; narrow where it has not looked, or left it open."""
    from .survey_ops import found_of

    found = (found_of(strip) or {}).get("finding")
    return found if found in [each.label for each in Range] else Range.NARROW.label


def modifier_of(strip: Any) -> Any:
    """The strip's range modifier, or None."""
    found = (each for each in versions.compositors(strip) if each.node_group and each.node_group.name.startswith(NAME))
    return next(found, None)


def add(context: Any, strip: Any, fit: Fit) -> str:
    """Put the modifier on a strip, before all that it has, or renew it; what is to be known of it, in words."""
    remove(strip)
    made = versions.add_compositor(context, strip, NAME, tree_for(fit))
    made.show_expanded = False
    return "" if versions.put_first(strip, made.name) else "; move it before the strip's other modifiers"


def remove(strip: Any) -> bool:
    """Take the modifier off; whether there was one."""
    modifier = modifier_of(strip)
    if modifier is None:
        return False
    versions.remove_modifier(strip, modifier)
    return True


def each_strip(operator: Any, context: Any, work: Callable[[Any], str]) -> int:
    """Do something to every selected strip and report in words what could not be done; how many it was done to."""
    from footroom.host_adapter.headless.errors import Problem

    done = 0
    for strip in versions.selected(context):
        try:
            words = work(strip)
        except (Unmendable, Problem, OSError) as reason:
            operator.report({"WARNING"}, f"{strip.name}: {str(reason).rstrip('.')}.")
            continue
        done += bool(words)
        if words:
            operator.report({"INFO"}, f"{strip.name}: {words}.")
    return done


class FOOTROOM_OT_range_modifier(bpy.types.Operator):  # noqa: N801
    """Mend the range of the selected strips live, with a modifier; for narrow codes that are flagged full"""

    bl_idname = "footroom.range_modifier"
    bl_label = "Mend live by modifier"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    __annotations__ = {
        **annotations_of(RANGE, only=("assume",)),
        "remove": bpy.props.BoolProperty(
            name="Remove", description="Take the modifier off again", options={"SKIP_SAVE"}
        ),
        "bits": bpy.props.IntProperty(
            name="Depth", description="Bits of the codes under an adjustment strip", default=10, min=8, max=16
        ),
        "matrix": bpy.props.EnumProperty(
            name="Matrix",
            description="Of Y'CbCr under an adjustment strip",
            items=[
                *((each.name, each.name, "") for each in (Matrix.BT709, Matrix.BT601, Matrix.BT2020)),
                ("NONE", "None", "The recording is R'G'B'"),
            ],
        ),
    }

    @classmethod
    def poll(cls, context: Any) -> bool:
        return polls.ready(cls, polls.no_selection(context, "strip"))

    def execute(self, context: Any) -> set[str]:
        scene = versions.edit_scene(context)
        given = self.assume if self.properties.is_property_set("assume") else ""
        rgb = self.matrix == "NONE"
        matrix = Matrix.BT709 if rgb else Matrix[self.matrix]

        def work(strip: Any) -> str:
            if self.remove:
                return "the range modifier is off" if remove(strip) else ""
            fit = fit_of(strip, scene, given or surveyed(strip), self.bits, matrix, Model.RGB if rgb else Model.YCBCR)
            note = add(context, strip, fit)
            return f"narrow codes of {fit.encoding.depth} bit, read as full, are mended by a modifier{note}"

        return {"FINISHED"} if each_strip(self, context, work) else {"CANCELLED"}


def draw(layout: Any, context: Any) -> None:
    """For the panel."""
    from .panel import on_and_off, paragraph

    layout.label(text="Narrow codes, flagged full:")
    active = any(modifier_of(strip) is not None for strip in versions.selected(context))
    on_and_off(layout, FOOTROOM_OT_range_modifier.bl_idname, "MODIFIER", active)
    words = "Full codes, flagged narrow, are clipped before a modifier sees them: mend the file, or use the live path"
    paragraph(layout, context, words, "INFO")


def register() -> None:
    bpy.utils.register_class(FOOTROOM_OT_range_modifier)


def unregister() -> None:
    bpy.utils.unregister_class(FOOTROOM_OT_range_modifier)
