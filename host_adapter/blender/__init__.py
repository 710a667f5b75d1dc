# SPDX-License-Identifier: GPL-3.0-or-later
"""The add-on for Blender: survey and mend the sequencer's strips, guides over deliveries, range in the compositor.

What is heavy (numba, av) loads when an operator needs it, so that enabling the add-on is instant.
"""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

MODULES = (
    "versions",
    "properties",
    "progress",
    "survey_ops",
    "mend_ops",
    "range_modifier",
    "live",
    "guides",
    "nodes",
    "panel",
)
"""In the order of registering; the panel comes last because it shows what the others bring."""

_registered: list[ModuleType] = []


def modules() -> list[ModuleType]:
    """The add-on's modules in the order of registering."""
    return [import_module(f".{name}", __name__) for name in MODULES if find_spec(f".{name}", __name__) is not None]


def register() -> None:
    """Register all; where one module fails, none stays registered."""
    try:
        for module in modules():
            begin = getattr(module, "register", None)
            if begin is not None:
                begin()
            _registered.append(module)
    except Exception:
        unregister()
        raise


def unregister() -> None:
    """Take back what `register` did, last first."""
    while _registered:
        end = getattr(_registered.pop(), "unregister", None)
        if end is not None:
            end()
