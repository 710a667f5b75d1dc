"""Burnt guides against independent libraries: OpenImageIO's 'over', colour-science's matrices, scipy's filters."""

from __future__ import annotations

from fractions import Fraction

import colour
import numpy as np
import OpenImageIO
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from overlay_reference import RANGES, YCBCR, drawings, random_codes
from scipy import ndimage

from footroom.host_adapter.guides import Grid, Guides, Safe, draw
from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.areas import ACTION_SAFE
from footroom.kernels.coverage import Drawing
from footroom.kernels.framing import Picture, Wanted, place
from footroom.kernels.matrix import Matrix
from footroom.kernels.overlay import Siting, blend, premultiplied, sparse_planes

RGB = (Channel.RED, Channel.GREEN, Channel.BLUE)
ENCODINGS = [Encoding(depth, range_) for depth in (8, 10, 12, 16) for range_ in RANGES]
IDS = [f"{encoding.range.label}{encoding.depth}" for encoding in ENCODINGS]
FLOATS = {"in_bits": 10, "out_bits": 10, "in_int": False, "out_int": False, "in_legal": False, "out_legal": False}
"""Levels in and levels out."""
NAMES = {Matrix.BT601: "ITU-R BT.601", Matrix.BT709: "ITU-R BT.709", Matrix.BT2020: "ITU-R BT.2020"}


def guide_drawing(width: int = 322, height: int = 180) -> Drawing:
    """What people draw: shaded windows with labels, a grid with slanted lines, a safe area."""
    picture = Picture(width, height)
    windows = tuple(
        place(Wanted(str(ratio), ratio), picture) for ratio in (Fraction(1), Fraction(4, 5), Fraction(9, 16))
    )
    grids, safes = ((Grid(3, 3, diagonals=True), picture.rect),), ((Safe("action", ACTION_SAFE), picture.rect),)
    return draw(Guides(picture, windows, grids, safes, centre=True, shade=0.45, labels=True, white=0.75))


DRAWN = guide_drawing()


def composited(drawing: Drawing, background: np.ndarray) -> np.ndarray:
    """OpenImageIO's over: premultiplied drawing on an opaque float picture [rows, columns, 3]."""
    rows, columns, _ = background.shape
    spec = OpenImageIO.ImageSpec(columns, rows, 4, "float")
    spec.channelnames, spec.alpha_channel = ("R", "G", "B", "A"), 3
    above, below = OpenImageIO.ImageBuf(spec), OpenImageIO.ImageBuf(spec)
    opaque = np.concatenate([background, np.ones((rows, columns, 1))], 2).astype(np.float32)
    above.set_pixels(OpenImageIO.ROI(), premultiplied(drawing))
    below.set_pixels(OpenImageIO.ROI(), opaque)
    over = OpenImageIO.ImageBufAlgo.over(above, below)
    assert not over.has_error, over.geterror()
    return np.asarray(over.get_pixels(OpenImageIO.FLOAT))[..., :3]


def burnt(drawing: Drawing, planes: list[np.ndarray], encoding: Encoding, channels, **more) -> list[np.ndarray]:
    planes = [plane.copy() for plane in planes]
    for plane, sparse in zip(planes, sparse_planes(drawing, encoding, channels, **more), strict=True):
        blend(plane, sparse)
    return planes


def levels(plane: np.ndarray, encoding: Encoding, channel: Channel) -> np.ndarray:
    return (plane.astype(float) - encoding.zero(channel)) / encoding.span(channel)


def codes(level: np.ndarray, encoding: Encoding, channel: Channel) -> np.ndarray:
    return np.clip(np.floor(level * encoding.span(channel) + encoding.zero(channel) + 0.5), 0, encoding.maximum)


def differ(one: np.ndarray, other: np.ndarray) -> float:
    return float(np.abs(one.astype(float) - other.astype(float)).max())


def check_rgb(drawing: Drawing, encoding: Encoding) -> None:
    shape = (drawing.height, drawing.width)
    planes = [random_codes(shape, encoding, seed) for seed in range(3)]
    background = np.stack([levels(plane, encoding, Channel.RED) for plane in planes], 2)
    theirs = composited(drawing, background)
    for number, ours in enumerate(burnt(drawing, planes, encoding, RGB)):
        assert differ(ours, codes(theirs[..., number], encoding, Channel.RED)) <= 1
        assert not np.array_equal(ours, planes[number])


@pytest.mark.parametrize("range_", RANGES, ids=lambda range_: range_.label)
@pytest.mark.parametrize("depth", [8, 10, 12, 16])
def test_openimageios_over_gives_the_burn_in_rgb(depth, range_):
    check_rgb(DRAWN, Encoding(depth, range_, Model.RGB))


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@pytest.mark.parametrize("matrix", NAMES, ids=str)
def test_over_in_rgb_and_colour_sciences_matrix_give_the_burn_in_ycbcr(encoding, matrix):
    """There to R'G'B', composited, and back: what burning in the planes themselves spares."""
    planes = [random_codes((DRAWN.height, DRAWN.width), encoding, seed) for seed in range(3)]
    weights = colour.WEIGHTS_YCBCR[NAMES[matrix]]
    options = {"K": weights, **FLOATS}
    signal = np.stack([levels(plane, encoding, channel) for plane, channel in zip(planes, YCBCR, strict=True)], 2)
    rgb = colour.YCbCr_to_RGB(signal, **options)
    theirs = colour.RGB_to_YCbCr(composited(DRAWN, rgb), **options)
    for number, ours in enumerate(burnt(DRAWN, planes, encoding, YCBCR, matrix=matrix)):
        expected = codes(theirs[..., number], encoding, YCBCR[number])
        assert differ(ours, expected) <= 1
        assert np.mean(ours == expected) > (0.6 if encoding.depth == 16 else 0.99)


SAMPLINGS = {
    "4:2:0": Siting((2, 2)),
    "4:2:0 amid": Siting((2, 2), (False, False)),
    "4:2:0 top left": Siting((2, 2), (True, True)),
    "4:2:2": Siting((2, 1)),
    "4:2:2 amid": Siting((2, 1), (False, False)),
    "4:1:1": Siting((4, 1)),
}


def subsampled(picture: np.ndarray, siting: Siting) -> np.ndarray:
    """scipy's convolution of a picture [rows, columns, parts], then every step-th sample; common practice's filters."""
    kernels = {(2, True): [1, 2, 1], (2, False): [1, 1], (4, True): [1, 2, 3, 4, 3, 2, 1], (4, False): [1, 1, 1, 1]}
    for axis, step, cosited in ((1, siting.step[0], siting.cosited[0]), (0, siting.step[1], siting.cosited[1])):
        if step > 1:
            weights = np.array(kernels[step, cosited], float)
            # The origin makes an even kernel begin at the sample itself.
            shift = 0 if cosited else -(step // 2)
            picture = ndimage.correlate1d(picture, weights / weights.sum(), axis=axis, mode="nearest", origin=shift)
            picture = picture[:, ::step] if axis else picture[::step]
    return picture


def check_subsampled(drawing: Drawing, encoding: Encoding, siting: Siting) -> None:
    overlay = premultiplied(drawing).astype(float)
    planes = []
    expected = []
    for number, channel in enumerate(YCBCR):
        own = subsampled(overlay, siting) if channel is Channel.CHROMA else overlay
        weights = colour.WEIGHTS_YCBCR["ITU-R BT.709"]
        options = {"K": weights, **FLOATS}
        level = colour.RGB_to_YCbCr(own[..., :3], **options)[..., number]
        planes.append(random_codes(own.shape[:2], encoding, number))
        mix = levels(planes[-1], encoding, channel) * (1 - own[..., 3]) + level
        expected.append(codes(mix, encoding, channel))
    for ours, theirs in zip(burnt(drawing, planes, encoding, YCBCR, siting=siting), expected, strict=True):
        assert differ(ours, theirs) <= 1


@pytest.mark.parametrize("encoding", ENCODINGS, ids=IDS)
@pytest.mark.parametrize("sampling", SAMPLINGS)
def test_scipys_filters_and_a_float_blend_give_the_burn_in_subsampled_chroma(encoding, sampling):
    check_subsampled(DRAWN, encoding, SAMPLINGS[sampling])


@settings(max_examples=40, deadline=None)
@given(drawings(), st.sampled_from(sorted(SAMPLINGS)), st.sampled_from(ENCODINGS))
def test_so_they_do_for_any_drawing(drawing, sampling, encoding):
    check_subsampled(drawing, encoding, SAMPLINGS[sampling])


def test_odd_pictures_have_chroma_to_their_last_row_and_column():
    drawing = guide_drawing(323, 181)
    check_subsampled(drawing, Encoding(10, Range.NARROW), SAMPLINGS["4:2:0"])
    shapes = [(each.rows, each.columns) for each in sparse_planes(drawing, None, YCBCR, siting=SAMPLINGS["4:2:0"])]
    assert shapes == [(181, 323), (91, 162), (91, 162)]
