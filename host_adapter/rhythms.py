"""How guides' lines are broken, so that windows are told apart without colour."""

from __future__ import annotations

from collections.abc import Iterable

Span = tuple[float, float]
Rhythm = tuple[float, tuple[Span, ...]]
"""The period in thicknesses of the line, and the strokes in it as (middle, length), both in parts of the period."""

RHYTHMS: tuple[Rhythm, ...] = (
    (0, ()),
    (22, ((0, 0.62),)),
    (7, ((0, 0.5),)),
    (26, ((0, 0.5), (0.5, 0.12))),
    (30, ((0, 0.42), (0.4, 0.09), (0.6, 0.09))),
    (44, ((0, 0.76),)),
    (36, ((0, 0.4), (0.36, 0.12), (0.5, 0.08), (0.64, 0.12))),
    (16, ((0, 0.22),)),
)
"""Of windows, in their order. The first is unbroken. A stroke is centred on every corner."""

SAFE_RHYTHMS: tuple[Rhythm, ...] = ((40, ((0, 0.36),)), (40, ((0, 0.3), (0.5, 0.06))))
"""Safe areas are more gap than line, the inner ones with a point in every gap."""


def strokes(length: float, rhythm: Rhythm, thickness: float) -> Iterable[Span]:
    """Where a line of that length is drawn, so that its two ends look alike."""
    period, parts = rhythm
    if not parts:
        return [(0.0, length)]
    count = max(1, round(length / (period * thickness)))
    scale = length / count
    found = []
    for number in range(count + 1):
        for middle, part in parts:
            start = max((number + middle - part / 2) * scale, 0.0)
            end = min((number + middle + part / 2) * scale, length)
            if start < end:
                found.append((start, end))
    return found
