"""Guides as a drawing: readable on every picture and at every size, told apart without colour, right after de-squeeze."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import combinations

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import maximum_filter
from skimage import data

from footroom.host_adapter.guides import TINTS, Guides, draw
from footroom.host_adapter.rhythms import RHYTHMS
from footroom.host_adapter.wanted import Grid, Safe, read_window
from footroom.kernels.coverage import Box, Stencil
from footroom.kernels.framing import Picture, place
from footroom.kernels.overlay import premultiplied

LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709-6 item 3.2
READABLE = 0.3
"""The project's own criterion: by how much of full scale a window's core is lighter than the dark edge beside it."""


def guides(size: tuple[int, int], *windows: str, aspect: Fraction | int = 1, **more) -> Guides:
    picture = Picture(*size, Fraction(aspect))
    return Guides(picture, tuple(place(read_window(text), picture) for text in windows), **more)


def over(drawing, picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The drawing over R'G'B' levels, and the drawing itself (premultiplied, alpha last)."""
    layer = premultiplied(drawing)
    return layer[..., :3] + picture * (1 - layer[..., 3:]), layer


def cores(layer: np.ndarray) -> np.ndarray:
    """Pixels that a light core covers whole."""
    return (layer[..., 3] > 0.999) & (layer[..., :3].max(axis=-1) > 0.4)


def edges(layer: np.ndarray) -> np.ndarray:
    """Pixels of a dark edge: no light of their own."""
    return (layer[..., 3] > 0.5) & (layer[..., :3].max(axis=-1) < 0.01)


PICTURES = {
    "black": lambda size: np.zeros((size[1], size[0], 3)),
    "white": lambda size: np.ones((size[1], size[0], 3)),
    "grey": lambda size: np.full((size[1], size[0], 3), 0.5),
    "stripes": lambda size: np.broadcast_to(
        (np.arange(size[0]) % 2)[None, :, None].astype(float), (size[1], size[0], 3)
    ),
    "astronaut": lambda size: photograph(data.astronaut(), size),
    "coffee": lambda size: photograph(data.coffee(), size),
    "chelsea": lambda size: photograph(data.chelsea(), size),
}


def photograph(codes: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    return np.asarray(Image.fromarray(codes).resize(size, Image.Resampling.BICUBIC)) / 255


@pytest.mark.parametrize("lines", [480, 1080, 2160])
@pytest.mark.parametrize("name", PICTURES)
def test_every_windows_line_is_readable_on_every_picture(name, lines):
    size = (lines // 2, lines)
    made = guides(size, "9:19", "1:3", "1:1", "2:3", "4:3")  # five, so that every tint and rhythm is there
    seen, layer = over(draw(made), PICTURES[name](size))
    luminance = seen @ LUMA
    core, edge = cores(layer), edges(layer)
    reach = 2 * round(max(1, lines / 540)) + 3
    brightest_edge = maximum_filter(np.where(edge, luminance, -1.0), size=reach)
    assert core.sum() > lines
    assert (brightest_edge[core] >= 0).all()  # every piece of a core has a dark edge beside it
    assert (luminance[core] - brightest_edge[core]).min() >= READABLE


@pytest.mark.parametrize("level", [0.0, 0.5, 0.75, 1.0])
@pytest.mark.parametrize("lines", [480, 1080])
@pytest.mark.parametrize("mark", ["thirds", "diagonals", "action", "centre"])
def test_marks_are_seen_on_every_level(mark, lines, level):
    """Grids and safe areas are meant to be fainter than windows; seen means that along a mark the lightest and the darkest
    pixel close by differ by a fifth of full scale (the project's own criterion)."""
    size = (lines // 2, lines)
    whole = Picture(*size).rect
    options = {
        "thirds": {"grids": ((Grid(3, 3), whole),)},
        "diagonals": {"grids": ((Grid(diagonals=True), whole),)},
        "action": {"safes": ((Safe("action", Fraction(93, 100)), whole),)},
        "centre": {"centre": True},
    }[mark]
    seen, layer = over(draw(guides(size, **options)), np.full((size[1], size[0], 3), level))
    luminance = seen @ LUMA
    reach = 2 * round(max(1, lines / 540)) + 3
    span = maximum_filter(luminance, size=reach) + maximum_filter(-luminance, size=reach)
    assert span[layer[..., :3].max(axis=-1) > 0.2].min() >= 0.2


@pytest.mark.parametrize("lines", [480, 540, 720, 1080, 2160, 4320])
def test_lines_are_as_thick_as_the_picture_asks_for(lines):
    layer = premultiplied(draw(guides((lines // 4, lines), "1:8")), range(lines // 2, lines // 2 + 1))
    core, edge = cores(layer)[0], edges(layer)[0]
    thick = max(1, round(lines / 540))  # the project's own measure: one 540th of the height
    assert core.sum() == 2 * thick
    assert 1 <= edge.sum() / core.sum() <= 2  # an edge on both sides, each half to all as wide as the core


def test_text_follows_the_pictures_height_too():
    heights = {}
    for lines in (1080, 2160, 4320):
        made = draw(guides((lines, lines), "1:1", labels=True))
        heights[lines] = max(
            np.flatnonzero((shape.coverage > 0.5).any(axis=1)).size
            for layer in made.layers
            for shape in layer.shapes
            if isinstance(shape, Stencil)
        )
    assert heights[2160] / heights[1080] == pytest.approx(2, rel=0.15)
    assert heights[4320] / heights[2160] == pytest.approx(2, rel=0.1)


@pytest.mark.parametrize("squeeze", [Fraction(5, 4), Fraction(4, 3), Fraction(3, 2), Fraction(9, 5), Fraction(2)])
def test_upright_lines_are_narrower_by_the_squeeze(squeeze):
    """After de-squeeze upright and level lines are equally thick; 4320 lines make a thickness of 8 to measure with."""
    lines = 4320
    made = guides((1000, lines), "1:4", aspect=squeeze)
    window = made.windows[0].rect
    drawn = premultiplied(draw(made), range(lines // 2, lines // 2 + 1))[0]
    left = drawn[: int(window.x0) + 50, 0] / 0.95  # light of the core: coverage, for its tint's red is .95
    assert left.sum() == pytest.approx(8 / float(squeeze), abs=0.02)


@pytest.mark.parametrize("squeeze", [Fraction(1), Fraction(4, 3), Fraction(2)])
def test_a_squeezed_line_is_still_a_whole_pixel(squeeze):
    made = guides((300, 480), "1:3", aspect=squeeze)
    drawn = premultiplied(draw(made), range(240, 241))
    assert cores(drawn).sum() == 2


def test_de_squeezed_diagonals_run_from_corner_to_corner():
    picture = Picture(200, 100, Fraction(2))
    layer = premultiplied(draw(Guides(picture, grids=((Grid(diagonals=True), picture.rect),))))
    light = layer[..., 0] > 0.2
    for y in (0, 25, 49, 75, 99):
        middle = (y + 0.5) * 2
        columns = np.flatnonzero(light[y]) + 0.5
        assert np.abs(columns - middle).min() < 1.5
        assert np.abs(columns - (200 - middle)).min() < 1.5
        assert all(min(abs(at - middle), abs(at - 200 + middle)) < 3 for at in columns)


def rhythm(number: int) -> np.ndarray:
    """Where along its left side the window of that number is drawn: bool [rows]."""
    size = (600, 1080)
    picture = Picture(*size)
    window = place(read_window("300x800"), picture)
    blank = place(read_window("600x1080"), picture)
    only = Guides(picture, (*[blank] * number, window))
    layer = premultiplied(draw(only))
    x = int(window.rect.x0)
    return layer[140:940, x - 2 : x, :3].max(axis=(1, 2)) > 0.4


def test_no_two_of_five_windows_have_the_same_rhythm():
    """Told apart without colour: the strokes along a line of the same length differ in number or in length."""
    seen = [rhythm(number) for number in range(5)]
    for a, b in combinations(range(5), 2):
        assert (seen[a] != seen[b]).mean() > 0.1, (a, b)
    assert len({(period, strokes) for period, strokes in RHYTHMS}) == len(RHYTHMS)


def test_no_two_of_many_windows_look_alike():
    """Ten deliveries are no rarity; at least the pair of tint and rhythm is each one's own."""
    size = (1200, 1080)
    picture = Picture(*size)
    whole = place(read_window("1200x1080"), picture)
    looks = []
    for number in range(10):
        layer = premultiplied(draw(Guides(picture, (*[whole] * number, place(read_window("300x800"), picture)))))
        looks.append(layer[140:940, 440:460].tobytes())
    assert len(set(looks)) == 10


def test_tints_differ_in_more_than_brightness_and_all_are_light():
    for tint in TINTS:
        assert np.dot(tint, LUMA) > 0.7
    assert len(set(TINTS)) == len(TINTS)


def labels(drawing) -> list[tuple[int, int, int, int]]:
    """The boxes x0, y0, x1, y1 of all letterings' cores."""
    found = []
    for layer in drawing.layers:
        for shape in layer.shapes:
            if isinstance(shape, Stencil):
                rows, columns = shape.coverage.shape
                found.append((shape.x, shape.y, shape.x + columns, shape.y + rows))
    return sorted(set(found))


@pytest.mark.parametrize(
    "windows",
    [
        ("a=1:1", "b=1:1", "c=1:1"),
        ("2.39", "1.85", "16:9", "4:3", "1:1", "4:5", "9:16"),
        ("x=1:1@top-left", "y=9:16@top-left", "z=4:5@top-left"),
        ("x=1:1@bottom-right", "y=9:16@bottom-right", "z=4:5@bottom-right"),
        ("a=200x100@bottom-right", "b=200x90@bottom-right"),
        ("a=60x40@bottom-left", "b=60x40@bottom-left,0,-2", "c=60x40@bottom-left,0,-4"),
    ],
)
def test_labels_do_not_overlap_while_there_is_room(windows):
    made = guides((960, 540), *windows, labels=True, safes=((Safe("title", Fraction(9, 10)), Picture(960, 540).rect),))
    boxes = labels(draw(made))
    assert len(boxes) >= len(windows) + 1
    for a, b in combinations(boxes, 2):
        assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]), (a, b)
    assert all(x0 >= 0 and y0 >= 0 and x1 <= 960 and y1 <= 540 for x0, y0, x1, y1 in boxes)


FIVE = ("9:16", "4:5", "1:1", "2.39", "1.85")
ASIDE = ("story=9:16@centre,-6%,0", "feed=4:5@left,10%,0", "square=1:1", "wide=2.39", "flat=1.85@top")


@pytest.mark.parametrize("size", [(1920, 1080), (640, 360), (1080, 1920)], ids=str)
@pytest.mark.parametrize(
    "windows", [FIVE, ASIDE, ("story=9:16@centre,-20%,0", "square=1:1@centre,-15%,0", "wide=2.39")]
)
def test_no_label_hides_another_or_a_corner_of_the_common_area(size, windows):
    """The plates of 'common' and 'wide' lay over the angles that show what all windows keep."""
    if size[0] < size[1]:
        windows = tuple(window.split("@")[0] for window in windows)
    made = guides(size, *windows, labels=True)
    area = made.common()
    layers = draw(made).layers
    plates = next(layer for layer in reversed(layers) if all(isinstance(shape, Box) for shape in layer.shapes)).shapes
    assert len(plates) == len(windows) + (area is not None)
    for a, b in combinations(plates, 2):
        assert a.x1 <= b.x0 or b.x1 <= a.x0 or a.y1 <= b.y0 or b.y1 <= a.y0, (a, b)
    if area is None:
        return
    x, y, width, height = area.pixels()
    arm = min(size[1] / 24, width / 3, height / 3)
    for corner_x, corner_y in (
        (x, y),
        (x + width - arm, y),
        (x, y + height - arm),
        (x + width - arm, y + height - arm),
    ):
        for plate in plates:
            beside = plate.x1 <= corner_x or plate.x0 >= corner_x + arm
            assert beside or plate.y1 <= corner_y or plate.y0 >= corner_y + arm, (plate, (corner_x, corner_y))


def test_labels_of_windows_that_move_do_not_jump_over_lines():
    """A label that steps aside for lines does so all at once, from one frame to the next."""
    found = []
    for x in range(0, 1000, 7):
        made = replace(guides((1920, 1080), f"9:16@left,{x},0", "wide=2.39", "1:1", labels=True), moving=True)
        labels = [shape for layer in draw(made).layers for shape in layer.shapes if isinstance(shape, Stencil)]
        found.append((labels[0].x - x, labels[0].y))  # the first window's, which no other label was there before
    assert len(set(found)) == 1


def test_a_label_lies_at_a_line_of_its_own_window():
    """Not in the middle of another window, where it would seem to name that one."""
    for size in ((1920, 1080), (640, 360)):
        made = guides(size, *FIVE, labels=True)
        found = [shape for layer in draw(made).layers for shape in layer.shapes if isinstance(shape, Stencil)]
        near = size[1] / 27
        for window in made.windows[:3]:  # with upright lines, and no level ones
            x0, x1 = float(window.rect.x0), float(window.rect.x1)
            assert any(abs(each.x - x0) < near or abs(each.x + each.coverage.shape[1] - x1) < near for each in found)


def test_a_label_that_is_too_long_is_refused():
    with pytest.raises(ValueError, match=r"label '.*' is too long for the picture"):
        draw(guides((96, 64), "abcdefghijklmnopqrstuvwxyz=1:1", labels=True))
    with pytest.raises(ValueError, match="characters that the font lacks"):
        draw(guides((960, 540), "日本=1:1", labels=True))


@pytest.mark.parametrize("white", [1.0, 0.75, 0.58])
def test_hdr_white_scales_every_light(white):
    """ITU-R BT.2408 table 1: graphics white is 75 % in HLG and 58 % in PQ; the dark edges stay as they are."""
    options = {"labels": True, "grids": ((Grid(3, 3), Picture(320, 180).rect),), "centre": True}
    plain = premultiplied(draw(guides((320, 180), "1:1", "9:16", **options)))
    lit = premultiplied(draw(guides((320, 180), "1:1", "9:16", white=white, **options)))
    assert np.array_equal(plain[..., 3], lit[..., 3])
    assert np.allclose(plain[..., :3] * white, lit[..., :3], atol=1e-6)


def test_the_common_area_is_drawn_only_where_it_is_its_own():
    inner = guides((320, 180), "1:1", "9:16")
    assert inner.common() is None  # it is the 9:16 window itself
    apart = guides((320, 180), "1:1@left", "1:1@right")
    area = apart.common()
    assert area is not None and area.pixels() == (140, 0, 40, 180)
    assert guides((320, 180), "9:16@left", "9:16@right").common() is None
    assert guides((320, 180), "9:16").common() is None
    layer = premultiplied(draw(apart))
    assert cores(layer)[0:3, 140:150].any()
    assert not cores(layer)[60:120, 145:175].any()  # angles alone: its middle stays free


def test_the_shade_lies_outside_all_windows_alone():
    made = guides((320, 180), "100x100@left", "100x100@right", shade=0.6)
    bare = guides((320, 180), "100x100@left", "100x100@right")
    shaded, plain = premultiplied(draw(made))[..., 3], premultiplied(draw(bare))[..., 3]
    kept = np.zeros((180, 320), bool)
    for window in made.windows:
        x, y, columns, rows = window.rect.pixels()
        kept[y : y + rows, x : x + columns] = True
    assert np.array_equal(shaded[kept], plain[kept])
    free = ~kept & (plain == 0)
    assert free.sum() > 20000
    assert np.allclose(shaded[free], 0.6)


@pytest.mark.parametrize("offset", [1, 2, 3])
def test_a_side_near_the_pictures_border_still_has_a_line(offset):
    """A side on the border itself needs no line; one a few pixels away does, cut off where the picture ends."""
    layer = premultiplied(draw(guides((1200, 2160), f"800x2000@left,{offset},0")), range(1080, 1081))
    assert cores(layer)[0, :offset].any()


def test_the_kept_picture_is_touched_by_nothing_but_the_thin_dark_edge():
    made = guides((640, 1080), "400x600")
    x, y, columns, rows = made.windows[0].rect.pixels()
    inside = premultiplied(draw(made))[y : y + rows, x : x + columns]
    assert not inside[..., :3].any()  # no light core over what is kept
    assert not inside[3:-3, 3:-3].any()


@pytest.mark.parametrize("size", [(1, 1), (2, 2), (1, 100), (100, 1), (3, 3)])
def test_tiny_pictures_are_drawn_or_refused_but_never_break(size):
    whole = Picture(*size).rect
    made = guides(
        size, "1:1", "9:16", centre=True, shade=0.5,
        grids=((Grid(3, 3), whole), (Grid(diagonals=True), whole)), safes=((Safe("title", Fraction(9, 10)), whole),),
    )  # fmt: skip
    layer = premultiplied(draw(made))
    assert layer.shape == (size[1], size[0], 4)
    assert np.isfinite(layer).all()
    assert layer.min() >= 0 and layer.max() <= 1
    assert (layer[..., :3] <= layer[..., 3:] + 1e-6).all()  # premultiplied: no light without cover


def test_every_layers_boxes_have_an_inside():
    made = draw(guides((320, 180), "1:1", "9:16", labels=True, shade=0.5, centre=True))
    for layer in made.layers:
        for shape in layer.shapes:
            if isinstance(shape, Box):
                assert shape.x0 < shape.x1 and shape.y0 < shape.y1
