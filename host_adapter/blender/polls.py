# SPDX-License-Identifier: GPL-3.0-or-later
"""Why a button cannot be pressed now, in words, for its tooltip."""

from __future__ import annotations

from typing import Any

from . import progress, versions


def ready(operator_class: Any, reason: str) -> bool:
    """What `poll` gives back: whether there is no reason against it. Blender shows the reason at the button."""
    if reason:
        operator_class.poll_message_set(reason)
    return not reason


def no_edit(context: Any) -> str:
    """Why strips cannot be surveyed or changed, or nothing."""
    scene = versions.edit_scene(context)
    if progress.busy() is not None:
        return "Footroom is at work; wait for it, or stop it"
    if scene is None or scene.sequence_editor is None or not versions.top_level(scene.sequence_editor):
        return "There is no strip in the sequencer"
    return "The scene is linked from another blend file; open that one" if scene.library is not None else ""


def no_selection(context: Any, what: str) -> str:
    """Why a modifier cannot be put on strips, or nothing. what : the kind of strip it is for"""
    return versions.too_old() or ("" if versions.selected(context) else f"Select a {what} first")
