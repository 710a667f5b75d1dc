"""Where a file keeps its range flag, and changing it there without touching a coded picture."""

from __future__ import annotations

from .expressible import EXPRESSIBLE, Place, expressible, place_of
from .find import find_sites
from .place import Site
from .retag import Retagged, Way, can_retag, retag

__all__ = [
    "EXPRESSIBLE",
    "Place",
    "Retagged",
    "Site",
    "Way",
    "can_retag",
    "expressible",
    "find_sites",
    "place_of",
    "retag",
]
