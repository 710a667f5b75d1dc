# SPDX-License-Identifier: GPL-3.0-or-later
"""The strips that show the guides: one when they are drawn first, more where it was cut, copied, or put into a meta strip.

All of them show the same still, and all are muted, raised, pointed and removed alike.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import bpy

from . import versions
from .guides_still import FOLDER
from .strips import DRAWN

NAME = "FOOTROOM GUIDES - not for delivery"
MARK = DRAWN
"""Blender copies it with the strips."""
UNMUTED = "footroom_guides_shown"
"""Custom property of a strip while a render mutes it."""

SPACE = "sRGB"
TOP = 128
"""The highest channel there is."""


def strips_of(scene: Any) -> list[Any]:
    """A scene's strips with guides."""
    return [strip for strip in versions.every_strip(scene) if MARK in strip]


def strip_of(scene: Any) -> Any:
    """The first of them, or None."""
    return next(iter(strips_of(scene)), None)


def shown(scene: Any) -> list[Any]:
    """Those that are not muted."""
    return [strip for strip in strips_of(scene) if not strip.mute]


def new_strip(scene: Any, path: Path) -> Any:
    """A strip over the whole edit, on top."""
    editor = scene.sequence_editor or scene.sequence_editor_create()
    strips = versions.top_level(editor)
    top = max((each.channel for each in strips), default=0)
    strip = strips.new_image(NAME, str(path), min(top + 1, TOP), scene.frame_start, fit_method="ORIGINAL")
    versions.set_length(strip, max(scene.frame_end - scene.frame_start + 1, 1))
    strip.blend_type, strip.alpha_mode = "ALPHA_OVER", "STRAIGHT"
    strip.colorspace_settings.name = SPACE
    strip[MARK] = True
    return strip


def still_of(strip: Any) -> Path:
    """The file that a strip shows."""
    return Path(bpy.path.abspath(strip.directory), str(strip.elements[0].filename))


def point(strip: Any, path: Path) -> None:
    """Show the still as it is now on the disk."""
    folder = f"{path.parent}{os.sep}"
    strip.directory = bpy.path.relpath(folder) if bpy.data.filepath else folder
    strip.elements[0].filename = path.name
    versions.changed(strip)


def put_on_top(scene: Any) -> None:
    """Above everything else in the edit, or in the meta strip that a strip lies in. Parts of a cut keep one channel."""
    for strip in strips_of(scene):
        others = [each.channel for each in versions.siblings(strip) if MARK not in each]
        if others and strip.channel <= max(others) < TOP:
            strip.channel = max(others) + 1


def remove(scene: Any) -> int:
    """Take the strips away, and their stills where no other strip shows them; how many there were."""
    strips = strips_of(scene)
    stills = {still_of(strip) for strip in strips}
    for strip in strips:
        versions.siblings(strip).remove(strip)
    kept = {still_of(strip) for each in bpy.data.scenes for strip in strips_of(each)}
    for path in stills - kept:
        if path.parent.name == FOLDER and path.name.startswith("guides-"):
            path.unlink(missing_ok=True)
    return len(strips)
