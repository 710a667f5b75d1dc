"""GObject properties made from the effects' parameters.

A choice is an enumeration of its own: tools list its words and refuse others. Project files of the Editing Services keep its number, not
its word (GES 1.22), so numbers stay as they are: 0, 1, … in the declared order, or the word's own where the words are numbers
(`depth=10` is 10, 'same' is 0).
"""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Sequence
from typing import Any

from gi.repository import GObject, Gst

from ..effect import Choice, Effect, Kind, Param

ON_ERROR = "on-error"
ERRORS = "errors"
ON_ERROR_CHOICES = (Choice("stop", "Stop with an error"), Choice("pass", "Pass the frame on as it came, and count it"))

_LARGE = 1.7976931348623157e308
_WHOLE = 2**31 - 1


def property_name(param: Param) -> str:
    """A parameter's name as GObject writes it."""
    return param.name.replace("_", "-")


def properties_of(effect: Effect, stem: str) -> dict[str, Any]:
    """`__gproperties__` of an element that runs the effect; enumerations are registered under names that begin with the stem."""
    found = {property_name(param): _property(param, stem) for param in effect.params}
    found[ON_ERROR] = (
        enumeration(f"{stem}OnError", ON_ERROR_CHOICES), "On error", "What happens when a frame cannot be changed.", "stop",
        GObject.ParamFlags.READWRITE,
    )  # fmt: skip
    found[ERRORS] = (
        int, "Errors", "Frames that could not be changed.", 0, _WHOLE, 0, GObject.ParamFlags.READABLE,
    )  # fmt: skip
    return found


def word_of(value: Any) -> Any:
    """A property's value as the effects have it: of an enumeration its word."""
    return getattr(value, "value_nick", value)


def number_of(choices: Sequence[Choice], word: str) -> int:
    """The number that stands for a word in an enumeration."""
    if any(choice.value.isdigit() for choice in choices):
        return int(word) if word.isdigit() else 0
    return [choice.value for choice in choices].index(word)


class _EnumValue(ctypes.Structure):
    _fields_ = (("value", ctypes.c_int), ("name", ctypes.c_char_p), ("nick", ctypes.c_char_p))


_gobject = ctypes.CDLL(ctypes.util.find_library("gobject-2.0") or "libgobject-2.0.so.0")
_gobject.g_enum_register_static.argtypes = (ctypes.c_char_p, ctypes.c_void_p)
_gobject.g_enum_register_static.restype = ctypes.c_size_t

_tables: list[Any] = []
"""GObject keeps pointers to them as long as the process lives."""


def enumeration(name: str, choices: Sequence[Choice]) -> Any:
    """A new GObject type; PyGObject before 3.50 has no way to make one."""
    rows = [_EnumValue(number_of(choices, one.value), one.label.encode(), one.value.encode()) for one in choices]
    table = (_EnumValue * (len(rows) + 1))(*rows)
    _tables.append(table)
    _gobject.g_enum_register_static(name.encode(), ctypes.addressof(table))
    return GObject.GType.from_name(name)


def _property(param: Param, stem: str) -> tuple[Any, ...]:
    flags = GObject.ParamFlags.READWRITE | GObject.ParamFlags(_own_flags(param))
    label = f"{param.label} ({param.unit})" if param.unit and param.kind in (Kind.INTEGER, Kind.NUMBER) else param.label
    if param.kind is Kind.BOOLEAN:
        return (bool, label, param.help, param.default, flags)
    if param.kind is Kind.INTEGER:
        least = -_WHOLE if param.low is None else int(param.low)
        most = _WHOLE if param.high is None else int(param.high)
        return (int, label, param.help, least, most, param.default, flags)
    if param.kind is Kind.NUMBER:
        low, high = (limit if limit is not None else end for limit, end in ((param.low, -_LARGE), (param.high, _LARGE)))
        return (float, label, param.help, low, high, param.default, flags)
    if param.kind is Kind.CHOICE:
        kind = enumeration(stem + param.name.title().replace("_", ""), param.choices)
        return (kind, label, param.help, param.default, flags)
    return (str, label, param.help, param.default, flags)


def _own_flags(param: Param) -> int:
    """GStreamer's flags: may be keyframed; takes effect while playing."""
    return int(Gst.PARAM_MUTABLE_PLAYING) | (int(Gst.PARAM_CONTROLLABLE) if param.animates else 0)


def defaults_of(effect: Effect) -> dict[str, Any]:
    """Values as the element holds them, by parameter's name."""
    return {param.name: param.default for param in effect.params}
