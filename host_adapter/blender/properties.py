# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender properties made from the effects' parameters, and the add-on's own settings on the scene."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import bpy

from footroom.host_adapter.effect import Effect, Kind, Param
from footroom.host_adapter.effects import effect
from footroom.host_adapter.headless.words import PROFILES, REMEDIES

from . import versions

Update = Callable[[Any, Any], None]

watchers: dict[str, list[Update]] = {"range": [], "guides": []}
"""Called with (group, context) when a property of that effect's group on the scene changes."""


def annotations_of(made_from: Effect, update: Update | None = None, only: tuple[str, ...] = ()) -> dict[str, Any]:
    """A Blender property for every parameter, as the annotations of a PropertyGroup or an operator.

    update : called with (group, context) on every change
    only : names of the parameters wanted; all by default
    """
    return {param.name: property_of(param, update) for param in made_from.params if not only or param.name in only}


def property_of(param: Param, update: Update | None = None) -> Any:
    """One parameter as a Blender property."""
    name = param.label
    if param.unit and param.kind in (Kind.INTEGER, Kind.NUMBER):
        name = f"{param.label} ({param.unit})"
    said: dict[str, Any] = {
        "name": name,
        "description": param.help.rstrip("."),  # Blender sets the full stop itself
        "default": param.default,
        "options": {"ANIMATABLE"} if param.animates else set(),
    }
    if update is not None:
        said["update"] = update
    if param.kind is Kind.BOOLEAN:
        return bpy.props.BoolProperty(**said)
    if param.kind is Kind.TEXT:
        return bpy.props.StringProperty(**said)
    if param.kind is Kind.CHOICE:
        items = [(choice.value, choice.label, "", number) for number, choice in enumerate(param.choices)]
        return bpy.props.EnumProperty(items=items, **said)
    limits = {key: limit for key, limit in (("min", param.low), ("max", param.high)) if limit is not None}
    if param.kind is Kind.INTEGER:
        return bpy.props.IntProperty(**said, **{key: int(limit) for key, limit in limits.items()})
    return bpy.props.FloatProperty(**said, **limits)


def values_of(group: Any, made_from: Effect) -> dict[str, Any]:
    """The values of a group that `annotations_of` made, checked; a parameter that the group lacks has its default.

    Raises: ValueError naming the parameter, such as one that holds a text it cannot read.
    """
    given = {param.name: getattr(group, param.name) for param in made_from.params if hasattr(group, param.name)}
    return made_from.values(
        {name: typed(value) if isinstance(value, float) else value for name, value in given.items()}
    )


def typed(value: float) -> float:
    """The shortest decimal that Blender holds as this number, which is what was typed: 1.33 for 1.3300000429153442."""
    held = struct.pack("f", value)
    shortest = (float(f"{value:.{digits}g}") for digits in range(1, 10))
    return next((number for number in shortest if struct.pack("f", number) == held), value)


def _tell(name: str) -> Update:
    def tell(group: Any, context: Any) -> None:
        for watcher in watchers[name]:
            watcher(group, context)

    return tell


def _group(class_name: str, annotations: dict[str, Any]) -> Any:
    return type(class_name, (bpy.types.PropertyGroup,), {"__annotations__": annotations, "__module__": __name__})


_REMEDY_WORDS = {
    "retag": ("Retag", "Only the flag of the copy changes"),
    "lift": ("Lift", "Rescale into two more bits, exactly reversible"),
    "rescale": ("Rescale", "Rescale at the same depth, dithered"),
    "undo": ("Undo a scaling", "Take back one scaling too many, into two more bits; Codes are says what it made them"),
}
_PROFILE_WORDS = {"log": "Log", "display": "Finished", "hlg": "HLG", "pq": "PQ"}


def _settings_annotations(groups: dict[str, Any]) -> dict[str, Any]:
    remedies = [(word, *_REMEDY_WORDS[word]) for word in REMEDIES if word in _REMEDY_WORDS]
    props = bpy.props
    return {
        **{name: props.PointerProperty(type=group) for name, group in groups.items()},
        **annotations_of(effect("range"), only=("dither", "seed")),
        "curve": props.StringProperty(
            name="Curve", description="Log curve that the recordings are in, by its usual name; empty where not known"
        ),
        "profile": props.EnumProperty(
            name="Pictures are",
            description="What kind of picture the recordings hold. Log with a curve vouches for that curve",
            items=[
                ("unsaid", "As the file says", ""),
                *((word, _PROFILE_WORDS[word], "") for word in PROFILES),
            ],
        ),
        "remedy": props.EnumProperty(
            name="Remedy",
            description="How recordings are mended",
            items=[("survey", "As surveyed", "What the survey proposes for each recording"), *remedies],
        ),
        "codes": props.EnumProperty(
            name="Codes are",
            description="What the codes of a recording are where the survey leaves it open or you know better",
            items=[("survey", "As surveyed", ""), ("narrow", "Narrow", ""), ("full", "Full", "")],
        ),
        "folder": props.StringProperty(
            name="Folder",
            description="Where mended recordings go; empty: a folder named footroom beside each recording",
            subtype="DIR_PATH",
            options=versions.RELATIVE_PATH,
        ),
        "replace": props.BoolProperty(
            name="Replace earlier results",
            description="Make a result anew where one of its name lies already, made with other settings",
            options=set(),
        ),
        "even_so": props.BoolProperty(
            name="Even so",
            description="Scale what the survey or the kind of picture speaks against, which cannot be seen to be right",
            options=set(),
        ),
        "only_open": props.BoolProperty(
            name="Only what needs a look", description="Leave out strips that are right", options=set()
        ),
    }


_classes: list[Any] = []


def register() -> None:
    groups = {name: _group(f"FOOTROOM_PG_{name}", annotations_of(effect(name), _tell(name))) for name in watchers}
    settings = _group("FOOTROOM_PG_settings", _settings_annotations(groups))
    for made in (*groups.values(), settings):
        bpy.utils.register_class(made)
        _classes.append(made)
    bpy.types.Scene.footroom = bpy.props.PointerProperty(type=settings)
    versions.strip_type().footroom_open = bpy.props.BoolProperty(
        name="Reasons", description="Show what the finding rests on", options=set()
    )


def unregister() -> None:
    for owner, name in ((versions.strip_type(), "footroom_open"), (bpy.types.Scene, "footroom")):
        if hasattr(owner, name):
            delattr(owner, name)
    while _classes:
        bpy.utils.unregister_class(_classes.pop())
