"""Grids and safe areas as asked for, put into the picture or into the window of their name; the same for every host."""

from __future__ import annotations

from collections.abc import Iterable

from ..kernels.areas import Rect
from ..kernels.framing import Picture, Window
from .wanted import Grid, Placed, Safe


def placed_in(
    wanted: Iterable[Placed], windows: Iterable[Window], picture: Picture
) -> tuple[list[tuple[Grid, Rect]], list[tuple[Safe, Rect]]]:
    """Grids and safe areas, each with the rectangle that it lies in. One in a window that is not among these is left out."""
    areas = {window.name: window.rect for window in windows}
    grids: list[tuple[Grid, Rect]] = []
    safes: list[tuple[Safe, Rect]] = []
    for each in wanted:
        area = picture.rect if each.window is None else areas.get(each.window)
        if area is None:
            continue
        if isinstance(each.what, Grid):
            grids.append((each.what, area))
        else:
            safes.append((each.what, area))
    return grids, safes
