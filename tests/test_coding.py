"""R'G'B' levels to codes: the standards' equations in double precision, and there and back through `signals`."""

import numpy as np
import pytest

from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.coding import _chroma, _single, code_levels
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.matrix import Matrix
from footroom.kernels.overlay import Siting
from footroom.kernels.signals import rgba_levels

ROWS, COLUMNS = 9, 14


def picture(seed=4):
    levels = np.random.default_rng(seed).random((ROWS, COLUMNS, 4)).astype(np.float32)
    levels[0, 0, :3], levels[0, 1, :3] = -0.5, 1.5  # beyond the codes
    return levels


def planes_for(encoding, step=(1, 1)):
    made = []
    for channel in encoding.channels():
        across, down = step if channel is Channel.CHROMA else (1, 1)
        made.append(np.zeros((-(-ROWS // down), -(-COLUMNS // across)), encoding.dtype_name))
    return made


def filtered(plane, step, cosited):
    """Chroma where it is sampled: weights of a triangle or a box, by numpy alone, edges going on."""
    for axis in (0, 1):
        size = step[1 - axis]
        if size == 1:
            continue
        weights = [1 / size] * size
        before = 0
        if cosited[1 - axis]:
            weights = [(size - abs(at)) / size**2 for at in range(1 - size, size)]
            before = size - 1
        pad = [(0, 0), (0, 0)]
        pad[axis] = (before, 2 * size)
        wide = np.moveaxis(np.pad(plane, pad, mode="edge"), axis, 0)
        count = -(-plane.shape[axis] // size)
        plane = np.moveaxis(
            np.stack([sum(w * wide[at * size + i] for i, w in enumerate(weights)) for at in range(count)]), 0, axis
        )
    return plane


@pytest.mark.parametrize("range_", Range)
@pytest.mark.parametrize(("depth", "shift"), [(8, 0), (10, 0), (10, 6), (12, 0), (16, 0)])
@pytest.mark.parametrize(
    ("sampling", "cosited"),
    [
        ("4:4:4", (True, False)),
        ("4:2:2", (True, False)),
        ("4:2:0", (True, False)),
        ("4:2:0", (False, False)),
        ("4:1:1", (True, True)),
    ],
)
def test_ycbcr_by_the_standards_equations(range_, depth, shift, sampling, cosited):
    """BT.709-6 items 3.2 to 3.4; within half a code and what double precision leaves at halves."""
    encoding, step = Encoding(depth, range_, bit_shift=shift), SAMPLING_STEPS[sampling]
    levels, planes = picture(), planes_for(encoding, step)
    code_levels(levels, encoding, planes, matrix=Matrix.BT709, siting=Siting(step, cosited))
    red, green, blue = (levels[..., each].astype(float) for each in range(3))
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    k, top = 1 << (depth - 8), (1 << depth) - 1
    narrow = range_ is Range.NARROW
    wanted = [(219 * k if narrow else top) * luma + (16 * k if narrow else 0)]
    for chroma in ((blue - luma) / 1.8556, (red - luma) / 1.5748):
        wanted.append((224 * k if narrow else top) * filtered(chroma, step, cosited) + (1 << depth - 1))
    for plane, exact in zip(planes, wanted, strict=True):
        assert (plane & ((1 << shift) - 1)).max() == 0
        assert np.abs((plane >> shift) - np.clip(exact, 0, top)).max() <= 0.5 + 1e-6 * top


@pytest.mark.parametrize("model", Model)
@pytest.mark.parametrize("range_", Range)
def test_there_and_back_is_where_it_was(model, range_):
    encoding = Encoding(10, range_, model)
    rng = np.random.default_rng(8)
    first = rng.random((ROWS, COLUMNS, 4)).astype(np.float32) * 0.9 + 0.05
    if model is Model.GRAY:
        first[...] = first[..., :1]
    planes, again = planes_for(encoding), planes_for(encoding)
    code_levels(first, encoding, planes)
    back = np.zeros_like(first)
    rgba_levels(planes, encoding, back)
    assert np.abs(back[..., :3] - first[..., :3]).max() < 2.5 / 876
    code_levels(back, encoding, again)
    assert all(np.array_equal(one, two) for one, two in zip(planes, again, strict=True))


def test_loops_and_their_compiled_forms_agree():
    rng = np.random.default_rng(1)
    levels = rng.random((4, 6 * 4)).astype(np.float32)
    for dtype in (np.uint8, np.uint16):
        two = [np.zeros((4, 6), dtype) for _ in range(2)]
        numbers = np.array([200.0, 16, 255, 1])
        for run, out in zip((_single, _single.py_func), two, strict=True):
            run(levels, out, np.array([0.2, 0.7, 0.1]), numbers)
        assert np.array_equal(*two) and two[0].any()
        small = [np.zeros((2, 3), dtype) for _ in range(2)]
        for run, out in zip((_chroma, _chroma.py_func), small, strict=True):
            run(
                levels, out, np.array([0.5, -0.3, -0.2, 200, 128, 255, 1.0]), np.array([0.25, 0.5, 0.25]), np.array([0.5, 0.5]),
                np.array([-1, 0]), np.array([2, 2]), np.zeros((2, 6)),
            )  # fmt: skip
        assert np.array_equal(*small) and small[0].any()


@pytest.mark.parametrize(
    ("levels", "planes", "says"),
    [
        (np.zeros((4, 4, 3), np.float32), [np.zeros((4, 4), np.uint8)] * 3, "levels must be"),
        (np.zeros((4, 4, 4), np.float64), [np.zeros((4, 4), np.uint8)] * 3, "levels must be"),
        (np.zeros((4, 4, 4), np.float32), [np.zeros((4, 4), np.uint8)] * 2, "planes must be 3"),
        (np.zeros((4, 4, 4), np.float32), [np.zeros((4, 4), np.uint16)] * 3, "planes must be writable uint8"),
        (np.zeros((4, 4, 4), np.float32), [np.zeros((4, 5), np.uint8)] * 3, "planes must be writable uint8"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(levels, planes, says):
    with pytest.raises(ValueError, match=says):
        code_levels(levels, Encoding(8, Range.FULL), planes)
