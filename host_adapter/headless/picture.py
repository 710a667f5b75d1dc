"""A picture of one frame before and after a mend, each with its waveform, as a reader that trusts the flag shows it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ...kernels.encoding import Channel, Encoding
from ...kernels.matrix import Matrix
from .media import Plane
from .viewing import as_shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, PAPER, TRACE_MAP = "#e8e4da", "#23211f", "cividis"
"""The trace's colour map is ordered by lightness and safe for the common colour deficiencies."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame as it is read.

    planes : codes [rows, columns], Y'CbCr
    trusted : the encoding that the reader takes them for
    matrix, sampling : of the planes
    title : a line above the picture
    """

    planes: tuple[Plane, ...]
    trusted: Encoding
    matrix: Matrix
    sampling: str
    title: str


def before_after(path: Path, before: Shot, after: Shot, heading: str) -> None:
    """Write the picture as PNG: above the frame as it came, below as mended, the waveform beside each."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 7.6), facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(heading, color=INK, fontsize=13, x=0.01, ha="left")
    axes = figure.subplots(2, 2, gridspec_kw={"width_ratios": [1.15, 1]})
    for row, shot in zip(axes, (before, after), strict=True):
        _draw_frame(row[0], shot)
        _draw_waveform(row[1], shot)
    temporary = path.with_name(f".{path.name}.partial")
    figure.savefig(temporary, dpi=110, format="png")
    temporary.replace(path)


def level(plane: Plane, encoding: Encoding, channel: Channel) -> npt.NDArray[np.float64]:
    """Codes as levels, excursions kept."""
    return np.asarray((plane.astype(np.float64) - encoding.zero(channel)) / encoding.span(channel))


def clipped_shares(shot: Shot) -> tuple[float, float]:
    """Shares of luma samples below black and above white of the trusted encoding, which its reader clips."""
    luma = shot.planes[0]
    return float((luma < shot.trusted.black()).mean()), float((luma > shot.trusted.white()).mean())


def _draw_frame(axes: Axes, shot: Shot) -> None:
    axes.imshow(as_shown(shot.planes, shot.trusted, matrix=shot.matrix, sampling=shot.sampling), interpolation="none")
    axes.set_title(shot.title, color=INK, fontsize=10.5, loc="left")
    axes.set_axis_off()


def _draw_waveform(axes: Axes, shot: Shot) -> None:
    columns, rows = 320, 256
    bottom, top = -12.0, 114.0
    luma = level(shot.planes[0], shot.trusted, Channel.LUMA) * 100
    across = np.broadcast_to(np.arange(luma.shape[1]) * columns // luma.shape[1], luma.shape)
    seen = np.clip(luma, 0, 100)
    counts, *_ = np.histogram2d(seen.ravel(), across.ravel(), bins=(rows, columns), range=((bottom, top), (0, columns)))
    # A spike of one code and a smooth sky differ by orders of magnitude; the logarithm lets both be seen.
    trace = np.log1p(counts / max(counts.mean(), 1e-9))
    trace = np.ma.masked_equal(trace, 0)
    axes.set_facecolor("#171614")
    axes.imshow(
        trace, origin="lower", aspect="auto", extent=(0, 1, bottom, top), cmap=TRACE_MAP, interpolation="nearest"
    )
    encoding = shot.trusted
    ticks = [(0, encoding.black()), (25, None), (50, None), (75, None), (100, encoding.white())]
    for value, code in ticks:
        axes.axhline(
            value, color=INK, linewidth=0.9 if code is not None else 0.4, alpha=0.75 if code is not None else 0.3
        )
    axes.set_yticks([value for value, _ in ticks])
    axes.set_yticklabels([f"{value} %" + (f"  code {code}" if code is not None else "") for value, code in ticks])
    axes.set_xticks([])
    axes.tick_params(colors=INK, labelsize=8.5)
    for spine in axes.spines.values():
        spine.set_visible(False)
    low, high = clipped_shares(shot)
    words = (
        f"read as {encoding.range.label}, {encoding.depth} bit: clipped {100 * low:.2g} % low, {100 * high:.2g} % high"
    )
    axes.set_title(words, color=INK, fontsize=10.5, loc="left")
