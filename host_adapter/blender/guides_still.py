# SPDX-License-Identifier: GPL-3.0-or-later
"""The still that the guides' overlay strip shows: drawn from the scene's settings, written whole, beside the blend file."""

from __future__ import annotations

import os
from fractions import Fraction
from pathlib import Path
from typing import Any

import bpy

from footroom.host_adapter.effects import effect

from . import properties

EFFECT = effect("guides")
FOLDER = "footroom"


def values(scene: Any) -> dict[str, Any]:
    """The guides asked for. Raises: ValueError naming the parameter."""
    return properties.values_of(scene.footroom.guides, EFFECT)


def picture_of(scene: Any, wanted: dict[str, Any]) -> Any:
    """The picture that guides are drawn over: the render's pixels at 100 %, its pixel aspect times the lens's squeeze."""
    from footroom.host_adapter.wanted import squeeze_of
    from footroom.kernels.framing import Picture

    render = scene.render
    across, down = (
        Fraction(properties.typed(each)).limit_denominator(100000)
        for each in (render.pixel_aspect_x, render.pixel_aspect_y)
    )
    step = (2, 2) if wanted["even"] else (1, 1)
    return Picture(render.resolution_x, render.resolution_y, across / down * squeeze_of(wanted["squeeze"]), step)


def write_still(scene: Any, path: Path) -> None:
    """Draw the guides and write them; the file is whole or as it was.

    Raises: ValueError for guides that do not fit the picture; Problem or OSError where writing fails.
    """
    from footroom.host_adapter.effects.guides_effect import guides_for
    from footroom.host_adapter.guides import draw as drawn
    from footroom.host_adapter.headless.overlay_writer import write_overlay_still
    from footroom.kernels.overlay import premultiplied

    wanted = values(scene)
    picture = picture_of(scene, wanted)
    pixels = premultiplied(drawn(guides_for(wanted, picture)))
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{os.getpid()}-{path.name}")
    try:
        write_overlay_still(temporary, pixels[..., :3], pixels[..., 3])
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def home(scene: Any, blend: str) -> Path:
    """Where the still lies: beside the blend file, or among Blender's temporary files while there is none."""
    from footroom.host_adapter.wanted import file_word

    folder = Path(blend).parent / FOLDER if blend else Path(bpy.app.tempdir) / FOLDER
    return folder / f"guides-{file_word(scene.name)}.png"
