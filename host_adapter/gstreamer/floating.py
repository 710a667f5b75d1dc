"""Elements made in Python come into the world as GStreamer wants them: with a floating reference for whoever takes them."""

from __future__ import annotations

import ctypes
import ctypes.util
from typing import Any

_gobject = ctypes.CDLL(ctypes.util.find_library("gobject-2.0") or "libgobject-2.0.so.0")
for _function in (_gobject.g_object_ref, _gobject.g_object_force_floating):
    _function.argtypes, _function.restype = (ctypes.c_void_p,), ctypes.c_void_p


def let_float(element: Any) -> None:
    """Called at the end of __init__.

    PyGObject's wrapper takes the floating reference for itself, over which GStreamer logs a critical message for every element. So the
    wrapper keeps its own, and there is a floating one beside it. An element that is made and never put into a bin stays in memory.
    """
    pointer = hash(element)
    _gobject.g_object_ref(pointer)
    _gobject.g_object_force_floating(pointer)
