"""Coverage against exact areas: every pixel's share of a shape, computed a second time in rationals by clipping polygons."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from footroom.kernels.coverage import Box, Drawing, Layer, Polygon, Stencil, Tables
from footroom.kernels.overlay import premultiplied

WHITE = (1.0, 1.0, 1.0)
EIGHTHS = st.integers(-24, 120).map(lambda number: number / 8)
"""Exact in binary, so that the reference and the kernel are handed the very same shape."""


def clip_to_pixel(points, x, y):
    """The polygon's part inside one pixel, by clipping it at four half planes, in rationals."""
    for axis, limit, sign in ((0, x, 1), (0, x + 1, -1), (1, y, 1), (1, y + 1, -1)):
        kept = []
        for a, b in zip(points, points[1:] + points[:1], strict=True):
            inside_a, inside_b = sign * (a[axis] - limit), sign * (b[axis] - limit)
            if inside_a >= 0:
                kept.append(a)
            if inside_a * inside_b < 0:
                part = inside_a / (inside_a - inside_b)
                kept.append(tuple(p + (q - p) * part for p, q in zip(a, b, strict=True)))
        points = kept
    return points


def exact_area(points):
    """Gauss's area formula."""
    pairs = zip(points, points[1:] + points[:1], strict=True)
    return abs(sum((a[0] * b[1] - b[0] * a[1] for a, b in pairs), Fraction(0))) / 2


def exact_coverage(corners, width, height):
    points = [(Fraction(x), Fraction(y)) for x, y in corners]
    return np.array(
        [[float(exact_area(clip_to_pixel(points, x, y))) for x in range(width)] for y in range(height)], float
    )


def painted(shapes, width, height, opacity=1.0):
    """Alpha of shapes in one layer, float64 [rows, columns]."""
    tables = Tables(Drawing(width, height, (Layer(tuple(shapes), WHITE, opacity),)))
    out = np.zeros((4, width))
    rows = []
    for y in range(height):
        tables.paint(y, out)
        rows.append(out[3].copy())
    return np.array(rows)


@settings(max_examples=60, deadline=None)
@given(EIGHTHS, EIGHTHS, EIGHTHS, EIGHTHS)
def test_a_box_covers_its_exact_area(ax, ay, bx, by):
    x0, x1, y0, y1 = min(ax, bx), max(ax, bx), min(ay, by), max(ay, by)
    exact = exact_coverage([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], 12, 11)
    assert np.abs(painted([Box(x0, y0, x1, y1)], 12, 11) - exact).max() < 1e-12


@settings(max_examples=120, deadline=None)
@given(st.lists(st.tuples(EIGHTHS, EIGHTHS), min_size=3, max_size=3, unique=True))
def test_a_triangle_covers_its_exact_area_either_way_round(corners):
    exact = exact_coverage(corners, 12, 11)
    for order in (corners, corners[::-1]):
        assert np.abs(painted([Polygon(tuple(order))], 12, 11) - exact).max() < 1e-12


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.1, 6), st.integers(0, 628), st.tuples(EIGHTHS, EIGHTHS), st.integers(3, 9),
)  # fmt: skip
def test_a_convex_polygon_covers_its_exact_area(radius, turn, middle, sides):
    angles = [turn / 100 + 2 * math.pi * side / sides for side in range(sides)]
    corners = [(middle[0] + radius * math.cos(angle), middle[1] + radius * math.sin(angle)) for angle in angles]
    assert np.abs(painted([Polygon(tuple(corners))], 12, 11) - exact_coverage(corners, 12, 11)).max() < 1e-9


def test_shapes_of_one_layer_add_up_to_one_at_most_and_layers_cover_each_other():
    side_by_side = painted([Box(1, 0, 2.5, 1), Box(2.5, 0, 4, 1)], 5, 1)[0]
    assert side_by_side.tolist() == [0, 1, 1, 1, 0]
    assert painted([Box(0, 0, 1, 1), Box(0, 0, 1, 1)], 1, 1)[0, 0] == 1
    layers = (Layer((Box(0, 0, 2, 1),), (1.0, 0.0, 0.0), 0.5), Layer((Box(1, 0, 3, 1),), (0.0, 0.0, 1.0), 0.5))
    out = premultiplied(Drawing(3, 1, layers))[0]
    # Porter and Duff 1984, 'over': colour and alpha of what lies below shrink by 1 - alpha of what lies above.
    assert np.allclose(out, [[0.5, 0, 0, 0.5], [0.25, 0, 0.5, 0.75], [0, 0, 0.5, 0.5]], atol=1e-7)


def test_a_stencil_falls_where_it_is_put_and_is_cut_off_at_the_sides():
    coverage = np.arange(1, 13, dtype=np.float32).reshape(3, 4) / 16
    out = painted([Stencil(-1, 1, coverage), Stencil(4, -2, coverage)], 6, 5)
    expected = np.zeros((5, 6))
    expected[1:4, 0:3] = coverage[:, 1:]
    expected[0, 4:6] += coverage[2, :2]
    assert np.array_equal(out, expected)


def test_rows_of_one_stretch_are_alike_and_stretches_fill_the_picture():
    shapes = (
        Box(1.5, 2.25, 6, 9.5),
        Polygon(((0, 4), (8, 6), (8, 7), (0, 5))),
        Stencil(2, 11, np.ones((2, 2), np.float32)),
    )
    tables = Tables(Drawing(9, 16, (Layer(shapes, WHITE),)))
    stretches = tables.stretches()
    assert [start for start, _ in stretches] == [0, *[end for _, end in stretches[:-1]]] and stretches[-1][1] == 16
    out = np.zeros((4, 9))
    for start, end in stretches:
        tables.paint(start, out)
        first = out.copy()
        for y in range(start, end):
            tables.paint(y, out)
            assert np.array_equal(out, first), y


def test_the_loop_and_its_compiled_form_agree():
    from footroom.kernels import coverage

    shapes = (Box(1.5, 0.25, 6, 2.5), Polygon(((0, 0), (8, 2), (3, 3))))
    tables = Tables(Drawing(9, 3, (Layer(shapes, (0.2, 0.4, 0.8), 0.7),)))
    for y in range(3):
        fast, plain = np.zeros((4, 9)), np.zeros((4, 9))
        tables.paint(y, fast)
        coverage._paint_row.py_func(
            y, tables.paints, tables.ends, tables.boxes, tables.corners, tables.polygons, tables.stencils, tables.samples,
            np.zeros(11), plain,
        )  # fmt: skip
        assert np.array_equal(fast, plain)


@pytest.mark.parametrize(("colour", "opacity"), [((0, 0, 1.5), 1), ((0, 0, 0), -0.1), ((0, 0, 0), 1.1)])
def test_paint_out_of_range_is_refused(colour, opacity):
    with pytest.raises(ValueError, match=r"must"):
        Layer((), colour, opacity)
