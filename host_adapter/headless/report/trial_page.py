"""The report of a trial: whether dither pays, the figures of each way, and pictures that show the difference."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.dither import Dither
from ..terminal import short_names
from ..trial.result import Coded, Trial, Way
from . import charts
from .page import Beside, Block, Cell, Chart, Crops, Facts, Page, Part, Picture, Table, Tone, Words
from .pictures import exact_picture
from .render import counted
from .survey_page import CAUTIONS

TONES = {"yes": Tone.RIGHT, "at a price": Tone.OPEN, "no": Tone.PLAIN}
ENLARGED = 2


def trial_page(trials: Sequence[Trial]) -> Page:
    """The page of a run over one or several pictures."""
    names = short_names([str(trial.path) if trial.path else trial.name for trial in trials])
    pays = [trial.verdict.pays for trial in trials]
    codec = next((trial.codec for trial in trials if trial.codec), None)
    through = f", then through {codec}" if codec else ""
    return Page(
        kicker="Trial of dither",
        verdict=_verdict(pays),
        tone=Tone.RIGHT if "yes" in pays else Tone.OPEN if "at a price" in pays else Tone.PLAIN,
        lead=(f"{counted(len(trials), 'picture')} requantised plainly and with each dither{through}.",),
        overview=(_overview(trials, names),) if len(trials) > 1 else (),
        index=tuple((f"r{at}", name) for at, name in enumerate(names)),
        parts=_parts(trials, names),
        cautions=CAUTIONS,
        key=(),
    )


def _verdict(pays: Sequence[str]) -> str:
    if len(pays) == 1:
        return {"yes": "Dither pays", "at a price": "Dither pays, at a price", "no": "Dither does not pay here"}[
            pays[0]
        ]
    return f"Dither pays on {pays.count('yes')} of {len(pays)} pictures" + (
        f", on {pays.count('at a price')} more at a price" if "at a price" in pays else ""
    )


def _overview(trials: Sequence[Trial], names: Sequence[str]) -> Table:
    rows = []
    for at, (name, trial) in enumerate(zip(names, trials, strict=True)):
        plain, best = trial.way(Dither.NONE), trial.way(trial.verdict.dither)
        rows.append(
            (
                Cell(name, link=f"r{at}"),
                Cell(trial.verdict.pays, tone=TONES[trial.verdict.pays]),
                Cell(trial.verdict.dither.value),
                Cell(f"{plain.direct.index:.1f}"),
                Cell(f"{best.direct.index:.1f}"),
                Cell(_index(plain.same_rate)),
                Cell(_index(best.same_rate)),
            )
        )
    heads = (
        "picture",
        "pays",
        "best",
        "bands, plain",
        "bands, best",
        "after the codec, plain",
        "after the codec, best",
    )
    return Table("All pictures", heads, tuple(rows))


def _index(coded: Coded | None) -> str:
    return "" if coded is None else f"{coded.look.index:.1f}"


def _parts(trials: Sequence[Trial], names: Sequence[str]) -> Iterator[Part]:
    for at, (name, trial) in enumerate(zip(names, trials, strict=True)):
        blocks: list[Block] = [_table(trial), *_crops(trial), *_lines(trial), _spectrum(trial)]
        if trial.note:
            blocks.append(Words("Left out", (trial.note,)))
        verdict = trial.verdict
        badge = {"yes": f"pays: {verdict.dither.value}", "at a price": f"at a price: {verdict.dither.value}", "no": ""}
        folded = (Facts("What was tried", _facts(trial)),)
        yield Part(
            f"r{at}", name, TONES[verdict.pays], badge[verdict.pays], " ".join(verdict.why), tuple(blocks), folded
        )


def _table(trial: Trial) -> Table:
    coded = trial.codec is not None
    heads = ["way", "banding index"]
    if coded:
        heads += ["index, same bit rate", "index, same quality", "more bits, same quality"]
    heads += ["steps, 95 %", "longest run", "comb", "bias", "noise power", "time over copy"]
    caption = (
        "The banding index is 0 without bands; about 5 they begin to annoy. Steps, bias and noise are in codes of the target: "
        "how far areas of 8 × 8 pixels lie from their tone, how far the mean of a tone does, the error's variance. "
        "The run is the longest stretch of one code along the scan line shown below, in pixels."
    )
    return Table("Each way", tuple(heads), tuple(_row(way, coded) for way in trial.ways), caption)


def _row(way: Way, coded: bool) -> tuple[Cell, ...]:
    look = way.direct
    cells = [Cell(way.dither.value), Cell(f"{look.index:.2f}")]
    if coded:
        more = "" if way.same_quality is None else f"{100 * way.same_quality.more_bits:+.0f} %"
        cells += [Cell(_index(way.same_rate)), Cell(_index(way.same_quality)), Cell(more)]
    figures = (look.stairs, look.run, look.comb, look.bias, look.noise, way.times_copy)
    texts = ("{:.2f}", "{:.0f}", "{:.3f}", "{:.3f}", "{:.3f}", "{:.1f}")
    cells += [
        Cell(text.format(value) if math.isfinite(value) else "") for text, value in zip(texts, figures, strict=True)
    ]
    return tuple(cells)


def _crops(trial: Trial) -> list[Block]:
    exhibit = trial.exhibit
    top, left = exhibit.top_left_yx
    rows, columns = exhibit.crop.shape
    low, high = float(exhibit.crop.min()) - 1, float(exhibit.crop.max()) + 1
    times = trial.target.maximum / (high - low)
    where = f"rows {top} to {top + rows}, columns {left} to {left + columns}"

    def shown(codes: npt.NDArray[Any], words: str) -> tuple[Picture, str]:
        gray = np.clip((codes.astype(np.float32) - low) * (255 / (high - low)), 0, 255).astype(np.uint8)
        return exact_picture(
            np.repeat(gray[..., None], 3, axis=2), f"{words}, {where}, amplified", enlarge=ENLARGED
        ), words

    exact = shown(exhibit.crop, "exact tones")
    caption = f"Luma of {where}, contrast amplified {times:.0f} times, all alike."
    made: list[Block] = [
        Crops(
            f"At {trial.target.depth} bit",
            (exact, *(shown(crop, dither.value) for dither, crop in exhibit.crops.items())),
            caption,
        )
    ]
    if exhibit.coded_crops:
        items = (exact, *(shown(crop, dither.value) for dither, crop in exhibit.coded_crops.items()))
        made.append(Crops(f"After {trial.codec}, same bit rate", items, caption))
    return made


def _lines(trial: Trial) -> tuple[Block, ...]:
    exhibit = trial.exhibit
    charts_: list[Chart] = [_line(trial, exhibit.lines, f"Steps along a scan line, {trial.target.depth} bit")]
    if exhibit.coded_lines:
        charts_.append(_line(trial, exhibit.coded_lines, f"The same after {trial.codec}, same bit rate"))
    return (Beside(tuple(charts_)),)


def _line(trial: Trial, lines: Mapping[Dither, npt.NDArray[Any]], title: str) -> Chart:
    exhibit, best = trial.exhibit, _other(trial)
    left = exhibit.top_left_yx[1]
    part = slice(left, left + exhibit.crop.shape[1])
    exact = exhibit.line[part]
    x = np.arange(left, left + len(exact))
    series = [
        ("without dither", x, lines[Dither.NONE][part].astype(float)),
        (f"with dither: {best.value}", x, lines[best][part].astype(float)),
        ("exact tones", x, exact),
    ]
    values = np.concatenate([np.asarray(ys, float) for _, _, ys in series])
    low, high = math.floor(values.min()) - 1, math.ceil(values.max()) + 1
    every = max((high - low) // 5, 1)
    return charts.curve(
        series, title=title, caption=f"Luma codes along row {exhibit.row}, columns {left} to {left + len(exact)}.",
        alt=f"{title}: row {exhibit.row}, codes {values.min():.0f} to {values.max():.0f}; without dither, with {best.value} dither, "
        "and the exact tones.",
        across=(float(x[0]), float(x[-1])), up=(low, high), across_ticks=(float(x[0]), float(x[-1])),
        up_ticks=tuple(range(low, high + 1, every)),
    )  # fmt: skip


def _spectrum(trial: Trial) -> Chart:
    best = _other(trial)
    looks = [("without dither", trial.way(Dither.NONE).direct), (f"with dither: {best.value}", trial.way(best).direct)]
    top = max(2.0, *(math.ceil(max(look.power, default=1.0)) for _, look in looks))
    top = min(top, 12.0)
    series = [(label, look.frequencies, look.power) for label, look in looks]
    alt = "; ".join(
        f"{label}: {look.low:.2f} of white noise's power under a tenth of a cycle a pixel" for label, look in looks
    )
    return charts.curve(
        series, title="Spectrum of the error",
        caption="Power of the error over that of white noise of the same variance, by cycles a pixel. What is high at the left is "
        f"seen as bands and blotches{'; cut off at ' + format(top, 'g') if top == 12 else ''}.",
        alt=f"Spectrum of the error. {alt}.", across=(0.0, 0.5), up=(0.0, top), across_ticks=(0, 0.1, 0.2, 0.3, 0.4, 0.5),
        up_ticks=(0, 1, *((top,) if top > 1 else ())),
    )  # fmt: skip


def _other(trial: Trial) -> Dither:
    """The dither to show beside none: the best, or where none pays the one with the fewest bands."""
    if trial.verdict.dither is not Dither.NONE:
        return trial.verdict.dither
    return min((way for way in trial.ways if way.dither is not Dither.NONE), key=lambda way: way.direct.index).dither


def _facts(trial: Trial) -> tuple[tuple[str, str], ...]:
    rows = [
        ("from", f"{trial.source.depth} bit {trial.source.range.label}"),
        ("to", f"{trial.target.depth} bit {trial.target.range.label}"),
        ("picture", f"{trial.size[0]} × {trial.size[1]}, {counted(trial.frames, 'frame')}"),
        ("codec", "none" if trial.codec is None else f"{trial.codec}, quality {trial.quality:g}"),
        ("the picture's own noise", f"{trial.noise:.2f} codes of the target"),
        ("comb expected without dither", f"{trial.expected_comb:.3f}"),
    ]
    return tuple(rows)
