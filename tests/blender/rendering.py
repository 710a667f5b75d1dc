"""Small renders of the sequencer, and what their pixels say in codes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import OpenImageIO as oiio  # noqa: N813
from media_files import make_movie

from footroom.host_adapter.blender import versions
from footroom.kernels import Channel, Encoding, Model, Range

COLUMNS, ROWS = 64, 36
Array = np.ndarray[Any, Any]


def set_up(space: str = "sRGB", frames: int = 6) -> Any:
    """The scene as the tests render it: no view transform of its own, no dither."""
    scene = bpy.context.scene
    render = scene.render
    render.resolution_x, render.resolution_y, render.resolution_percentage = COLUMNS, ROWS, 100
    render.dither_intensity = 0
    scene.view_settings.view_transform = "Standard"
    scene.frame_start, scene.frame_end = 1, frames
    scene.sequencer_colorspace_settings.name = space
    if hasattr(render, "compositor_device"):
        render.compositor_device = "CPU"  # without a GPU 5.0 falls back by itself, 5.3 must be told, or it crashes
    versions.show_edit(bpy.context, scene)
    if scene.sequence_editor is None:
        scene.sequence_editor_create()
    return scene


def add_movie(path: Path, channel: int = 1, start: int = 1) -> Any:
    """A movie strip, selected alone."""
    editor = bpy.context.scene.sequence_editor
    strip = editor.strips.new_movie(path.stem, str(path), channel, start)
    select(strip)
    return strip


def select(*strips: Any) -> None:
    for each in bpy.context.scene.sequence_editor.strips_all:
        each.select = each in strips
    bpy.context.scene.sequence_editor.active_strip = strips[0]


def output(kind: str, path: Path) -> None:
    """'exr' in 32-bit float, scene linear; 'png' in 16 bit, the display's signal."""
    settings = bpy.context.scene.render.image_settings
    settings.file_format = "OPEN_EXR" if kind == "exr" else "PNG"
    settings.color_depth = "32" if kind == "exr" else "16"
    settings.color_mode = "RGBA"
    bpy.context.scene.render.filepath = str(path)


def read(path: Path) -> Array:
    """Pixels [rows, columns, 4] from the top, float32 or uint16 as they are stored."""
    source = oiio.ImageInput.open(str(path))
    spec = source.spec()
    pixels = np.asarray(source.read_image(spec.format)).reshape(spec.height, spec.width, -1)
    source.close()
    return pixels


def render(folder: Path, frame: int = 1, kind: str = "exr") -> Array:
    """One frame as a still."""
    path = folder / f"still.{kind}"
    bpy.context.scene.frame_set(frame)
    output(kind, path)
    bpy.ops.render.render(write_still=True)
    return read(path)


def render_all(folder: Path, kind: str = "exr") -> dict[int, Array]:
    """Every frame of the scene in one go."""
    scene = bpy.context.scene
    output(kind, folder / "frame_")
    bpy.ops.render.render(animation=True)
    return {
        frame: read(folder / f"frame_{frame:04d}.{kind}") for frame in range(scene.frame_start, scene.frame_end + 1)
    }


def signal(linear: Array) -> Array:
    """The sRGB signal of linear light in double precision, odd below 0 as Blender's is. Source: IEC 61966-2-1 (from memory)."""
    light = np.abs(linear[..., :3].astype(np.float64))
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.copysign(coded, linear[..., :3])


def levels(planes: Sequence[Array], encoding: Encoding) -> Array:
    """R'G'B' of 4:4:4 codes in double precision, BT.709 weights. Source: BT.709-6 items 3.2 to 4.7."""
    if encoding.model is Model.RGB:
        return np.stack([plane.astype(float) - encoding.black() for plane in planes], -1) / encoding.span(Channel.RED)
    luma = (planes[0].astype(float) - encoding.black()) / encoding.span(Channel.LUMA)
    cb, cr = ((plane.astype(float) - encoding.neutral) / encoding.span(Channel.CHROMA) for plane in planes[1:])
    red, blue = luma + 1.5748 * cr, luma + 1.8556 * cb
    return np.stack([red, (luma - 0.2126 * red - 0.0722 * blue) / 0.7152, blue], -1)


def codes_of(rgb: Array, encoding: Encoding) -> tuple[Array, ...]:
    """4:4:4 codes of R'G'B' levels."""
    kind = np.uint8 if encoding.depth == 8 else np.uint16
    if encoding.model is Model.RGB:
        made = [encoding.black() + encoding.span(Channel.RED) * rgb[..., number] for number in range(3)]
    else:
        luma = rgb @ [0.2126, 0.7152, 0.0722]
        pair = [(rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748]
        made = [encoding.black() + encoding.span(Channel.LUMA) * luma]
        made += [encoding.neutral + encoding.span(Channel.CHROMA) * part for part in pair]
    return tuple(np.round(plane).clip(0, encoding.maximum).astype(kind) for plane in made)


def colours(seed: int, gray_beyond: float = 0.05) -> Array:
    """R'G'B' levels: grays with excursions above, colours inside 0..1 below."""
    rgb = np.random.default_rng(seed).uniform(0.02, 0.98, (ROWS, COLUMNS, 3))
    half = ROWS // 2
    rgb[:half] = rgb[:half, :, :1] * (1 + 2 * gray_beyond) - gray_beyond
    return rgb


def shoot(
    path: Path, encoding: Encoding, flag: Range, frames: int = 6, beyond: float = 0.05
) -> list[tuple[Array, ...]]:
    """A lossless movie of another picture on every frame; its codes."""
    names = {Model.YCBCR: "yuv444p", Model.RGB: "gbrp"}
    pixel_format = names[encoding.model] + ("" if encoding.depth == 8 else f"{encoding.depth}le")
    made = [codes_of(colours(number, beyond), encoding) for number in range(frames)]
    make_movie(
        path, "ffv1", pixel_format, size=(COLUMNS, ROWS), frames=frames, range=flag, rate=24,
        paint=lambda number: made[number], colour=(1, 1, 0 if encoding.model is Model.RGB else 1),
    )  # fmt: skip
    return made
