"""Pages of scopes: bars of the standard's equations on their targets, lines at their codes, traces that show what is there."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise, product

import colour
import numpy as np
import pytest

from footroom.host_adapter.image import Image, Window
from footroom.host_adapter.scopes.layout import Area, capitals_for, panels_of
from footroom.host_adapter.scopes.measure import Measured, measure
from footroom.host_adapter.scopes.names import KINDS
from footroom.host_adapter.scopes.page import Page, Shown
from footroom.host_adapter.scopes.pen import moved_apart
from footroom.host_adapter.scopes.scales import PARTS, marks_of, scale_of, targets
from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.encoding import PLANE_CHANNELS
from footroom.kernels.matrix import Matrix

COLOURS = {
    "red": (1, 0, 0), "green": (0, 1, 0), "blue": (0, 0, 1), "yellow": (1, 1, 0), "cyan": (0, 1, 1), "magenta": (1, 0, 1),
}  # fmt: skip
WEIGHTS = {Matrix.BT601: "ITU-R BT.601", Matrix.BT709: "ITU-R BT.709", Matrix.BT2020: "ITU-R BT.2020"}
NARROW, FULL = Encoding(10, Range.NARROW), Encoding(10, Range.FULL)


def image(planes, encoding, matrix=Matrix.BT709, sampling=None):
    rows, columns = planes[0].shape
    whole = Window(0, 0, columns, rows)
    sampling = sampling or {Model.GRAY: "gray"}.get(encoding.model, "4:4:4")
    return Image(tuple(planes), PLANE_CHANNELS[encoding.model], encoding, whole, whole, sampling, None, matrix)


def bars(encoding, matrix, part):
    """Colour bars, one column each, coded by colour-science, which rounds as BT.709 says, from the standard's own weights."""
    coded = colour.RGB_to_YCbCr(
        np.array([COLOURS[name] for name in COLOURS], float) * float(part), K=colour.WEIGHTS_YCBCR[WEIGHTS[matrix]],
        in_bits=encoding.depth, in_legal=False, in_int=False, out_bits=encoding.depth,
        out_legal=encoding.range is Range.NARROW, out_int=True,
    )  # fmt: skip
    return [np.repeat(coded[None, :, n].astype(encoding.dtype_name), 8, 0) for n in range(3)]


@pytest.mark.parametrize("matrix", WEIGHTS)
@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(("depth", "range_"), list(product((8, 10, 12), Range)))
def test_bars_fall_on_their_targets_within_half_a_code(matrix, part, depth, range_):
    encoding = Encoding(depth, range_)
    _, cb, cr = bars(encoding, matrix, part)
    scale = scale_of((encoding,), "Cb")
    for number, (name, target) in enumerate((name, targets(matrix, part)[name]) for name in COLOURS):
        for plane, level in zip((cb, cr), target, strict=True):
            at = encoding.neutral + float(level) * encoding.span(Channel.CHROMA)
            # A full-range code at level 1/2 lies half a code beyond the last one (H.273), where it is cut off.
            assert abs(int(plane[0, number]) - at) <= 0.5 + 1e-9, name
            apart = scale.at(float(plane[0, number]), encoding) - (float(level) - scale.low) / (scale.high - scale.low)
            assert abs(apart) * (scale.high - scale.low) * encoding.span(Channel.CHROMA) <= 0.5 + 1e-9


def test_the_trace_of_bars_is_lit_under_the_targets_and_nowhere_else():
    """On the very page: where the targets are drawn, the trace is; the rest of the plot is dark."""
    encoding, matrix = NARROW, Matrix.BT709
    planes = [np.hstack(pair) for pair in zip(*(bars(encoding, matrix, part) for part in PARTS), strict=True)]
    page = Page("vectorscope", (1600, 900), [Shown(encoding, Model.YCBCR, matrix)])
    source = image(planes, encoding)
    measured = measure(source, encoding, page.wanted(0))
    none = Measured(encoding, Model.YCBCR, vectors=np.zeros_like(measured.vectors))
    lit = (page.draw([measured]) - page.draw([none]))[..., :3].sum(2) > 0.05
    (plot,) = (plot for plot in page._groups[0].plots if plot.kind == "vector" and plot.times == 1)
    expected = np.zeros_like(lit)
    for part in PARTS:
        for cb, cr in targets(matrix, part).values():
            x = plot.area.x0 + (float(cb) - plot.scale.low) / (plot.scale.high - plot.scale.low) * plot.area.width
            y = plot.area.y1 - (float(cr) - plot.scale.low) / (plot.scale.high - plot.scale.low) * plot.area.height
            near = np.s_[max(int(y) - 2, 0) : int(y) + 3, int(x) - 2 : int(x) + 3]
            assert lit[near].any(), (part, cb, cr)
            expected[near] = True
    assert not (lit & ~expected).any()


def waved(plane, encoding, size=(900, 500), kind="waveform"):
    """The waveform's light alone, [rows, columns] of its plot, and the plot."""
    page = Page(kind, size, [Shown(encoding, Model.GRAY, Matrix.BT709)])
    measured = measure(image([plane], encoding), encoding, page.wanted(0))
    (plot,) = page._groups[0].plots
    dark = Measured(encoding, Model.GRAY, waves={"Y'": np.zeros_like(measured.waves["Y'"])})
    light = (page.draw([measured]) - page.draw([dark]))[..., 1]
    area = plot.area
    return light[area.y0 : area.y1, area.x0 : area.x1], plot


@pytest.mark.parametrize("size", [(640, 360), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("depth", [8, 10, 12])
def test_a_single_code_and_a_smooth_sky_both_show_and_noise_does_not_flood(size, depth):
    """One column of one code; a sky, a tenth of the picture; two in a hundred pixels anywhere. All are seen, noise the faintest."""
    encoding = Encoding(depth, Range.NARROW, Model.GRAY)
    rng, rows, columns, unit = np.random.default_rng(1), 1080, 1920, encoding.unit
    plane = rng.integers(18 * unit, 30 * unit, (rows, columns))
    stray = rng.random((rows, columns)) < 0.02
    plane[stray] = rng.integers(32 * unit, 116 * unit, stray.sum())
    sky = np.linspace(120 * unit, 145 * unit, rows // 10)[:, None] + rng.normal(0, unit / 2, (rows // 10, columns))
    plane[: rows // 10] = np.round(sky)
    plane[:, 960:963] = 200 * unit
    light, plot = waved(plane.astype(encoding.dtype_name), Encoding(depth, Range.NARROW, Model.GRAY), size)

    def band(low, high, left, right):
        rows = [round((1 - plot.scale.at(code * unit, encoding)) * plot.area.height) for code in (high, low)]
        return light[
            rows[0] : max(rows[1], rows[0] + 1), round(left * plot.area.width) : round(right * plot.area.width)
        ]

    line = band(199, 201, 960 / 1920, 963.5 / 1920).max()
    smooth, noise = band(122, 143, 0.1, 0.45).mean(), band(35, 112, 0.1, 0.45).mean()
    empty = band(160, 190, 0.1, 0.45).max()
    assert line > 0.6 and smooth > 0.2 and empty == 0
    assert 0.01 < noise < 0.15 and noise < smooth / 2.5


@pytest.mark.parametrize("encoding", [NARROW, FULL, Encoding(8, Range.NARROW), Encoding(12, Range.FULL)])
def test_a_code_s_trace_lies_on_the_line_of_its_label(encoding):
    gray = Encoding(encoding.depth, encoding.range, Model.GRAY)
    for code in (gray.black(), gray.white(), gray.maximum // 3):
        light, plot = waved(np.full((40, 60), code, gray.dtype_name), gray, (900, 700))
        middle = (light.sum(1) @ (np.arange(len(light)) + 0.5)) / light.sum()
        assert (
            abs(middle - (1 - plot.scale.at(code, gray)) * plot.area.height) < 0.75
        )  # the logarithm draws it to its fainter row


def test_two_recordings_of_other_depth_and_range_lie_on_one_scale():
    """The same levels, 8 bit narrow and 12 bit full: their traces lie at the same height, over each other and side by side."""
    first, second = Encoding(8, Range.NARROW, Model.GRAY), Encoding(12, Range.FULL, Model.GRAY)
    for over in (True, False):
        shown = [Shown(each, Model.GRAY, Matrix.BT709, "a title") for each in (first, second)]
        page = Page("waveform", (1400, 800), shown, over=over)
        heights = []
        for number in range(2):
            measured = []
            for other, each in enumerate((first, second)):
                code = each.code(Fraction(1, 2))
                plane = np.full((30, 40), code, each.dtype_name)
                found = measure(image([plane], each), each, page.wanted(other))
                found.waves["Y'"] *= other == number
                measured.append(found)
            dark = [Measured(each.encoding, each.model, waves={"Y'": each.waves["Y'"] * 0}) for each in measured]
            light = (page.draw(measured) - page.draw(dark))[..., :3].sum((1, 2))
            heights.append(light @ np.arange(800) / light.sum())
        assert abs(heights[0] - heights[1]) < 2, over  # half an 8-bit code is 1.6 rows here


def test_marks_are_the_standards_codes():
    """BT.709-6 item 4.6 and 4.7, BT.2100-3 table 9: black, white and reserved codes at 10 bit; H.273's neutral."""
    scale = scale_of((NARROW,), "Y'")
    marks = marks_of(scale, NARROW, {"18 % grey": 0.41, "90 % card": 0.61})
    said = [mark.text for mark in marks]
    assert said == ["0–3 reserved", "64 black", "423 18 % grey", "598 90 % card", "940 white", "1020–1023 reserved"]
    assert all(a.at < b.at for a, b in pairwise(marks))
    full = [mark.text for mark in marks_of(scale_of((FULL,), "Y'"), FULL, {})]
    assert full == ["0 black", "0–3 reserved", "1020–1023 reserved", "1023 white"]
    chroma = marks_of(scale_of((NARROW,), "Cr"), NARROW, {"18 % grey": 0.4})
    assert [mark.text for mark in chroma] == ["64", "512 neutral", "960"]
    eight = Encoding(8, Range.NARROW)
    assert [mark.text for mark in marks_of(scale_of((eight,), "Y'"), eight, {})] == [
        "0 reserved", "16 black", "235 white", "255 reserved",
    ]  # fmt: skip


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("size", [(320, 180), (854, 480), (1920, 1080), (1080, 1920), (40, 30), (12, 12)])
@pytest.mark.parametrize("model", [Model.YCBCR, Model.RGB])
def test_every_page_is_drawn_at_every_size_and_plots_lie_apart(kind, size, model):
    encoding = Encoding(10, Range.NARROW, model)
    planes = [np.random.default_rng(n).integers(0, 1024, (20, 31)).astype(np.uint16) for n in range(3)]
    page = Page(
        kind, size, [Shown(encoding, model, Matrix.BT709, "a name, 10 bit, narrow range")], curve={"18 % grey": 0.4}
    )
    canvas = page.draw([measure(image(planes, encoding), encoding, page.wanted(0))], ["frame 3 at 0:00.12"])
    assert canvas.shape == (size[1], size[0], 4) and np.isfinite(canvas).all()
    assert canvas.min() >= 0 and canvas.max() <= 1.0001
    covered = np.zeros((size[1], size[0]), int)
    for plot in page._groups[0].plots:
        area = plot.area
        assert 0 <= area.x0 < area.x1 <= size[0] and 0 <= area.y0 < area.y1 <= size[1]
        covered[area.y0 : area.y1, area.x0 : area.x1] += 1
    assert covered.max() == 1 and covered.any()


def test_a_gray_picture_has_what_it_has():
    gray = Encoding(8, Range.FULL, Model.GRAY)
    source = image([np.arange(64, dtype=np.uint8).reshape(8, 8)], gray)
    for kind in ("all", "waveform", "histogram"):
        page = Page(kind, (640, 360), [Shown(gray, Model.GRAY, Matrix.BT709)])
        assert page.draw([measure(source, gray, page.wanted(0))]).any()
    for kind in ("vectorscope", "parade"):
        with pytest.raises(ValueError, match="gray picture has no"):
            panels_of(kind, Area(0, 0, 640, 360), Model.GRAY, 4)


def test_a_picture_of_one_pixel_has_scopes():
    encoding = Encoding(8, Range.NARROW)
    planes = [np.full((1, 1), code, np.uint8) for code in (100, 90, 160)]
    page = Page("all", (640, 360), [Shown(encoding, Model.YCBCR, Matrix.BT709)])
    measured = measure(image(planes, encoding, sampling="4:2:0"), encoding, page.wanted(0))
    assert page.draw([measured]).any() and measured.vectors[90, 160] == 1 and measured.waves["Y'"][0].sum() == 1


@pytest.mark.parametrize("sampling", ["4:2:0", "4:2:2"])
def test_a_parade_s_counts_are_those_of_the_crossed_planes(sampling):
    """All rows are counted, once, whatever bands they are worked on in: R'G'B' against the whole picture by itself."""
    from footroom.kernels.crossing import cross_codes
    from footroom.kernels.framing import SAMPLING_STEPS

    step, rng = SAMPLING_STEPS[sampling], np.random.default_rng(3)
    shape = 150, 40
    small = -(-shape[0] // step[1]), -(-shape[1] // step[0])
    planes = [rng.integers(300, 700, size).astype(np.uint16) for size in (shape, small, small)]
    page = Page("parade", (900, 600), [Shown(NARROW, Model.YCBCR, Matrix.BT709)])
    measured = measure(image(planes, NARROW, sampling=sampling), NARROW, page.wanted(0))
    whole = [np.zeros(shape, np.uint16) for _ in range(3)]
    cross_codes(planes, NARROW, whole, step=step, place=(0, 1))
    for name, plane in zip(("R'", "G'", "B'"), whole, strict=True):
        assert np.array_equal(measured.waves[name].sum(0), np.bincount(plane.ravel(), minlength=1024))
    assert measured.waves["Y'"].sum() == planes[0].size and measured.waves["Cb"].sum() == planes[1].size


def test_labels_are_moved_apart_or_given_up():
    assert moved_apart([10, 11, 50], 5, 0, 60) == [10, 15, 50]
    assert moved_apart([58, 59, 60], 5, 0, 60) == [50, 55, 60]
    assert moved_apart([1, 2, 3], 30, 0, 50) is None
    assert capitals_for(1920, 1080) >= 10 and capitals_for(60, 30) == 0
