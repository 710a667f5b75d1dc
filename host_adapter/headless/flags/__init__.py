"""Where a file keeps its range flag, and changing it there without touching a coded picture."""

from __future__ import annotations

from .expressible import EXPRESSIBLE, Place, expressible, place_of

__all__ = ["EXPRESSIBLE", "Place", "expressible", "place_of"]
