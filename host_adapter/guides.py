"""Guides as a drawing: windows, common area, safe areas, grids and marks, in the project's own look, for every host.

What makes a guide readable on any picture is its build: a light core with a dark edge round it. Windows are told apart by the
rhythm of their dashes and by a label; their tint only repeats it. Thickness and text follow the picture's height, and on a
squeezed picture both are narrowed, so that they look even after de-squeeze.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from ..kernels.areas import ACTION_SAFE, Rect, divisions, safe_area
from ..kernels.coverage import Box, Drawing, Layer, Polygon, Stencil, clipped
from ..kernels.framing import Picture, Window, common_area, outside
from .labels import Places, corner_marks, outline_areas
from .lettering import lettering
from .rhythms import RHYTHMS, SAFE_RHYTHMS, Rhythm, strokes
from .wanted import Grid, Safe

Colour = tuple[float, float, float]
Span = tuple[float, float]

CHALK: Colour = (0.95, 0.93, 0.88)
TINTS: tuple[Colour, ...] = (CHALK, (0.98, 0.83, 0.42), (0.52, 0.87, 0.93), (0.97, 0.68, 0.78), (0.70, 0.91, 0.60))
INK: Colour = (0.0, 0.0, 0.0)

EDGE_OPACITY, PLATE_OPACITY, THIN_OPACITY = 0.6, 0.55, 0.75

UNSCALED = (Fraction(1), Fraction(1))

LINES_TO_THICKNESS, LINES_TO_TEXT = 540, 56
"""Lines of picture to one of a guide's thickness, and to one of a capital letter."""


@dataclass(frozen=True, slots=True)
class Guides:
    """What is to be drawn over one picture.

    windows : in the order of their rhythms
    grids, safes : each with the rectangle it lies in (the picture's or a window's)
    shade : 0..1, how dark what no window keeps becomes
    labels : write names and sizes
    white : level of the lightest guide, 0..1: that of graphics white in the recording's transfer
    weight : times the usual thickness and text, for a picture that is to be looked at smaller
    moving : one of many frames in which windows move: labels keep to their corners, for one that stepped aside for lines would jump
    """

    picture: Picture
    windows: tuple[Window, ...] = ()
    grids: tuple[tuple[Grid, Rect], ...] = ()
    safes: tuple[tuple[Safe, Rect], ...] = ()
    centre: bool = False
    shade: float = 0.0
    labels: bool = False
    white: float = 1.0
    weight: float = 1.0
    moving: bool = False

    def common(self) -> Rect | None:
        """What all windows keep, where that is something of its own: not one of the windows itself."""
        area = common_area(self.windows)
        return None if area is None or any(area == window.rect for window in self.windows) else area


def draw(
    guides: Guides,
    *,
    scale: tuple[Fraction, Fraction] = (Fraction(1), Fraction(1)),
    size: tuple[int, int] | None = None,
) -> Drawing:
    """The drawing.

    scale : pixels of the drawing to one of the guides' picture, across and down: a host's preview at half size is (1/2, 1/2)
    size : of the drawing in pixels; None for the picture's own, scaled and rounded
    Raises: ValueError for a label that does not fit into the picture, or has characters that the font lacks.
    """
    if scale == UNSCALED and size is None:
        return _Pen(guides, guides.picture, scale).drawing()
    full = guides.picture
    width, height = size or (max(1, round(full.width * scale[0])), max(1, round(full.height * scale[1])))
    return _Pen(guides, Picture(width, height, full.aspect * scale[1] / scale[0]), scale).drawing()


class _Pen:
    """Collects the strokes of all guides, so that no guide's dark edge lies over another's light core."""

    def __init__(self, guides: Guides, picture: Picture, scale: tuple[Fraction, Fraction]) -> None:
        self.guides, self.picture, self.scale = guides, picture, scale
        self.squeeze = float(picture.aspect)
        self.thick = max(1.0, round(guides.weight * self.picture.height / LINES_TO_THICKNESS))
        self.edge = max(1.0, round(self.thick * 0.75))
        # On a squeezed picture upright lines are narrower, but never less than a pixel: half of one is hardly seen.
        self.thick_across = max(1.0, self.thick / self.squeeze)
        self.edge_across = max(1.0, self.edge / self.squeeze)
        self.text = max(9.0, guides.weight * self.picture.height / LINES_TO_TEXT)
        self.edges: list[Box | Polygon] = []
        self.thin_edges: list[Box | Polygon] = []
        self.cores: dict[tuple[Colour, float], list[Box | Polygon]] = {}
        self.places = self._places()
        self.plates: list[Box] = []
        self.letters: list[tuple[Colour, Stencil, Stencil]] = []

    def drawing(self) -> Drawing:
        guides, picture = self.guides, self.picture
        dark = outside(guides.picture, guides.windows) if guides.shade and guides.windows else []
        shade = tuple(_box(self._at(each)) for each in dark)
        for grid, area in guides.grids:
            self._grid(grid, self._at(area))
        if guides.centre:
            self._centre_cross(picture.rect)
        for safe, area in guides.safes:
            self._safe(safe, area)
        for number, window in enumerate(guides.windows):
            tint, rhythm = TINTS[number % len(TINTS)], RHYTHMS[number % len(RHYTHMS)]
            area = self._at(window.rect)
            self._outline(area, tint, rhythm)
            if guides.labels:
                _, _, columns, rows = window.rect.pixels()
                self._label(f"{window.name}  {columns} × {rows}", tint, area)
        shared = guides.common()
        if shared is not None:
            common = self._at(shared)
            self._corners(common)
            if guides.labels:
                self._label("common", CHALK, common, low=True)
        layers = [Layer(shade, INK, guides.shade)] if shade else []
        layers.append(Layer(tuple(self.thin_edges), INK, EDGE_OPACITY * THIN_OPACITY))
        layers.append(Layer(tuple(self.edges), INK, EDGE_OPACITY))
        layers += [Layer(tuple(shapes), self._lit(tint), opacity) for (tint, opacity), shapes in self.cores.items()]
        layers.append(Layer(tuple(self.plates), INK, PLATE_OPACITY))
        layers += [Layer((edge,), INK, EDGE_OPACITY) for _, edge, _ in self.letters]
        layers += [Layer((core,), self._lit(tint)) for tint, _, core in self.letters]
        return Drawing(picture.width, picture.height, tuple(layer for layer in layers if layer.shapes))

    def _places(self) -> Places:
        """Room for labels: the common area's angles stay in sight, and lines where they can."""
        guides, width, height = self.guides, self.picture.width, self.picture.height
        if guides.moving:
            return Places(width, height)
        drawn = [self._at(window.rect) for window in guides.windows]
        drawn += [self._at(safe_area(safe.part, area)) for safe, area in guides.safes]
        shared = guides.common()
        marks = [] if shared is None else corner_marks(_edges(self._at(shared)), self._angle(self._at(shared)))
        return Places(width, height, marks, outline_areas(map(_edges, drawn), width, height))

    def _angle(self, area: Rect) -> Span:
        """How far the common area's angles reach, across and down."""
        arm = min(self.picture.height / 24, float(area.height) / 3, float(area.width) * self.squeeze / 3)
        return arm / self.squeeze, arm

    def _at(self, area: Rect) -> Rect:
        """A rectangle of the guides' picture in the drawing's pixels."""
        across, down = self.scale
        if self.scale == UNSCALED:
            return area
        width, height = self.picture.width, self.picture.height
        x1 = Fraction(width) if area.x1 == self.guides.picture.width else area.x1 * across
        y1 = Fraction(height) if area.y1 == self.guides.picture.height else area.y1 * down
        return Rect(area.x0 * across, area.y0 * down, x1, y1)

    def _lit(self, tint: Colour) -> Colour:
        red, green, blue = (level * self.guides.white for level in tint)
        return red, green, blue

    def _stroke(self, x0: float, y0: float, x1: float, y1: float, tint: Colour, thin: bool = False) -> None:
        """An upright stroke and the dark edge round it."""
        across, down = self.edge_across, self.edge
        around = Box(x0 - across, y0 - down, x1 + across, y1 + down)
        (self.thin_edges if thin else self.edges).append(around)
        self._core(Box(x0, y0, x1, y1), tint, thin)

    def _core(self, shape: Box | Polygon, tint: Colour, thin: bool) -> None:
        self.cores.setdefault((tint, THIN_OPACITY if thin else 1.0), []).append(shape)

    def _outline(self, area: Rect, tint: Colour, rhythm: Rhythm, thin: bool = False) -> None:
        """Lines along a rectangle's sides, just outside it, so that all that is kept stays in sight. A side on the picture's
        own border has no line, unless the rectangle is the whole picture: then they lie inside."""
        x0, y0, x1, y1 = _edges(area)
        width, height = self.picture.width, self.picture.height
        across, down = self.thick_across, self.thick
        if area == self.picture.rect:
            x0, y0, x1, y1 = x0 + across, y0 + down, x1 - across, y1 - down
        top, bottom = y0 - down * (y0 > 0), y1 + down * (y1 < height)
        for side in [x0 - across] * (x0 > 0) + [x1] * (x1 < width):
            for start, end in strokes(bottom - top, rhythm, self.thick):
                self._stroke(side, top + start, side + across, top + end, tint, thin)
        for side in [y0 - down] * (y0 > 0) + [y1] * (y1 < height):
            left, right = x0 - across * (x0 > 0), x1 + across * (x1 < width)
            for start, end in strokes(right - left, rhythm, across):
                self._stroke(left + start, side, left + end, side + down, tint, thin)

    def _corners(self, area: Rect) -> None:
        """Angles at the corners, inside: the common area."""
        x0, y0, x1, y1 = _edges(area)
        across, down = self.thick_across * 1.5, self.thick * 1.5
        reach, arm = self._angle(area)
        for left, right in ((x0, x0 + reach), (x1 - reach, x1)):
            self._stroke(left, y0, right, y0 + down, CHALK)
            self._stroke(left, y1 - down, right, y1, CHALK)
        for top, bottom in ((y0, y0 + arm), (y1 - arm, y1)):
            self._stroke(x0, top, x0 + across, bottom, CHALK)
            self._stroke(x1 - across, top, x1, bottom, CHALK)

    def _grid(self, grid: Grid, area: Rect) -> None:
        x0, y0, x1, y1 = _edges(area)
        thin = max(self.thick / 2, 1.0)
        half, across = thin / 2, max(thin / self.squeeze, 1.0)
        # On whole pixels: a line of one pixel that lies across two is a faint line.
        for place in divisions(grid.across, area.x0, area.x1):
            left = round(float(place) - across / 2)
            self._stroke(left, y0, left + across, y1, CHALK, thin=True)
        for place in divisions(grid.down, area.y0, area.y1):
            top = round(float(place) - thin / 2)
            self._stroke(x0, top, x1, top + thin, CHALK, thin=True)
        if grid.diagonals:
            for start, end in (((x0, y0), (x1, y1)), ((x0, y1), (x1, y0))):
                self._core(self._slanted(start, end, half, area), CHALK, thin=True)
                self.thin_edges.append(self._slanted(start, end, half + self.edge, area))

    def _slanted(self, start: Span, end: Span, half: float, area: Rect) -> Polygon:
        """A straight line of even thickness on the displayed picture, from corner to corner of its rectangle."""
        (ax, ay), (bx, by) = start, end
        across, down = (bx - ax) * self.squeeze, by - ay
        length = (across**2 + down**2) ** 0.5
        aside_x, aside_y = -down / length * half / self.squeeze, across / length * half
        # It runs on past both corners and is cut off at the sides, so that no notch is left there.
        ax, bx, ay, by = 2 * ax - bx, 2 * bx - ax, 2 * ay - by, 2 * by - ay
        corners = [
            (ax + aside_x, ay + aside_y),
            (bx + aside_x, by + aside_y),
            (bx - aside_x, by - aside_y),
            (ax - aside_x, ay - aside_y),
        ]
        x0, y0, x1, y1 = _edges(area)
        return Polygon(tuple(clipped(corners, x0, x1, y0, y1)))

    def _centre_cross(self, area: Rect) -> None:
        x, y = float(area.x0 + area.x1) / 2, float(area.y0 + area.y1) / 2
        gap, arm, half = self.picture.height / 110, self.picture.height / 28, self.thick / 2
        for sign in (-1, 1):
            near, far = sorted((sign * gap, sign * arm))
            self._stroke(x + near / self.squeeze, y - half, x + far / self.squeeze, y + half, CHALK)
            self._stroke(x - half / self.squeeze, y + near, x + half / self.squeeze, y + far, CHALK)

    def _safe(self, safe: Safe, area: Rect) -> None:
        inside = self._at(safe_area(safe.part, area))
        self._outline(inside, CHALK, SAFE_RHYTHMS[safe.part < ACTION_SAFE], thin=True)
        if self.guides.labels:
            self._label(f"{safe.name} {float(safe.part * 100):g} %", CHALK, inside, low=True, small=True)

    def _label(self, text: str, tint: Colour, area: Rect, *, low: bool = False, small: bool = False) -> None:
        """Text in a corner of a rectangle, on a dark plate; it steps aside along the sides (see labels.py)."""
        size = self.text * (0.75 if small else 1)
        made = lettering(text, size, edge=self.edge, aspect=self.picture.aspect)
        rows, columns = made.core.shape
        pad = max(2, round(size / 3))
        across = max(1, round(pad / self.squeeze))
        if columns + 2 * across > self.picture.width or rows + 2 * pad > self.picture.height:
            raise ValueError(f"label {text!r} is too long for the picture ({columns} of {self.picture.width} columns)")
        line = self.thick_across + self.edge_across, self.thick + self.edge
        left, top = self.places.put(_edges(area), (columns, rows), (across, pad), line=line, low=low)
        self.plates.append(Box(left - across / 2, top - pad / 4, left + columns + across / 2, top + rows + pad / 4))
        self.letters.append((tint, Stencil(left, top, made.edge), Stencil(left, top, made.core)))


def _box(area: Rect) -> Box:
    return Box(*_edges(area))


def _edges(area: Rect) -> tuple[float, float, float, float]:
    return float(area.x0), float(area.y0), float(area.x1), float(area.y1)
