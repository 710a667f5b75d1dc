"""The banding index against its open implementation, to 4 decimals, and against the algorithm in plain numpy where that cannot go."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest
import skimage.color
import skimage.data
from banding_oracle import open_index, plain_index

from footroom.kernels import Channel, Dither, Encoding, Range, requantise
from footroom.kernels import banding_blocks as blocks
from footroom.kernels import banding_loops as loops
from footroom.kernels import largest as pooling
from footroom.kernels.banding import ONE_CODE, TWO_CODES, banding_index, visible_up_to
from footroom.kernels.largest import excess, largest

NARROW = Encoding(8, Range.NARROW)
DECIMALS = 5e-5


def narrow(level: Any, depth: int = 8) -> np.ndarray:
    """Narrow codes of levels, rounded."""
    encoding = Encoding(depth, Range.NARROW)
    codes = np.floor(np.clip(level, -0.05, 1.05) * encoding.span(Channel.LUMA) + encoding.black() + 0.5)
    return codes.astype(encoding.dtype_name)


@lru_cache(maxsize=16)
def photograph(name: str) -> np.ndarray:
    """Luma of a photograph, even sides, levels 0..1."""
    picture = getattr(skimage.data, name)()
    picture = picture[0] if isinstance(picture, tuple) else picture
    level = skimage.color.rgb2gray(picture[..., :3]) if picture.ndim == 3 else picture / 255
    return level[: level.shape[0] // 2 * 2, : level.shape[1] // 2 * 2]


def slope(rows: int, columns: int) -> np.ndarray:
    """Levels of a sky that grows lighter in both directions, with a slow wave."""
    y, x = np.mgrid[0:rows, 0:columns]
    x, y = x / columns, y / rows
    return 0.08 + 0.12 * x + 0.08 * y * y + 0.01 * np.sin(9 * x * y)


def staircase(first: int, step: int, steps: int, rows: int = 360, columns: int = 640) -> np.ndarray:
    """Codes first, first + step, … across the picture, rounded half up."""
    return np.broadcast_to(first + step * np.floor(steps * np.arange(columns) / columns + 0.5), (rows, columns)).astype(
        np.uint8
    )


def posterised(name: str, gain: float) -> np.ndarray:
    """A photograph darkened and coded coarsely: bands in real shapes."""
    return narrow(np.round(photograph(name) * gain * 60) / 60 * 0.5)


PICTURES = {
    "astronaut": lambda: narrow(photograph("astronaut")),
    "coffee": lambda: narrow(photograph("coffee")),
    "chelsea, darkened": lambda: narrow(photograph("chelsea") * 0.2),
    "rocket": lambda: narrow(photograph("rocket")),
    "rocket, posterised": lambda: posterised("rocket", 0.7),
    "retina, posterised": lambda: posterised("retina", 0.8),
    "camera, expanded": lambda: requantise(
        narrow(photograph("camera") * 0.6), NARROW, Encoding(8, Range.FULL), channel=Channel.LUMA, dither=Dither.NONE
    ),
    "clock": lambda: narrow(photograph("clock")),
    "sky 384x216": lambda: narrow(slope(216, 384)),
    "sky 1280x720": lambda: narrow(slope(720, 1280)),
    "sky 1920x1080": lambda: narrow(slope(1080, 1920)),
    "sky 1000x240": lambda: narrow(slope(240, 1000)),
    "sky 300x720, upright": lambda: narrow(slope(720, 300)),
    "sky with grain": lambda: narrow(slope(360, 640) + np.random.default_rng(1).normal(0, 0.4 / 219, (360, 640))),
    "sub-black to super-white": lambda: staircase(2, 1, 250),
    "blown highlights": lambda: narrow(slope(360, 640) + 0.75),
}


@pytest.mark.parametrize("setting", [ONE_CODE, TWO_CODES], ids=["default", "two codes"])
@pytest.mark.parametrize("name", PICTURES)
def test_equals_the_open_implementation(name, setting):
    picture = PICTURES[name]()
    assert banding_index(picture, NARROW, max_log_contrast=setting) == pytest.approx(
        open_index(picture, 8, setting), abs=DECIMALS
    )


@pytest.mark.parametrize("setting", [ONE_CODE, TWO_CODES], ids=["default", "two codes"])
@pytest.mark.parametrize("depth", [10, 12])
@pytest.mark.parametrize("name", ["rocket", "sky"])
def test_equals_the_open_implementation_at_depth(name, depth, setting):
    level = photograph("rocket") if name == "rocket" else slope(540, 960)
    picture = narrow(level, depth)
    ours = banding_index(picture, Encoding(depth, Range.NARROW), max_log_contrast=setting)
    assert ours == pytest.approx(open_index(picture, depth, setting), abs=DECIMALS)


@pytest.mark.parametrize("setting", [0, 1, 4, 5])
def test_equals_the_open_implementation_at_other_settings(setting):
    picture = PICTURES["rocket, posterised"]()
    assert banding_index(picture, NARROW, max_log_contrast=setting) == pytest.approx(
        open_index(picture, 8, setting), abs=DECIMALS
    )


@pytest.mark.parametrize(
    ("picture", "setting", "score"),
    [
        (staircase(32, 1, 24), ONE_CODE, 19.0653),
        (staircase(32, 2, 12), ONE_CODE, 0.0080),
        (staircase(32, 2, 12), TWO_CODES, 19.1518),
        (staircase(50, 0, 1), ONE_CODE, 0.0),
    ],
    ids=["one-code steps", "two-code steps, missed", "two-code steps", "flat"],
)
def test_known_scores(picture, setting, score):
    """libvmaf's scores of these very pictures, measured with its program; no program is needed here."""
    assert banding_index(picture, NARROW, max_log_contrast=setting) == pytest.approx(score, abs=DECIMALS)


@pytest.mark.parametrize("range_", list(Range), ids=lambda range_: range_.label)
@pytest.mark.parametrize("shape", [(216, 3), (240, 64), (217, 333), (221, 218), (100, 700)], ids=str)
def test_equals_the_plain_algorithm_where_the_program_cannot_go(shape, range_):
    """Odd, narrow and short pictures, and full luma, in flat patches of few codes."""
    random = np.random.default_rng(shape)
    patches = random.integers(60, 70, (-(-shape[0] // 24), -(-shape[1] // 24)))
    picture = np.kron(patches, np.ones((24, 24), int))[: shape[0], : shape[1]].astype(np.uint8)
    picture[random.random(shape) < 0.02] += 1
    ours = banding_index(picture, Encoding(8, range_), max_log_contrast=TWO_CODES)
    assert ours > 0 or shape[1] == 3
    assert ours == pytest.approx(plain_index(picture, 8, TWO_CODES, full=range_ is Range.FULL), abs=1e-5)


@pytest.mark.parametrize("depth", [8, 10, 12])
def test_full_luma_has_its_own_luminances(depth):
    """Where a step of one 8-bit code stops being visible: ITU-R BT.1886 by colour-science, over 0..M for full."""
    from colour.models import eotf_BT1886

    for range_ in Range:
        encoding = Encoding(depth, range_)
        scale = 2.0 ** (10 - depth)
        black, white = encoding.black() * scale, encoding.white() * scale
        limit = visible_up_to(encoding, 4)[3]
        light = eotf_BT1886(
            (np.array([limit, limit + 1, limit + 4, limit + 5]) - black) / (white - black), L_B=0.01, L_W=300
        )
        assert light[2] - light[0] > 0.019 * light[0]
        assert not light[3] - light[1] > 0.019 * light[1]
    assert visible_up_to(Encoding(depth, Range.FULL), 4)[3] < visible_up_to(Encoding(depth, Range.NARROW), 4)[3]


def test_bright_steps_are_seen_in_narrow_and_not_in_full():
    """Between the two limits of the test above: the same codes are brighter there, and a step of the range is smaller, in full."""
    picture = staircase(125, 1, 12)
    assert banding_index(picture, NARROW, max_log_contrast=ONE_CODE) > 5
    assert banding_index(picture, Encoding(8, Range.FULL), max_log_contrast=ONE_CODE) == 0


def test_strides_and_shifts_do_not_matter():
    """Padded and flipped planes, interleaved ones, and codes in the high bits of their words (P010)."""
    picture = narrow(slope(240, 320), 10)
    encoding = Encoding(10, Range.NARROW)
    expected = banding_index(picture, encoding)
    padded = np.zeros((240, 384), np.uint16)
    padded[:, :320] = picture
    interleaved = np.zeros((240, 640), np.uint16)
    interleaved[:, ::2] = picture
    flipped = picture[::-1].copy()[::-1]
    for same in (padded[:, :320], interleaved[:, ::2], flipped):
        assert banding_index(same, encoding) == expected
    assert banding_index(picture << 6, Encoding(10, Range.NARROW, bit_shift=6)) == expected
    eight = narrow(slope(240, 320))
    shifted = banding_index(eight.astype(np.uint16) << 8, Encoding(8, Range.NARROW, bit_shift=8))
    assert shifted == banding_index(eight, NARROW)


def test_dither_takes_the_bands_away():
    """What the index is for, and why it averages 2 x 2 pixels first."""
    fine = Encoding(16, Range.NARROW)
    tones = np.floor(slope(360, 640) * fine.span(Channel.LUMA) + fine.black()).astype(np.uint16)
    index = {
        dither: banding_index(requantise(tones, fine, NARROW, channel=Channel.LUMA, dither=dither), NARROW)
        for dither in Dither
    }
    assert index[Dither.NONE] > 15
    assert index[Dither.TRIANGULAR] < 0.5
    assert index[Dither.BLUE_NOISE] < 0.5
    assert index[Dither.RECTANGULAR] < index[Dither.ERROR_DIFFUSION] < index[Dither.NONE]


def test_the_plain_loops_give_the_same(monkeypatch):
    """The kernels' twins, run by the interpreter."""
    picture = narrow(slope(218, 40)[:, :19])
    compiled = banding_index(picture, NARROW)
    for module, names in (
        (loops, ("ten_bits", "flat_places", "filter_by_mode", "find_runs", "contrasts")),
        (pooling, ("largest", "excess")),
    ):
        for name in names:
            monkeypatch.setattr(module, name, getattr(module, name).py_func)
    with np.errstate(over="ignore"):
        assert banding_index(picture, NARROW) == pytest.approx(compiled, abs=1e-6)
    assert compiled > 0


def test_blocks_equal_their_twins():
    """The vector forms against the loops that say what they do."""
    from numba import njit

    random = np.random.default_rng(3)
    line, profile = (random.integers(0, 1 << 16, 40).astype(np.uint16) for _ in range(2))
    for twin in (blocks.count_in, blocks.count_out):
        run = njit(lambda counts, profile, twin=twin: twin(counts, 5, profile, 9))
        vector, plain = line.copy(), line.copy()
        run(vector, profile)
        twin(plain, 5, profile, 9)
        assert np.array_equal(vector, plain)
    counts = random.integers(1, 4226, (17, 30)).astype(np.uint16)
    weights = np.arange(1, 9, dtype=np.float32)
    for twin in (blocks.put_contrasts, blocks.raise_contrasts):
        run = njit(lambda found, counts, weights, twin=twin: twin(found, 2, counts, 8, 11, 3, weights))
        vector = random.uniform(0, 3000, 20).astype(np.float32)
        plain = vector.copy()
        run(vector, counts, weights)
        twin(plain, 2, counts, 8, 11, 3, weights)
        assert np.allclose(vector, plain, rtol=1e-6)


@pytest.mark.parametrize("count", [1, 7, 1000, 4097])
def test_the_largest_are_found_exactly(count):
    """Against a sort, ties included."""
    random = np.random.default_rng(count)
    values = random.choice(random.exponential(500, max(count // 3, 1)), count).astype(np.float32)
    for wanted in sorted({1, count // 2 + 1, count}):
        tally, some = np.zeros(4 << 12, np.int64), np.empty(count + 1, np.uint32)
        edge = np.uint32(largest(values.view(np.uint32), wanted, tally, some)).view(np.float32)
        ordered = np.sort(values)[-wanted:]
        assert edge == ordered[0]
        assert not tally.any()
        assert excess(values, float(edge)) + wanted * float(edge) == pytest.approx(
            ordered.sum(dtype=np.float64), rel=1e-6
        )


@pytest.mark.parametrize(
    ("picture", "setting", "words"),
    [
        (np.zeros((200, 215), np.uint8), 3, "luma must have 216"),
        (np.zeros((300, 1), np.uint8), 3, "luma must have 216"),
        (np.zeros((300, 300), np.float32), 3, "luma must be one of"),
        (np.zeros((300, 300, 3), np.uint8), 3, "luma must be"),
        (np.zeros((2, 20000), np.uint8), 3, "luma must have no more than"),
        (np.zeros((300, 300), np.uint8), 6, "max_log_contrast must be 0..5, got 6"),
    ],
)
def test_what_cannot_be_is_refused(picture, setting, words):
    with pytest.raises(ValueError, match=words):
        banding_index(picture, NARROW, max_log_contrast=setting)
