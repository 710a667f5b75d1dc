"""A trial as pictures: crops side by side with their contrast raised, the scan line, the spectra. PNG, for a person."""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ....kernels.dither import Dither
from ..picture import INK, PAPER
from .result import Trial

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

GROUND = "#171614"
LINES = {
    Dither.NONE: ("#e8e4da", "-"),
    Dither.RECTANGULAR: ("#56b4e9", ":"),
    Dither.TRIANGULAR: ("#e69f00", "-"),
    Dither.BLUE_NOISE: ("#0ca678", "--"),
    Dither.ERROR_DIFFUSION: ("#cc79a7", "-."),
}
"""Told apart by their strokes too. The colours are those of Okabe and Ito (2008), safe for the common colour deficiencies."""

SHOWN_COLUMNS = 240
"""Columns of the scan line that are drawn."""
SMOOTHED = 15
"""Columns over which an eye at a distance is taken to average."""


def pictures(trial: Trial) -> Iterator[tuple[str, bytes]]:
    """Name and PNG of each picture."""
    yield "crops", _png(_crops(trial))
    yield "line", _png(_line(trial))
    yield "spectra", _png(_spectra(trial))


def _figure(width: float, height: float, heading: str) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(heading, color=INK, fontsize=12, x=0.01, ha="left")
    return figure


def _png(figure: Figure) -> bytes:
    data = BytesIO()
    figure.savefig(data, dpi=110, format="png")
    return data.getvalue()


def _name(trial: Trial) -> str:
    return trial.name.replace("$", r"\$")  # a dollar begins a formula there


def stretch(trial: Trial) -> tuple[float, float]:
    """The codes that are shown as black and white: the tones of the crop and a step on either side."""
    crop = trial.exhibit.crop
    low, high = np.quantile(crop, [0.005, 0.995])
    middle, half = (low + high) / 2, max((high - low) / 2 + 1, 3)
    return float(middle - half), float(middle + half)


def _crops(trial: Trial) -> Figure:
    low, high = stretch(trial)
    exhibit = trial.exhibit
    rows: list[tuple[str, dict[Dither, npt.NDArray[Any]]]] = [(f"at {trial.target.depth} bit", exhibit.crops)]
    if exhibit.coded_crops:
        rows.append((f"after {trial.codec},\nsame bit rate", exhibit.coded_crops))
    times = trial.target.span(trial.target.channels()[0]) / (high - low)
    figure = _figure(15, 0.7 + 1.75 * len(rows), f"{_name(trial)}: a part of it, contrast raised {times:.0f} times")
    axes = np.atleast_2d(figure.subplots(len(rows), len(trial.ways) + 1))
    for number, (words, crops) in enumerate(rows):
        for column, (name, picture) in enumerate(
            [("exact tones", exhibit.crop), *((way.dither.value, crops[way.dither]) for way in trial.ways)]
        ):
            place = axes[number, column]
            place.imshow(picture, cmap="gray", vmin=low, vmax=high, interpolation="nearest")
            place.set_xticks([])
            place.set_yticks([])
            for spine in place.spines.values():
                spine.set_visible(False)
            index = "" if column == 0 else f"\nbands {_index(trial, column - 1, number):.1f}"
            place.set_title(name + index, color=INK, fontsize=9.5, loc="left")
        axes[number, 0].set_ylabel(words, color=INK, fontsize=9.5)
    return figure


def _index(trial: Trial, column: int, number: int) -> float:
    way = trial.ways[column]
    coded = way.same_rate
    return way.direct.index if number == 0 or coded is None else coded.look.index


def _line(trial: Trial) -> Figure:
    exhibit = trial.exhibit
    left = min(exhibit.top_left_yx[1], max(len(exhibit.line) - SHOWN_COLUMNS, 0))
    part = slice(left, left + SHOWN_COLUMNS)
    rows: list[tuple[str, dict[Dither, npt.NDArray[Any]]]] = [(f"at {trial.target.depth} bit", exhibit.lines)]
    if exhibit.coded_lines:
        rows.append((f"after {trial.codec},\nsame bit rate", exhibit.coded_lines))
    figure = _figure(
        15,
        1 + 2.3 * len(rows),
        f"{_name(trial)}: codes along row {exhibit.row}; the thick line is their mean over {SMOOTHED} columns",
    )
    axes = np.atleast_2d(figure.subplots(len(rows), len(trial.ways), sharex=True, sharey=True))
    exact = exhibit.line[part]
    for number, (words, lines) in enumerate(rows):
        for column, way in enumerate(trial.ways):
            place = axes[number, column]
            _dress(place)
            codes = lines[way.dither].astype(np.float64)
            mean = np.convolve(np.pad(codes, SMOOTHED // 2, mode="edge"), np.full(SMOOTHED, 1 / SMOOTHED), mode="valid")
            x = np.arange(left, left + len(exact))
            place.plot(x, codes[part], color=INK, linewidth=0.6, alpha=0.55, drawstyle="steps-mid")
            place.plot(x, mean[part], color="#e69f00", linewidth=2)
            place.plot(x, exact, color="#56b4e9", linewidth=1, linestyle="--")
            place.set_title(way.dither.value, color=INK, fontsize=9.5, loc="left")
        axes[number, 0].set_ylabel(f"code {words}", color=INK, fontsize=9)
    for place in axes[-1]:
        place.set_xlabel("column; dashed: the exact tone", color=INK, fontsize=8.5)
    return figure


def _spectra(trial: Trial) -> Figure:
    figure = _figure(9, 4.2, f"{_name(trial)}: where the power of the error lies, at {trial.target.depth} bit")
    place = figure.subplots()
    _dress(place)
    for way in trial.ways:
        colour, stroke = LINES[way.dither]
        power = np.maximum(way.direct.power, 1e-4)
        place.semilogy(
            way.direct.frequencies, power, color=colour, linestyle=stroke, linewidth=1.8, label=way.dither.value
        )
    place.axhline(1, color=INK, linewidth=0.6, alpha=0.5)
    place.set_xlabel("cycles a pixel: left blotches and bands, right fine grain", color=INK, fontsize=9)
    place.set_ylabel("power, white noise = 1", color=INK, fontsize=9)
    place.legend(facecolor=PAPER, edgecolor="none", labelcolor=INK, fontsize=9, ncols=2)
    return figure


def _dress(place: Axes) -> None:
    place.set_facecolor(GROUND)
    place.tick_params(colors=INK, labelsize=8)
    place.grid(color=INK, alpha=0.12, linewidth=0.5)
    for spine in place.spines.values():
        spine.set_visible(False)
