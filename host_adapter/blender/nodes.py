# SPDX-License-Identifier: GPL-3.0-or-later
"""Range in the compositor: node groups both ways, exact in code values whatever the scene's working space.

A group goes from the working space to the colour space that the footage is in, where pixels are code values; there

    out = g (R', G', B') + (a - g) Y' + b        with Y' the weighted sum of R', G', B'

and back. a and b map luma (and R', G', B' of recordings that have no luma), g maps chroma, whose span differs in narrow range; so what
was decoded from Y'CbCr under the wrong range is mended as if it had been read right. The constants come from the encodings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import bpy

from footroom.kernels.encoding import Channel, Encoding, Model, Range, affine_map
from footroom.kernels.matrix import Matrix

from . import code_values, polls, versions

DEPTHS = (8, 10, 12)
BASE = "Footroom {} to {} {} bit"


@dataclass(frozen=True, slots=True)
class Constants:
    """The map of code / M of one encoding to code / M of another (see the module)."""

    luma: float
    chroma: float
    offset: float

    @classmethod
    def between(cls, source: Encoding, target: Encoding) -> Constants:
        """Of two encodings of Y'CbCr, or of R'G'B', where chroma has no span of its own."""
        per = source.maximum / target.maximum
        plain = source.model is not Model.YCBCR
        gain, offset = affine_map(source, target, source.channels()[0] if plain else Channel.LUMA)
        chroma = gain if plain else affine_map(source, target, Channel.CHROMA)[0]
        return cls(float(gain) * per, float(chroma) * per, float(offset / target.maximum))


class Wiring:
    """Nodes put into a tree one after the other, from left to right."""

    def __init__(self, tree: Any) -> None:
        self.tree = tree
        self._at = 0

    def node(self, kind: str, **settings: Any) -> Any:
        """A new node with settings."""
        made = self.tree.nodes.new(kind)
        made.location = (190 * (self._at % 8), -220 * (self._at // 8))
        self._at += 1
        for name, value in settings.items():
            setattr(made, name, value)
        return made

    def feed(self, target: Any, value: Any) -> None:
        """Link a socket, or set its value."""
        if isinstance(value, bpy.types.NodeSocket):
            self.tree.links.new(value, target)
        else:
            target.default_value = value

    def run(self, kind: str, operation: str, *inputs: Any, result: str | int = 0) -> Any:
        """A Math or Vector Math node over inputs."""
        made = self.node(kind, operation=operation)
        for number, value in enumerate(inputs):
            self.feed(made.inputs[number], value)
        return made.outputs[result]

    def math(self, operation: str, *inputs: Any) -> Any:
        return self.run("ShaderNodeMath", operation, *inputs)

    def vector(self, operation: str, *inputs: Any, result: str | int = 0) -> Any:
        return self.run("ShaderNodeVectorMath", operation, *inputs, result=result)

    def scaled(self, vector: Any, factor: Any) -> Any:
        """A vector times a number."""
        made = self.node("ShaderNodeVectorMath", operation="SCALE")
        self.feed(made.inputs[0], vector)
        self.feed(made.inputs["Scale"], factor)
        return made.outputs[0]

    def between_spaces(self, image: Any, source: str, target: str) -> Any:
        made = self.node("CompositorNodeConvertColorSpace", from_color_space=source, to_color_space=target)
        self.feed(made.inputs[0], image)
        return made.outputs[0]

    def alpha(self, image: Any, to: str) -> Any:
        """To 'To Straight' or 'To Premultiplied': codes are those of straight colour."""
        made = self.node("CompositorNodePremulKey")
        self.feed(made.inputs[0], image)
        made.inputs["Type"].default_value = to
        return made.outputs[0]

    def mapped(self, image: Any, luma: Any, chroma: Any, offset: Any, weights: Any, *, opaque: bool = False) -> Any:
        """The formula of the module; alpha stays, or is 1 for what is opaque."""
        difference = (
            self.math("SUBTRACT", luma, chroma)
            if isinstance(chroma, bpy.types.NodeSocket)
            else float(luma) - float(chroma)
        )
        signal = self.vector("DOT_PRODUCT", image, weights, result="Value")
        added = self.math("MULTIPLY_ADD", signal, difference, offset)
        moved = self.vector("ADD", self.scaled(image, chroma), added)
        return moved if opaque else self.with_alpha_of(moved, image)

    def with_alpha_of(self, colour: Any, image: Any) -> Any:
        """Vector nodes drop alpha."""
        parts = self.node("CompositorNodeSeparateColor")
        self.feed(parts.inputs[0], image)
        again = self.node("CompositorNodeSetAlpha")
        self.feed(again.inputs["Image"], colour)
        self.feed(again.inputs["Alpha"], parts.outputs["Alpha"])
        again.inputs["Type"].default_value = "Replace Alpha"
        return again.outputs[0]


def weights_of(matrix: Matrix) -> tuple[float, float, float]:
    """Of R', G', B' in luma."""
    return float(matrix.red), float(matrix.green), float(matrix.blue)


def group_name(source: Range, target: Range, depth: int, space: str) -> str:
    """As the add menu shows it."""
    name = BASE.format(source.label, target.label, depth)
    return name if space == "sRGB" else f"{name}, {space}"


def range_group(source: Range, depth: int, space: str = "sRGB") -> Any:
    """The node group from a range to the other, made once and found by its name afterwards.

    space : colour space of the footage, as Blender names it
    Raises: ValueError for a space that this Blender's colour management does not have.
    """
    target = Range.FULL if source is Range.NARROW else Range.NARROW
    name = group_name(source, target, depth, space)
    found = bpy.data.node_groups.get(name)
    if found is not None and found.bl_idname == "CompositorNodeTree":
        return found
    tree = versions.new_tree(name)
    try:
        _wire_group(tree, source, target, depth, space)
    except TypeError:
        bpy.data.node_groups.remove(tree)
        raise ValueError(f"colour space must be one of Blender's colour management, got {space!r}") from None
    tree.use_fake_user = True
    return tree


def _wire_group(tree: Any, source: Range, target: Range, depth: int, space: str) -> None:
    versions.socket(tree, "Image", "Color", "OUTPUT")
    versions.socket(tree, "Image", "Color", "INPUT")
    mixed = versions.socket(tree, "From Y'CbCr", "Bool", "INPUT")
    mixed.description = "The recording's codes are Y'CbCr, so that chroma has a span of its own"
    mixed.default_value = True
    if depth > 8:
        movie = versions.socket(tree, "From a movie", "Bool", "INPUT")
        movie.description = "Blender reads movies of this depth a little too dark; on for them, off for stills"
        movie.default_value = source is Range.NARROW
    data = versions.socket(tree, "Non-Color", "Bool", "INPUT")
    data.description = "The picture's colour space is Non-Color, so that its pixels are codes as they are"
    weights = versions.socket(tree, "Luma weights", "Vector", "INPUT")
    weights.description = "Of red, green and blue in luma; BT.709 unless changed"
    weights.default_value = weights_of(Matrix.BT709)

    wiring = Wiring(tree)
    given = wiring.node("NodeGroupInput").outputs
    straight = wiring.alpha(given["Image"], "To Straight")
    coded = _switched(wiring, given, wiring.between_spaces(straight, versions.WORKING_SPACE, space), straight)
    maps = Constants.between(Encoding(depth, source), Encoding(depth, target))
    values = coded
    if depth > 8:
        less = float(1 / code_values.held(depth, True) - 1)
        values = wiring.scaled(coded, wiring.math("MULTIPLY_ADD", given["From a movie"], less, 1.0))
        values = wiring.with_alpha_of(values, coded)
    chroma = wiring.math("MULTIPLY_ADD", given["From Y'CbCr"], maps.chroma - maps.luma, maps.luma)
    mended = wiring.mapped(values, maps.luma, chroma, maps.offset, given["Luma weights"])
    back = _switched(wiring, given, wiring.between_spaces(mended, space, versions.WORKING_SPACE), mended)
    wiring.feed(wiring.node("NodeGroupOutput").inputs["Image"], wiring.alpha(back, "To Premultiplied"))


def _switched(wiring: Wiring, given: Any, converted: Any, data: Any) -> Any:
    switch = wiring.node("CompositorNodeSwitch")
    wiring.feed(switch.inputs["Switch"], given["Non-Color"])
    wiring.feed(switch.inputs["Off"], converted)
    wiring.feed(switch.inputs["On"], data)
    return switch.outputs[0]


class FOOTROOM_OT_node_groups(bpy.types.Operator):  # noqa: N801  (Blender's form of class names)
    """Add node groups that change the range of code values to this file; the compositor's Add menu has them under Group"""

    bl_idname = "footroom.node_groups"
    bl_label = "Add range node groups"
    bl_options: ClassVar[set[str]] = {"REGISTER", "UNDO"}

    space: bpy.props.StringProperty(  # type: ignore[valid-type]
        name="Colour space", description="Of the footage, as its image settings name it", default="sRGB"
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        return polls.ready(cls, versions.too_old())

    def execute(self, context: Any) -> set[str]:
        before = len(bpy.data.node_groups)
        try:
            made = [range_group(source, depth, self.space) for source in Range for depth in DEPTHS]
        except ValueError as error:
            self.report({"ERROR"}, f"{error}.")
            return {"CANCELLED"}
        new = len(bpy.data.node_groups) - before
        words = f"{new} node groups added" if new else "The node groups are there already"
        self.report({"INFO"}, f"{words}: {made[0].name} and the like, in the compositor's Add menu under Group.")
        return {"FINISHED"}


def draw(layout: Any, context: Any) -> None:
    """For the panel."""
    layout.label(text="For the compositor, narrow to full and back:")
    layout.operator(FOOTROOM_OT_node_groups.bl_idname, icon="NODETREE")


def register() -> None:
    bpy.utils.register_class(FOOTROOM_OT_node_groups)


def unregister() -> None:
    bpy.utils.unregister_class(FOOTROOM_OT_node_groups)
