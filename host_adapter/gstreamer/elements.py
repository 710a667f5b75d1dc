"""The elements: one class of `GstVideo.VideoFilter` for every effect, generated from its declaration."""

from __future__ import annotations

from typing import Any

import gi

from . import unwinding  # noqa: F401  (before GStreamer)

gi.require_version("Gst", "1.0")
gi.require_version("GstBase", "1.0")
gi.require_version("GstVideo", "1.0")

from gi.repository import GObject, Gst  # noqa: E402

from ..effects import effect  # noqa: E402
from . import ELEMENTS  # noqa: E402

Gst.init(None)

from .caps import template_caps  # noqa: E402
from .filter import Filter  # noqa: E402
from .properties import properties_of  # noqa: E402
from .video_frame import self_test  # noqa: E402


def _class_of(effect_name: str) -> Any:
    """The class of the element that runs an effect. Its name as a type is in project files, like the element's."""
    made_from = effect(effect_name)
    pads = tuple(
        Gst.PadTemplate.new(name, direction, Gst.PadPresence.ALWAYS, template_caps())
        for name, direction in (("sink", Gst.PadDirection.SINK), ("src", Gst.PadDirection.SRC))
    )
    name = f"Footroom{effect_name.title()}"
    made: Any = type(
        name,
        (Filter,),
        {
            "__module__": __name__,
            "__gtype_name__": name,
            "__gstmetadata__": (made_from.label, "Filter/Effect/Video", made_from.help, "The footroom developers"),
            "__gsttemplates__": pads,
            "__gproperties__": properties_of(made_from, name),
            "EFFECT": made_from,
        },
    )
    for spec in made.list_properties():
        if GObject.type_is_a(spec.value_type, GObject.TYPE_ENUM) and spec.owner_type == made.__gtype__:
            type(
                spec.default_value
            ).__module__ = __name__  # PyGObject leaves it out, and cannot print a value without it
    return made


CLASSES: dict[str, Any] = {element: _class_of(name) for element, name in ELEMENTS.items()}
"""Classes by the element's name."""


def register_elements() -> None:
    """See the package's `register`."""
    self_test()
    for name, made in CLASSES.items():
        if Gst.ElementFactory.find(name) is None and not Gst.Element.register(None, name, Gst.Rank.NONE, made):
            raise RuntimeError(f"GStreamer refuses the element {name}")
