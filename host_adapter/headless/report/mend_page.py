"""The mend's report: what became of each recording, the frame before and after, and what was lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from ....kernels.encoding import Range
from ..errors import Problem
from ..losses import loss_lines
from ..mend import Outcome
from ..opening import open_recording
from ..receipt import receipt_path
from ..survey import trusted_range
from ..terminal import short_names
from . import views
from .page import Block, Cell, Facts, Page, Part, Table, Tone, Words
from .render import counted
from .seen import Seen, look
from .survey_page import CAUTIONS, MOST_PICTURED

TONES = {"written": Tone.RIGHT, "whole already": Tone.RIGHT, "left alone": Tone.PLAIN}


def mend_page(outcomes: Sequence[Outcome], *, done: Callable[[str], None] = lambda _: None) -> Page:
    """The page of a run; done : called with the name of each recording that was pictured."""
    names = short_names([str(outcome.order.path) for outcome in outcomes])
    pictured = [at for at, outcome in enumerate(outcomes) if outcome.result is not None][:MOST_PICTURED]
    made = sum(outcome.state in ("written", "whole already") for outcome in outcomes)
    short = [outcome for outcome in outcomes if outcome.state in ("failed", "stopped")]
    lead = [
        "Each result was read back and held against what it must be before it got its name. Its receipt lies beside it."
        if made
        else "Nothing was written."
    ]
    if made > len(pictured):
        lead.append(f"Pictures are shown of the first {len(pictured)} of {made} results. All are in the table.")
    overview: list[Block] = []
    if short:
        overview.append(Words("Not done", tuple(outcome.words for outcome in short), strong=True))
    if outcomes:
        overview.append(_table(outcomes, names))
    return Page(
        kicker="Mended copies",
        verdict=_verdict(len(outcomes), made, len(short)),
        tone=Tone.WRONG if short else Tone.RIGHT if made else Tone.PLAIN,
        lead=tuple(lead),
        overview=tuple(overview),
        index=tuple((f"r{at}", names[at]) for at in pictured),
        parts=_parts(outcomes, names, set(pictured), done),
        cautions=CAUTIONS,
    )


def _verdict(count: int, made: int, short: int) -> str:
    if short:
        return f"{short} of {counted(count, 'recording')} {'was' if short == 1 else 'were'} not mended"
    if not made:
        return "Nothing was to be mended"
    left = count - made
    return f"{counted(made, 'recording')} mended" + (f", {left} left alone" if left else "")


def _table(outcomes: Sequence[Outcome], names: Sequence[str]) -> Table:
    rows = []
    for at, (name, outcome) in enumerate(zip(names, outcomes, strict=True)):
        rows.append(
            (
                Cell(name, link=f"r{at}"),
                Cell(outcome.state, tone=TONES.get(outcome.state, Tone.WRONG)),
                Cell(outcome.order.remedy if outcome.result is not None else ""),
                Cell("; ".join(_lost(outcome))),
                Cell("" if outcome.result is None else str(outcome.result), folds=True),
            )
        )
    return Table("All recordings", ("recording", "state", "remedy", "lost", "result"), tuple(rows))


def _lost(outcome: Outcome) -> list[str]:
    if outcome.receipt is None:
        return []
    return loss_lines(outcome.receipt.get("lost")) or ["nothing"]


def _parts(
    outcomes: Sequence[Outcome], names: Sequence[str], pictured: set[int], done: Callable[[str], None]
) -> Iterator[Part]:
    for at, (name, outcome) in enumerate(zip(names, outcomes, strict=True)):
        blocks: list[Block] = []
        folded: list[Block] = []
        if at in pictured:
            blocks.extend(_pictures(outcome))
            done(name)
        receipt = outcome.receipt or {}
        if receipt:
            blocks.append(Words("Lost", tuple(_lost(outcome))))
            if receipt.get("uncarried"):
                blocks.append(Words("Not carried over", tuple(map(str, receipt["uncarried"])), strong=True))
            folded.append(Facts("The result", _facts(outcome, receipt)))
            if receipt.get("carried"):
                folded.append(Words("Carried over", tuple(map(str, receipt["carried"]))))
        tone = TONES.get(outcome.state, Tone.WRONG)
        words = outcome.words.rstrip(".")
        if outcome.state == "whole already" and receipt:
            words = f"{words}; made before: {receipt['done']}"
        yield Part(
            f"r{at}", name, tone, outcome.state, f"{words[:1].upper()}{words[1:]}.", tuple(blocks), tuple(folded)
        )


def _facts(outcome: Outcome, receipt: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    assert outcome.result is not None
    given, output = receipt.get("input") or {}, receipt.get("output") or {}
    rows = [
        ("original", str(outcome.order.path)),
        ("result", str(outcome.result)),
        ("receipt", receipt_path(outcome.result).name),
        ("original's SHA-256", str(given.get("sha256", ""))),
        ("result's SHA-256", str(output.get("sha256", ""))),
    ]
    settings = receipt.get("parameters") or {}
    rows += [(key, str(value)) for key, value in settings.items() if value is not None and key != "path"]
    verified = receipt.get("verified")
    if isinstance(verified, dict):
        rows += [(f"checked: {key.replace('_', ' ')}", str(value)) for key, value in verified.items()]
    return tuple(rows)


def _pictures(outcome: Outcome) -> list[Block]:
    try:
        before = _seen(outcome.order.path)
        assert outcome.result is not None
        after = _seen(outcome.result, before[0].index)
    except (Problem, OSError) as problem:
        words = problem.found if isinstance(problem, Problem) else str(problem.strerror or problem)
        return [Words("No pictures", (f"It could not be read again: {words}.",))]
    readings: list[views.Reading] = [
        (*before, f"as it came, read as {before[1].label}"),
        (*after, f"mended, read as {after[1].label}"),
    ]
    caption = f"Frame {before[0].index} as readers show it that trust each file, what lies outside clipped."
    return [
        views.frames(readings, title="Before and after", caption=caption),
        *views.waveforms(readings),
        *views.histograms(readings),
    ]


def _seen(path: Path, index: int | None = None) -> tuple[Seen, Range]:
    with open_recording(path) as recording:
        return look(recording, index), trusted_range(recording.info)
