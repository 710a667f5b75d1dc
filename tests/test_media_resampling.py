"""Resampled planes: flat stays flat, ramps stay ramps wherever chroma is sited, and the filter is the filter it says."""

from __future__ import annotations

from fractions import Fraction
from math import ceil
from typing import Any

import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio  # noqa: N813
import pytest

from footroom.host_adapter.headless import resampling
from footroom.host_adapter.headless.flags.siting import SITINGS
from footroom.host_adapter.headless.resampling import SUBSAMPLING, Box, chroma_box, scale_planes, scaled
from footroom.kernels.encoding import Channel

LUMA, CHROMA = Channel.LUMA, Channel.CHROMA
F = Fraction


def weights(start: float, end: float, size: int, length: int) -> npt.NDArray[np.float64]:
    """[size, length]: a three-lobed Lanczos filter's weights in double precision, edges repeated.

    Source: the textbook form sinc(x) sinc(x/3), |x| < 3, stretched by the scale where the result is the smaller.
    """
    step = (end - start) / size
    stretch = max(step, 1.0)
    reach = ceil(3 * stretch) + 2
    taps = np.arange(int(start) - reach, int(end) + reach + 2)
    matrix = np.zeros((size, length))
    for at in range(size):
        x = (taps + 0.5 - (start + (at + 0.5) * step)) / stretch
        row = np.where(np.abs(x) < 3, np.sinc(x) * np.sinc(x / 3), 0)
        np.add.at(matrix[at], np.clip(taps, 0, length - 1), row / row.sum())
    return matrix


def reference(plane: npt.NDArray[Any], size: tuple[int, int], box: Box) -> npt.NDArray[np.float64]:
    x0, y0, x1, y1 = map(float, box)
    across, down = weights(x0, x1, size[0], plane.shape[1]), weights(y0, y1, size[1], plane.shape[0])
    return np.asarray(down @ plane.astype(np.float64) @ across.T)


def noise(depth: int, shape: tuple[int, int] = (40, 60)) -> npt.NDArray[Any]:
    kind = np.uint8 if depth == 8 else np.uint16
    return np.random.default_rng(depth).integers(0, 1 << depth, shape).astype(kind)


BOXES: list[Box] = [
    (0, 0, 60, 40),
    (F(21, 2), 3, F(101, 3), F(75, 2)),
    (-7.25, -3, 40.5, 47.75),
    (59, 39, 60, 40),
    (70, 50, 80, 70),
]


@pytest.mark.parametrize("depth", [8, 10, 16])
@pytest.mark.parametrize("size", [(96, 64), (31, 17), (60, 40), (1, 1), (7, 90)], ids=str)
@pytest.mark.parametrize("box", BOXES, ids=str)
def test_it_is_the_filter_it_says_it_is(depth: int, size: tuple[int, int], box: Box) -> None:
    """Every code within half a code of the double-precision filter, and what single-precision places cost."""
    plane = noise(depth)
    made = scaled(plane, size, box, (1 << depth) - 1)
    exact = np.clip(reference(plane, size, box), 0, (1 << depth) - 1)
    assert made.dtype == plane.dtype and made.shape == (size[1], size[0])
    assert np.abs(made - exact).max() <= 0.5 + (1 << depth) * 2e-5


def test_another_library_gives_the_same_codes() -> None:
    """Source: OpenImageIO's ImageBufAlgo.resize with its lanczos3, away from the borders, where it stops at the edge."""
    plane = noise(10, (80, 120))
    buffer = oiio.ImageBuf(plane[:, :, None].astype(np.float32))
    for size in ((240, 160), (180, 100), (60, 40), (40, 20)):
        made = scaled(plane, size, (0, 0, 120, 80), 1023).astype(float)
        theirs = oiio.ImageBufAlgo.resize(
            buffer, filtername="lanczos3", roi=oiio.ROI(0, size[0], 0, size[1], 0, 1, 0, 1)
        ).get_pixels(oiio.FLOAT)
        inner = np.s_[size[1] // 8 : -size[1] // 8, size[0] // 8 : -size[0] // 8]
        assert np.abs(made - np.clip(theirs[:, :, 0], 0, 1023))[inner].max() <= 1


@pytest.mark.parametrize("code", [0, 4, 64, 512, 940, 1023])
def test_a_flat_plane_stays_exactly_that(code: int) -> None:
    plane = np.full((30, 50), code, np.uint16)
    for size in ((1, 1), (17, 9), (50, 30), (131, 77)):
        for box in BOXES:
            assert (scaled(plane, size, box, 1023) == code).all()


@pytest.mark.parametrize("depth", [8, 10, 16])
def test_whole_samples_one_for_one_keep_their_codes(depth: int) -> None:
    plane = noise(depth)
    assert np.array_equal(scaled(plane, (60, 40), (0, 0, 60, 40), (1 << depth) - 1), plane)
    cut = scaled(plane, (11, 7), (F(5), 3.0, 16, 10), (1 << depth) - 1)
    assert np.array_equal(cut, plane[3:10, 5:16])
    assert not np.shares_memory(cut, plane)
    over = scaled(plane, (6, 40), (-2, 0, 4, 40), (1 << depth) - 1)
    assert np.array_equal(over, plane[:, [0, 0, 0, 1, 2, 3]])
    rows = scaled(plane, (60, 80), (0, 0, 60, 40), (1 << depth) - 1)  # across one for one, down not
    assert (
        np.abs(rows - np.clip(reference(plane, (60, 80), (0, 0, 60, 40)), 0, (1 << depth) - 1)).max()
        <= 0.5 + (1 << depth) * 2e-5
    )


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_levels_are_neither_rounded_nor_clipped(kind: type) -> None:
    plane = (np.random.default_rng(1).random((20, 30)) * 6 - 2).astype(kind)
    made = scaled(plane, (45, 25), (1, 1, 28, 19), 0)
    exact = reference(plane, (45, 25), (1, 1, 28, 19))
    assert made.dtype == kind and made.min() < 0 and made.max() > 1
    assert np.abs(made - exact).max() < (4e-3 if kind is np.float16 else 1e-4)


def test_an_interleaved_read_only_plane_is_taken_as_it_is() -> None:
    words = np.random.default_rng(2).integers(0, 1024, (20, 60)).astype(np.uint16)
    words.flags.writeable = False
    assert np.array_equal(scaled(words[:, 1::2], (40, 25), (0, 0, 30, 20), 1023),
                          scaled(words[:, 1::2].copy(), (40, 25), (0, 0, 30, 20), 1023))  # fmt: skip


def test_a_smaller_picture_has_no_aliasing() -> None:
    """A chequerboard of single pixels is beyond what a smaller picture can hold: it must come out grey."""
    chequers = ((np.indices((96, 128)).sum(0) % 2) * 876 + 64).astype(np.uint16)
    for factor in (1.5, 2, 2.5, 4):
        size = round(128 / factor), round(96 / factor)
        made = scaled(chequers, size, (0, 0, 128, 96), 1023)[3:-3, 3:-3].astype(int)
        assert np.abs(made - 502).max() <= 1


def sample_place(siting: str, k: int, down: bool) -> float:
    """Luma coordinate of chroma sample 0. Source: H.273 figure 1 of 8.7, spelled out afresh (from memory)."""
    if k == 1:
        return 0.5
    table = {
        "left": ("on", "between"), "centre": ("between", "between"), "top left": ("on", "on"),
        "top": ("between", "on"), "bottom left": ("on", "last"), "bottom": ("between", "last"),
    }  # fmt: skip
    return {"on": 0.5, "between": k / 2, "last": k - 0.5}[table[siting][down]]


def slope(shape: tuple[int, int], k: tuple[int, int], origin: tuple[float, float], step: tuple[float, float],
          start: tuple[float, float]) -> npt.NDArray[np.float64]:  # fmt: skip
    """200 + 4 x + 2 y at the place in the source picture where every sample of a plane lies."""
    x = start[0] + step[0] * (origin[0] + k[0] * np.arange(shape[1]))
    y = start[1] + step[1] * (origin[1] + k[1] * np.arange(shape[0]))
    return 200 + 4 * x[None, :] + 2 * y[:, None]


@pytest.mark.parametrize("sampling", ["4:2:0", "4:2:2", "4:4:4", "4:1:1", "4:4:0"])
@pytest.mark.parametrize("siting", [*SITINGS, None])
@pytest.mark.parametrize(
    ("box", "size"),
    [
        ((0, 0, 128, 96), (256, 192)),
        ((0, 0, 128, 96), (64, 48)),
        ((20, 10, 74, 90), (108, 192)),
        ((F(41, 2), 10.25, 90, 77), (75, 101)),
        ((8, 8, 120, 88), (33, 77)),
        ((1, 1, 65, 49), (64, 48)),
    ],
    ids=str,
)
def test_ramps_stay_ramps_wherever_chroma_lies(
    sampling: str, siting: str | None, box: Box, size: tuple[int, int]
) -> None:
    """Luma and chroma are one slope over the picture; the result's must be it at the result's own sample places."""
    k = SUBSAMPLING[sampling]
    said = siting or "left"
    origin = sample_place(said, k[0], False), sample_place(said, k[1], True)
    shape = 96 // k[1], 128 // k[0]
    luma = slope((96, 128), (1, 1), (0.5, 0.5), (1, 1), (0, 0))
    chroma = slope(shape, k, origin, (1, 1), (0, 0))
    planes = [plane.astype(np.uint16) for plane in (luma, chroma, chroma)]
    assert np.array_equal(planes[0], luma) and np.array_equal(planes[1], chroma)  # whole codes at every siting
    small = -(-size[1] // k[1]), -(-size[0] // k[0])
    out = [np.zeros(each, np.uint16) for each in ((size[1], size[0]), small, small)]
    scale_planes(planes, (LUMA, CHROMA, CHROMA), sampling, siting, box, size, 10, out)
    x0, y0, x1, y1 = map(float, box)
    step = (x1 - x0) / size[0], (y1 - y0) / size[1]
    wanted = slope((size[1], size[0]), (1, 1), (0.5, 0.5), step, (x0, y0)), slope(small, k, origin, step, (x0, y0))
    for made, exact, scale in zip(out, (wanted[0], wanted[1], wanted[1]), ((1, 1), k, k), strict=True):
        # away from the picture's own borders, where the slope ends and the edge goes on level
        reach_x, reach_y = 4 * max(step[0], 1) * scale[0], 4 * max(step[1], 1) * scale[1]
        xs = x0 + step[0] * scale[0] * (np.arange(made.shape[1]) + 0.5)
        ys = y0 + step[1] * scale[1] * (np.arange(made.shape[0]) + 0.5)
        inner = np.ix_((ys > reach_y) & (ys < 96 - reach_y), (xs > reach_x) & (xs < 128 - reach_x))
        assert made[inner].size
        # half a code of rounding and the filter's ripple; chroma placed wrong by a quarter sample is off by 2 codes
        assert np.abs(made[inner] - exact[inner]).max() <= 1


def test_the_window_of_chroma_in_figures() -> None:
    """x0/2 + 1/4 - s/4, worked by hand for s = 1/2 and s = 2; centred chroma has the plain half."""
    box: Box = (100, 60, 708, 1140)
    assert chroma_box(box, (1216, 2160), "4:2:0", "left") == (F(50) + F(1, 8), 30, F(354) + F(1, 8), 570)
    assert chroma_box(box, (304, 540), "4:2:0", "left") == (F(50) - F(1, 4), 30, F(354) - F(1, 4), 570)
    assert chroma_box(box, (304, 540), "4:2:0", "centre") == (50, 30, 354, 570)
    assert chroma_box(box, (608, 1080), "4:2:2", None) == (50, 60, 354, 1140)
    assert chroma_box(box, (304, 540), "4:4:4", None) == box


def test_strips_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """Large pictures are resampled in strips; the filter of every row must be that of the whole picture."""
    plane = noise(10, (160, 60))
    box: Box = (F(1, 3), F(5, 7), 55, 151)
    for size in ((90, 250), (31, 70)):
        monkeypatch.setattr(resampling, "_STRIP", 1 << 18)
        whole = scaled(plane, size, box, 1023).astype(int)
        monkeypatch.setattr(resampling, "_STRIP", 1)
        strips = scaled(plane, size, box, 1023).astype(int)
        assert np.abs(strips - np.clip(reference(plane, size, box), 0, 1023)).max() <= 0.5 + 1024 * 2e-5
        assert np.abs(strips - whole).max() <= 1 and (strips != whole).mean() < 4e-3


def test_an_even_window_kept_at_its_size_keeps_every_code() -> None:
    planes = [noise(10, (48, 64)), noise(10, (24, 32)), noise(10, (24, 32)), noise(10, (48, 64))]
    for siting in SITINGS:
        out = [np.zeros(shape, np.uint16) for shape in ((20, 30), (10, 15), (10, 15), (20, 30))]
        scale_planes(planes, (LUMA, CHROMA, CHROMA, Channel.ALPHA), "4:2:0", siting, (6, 4, 36, 24), (30, 20), 10, out)
        for plane, made, k in zip(planes, out, (1, 2, 2, 1), strict=True):
            assert np.array_equal(plane[4 // k : 24 // k, 6 // k : 36 // k], made)


def test_shifted_codes_are_shifted_down_and_up() -> None:
    planes = [noise(10), noise(10, (20, 30)), noise(10, (20, 30))]
    channels = LUMA, CHROMA, CHROMA
    args: Any = ("4:2:0", None, (3, 2, 50, 33), (80, 70), 10)
    plain = [np.zeros(shape, np.uint16) for shape in ((70, 80), (35, 40), (35, 40))]
    high = [np.zeros_like(plane) for plane in plain]
    scale_planes(planes, channels, *args, plain)
    scale_planes([plane << 6 for plane in planes], channels, *args, high, bit_shift=6, out_bit_shift=6)
    assert all(np.array_equal(a << 6, b) for a, b in zip(plain, high, strict=True))


def test_what_makes_no_picture_is_refused() -> None:
    plane = noise(8)
    with pytest.raises(ValueError, match="must have an area, got 0 samples"):
        scaled(plane, (0, 4), (0, 0, 4, 4), 255)
    with pytest.raises(ValueError, match="for 4 to 4"):
        scaled(plane, (4, 4), (4, 0, 4, 4), 255)
    with pytest.raises(ValueError, match=r"siting must be .* got 'left-ish'"):
        chroma_box((0, 0, 4, 4), (4, 4), "4:2:0", "left-ish")
    with pytest.raises(ValueError, match=r"out must hold 4x4 for luma, got shape \(3, 4\)"):
        scale_planes([plane], (LUMA,), "gray", None, (0, 0, 8, 8), (4, 4), 8, [np.zeros((3, 4), np.uint8)])
