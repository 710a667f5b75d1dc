"""Recordings as what twins are compared by: small pictures of every frame, and cells of a few, codes in units of M."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.aligning import Place, sample, spans
from ....kernels.cells import Cells, cell_ends
from ....kernels.encoding import Encoding, Model
from ....kernels.matrix import Matrix
from ..errors import Problem
from ..media import Frame, Info, Plane, Recording
from ..opening import open_recording
from ..reaching import Reach
from ..resampling import SUBSAMPLING
from ..stills import Stills
from ..viewing import matrix_of

SMALL = (27, 48)
"""Rows and columns of the small pictures."""
KEYS = ("y", "cb", "cr")

_INTRA = 1
"""FFmpeg's AV_PICTURE_TYPE_I."""

Shares = tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]


@dataclass(slots=True)
class Side:
    """One of the two recordings.

    encoding : its codes as readers take them
    matrix : of Y'CbCr; for R'G'B' the other recording's, so that both are compared in one
    """

    path: Path
    recording: Recording
    info: Info
    encoding: Encoding
    matrix: Matrix
    timecode: str | None

    @property
    def keys(self) -> tuple[str, ...]:
        return KEYS[:1] if self.info.model is Model.GRAY else KEYS

    @property
    def words(self) -> float:
        """The last code as the planes hold it."""
        return float(self.encoding.maximum << self.encoding.bit_shift)


def open_side(path: Path) -> Side:
    """A recording, its facts and its timecode.

    Raises: Problem where it cannot be read or holds no codes.
    """
    recording = open_recording(path)
    info = recording.info
    if info.depth is None:
        raise Problem(
            path, "its pixels are floating-point levels; twins are compared code by code", "Give its DPX or movie."
        )
    return Side(path, recording, info, info.encoding(info.tag.trusted), matrix_of(info), _timecode(recording))


def called(path: Path, beside: Path) -> str:
    """A file's name in words about two: where both are named alike, with as much of its folder as tells them apart."""
    for depth in range(1, max(len(path.parts), len(beside.parts)) + 1):
        if path.parts[-depth:] != beside.parts[-depth:]:
            return str(Path(*path.parts[-depth:]))
    return path.name


def one_matrix(first: Side, second: Side) -> None:
    """Have R'G'B' compared by the matrix of the recording that has one."""
    for side, other in ((first, second), (second, first)):
        if side.info.model is Model.RGB and other.info.model is Model.YCBCR:
            side.matrix = other.matrix


def _timecode(recording: Recording) -> str | None:
    from ..movie import Movie
    from ..sidefacts import timecode_of

    if not isinstance(recording, Movie):
        return None
    container, stream = recording.open()
    with container:
        return timecode_of(container, stream)


class Reel:
    """The small pictures of a recording, read on as far as they are wanted: float32 [frames, 27, 48], codes / M."""

    def __init__(self, side: Side, progress: Callable[[int], None] | None = None) -> None:
        self.side = side
        self.ended = False
        self._frames: Iterator[Frame] = side.recording.frames()
        self._pictures: list[npt.NDArray[np.float32]] = []
        self._progress = progress
        self.whole: list[bool] = []
        """Which of the frames read were coded by themselves, without borrowing from others."""

    def upto(self, count: int) -> npt.NDArray[np.float32]:
        """The first `count` pictures, or all there are."""
        while len(self._pictures) < count and not self.ended:
            frame = next(self._frames, None)
            if frame is None:
                self.ended = True
                break
            self._pictures.append(small(self.side, frame))
            self.whole.append(int(getattr(frame.native, "pict_type", _INTRA)) == _INTRA)
            if self._progress:
                self._progress(len(self._pictures))
        return np.stack(self._pictures[:count])


def small(side: Side, frame: Frame) -> npt.NDArray[np.float32]:
    """A frame's luma in 27 x 48 cells over the whole of it, codes / M."""
    shares = np.linspace(0, 1, SMALL[1] + 1), np.linspace(0, 1, SMALL[0] + 1)
    if side.info.model is not Model.RGB:
        return _mean(side, frame.planes[0], Place(), shares).astype(np.float32)
    red, green, blue = (_mean(side, plane, Place(), shares) for plane in frame.planes[:3])
    return np.asarray(_luma(side, red, green, blue), np.float32)


def luma_picture(side: Side, frame: Frame) -> Plane:
    """Luma as a plane at the recording's own size; only its shape is of use, not its codes."""
    if side.info.model is not Model.RGB:
        return frame.planes[0]
    red, green, blue = (plane.astype(np.float32) for plane in frame.planes[:3])
    return np.asarray(_luma(side, red, green, blue))


def _luma(side: Side, red: Any, green: Any, blue: Any) -> Any:
    matrix = side.matrix
    return float(matrix.red) * red + float(matrix.green) * green + float(matrix.blue) * blue


def _mean(side: Side, plane: Plane, place: Place, shares: Shares, grid: Any = None) -> npt.NDArray[np.float64]:
    return sample(plane, place, shares, grid or ((plane.shape[1], 0), (plane.shape[0], 0))) / side.words


def _ends(side: Side, plane: Plane, place: Place, shares: Shares, grid: Any) -> tuple[Any, Any]:
    (x, columns, mirrored), (y, rows, flipped) = spans(plane.shape, place, shares, grid)
    shape = len(shares[1]) - 1, len(shares[0]) - 1
    lows, highs = np.full(shape, np.nan), np.full(shape, np.nan)
    if len(x) > 1 and len(y) > 1:
        turned = slice(None, None, -1 if flipped else 1), slice(None, None, -1 if mirrored else 1)
        for out, found in zip((lows, highs), cell_ends(plane, x, y), strict=True):
            out[rows, columns] = found[turned] / side.words
    return lows, highs


def cells(side: Side, frames: Iterable[Frame], place: Place, shares: Shares) -> dict[str, Cells]:
    """Each channel's cells over several frames; see kernels.pairing.Cells.

    place : where the first recording's picture lies in this one; shares : edges of the cells in that picture
    """
    made: dict[str, list[Cells]] = {key: [] for key in side.keys}
    for frame in frames:
        found = _rgb_cells(side, frame, place, shares) if side.info.model is Model.RGB else _cells(
            side, frame, place, shares
        )  # fmt: skip
        for key, one in zip(side.keys, found, strict=True):
            made[key].append(one)
    return {key: Cells(*(np.stack([getattr(one, name) for one in some]) for name in ("means", "lows", "highs")))
            for key, some in made.items()}  # fmt: skip


def _cells(side: Side, frame: Frame, place: Place, shares: Shares) -> list[Cells]:
    made = []
    for number, _ in enumerate(side.keys):
        plane = frame.planes[number]
        grid = _grid(side.info, frame.planes[0].shape, chroma=number > 0)
        made.append(Cells(_mean(side, plane, place, shares, grid), *_ends(side, plane, place, shares, grid)))
    return made


def _grid(info: Info, shape: tuple[int, ...], *, chroma: bool) -> tuple[tuple[float, float], tuple[float, float]]:
    """From shares of the picture to samples of a plane; chroma samples lie where the siting says (see resampling)."""
    rows, columns = shape
    if not chroma:
        return (columns, 0.0), (rows, 0.0)
    siting = info.siting or "left"
    places = ("left" not in siting, 0 if "top" in siting else 2 if "bottom" in siting else 1)
    found = []
    for size, step, place in zip((columns, rows), SUBSAMPLING[info.sampling], places, strict=True):
        first = place * (step - 1) / 2 + 0.5
        found.append((size / step, 0.5 - first / step))
    return found[0], found[1]


def _rgb_cells(side: Side, frame: Frame, place: Place, shares: Shares) -> list[Cells]:
    """Y', Cb, Cr of R'G'B' codes, the latter two in steps of its own codes around neutral (see maps.NamedMap)."""
    grid = _grid(side.info, frame.planes[0].shape, chroma=False)
    red, green, blue = (_mean(side, plane, place, shares, grid) for plane in frame.planes[:3])
    ends = [_ends(side, plane, place, shares, grid) for plane in frame.planes[:3]]
    luma = _luma(side, red, green, blue)
    encoding = side.encoding
    neutral = encoding.neutral / encoding.maximum
    cb = (blue - luma) / (2 * (1 - float(side.matrix.blue))) + neutral
    cr = (red - luma) / (2 * (1 - float(side.matrix.red))) + neutral
    cut = np.any([low <= 1.5 / encoding.maximum for low, _ in ends], axis=0)
    cut |= np.any([high >= 1 - 1.5 / encoding.maximum for _, high in ends], axis=0)
    spread = np.max([high - low for low, high in ends], axis=0)
    low_luma = _luma(side, *(low for low, _ in ends))
    high_luma = _luma(side, *(high for _, high in ends))
    found = [(luma, low_luma, high_luma), *((mean, mean - spread / 2, mean + spread / 2) for mean in (cb, cr))]
    return [Cells(mean, np.where(cut, -np.inf, low), high) for mean, low, high in found]


def pick(side: Side, numbers: Sequence[int]) -> Iterator[Frame]:
    """Frames by number, ascending, one at a time: each is good until the next is asked for."""
    if isinstance(side.recording, Stills):
        for number in numbers:
            yield side.recording.frame(number)
        return
    reach = Reach(side.path)
    try:
        for number in numbers:
            yield reach.at(number)
    finally:
        reach.close()


def pictures(side: Side, numbers: Sequence[int]) -> list[Plane]:
    """Luma of frames by number, in planes of their own."""
    return [luma_picture(side, frame).copy() for frame in pick(side, numbers)]
