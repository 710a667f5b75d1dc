"""The exact blend, written from its definition in rationals, and random drawings to try it on.

Sources: levels and codes tests/reference.py; Kr and Kb ITU-T H.273 table 4 (BT.601-7, BT.709-6, BT.2020-2); the equations of Y', Cb and Cr
BT.709-6 items 3.2 and 3.3. The filters into subsampled chroma are common practice: [1, 2, 1] / 4 where co-sited, else the mean.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from hypothesis import strategies as st
from reference import exact, round_half_away

from footroom.kernels import Channel, Encoding, Range
from footroom.kernels.coverage import Box, Drawing, Layer
from footroom.kernels.matrix import Matrix
from footroom.kernels.overlay import Siting, premultiplied

WEIGHTS = {
    Matrix.BT601: (Fraction(299, 1000), Fraction(114, 1000)),
    Matrix.BT709: (Fraction(2126, 10000), Fraction(722, 10000)),
    Matrix.BT2020: (Fraction(2627, 10000), Fraction(593, 10000)),
}
YCBCR = (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)
RGBA = (Channel.RED, Channel.GREEN, Channel.BLUE, Channel.ALPHA)
DEPTHS = (8, 10, 12, 16)
RANGES = (Range.NARROW, Range.FULL)
SITINGS = {
    "4:4:4": Siting(),
    "4:2:2": Siting((2, 1)),
    "4:2:2 amid": Siting((2, 1), (False, False)),
    "4:2:0": Siting((2, 2)),
    "4:2:0 amid": Siting((2, 2), (False, False)),
    "4:2:0 top left": Siting((2, 2), (True, True)),
    "4:4:0": Siting((1, 2)),
    "4:1:1": Siting((4, 1)),
    "4:1:1 amid": Siting((4, 1), (False, False)),
}
TAPS = {
    (1, True): {0: 1},
    (1, False): {0: 1},
    (2, True): {-1: 1, 0: 2, 1: 1},
    (2, False): {0: 1, 1: 1},
    (4, True): {-3: 1, -2: 2, -1: 3, 0: 4, 1: 3, 2: 2, 3: 1},
    (4, False): {0: 1, 1: 1, 2: 1, 3: 1},
}
"""Weights by offset from the first luma sample under a chroma sample, to be divided by their sum."""


def colour_rows(drawing: Drawing) -> list[list[tuple[Fraction, ...]]]:
    """Premultiplied R'G'B' and alpha of every pixel, exactly as `premultiplied` gives them."""
    return [[tuple(Fraction(float(part)) for part in pixel) for pixel in line] for line in premultiplied(drawing)]


def reduced(rows: list[list[tuple[Fraction, ...]]], siting: Siting) -> list[list[tuple[Fraction, ...]]]:
    """Every chroma sample's weighted mean of the pixels about it; beyond the edges the last pixel repeats."""
    (across, down), height, width = siting.step, len(rows), len(rows[0])
    h, v = TAPS[across, siting.cosited[0]], TAPS[down, siting.cosited[1]]
    total = sum(h.values()) * sum(v.values())

    def sample(y: int, x: int) -> tuple[Fraction, ...]:
        near = [
            (wy * wx, rows[min(max(y * down + dy, 0), height - 1)][min(max(x * across + dx, 0), width - 1)])
            for dy, wy in v.items()
            for dx, wx in h.items()
        ]
        return tuple(sum((weight * pixel[part] for weight, pixel in near), Fraction(0)) / total for part in range(4))

    return [[sample(y, x) for x in range(-(-width // across))] for y in range(-(-height // down))]


def plane_pixels(drawing: Drawing, channel: Channel, siting: Siting) -> list[list[tuple[Fraction, ...]]]:
    """Premultiplied R'G'B' and alpha of every sample of a plane."""
    rows = colour_rows(drawing)
    return reduced(rows, siting) if channel is Channel.CHROMA else rows


def level_of(pixel: tuple[Fraction, ...], channels: tuple[Channel, ...], number: int, matrix: Matrix) -> Fraction:
    """What R'G'B' is on one plane; linear, so it holds for premultiplied colour too."""
    red, green, blue, alpha = pixel
    channel = channels[number]
    if channel in (Channel.RED, Channel.GREEN, Channel.BLUE):
        return {Channel.RED: red, Channel.GREEN: green, Channel.BLUE: blue}[channel]
    if channel is Channel.ALPHA:
        return alpha
    kr, kb = WEIGHTS[matrix]
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    if channel is Channel.LUMA:
        return luma
    return (red - luma) / (2 * (1 - kr)) if channels[:number].count(channel) else (blue - luma) / (2 * (1 - kb))


def mixed(
    code: int,
    pixel: tuple[Fraction, ...],
    channels: tuple[Channel, ...],
    number: int,
    encoding: Encoding,
    matrix: Matrix,
    levels: bool = False,
) -> Fraction:
    """(1 - A) code + A zero + span colour, before rounding."""
    channel, alpha = channels[number], pixel[3]
    full, chroma = encoding.range is Range.FULL or channel is Channel.ALPHA, channel is Channel.CHROMA
    zero = exact(Fraction(0), encoding.depth, full, chroma)
    span = exact(Fraction(1), encoding.depth, full, chroma) - zero
    colour = alpha * zero + span * level_of(pixel, channels, number, matrix)
    # Full-range chroma at level 1/2 lies half a code beyond the last one (H.273 8.3 clips it); levels have no end.
    return (1 - alpha) * code + (colour if levels else min(colour, alpha * encoding.maximum))


def allowed(value: Fraction, alpha: Fraction, maximum: int) -> set[int]:
    """The codes that a blend may give for an exact value: the exact one, and where that lies near a half its neighbour.

    Where alpha is neither 0 nor 1 it is kept to 65536ths, at most half of one from the exact alpha: maximum / 2^17 of a code. The added
    part is rounded to 65536ths of a code, and float32, in which the colour comes here, holds a level to 2^-25.
    """
    error = Fraction(1, 2**17) + Fraction(maximum, 2**24) + (Fraction(maximum, 2**17) if 0 < alpha < 1 else 0)
    nearest = range(round_half_away(value - error), round_half_away(value + error) + 1)
    return {min(max(code, 0), maximum) for code in nearest}


EDGES = {width: st.integers(-8, 8 * width + 8).map(lambda number: number / 8) for width in (1, 4, 5, 6, 7, 9, 33, 130)}
LEVELS = st.integers(0, 16).map(lambda number: number / 16)


@st.composite
def boxes(draw, width: int, height: int) -> Box:
    """Edges in eighths of a pixel, partly beyond the picture."""
    x, y = ([draw(EDGES[side]), draw(EDGES[side])] for side in (width, height))
    return Box(min(x), min(y), max(x), max(y))


@st.composite
def drawings(draw, sizes=((1, 1), (7, 5), (33, 6), (130, 4))) -> Drawing:
    """One to three layers of boxes in any colour and opacity; numbers that binary fractions hold."""
    width, height = draw(st.sampled_from(sizes))
    layers = st.builds(
        Layer,
        st.lists(boxes(width, height), min_size=1, max_size=3).map(tuple),
        st.tuples(LEVELS, LEVELS, LEVELS),
        st.integers(0, 16).map(lambda number: 1 - number / 16),
    )
    return Drawing(width, height, tuple(draw(st.lists(layers, min_size=1, max_size=3))))


def random_codes(shape: tuple[int, int], encoding: Encoding, seed: int) -> np.ndarray:
    """Codes of the whole range, a third of them end codes."""
    rng = np.random.default_rng(seed)
    codes = rng.integers(0, encoding.maximum + 1, shape)
    ends = rng.integers(0, 6, shape)
    codes[ends == 0], codes[ends == 1] = 0, encoding.maximum
    return codes.astype(np.uint8 if encoding.depth == 8 else np.uint16)
