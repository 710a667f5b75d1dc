"""The effects, by name. Importing one loads its declaration; kernels load when it renders."""

from __future__ import annotations

from importlib import import_module

from ..effect import Effect

NAMES = ("range", "requantise", "guides", "exposure", "scopes")


def effect(name: str) -> Effect:
    """The effect of a name.

    Raises: ValueError naming it.
    """
    if name not in NAMES:
        raise ValueError(f"there is no effect {name!r}; there are {', '.join(NAMES)}")
    found = import_module(f".{name}_effect", __name__).EFFECT
    assert isinstance(found, Effect)
    return found


def effects() -> tuple[Effect, ...]:
    """All of them."""
    return tuple(effect(name) for name in NAMES)
