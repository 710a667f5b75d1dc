"""The colours of bars on a vectorscope, and the borders of all colours of that amplitude."""

from __future__ import annotations

from ...kernels.matrix import Matrix
from .layout import Area
from .pen import DIM, INK, LINE, Pen, width_of
from .scales import PARTS, Scale, targets

SHORT = {"red": "R", "yellow": "Ye", "green": "G", "cyan": "Cy", "blue": "B", "magenta": "Mg"}
"""Where there is no room for the colours' names."""


def draw_targets(area: Area, scale: Scale, matrix: Matrix, over: Pen, *, labelled: bool) -> None:
    """The colours of bars, and the borders of all colours of that amplitude."""
    capitals, span = over.capitals, scale.high - scale.low

    def at(pair: tuple[float, float]) -> tuple[float, float]:
        return (
            area.x0 + (pair[0] - scale.low) / span * area.width, area.y1 - (pair[1] - scale.low) / span * area.height,
        )  # fmt: skip

    if scale.high < 0.45:
        return
    for part, strength in zip(PARTS, (0.3, 0.42), strict=True):
        corners = {name: at((float(cb), float(cr))) for name, (cb, cr) in targets(matrix, part).items()}
        over.outline(list(corners.values()), LINE, strength)
        for x, y in corners.values():
            over.diamond(x, y, max(area.width / 90, 2), INK, 0.9)
    if not labelled:
        return
    if area.width >= 18 * capitals:
        for part in PARTS:
            low, high = (targets(matrix, part)[name] for name in ("cyan", "blue"))
            x, y = at((float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2))
            words = f"{float(part * 100):g} %"
            left = min(x + capitals * 0.6, area.x1 - width_of(words, capitals) - capitals * 0.4)
            over.text(words, left, y + capitals * 1.2, DIM, edged=True)
    places = {name: at((float(cb), float(cr))) for name, (cb, cr) in targets(matrix, PARTS[1]).items()}
    for short in (False, True) if area.width >= 27 * capitals else (True,):
        written = [_name_at(SHORT[name] if short else name, place, area, capitals) for name, place in places.items()]
        if not _overlapping(written, capitals):
            for text, left, baseline in written:
                over.text(text, left, baseline, INK, edged=True)
            break


def _name_at(text: str, place: tuple[float, float], area: Area, capitals: int) -> tuple[str, float, float]:
    """A colour's name beside its target, within the plot: text, where it begins, baseline."""
    (x, y), wide = place, width_of(text, capitals)
    left = x - wide - capitals if x > (area.x0 + area.x1) / 2 else x + capitals
    left = min(max(left, area.x0 + capitals * 0.4), area.x1 - wide - capitals * 0.4)
    return text, left, y + (capitals * 2.2 if y < (area.y0 + area.y1) / 2 else -capitals * 1.2)


def _overlapping(written: list[tuple[str, float, float]], capitals: int) -> bool:
    spans = [(left, left + width_of(text, capitals), baseline) for text, left, baseline in written]
    return any(
        abs(a[2] - b[2]) < 1.5 * capitals and a[0] < b[1] + capitals / 2 and b[0] < a[1] + capitals / 2
        for number, a in enumerate(spans)
        for b in spans[:number]
    )
