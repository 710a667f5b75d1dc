"""Numbers only: arrays in, arrays out. Importable with numpy and numba alone; numba loads with the first kernel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .encoding import Channel, Encoding, Model, Range

if TYPE_CHECKING:
    from .dither import Dither, requantise
    from .scaling import rescale

__all__ = ["Channel", "Dither", "Encoding", "Model", "Range", "requantise", "rescale"]

_LAZY = {"Dither": "dither", "requantise": "dither", "rescale": "scaling"}


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        from importlib import import_module

        return getattr(import_module(f".{_LAZY[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
