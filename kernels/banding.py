"""How much a picture shows bands: CAMBI, the contrast aware multiscale banding index.

0 is a picture without bands, about 5 is where they begin to annoy, 24 is about the most that happens.

The luma is looked at as 10-bit codes; what has fewer bits is averaged over 2 x 2 pixels first, so that dither counts as the tones that it
stands for. Bands are sought where the picture is flat: where many of a pixel's 7 x 7 neighbours equal the pixel to their right and the one
below. There, at five scales, each pixel's code and the codes up to D steps beside it are counted in a square window, of about one degree of
sight at 2160 rows; the contrast c of a pixel is the largest over the steps d of

    weight(d) p(0) p(d) / (p(0) + p(d)),   p(d) = the larger count of the codes d above and d below

as far as a step of d codes is visible at that code (1.9 % of the luminance on a display of ITU-R BT.1886, black .01 and white 300 cd/m2).
The index is the mean of the upper 60 % of c at each scale, halved from scale to scale, over the window's area.

Source: Tandon, Afonso, Sole, Krasula, CAMBI: Contrast-aware multiscale banding index (2021), with the constants and details of its open
implementation (libvmaf) in 2026, whose scores the tests demand to 4 decimals. The way of counting is the project's own (see the loops).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .banding_blocks import CONTRASTS, COUNTS, STEPS
from .encoding import Channel, Encoding
from .planes import check_codes, readable

if TYPE_CHECKING:
    import numpy.typing as npt

SCALES = 5
UPPER_SHARE = 0.6
"""Of a scale's pixels, those with the largest contrasts, whose mean is the scale's score."""
SMALLEST = 216
"""Rows or columns, whichever is more, under which the index is not defined."""
ONE_CODE, TWO_CODES = 2, 3
"""max_log_contrast for steps of one 8-bit code, and of two: what an expansion from narrow to full makes."""

_WEIGHTS = (1, 2, 3, 4, 4, 5, 5, 6, 6, 6, 6, 7, 7, 7, 7, 8, 8, 8, 8, 8, 8, 8, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9)
"""Of a step of 1, 2, … codes: the response to contrast above the threshold. Source: see the module."""
_WINDOW = 65
"""Side of the window at 3840 x 2160."""
_VISIBLE = 0.019
_BLACK, _WHITE, _GAMMA = 0.01, 300.0, 2.4
_MOST_COUNTED = 46340
"""Pixels of a window: the product of two counts stays within 31 bits."""
_FLAT = 7
"""Side of the square in which flatness is judged."""


def banding_index(luma: npt.NDArray[Any], encoding: Encoding, *, max_log_contrast: int = TWO_CODES) -> float:
    """The banding index of one plane.

    luma : uint8 | uint16 [rows, columns], any strides, codes of Y' (or of one of R', G', B')
    encoding : what the codes stand for; the range decides the luminance of a code. Narrow codes outside black to white count as those;
        full ones go from 0 to M. Steps are judged in codes of 10 bits in either range
    max_log_contrast : 0..5; steps up to 2^max_log_contrast codes of 10 bits are looked at. 2 (one 8-bit code) is the published setting;
        3, the setting here, sees the steps of two 8-bit codes that an expansion from narrow to full makes

    Raises: ValueError naming the argument and the value.
    Source: see the module. The open implementation takes all codes for narrow; for full ones only the luminances differ here.
    """
    from .banding_loops import filter_by_mode, flat_places, ten_bits

    checked = readable(check_codes(luma, "luma", encoding, "encoding"))
    rows, columns = checked.shape
    if max(rows, columns) < SMALLEST or min(rows, columns) < 2 or max(rows, columns) > 0xFFFF:
        raise ValueError(
            f"luma must have {SMALLEST} to 65,535 rows or columns and 2 of the other, got {rows} x {columns}"
        )
    if not 0 <= max_log_contrast <= 5:
        raise ValueError(f"max_log_contrast must be 0..5, got {max_log_contrast}")
    reach = (_WINDOW * (rows + columns) // 375 >> 4) >> 1
    if (2 * reach + 1) ** 2 > _MOST_COUNTED:
        raise ValueError(f"luma must have no more than about 19,900 rows and columns together, got {rows} x {columns}")
    weights = _weights(encoding, 1 << max_log_contrast)
    image = np.empty(checked.shape, np.uint16)
    flat = np.empty(checked.shape, np.uint8)
    ten_bits(checked, encoding.bit_shift, encoding.depth, image)
    flat_places(image, _least_flat(rows, columns), np.zeros((9, columns + _FLAT - 1), np.uint8), flat)
    memory = _Memory.of(image, reach, weights.shape[1])
    index = 0.0
    for scale in range(SCALES):
        if scale:
            image, flat = np.ascontiguousarray(image[::2, ::2]), np.ascontiguousarray(flat[::2, ::2])
        filtered = np.empty(image.shape, np.uint16)
        filter_by_mode(image, memory.lines, filtered)
        index += _score(filtered, flat, reach, weights, memory) * (16 >> scale)
        image = filtered
    return float(index / (2 * reach + 1) ** 2)


@lru_cache(maxsize=64)
def visible_up_to(encoding: Encoding, steps: int) -> tuple[float, ...]:
    """The highest code of 10 bits at which a step of 1..steps codes upwards is visible; infinity where it is up to white.

    Source: the threshold of the module's docstring, with ITU-R BT.1886's curve.
    """
    scale = 2.0 ** (10 - encoding.depth)
    black, white = encoding.black(Channel.LUMA) * scale, encoding.white(Channel.LUMA) * scale
    codes = np.arange(int(black), int(white) + 1)
    found = []
    for step in range(1, steps + 1):
        here = codes[: len(codes) - step]
        low, high = (_luminance(np.clip(each, black, white), black, white) for each in (here, here + step))
        visible = high - low > _VISIBLE * low
        found.append(float("inf") if visible.all() else float(here[visible].max(initial=0)))
    return tuple(found)


@lru_cache(maxsize=64)
def _weights(encoding: Encoding, steps: int) -> npt.NDArray[np.float32]:
    """The weight of every step at every code of 10 bits, 0 where it is not visible: float32 [1025, steps rounded up to whole blocks]."""
    weights = np.zeros((1025, -(-steps // STEPS) * STEPS), np.float32)  # 12 bits and more round up to 1024
    for step, limit in enumerate(visible_up_to(encoding, steps)):
        weights[: int(min(limit, 1024)) + 1, step] = _WEIGHTS[step]
    weights.setflags(write=False)
    return weights


def _luminance(code: npt.NDArray[Any], black: float, white: float) -> npt.NDArray[np.float64]:
    """cd/m2 of codes on the display that the threshold is defined for. Source: ITU-R BT.1886 annex 1."""
    root_white, root_black = _WHITE ** (1 / _GAMMA), _BLACK ** (1 / _GAMMA)
    gain, lift = (root_white - root_black) ** _GAMMA, root_black / (root_white - root_black)
    return np.asarray(gain * np.maximum((code - black) / (white - black) + lift, 0) ** _GAMMA, np.float64)


def _least_flat(rows: int, columns: int) -> int:
    """A place is flat where more pixels than this of its 7 x 7 are: fewer in a small picture."""
    blocks = (rows >> 6) * (columns >> 6)
    doublings = (blocks - 1).bit_length() if blocks else 0
    return (_FLAT * _FLAT + 3 * (doublings - 11) - 1) >> 1


@lru_cache(maxsize=16)
def _profiles(reach: int) -> npt.NDArray[np.uint16]:
    """What a run of 1, 2, … pixels adds to the windows around it: uint16 [length - 1, columns from reach before its first on].

    A column's count grows by the pixels of the run that lie in its window: a trapezoid.
    """
    side = 2 * reach + 1
    longest = 4 * side
    place, length = np.arange(longest + side + COUNTS)[None], np.arange(1, longest + 1)[:, None]
    inside = np.minimum(np.minimum(place + 1, length + side - 1 - place), np.minimum(length, side))
    profiles: npt.NDArray[np.uint16] = np.maximum(inside, 0).astype(np.uint16)
    profiles.setflags(write=False)
    return profiles


@dataclass(frozen=True, slots=True, eq=False)
class _Memory:
    """What the scales share, one after another; see banding_loops for what each is. histograms, present and tally are zeros in between."""

    lines: npt.NDArray[np.uint16]
    words: npt.NDArray[np.uint64]
    runs: npt.NDArray[np.uint16]
    first: npt.NDArray[np.int64]
    present: npt.NDArray[np.int64]
    histograms: npt.NDArray[np.uint16]
    found: npt.NDArray[np.float32]
    tally: npt.NDArray[np.int64]

    @classmethod
    def of(cls, image: npt.NDArray[np.uint16], reach: int, steps: int) -> _Memory:
        """For a picture of 10-bit codes."""
        rows, columns = image.shape
        bins = int(image.max()) + 1 + 2 * steps
        return cls(
            lines=np.empty((3, columns + 2), np.uint16),
            words=np.zeros(columns // 8 + 1, np.uint64),
            runs=np.empty((3, image.size + 1), np.uint16),
            first=np.empty(rows + 1, np.int64),
            present=np.zeros(bins, np.int64),
            histograms=np.zeros((bins, columns + 2 * reach + 2 * COUNTS), np.uint16),
            found=np.empty(image.size + CONTRASTS, np.float32),
            tally=np.zeros(4 << 12, np.int64),
        )


def _score(
    image: npt.NDArray[np.uint16],
    flat: npt.NDArray[np.uint8],
    reach: int,
    weights: npt.NDArray[np.float32],
    memory: _Memory,
) -> float:
    """One scale's score: the mean of its largest contrasts."""
    from .banding_loops import contrasts, find_runs
    from .largest import excess, largest

    rows, columns = image.shape
    words, first = memory.words[: columns // 8 + 1], memory.first[: rows + 1]
    words[:] = 0
    find_runs(image, flat, memory.lines[0], words.view(np.uint8), words, memory.lines[1], memory.runs, first)
    number = contrasts(
        memory.runs,
        first,
        reach,
        weights.shape[1],
        _profiles(reach),
        weights,
        memory.present,
        memory.histograms,
        memory.found,
    )
    values, kept = memory.found[:number], max(int(UPPER_SHARE * image.size), 1)
    if number <= kept:
        return float(excess(values, 0.0)) / kept
    some = memory.runs.reshape(-1)[: 2 * (number + 1)].view(np.uint32)  # the runs are done with
    edge = np.uint32(largest(values.view(np.uint32), kept, memory.tally, some)).view(np.float32)
    return float(excess(values, float(edge))) / kept + float(edge)
