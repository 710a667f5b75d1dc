"""Codes to interleaved R'G'B'A levels, against the standards' equations in double precision."""

from __future__ import annotations

import numpy as np
import pytest

from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.matrix import Matrix
from footroom.kernels.signals import rgba_levels

ROWS, COLUMNS = 9, 14


def codes(encoding: Encoding, step: tuple[int, int]) -> list[np.ndarray]:
    rng = np.random.default_rng(5)
    made = []
    for channel in encoding.channels():
        across, down = step if channel is Channel.CHROMA else (1, 1)
        shape = -(-ROWS // down), -(-COLUMNS // across)
        words = rng.integers(0, encoding.maximum + 1, shape) << encoding.bit_shift
        made.append(words.astype(encoding.dtype_name))
    return made


def interpolated(plane: np.ndarray, step: tuple[int, int], place: tuple[int, int]) -> np.ndarray:
    """Chroma at luma's places by numpy's own interpolation, which holds the ends."""
    for axis, count in ((0, ROWS), (1, COLUMNS)):
        size, where = step[1 - axis], place[1 - axis]
        at = (np.arange(count) - where * (size - 1) / 2) / size
        plane = np.apply_along_axis(lambda line, at=at: np.interp(at, np.arange(len(line)), line), axis, plane)
    return plane


@pytest.mark.parametrize("range_", Range)
@pytest.mark.parametrize("depth,shift", [(8, 0), (10, 0), (10, 6), (12, 0), (16, 0)])
@pytest.mark.parametrize(
    "sampling,place", [("4:4:4", (0, 0)), ("4:2:2", (0, 1)), ("4:2:0", (0, 1)), ("4:2:0", (1, 1)), ("4:1:1", (0, 0))]
)
def test_ycbcr_by_the_standards_equations(range_, depth, shift, sampling, place):
    """BT.709-6 items 3.2 and 3.3, solved for R'G'B' with numpy's linear algebra."""
    encoding, step = Encoding(depth, range_, bit_shift=shift), SAMPLING_STEPS[sampling]
    planes = codes(encoding, step)
    out = np.full((ROWS, COLUMNS, 4), np.nan, np.float32)
    rgba_levels(planes, encoding, out[::-1], matrix=Matrix.BT709, step=step, place=place)  # from the bottom
    k = 1 << (depth - 8)
    zero, span = (16 * k, 219 * k) if range_ is Range.NARROW else (0, (1 << depth) - 1)
    chroma_span = 224 * k if range_ is Range.NARROW else (1 << depth) - 1
    luma = ((planes[0] >> shift) - float(zero)) / span
    cb, cr = (
        interpolated(((plane >> shift) - float(1 << (depth - 1))) / chroma_span, step, place) for plane in planes[1:]
    )
    to_ycbcr = np.array(
        [
            [0.2126, 0.7152, 0.0722],
            [-0.2126 / 1.8556, -0.7152 / 1.8556, 0.9278 / 1.8556],
            [0.7874 / 1.5748, -0.7152 / 1.5748, -0.0722 / 1.5748],
        ]
    )
    expected = np.stack([luma, cb, cr], -1) @ np.linalg.inv(to_ycbcr).T
    assert np.abs(out[::-1, :, :3] - expected).max() < 1e-6
    assert (out[..., 3] == 1).all()


@pytest.mark.parametrize("model", [Model.RGB, Model.GRAY])
def test_rgb_and_gray_are_their_levels(model):
    encoding = Encoding(10, Range.NARROW, model)
    planes = codes(encoding, (1, 1))
    out = np.zeros((ROWS, COLUMNS, 4), np.float32)
    rgba_levels(planes, encoding, out)
    for number in range(3):  # within a float32 step above 1
        expected = (planes[number % len(planes)].astype(float) - 64) / 876
        assert np.abs(out[..., number] - expected).max() <= 2**-23


def test_a_plane_or_target_that_does_not_fit_is_named():
    encoding = Encoding(10, Range.FULL)
    planes = codes(encoding, (2, 1))
    out = np.zeros((ROWS, COLUMNS, 4), np.float32)
    with pytest.raises(ValueError, match="planes"):
        rgba_levels(planes, encoding, out)
    with pytest.raises(ValueError, match="out must"):
        rgba_levels(codes(encoding, (1, 1)), encoding, out[:, :, :3])
    with pytest.raises(ValueError, match="planes must be 3"):
        rgba_levels(planes[:1], encoding, out)
