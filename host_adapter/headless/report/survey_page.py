"""The survey's report: what the codes of each recording are, and what that rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ....kernels.encoding import Range
from ..errors import Problem
from ..opening import open_recording
from ..survey import Record
from ..terminal import agreement_words, flag_words, price_words, share_words, short_names, sure_words
from . import views
from .comb_chart import comb_chart
from .page import Block, Cell, Facts, Page, Part, Table, Tone, Words
from .render import counted
from .seen import Seen, frame_of

MOST_PICTURED = 24
"""Recordings that get pictures; the wrong come first, then the open. It bounds the page to some 10 MB."""

CAUTIONS = (
    "This report is evidence, not the verdict of a broadcaster or a post house: what they ask for goes before it.",
    "The originals were only read. Keep your own backup, and look at the results before you part with an original.",
)
TONES = {False: Tone.WRONG, None: Tone.OPEN, True: Tone.RIGHT}
URGENCY = {False: 0, None: 1, True: 2}


@dataclass(slots=True)
class Gallery:
    """The records whose pictures a report shows: the most urgent, the others are let go. Call it with each record."""

    most: int = MOST_PICTURED
    kept: list[tuple[int, int, Record]] = field(default_factory=list)
    seen: int = 0

    def __call__(self, record: Record) -> None:
        self.kept.append((URGENCY[record.agrees], self.seen, record))
        self.kept.sort(key=lambda each: each[:2])
        del self.kept[self.most :]
        self.seen += 1

    def records(self) -> dict[int, Record]:
        """Place in the survey to record."""
        return {at: record for _, at, record in self.kept}


def survey_page(
    records: Sequence[Mapping[str, Any]],
    failed: Sequence[Mapping[str, str]],
    gallery: Gallery,
    *,
    frames: int,
    done: Callable[[str], None] = lambda _: None,
) -> Page:
    """The page of a survey.

    records : as Record.to_json gives them, in the survey's order; gallery : was shown the same records
    frames : sampled from each; done : called with the name of each recording that was pictured
    """
    names = short_names([str(record["path"]) for record in records])
    pictured = gallery.records()
    order = sorted(range(len(records)), key=lambda at: URGENCY[records[at]["agrees"]])
    wrong = sum(record["agrees"] is False for record in records)
    still_open = sum(record["agrees"] is None for record in records)
    lead = [_lead(records, wrong, still_open)]
    if len(pictured) < len(records):
        lead.append(
            f"Pictures are shown of {len(pictured)} of the {len(records)} recordings, those whose flag is wrong first, "
            "then those that are open. All are in the table."
        )
    overview: list[Block] = []
    if records:
        overview.append(_table(records, names, order))
    if failed:
        overview.append(Words("Not surveyed", tuple(each["error"] for each in failed), strong=True))
    return Page(
        kicker="Survey of code values",
        verdict=_verdict(len(records), wrong, still_open),
        tone=Tone.WRONG if wrong else Tone.OPEN if still_open or not records else Tone.RIGHT,
        lead=tuple(lead),
        overview=tuple(overview),
        index=tuple((f"r{at}", names[at]) for at in order if at in pictured),
        parts=_parts(records, names, order, pictured, frames, done),
        cautions=CAUTIONS,
    )


def _verdict(count: int, wrong: int, still_open: int) -> str:
    if not count:
        return "No recording could be surveyed"
    if wrong:
        return f"{wrong} of {counted(count, 'recording')} {'has' if wrong == 1 else 'have'} a wrong range flag"
    if still_open:
        return f"No flag is called wrong; {counted(still_open, 'recording is', 'recordings are')} open"
    return "The flag is right" if count == 1 else f"The flags of all {count} recordings are right"


def _lead(records: Sequence[Mapping[str, Any]], wrong: int, still_open: int) -> str:
    parts = []
    if wrong:
        remedies = sorted({str(record["remedy"]) for record in records if record["agrees"] is False})
        parts.append(f"Proposed for {'it' if wrong == 1 else 'them'}: {', '.join(remedies)}.")
    right = len(records) - wrong - still_open
    if right and (wrong or still_open):
        parts.append(f"{counted(right, 'flag is', 'flags are')} right.")
    if still_open:
        parts.append(
            f"Of {still_open} the codes do not tell; what would settle {'it' if still_open == 1 else 'them'} is said below."
        )
    return " ".join(parts) or "Nothing in the codes contradicts what the files say."


def _table(records: Sequence[Mapping[str, Any]], names: Sequence[str], order: Sequence[int]) -> Table:
    rows = []
    for at in order:
        name, record = names[at], records[at]
        found = record["finding"]
        rows.append(
            (
                Cell(name, link=f"r{at}"),
                Cell(agreement_words(record["agrees"]), tone=TONES[record["agrees"]]),
                Cell(flag_words(record["tag"])),
                Cell(found),
                Cell("" if found == "undetermined" else sure_words(record["confidence"])),
                Cell(share_words(record["clipped_if_trusted"])),
                Cell(record["remedy"]),
            )
        )
    heads = ("recording", "flag is", "flag says", "codes are", "sure", "clipped if trusted", "remedy")
    return Table("All recordings", heads, tuple(rows))


def _parts(
    records: Sequence[Mapping[str, Any]],
    names: Sequence[str],
    order: Sequence[int],
    pictured: Mapping[int, Record],
    frames: int,
    done: Callable[[str], None],
) -> Iterator[Part]:
    for at in order:
        name, record = names[at], records[at]
        reasons = Words("Why", tuple(record["why"]))
        blocks: list[Block] = []
        if at in pictured:
            blocks.extend(_pictures(pictured[at], frames))
            done(name)
        if record.get("settle"):
            blocks.append(Words("What would settle it", (record["settle"],)))
        facts = Facts("The file", _facts(record))
        shown, folded = ((*blocks, reasons), (facts,)) if at in pictured else (tuple(blocks), (reasons, facts))
        agrees = record["agrees"]
        yield Part(f"r{at}", name, TONES[agrees], agreement_words(agrees), _sentence(record), shown, folded)


def _sentence(record: Mapping[str, Any]) -> str:
    flag, found = flag_words(record["tag"]), record["finding"]
    if found == "undetermined":
        said = f"Whether its codes are narrow or full cannot be told; the flag says {flag}."
    else:
        said = f"Its codes are {found} ({sure_words(record['confidence'])} sure); the flag says {flag}."
    if flag == "cannot say":
        said = said.replace(
            "the flag says cannot say", f"its file type cannot say, so readers take it for {record['trusted']}"
        )
    elif flag == "unsaid":
        said = said.replace(
            "the flag says unsaid", f"the file says nothing, so readers take it for {record['trusted']}"
        )
    clipped = share_words(record["clipped_if_trusted"])
    if clipped and record["agrees"] is not True:
        said += f" A reader that trusts {'this' if record['agrees'] is None else 'that'} clips {clipped}."
    words = price_words(record["remedy"], record.get("price"))
    return said + (f" Remedy: {record['remedy']}; {words}." if words else "")


def _facts(record: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    depth = f"{record['depth']} bit" if record["depth"] else "floating point"
    rows = [
        ("path", record["path"]),
        ("codec", f"{record['codec']} in {record['container']}"),
        ("picture", f"{record['width']} × {record['height']}, {record['sampling']}, {depth}"),
        ("frames", "not said by the file" if record["frames"] is None else str(record["frames"])),
        ("flag in the container", record["tag"]["container"] or "none"),
        ("flag in the stream", record["tag"]["stream"] or "none"),
        ("transfer characteristic", record["transfer"] or "unsaid"),
    ]
    rows += [(key, record[key]) for key in ("profile", "curve") if record.get(key)]
    if record.get("history"):
        rows.append(("scaled before", record["history"]["scaled"].replace("-", " ")))
    return tuple((name, str(value)) for name, value in rows)


def _pictures(record: Record, frames: int) -> list[Block]:
    info = record.info
    try:
        with open_recording(Path(info.path)) as recording:
            frame = frame_of(recording, _telling(record), frames)
            planes = tuple(plane.copy() for plane in frame.planes)
    except (Problem, OSError) as problem:
        words = problem.found if isinstance(problem, Problem) else str(problem.strerror or problem)
        return [Words("No pictures", (f"It could not be read again: {words}.",))]
    evidence = record.evidence
    seen = Seen(
        info,
        frame.index,
        planes,
        {} if evidence is None else evidence.pixels,
        frames if evidence is None else len(evidence.looks),
    )
    flagged: views.Reading = (
        seen,
        record.trusted,
        f"read as {record.trusted.label}, as readers do that trust the file",
    )
    readings = [flagged]
    if evidence is not None and record.agrees is not True:
        found = record.finding.finding
        other = Range.NARROW if record.trusted is Range.FULL else Range.FULL
        if found is None:
            readings.append((seen, other, f"read as {other.label}, were that what its codes are"))
        elif found is not record.trusted:
            readings.append((seen, found, f"read as {found.label}, as its codes are"))
    caption = f"Frame {frame.index} as readers show it, what lies outside clipped."
    title = "The frame, read both ways" if len(readings) > 1 else "The frame"
    return [
        views.frames(readings, title=title, caption=caption),
        *views.waveforms(readings[:1]),
        *views.histograms(readings[:1]),
        *_comb(record),
    ]


def _comb(record: Record) -> tuple[Block, ...]:
    if record.evidence is None:
        return ()
    chart = comb_chart(record.evidence.past)
    return () if chart is None else (chart,)


def _telling(record: Record) -> int:
    """Number of the sampled frame that shows most of what a reader clips, or spreads most."""
    if record.evidence is None or not record.evidence.looks:
        return 0
    narrow = record.evidence.encoding
    tone = record.evidence.tone_channels[0]

    def outside(look: Any) -> float:
        beyond = max(narrow.black(tone) - look.floor, 0) + max(look.ceiling - narrow.white(tone), 0)
        return float(beyond + 1e-3 * look.spread)

    return max(record.evidence.looks, key=outside).index
