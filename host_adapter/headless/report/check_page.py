"""The report of a delivery check: the verdict, every check with when and where, and the worst frames with their place marked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from ..checking.run import Verdict
from ..checking.verdict import FAIL, NOTE, OPEN, PASS, Check
from ..errors import Problem
from ..media import Frame
from ..opening import open_recording
from ..reaching import Reach
from ..terminal import short_names
from ..viewing import as_shown, in_proportion, matrix_of
from .page import Block, Cell, Page, Part, Still, Table, Tone, Words
from .pictures import frame_picture
from .render import counted

PICTURED = 24
"""Recordings whose worst frames are shown, those that fail first."""
SPANS = 40
_TONES = {PASS: Tone.RIGHT, FAIL: Tone.WRONG, NOTE: Tone.OPEN, OPEN: Tone.OPEN}


def check_page(
    rule: str,
    verdicts: Sequence[Verdict],
    failed: Sequence[Mapping[str, str]],
    caution: str,
    tell: Callable[[str], None],
) -> Page:
    """The page of a run.

    failed : what could not be checked: path and error
    tell : called with the name of each recording that is pictured
    """
    names = short_names([str(verdict.info.path) for verdict in verdicts])
    bad = sum(not verdict.passed for verdict in verdicts)
    heading = (
        f"{bad} of {counted(len(verdicts), 'recording')} fail"
        if bad
        else f"{counted(len(verdicts), 'recording')}: nothing fails"
    )
    lead = [f"Checked against {rule}."]
    if len(verdicts) > PICTURED:
        lead.append(f"Pictures are shown of {PICTURED} of them, of those that fail first.")
    overview: list[Block] = [_overview(verdicts, names)]
    if failed:
        overview.append(Words("Not checked", tuple(f"{each['path']}: {each['error']}" for each in failed), strong=True))
    return Page(
        kicker="Delivery check",
        verdict=heading,
        tone=Tone.WRONG if bad or failed else Tone.RIGHT,
        lead=tuple(lead),
        overview=tuple(overview),
        index=tuple((f"r{at}", name) for at, name in enumerate(names)),
        parts=_parts(verdicts, names, tell),
        cautions=(caution,),
        key=(),
    )


def _overview(verdicts: Sequence[Verdict], names: Sequence[str]) -> Table:
    rows = []
    for at, (name, verdict) in enumerate(zip(names, verdicts, strict=True)):
        wrong = [check.name for check in verdict.checks if check.verdict == FAIL]
        word = Cell("fails", tone=Tone.WRONG) if wrong else Cell("passes", tone=Tone.RIGHT)
        rows.append(
            (
                Cell(name, link=f"r{at}"),
                word,
                Cell(str(verdict.frames)),
                Cell(verdict.range.label),
                Cell(", ".join(wrong)),
            )
        )
    return Table("All recordings", ("recording", "verdict", "frames", "read as", "what fails"), tuple(rows))


def _parts(verdicts: Sequence[Verdict], names: Sequence[str], tell: Callable[[str], None]) -> Iterator[Part]:
    order = sorted(range(len(verdicts)), key=lambda at: verdicts[at].passed)[:PICTURED]
    pictured = set(order)
    for at, (name, verdict) in enumerate(zip(names, verdicts, strict=True)):
        blocks: list[Block] = [_table(verdict)]
        if at in pictured:
            tell(name)
            blocks += _pictures(verdict)
        spans = tuple(_spans(check, verdict) for check in verdict.checks if check.spans)
        wrong = [check for check in verdict.checks if check.verdict == FAIL]
        lead = wrong[0].words + "." if wrong else "Nothing that the rule asks for fails."
        tone = Tone.WRONG if wrong else Tone.RIGHT
        yield Part(f"r{at}", name, tone, "fails" if wrong else "passes", lead, tuple(blocks), spans)


def _table(verdict: Verdict) -> Table:
    rows = []
    for check in verdict.checks:
        where = ""
        if check.worst_frame is not None and check.verdict != PASS:
            where = verdict.clock.words(check.worst_frame)
        rows.append((Cell(check.name), Cell(check.verdict, tone=_TONES[check.verdict]), Cell(check.words), Cell(where)))
    return Table("Checks", ("check", "verdict", "what was found", "worst frame"), tuple(rows))


def _spans(check: Check, verdict: Verdict) -> Words:
    lines = [span.words(verdict.clock) for span in check.spans[:SPANS]]
    if len(check.spans) > SPANS:
        lines.append(f"and {len(check.spans) - SPANS} more places")
    return Words(f"When: {check.name}", tuple(lines))


def _pictures(verdict: Verdict) -> list[Block]:
    """Worst frames of what fails, each frame once; a frame that cannot be fetched again is said and not shown."""
    blocks: list[Block] = []
    for check in verdict.checks:
        if check.verdict == PASS or check.worst_frame is None:
            continue
        try:
            shown = worst_frame(verdict, check)
        except Problem as problem:
            blocks.append(Words(f"Worst frame: {check.name}", (str(problem),)))
            continue
        sample = None if check.worst is None else check.worst.worst
        caption = verdict.clock.words(check.worst_frame)
        if check.worst is not None and sample is not None:
            caption += (
                f": {check.worst.share * 100:.2g} % of the area is outside; furthest {sample.channel} {round(sample.code, 1):g} at column "
                f"{sample.x}, row {sample.y}, where the lines cross."
            )
            if check.worst.grid is not None:
                caption += " Framed: the areas that hold something outside."
        alt = f"Worst frame of {check.name}, {caption}"
        blocks.append(Still(f"Worst frame: {check.name}", frame_picture(shown, alt), caption))
    return blocks


def worst_frame(verdict: Verdict, check: Check) -> npt.NDArray[np.uint8]:
    """The frame as a reader of the flag shows it, with lines through the furthest sample and frames round areas that are outside.

    Raises: Problem where it cannot be fetched again.
    """
    assert check.worst_frame is not None
    info = verdict.info
    frame = _fetched(verdict, check.worst_frame)
    encoding = info.encoding(verdict.range)
    shown = as_shown(frame.planes, encoding, matrix=matrix_of(info), sampling=info.sampling, siting=info.siting)
    image = Image.fromarray(in_proportion(shown, info.aspect))
    across, down = image.width / info.width, image.height / info.height
    pen = ImageDraw.Draw(image)
    width = max(1, image.height // 360)

    def line(points: list[tuple[float, float]]) -> None:
        pen.line(points, fill=(0, 0, 0), width=3 * width)
        pen.line(points, fill=(255, 255, 255), width=width)

    grid = None if check.worst is None else check.worst.grid
    if grid is not None:
        rows, columns = grid.shape
        for y, x in np.argwhere(grid > 0):
            left, right = x * image.width / columns, (x + 1) * image.width / columns
            top, bottom = y * image.height / rows, (y + 1) * image.height / rows
            for points, other in (
                ([(left, top), (right, top)], (y - 1, x)), ([(left, bottom), (right, bottom)], (y + 1, x)),
                ([(left, top), (left, bottom)], (y, x - 1)), ([(right, top), (right, bottom)], (y, x + 1)),
            ):  # fmt: skip
                inside = 0 <= other[0] < rows and 0 <= other[1] < columns and grid[other] > 0
                if not inside:
                    line(points)
    sample = None if check.worst is None else check.worst.worst
    if sample is not None:
        x, y = (sample.x + 0.5) * across, (sample.y + 0.5) * down
        reach, gap = image.height / 14, image.height / 60
        for sign in (-1, 1):
            line([(x + sign * gap, y), (x + sign * reach, y)])
            line([(x, y + sign * gap), (x, y + sign * reach)])
    return np.asarray(image)


def _fetched(verdict: Verdict, index: int) -> Frame:
    """Raises: Problem."""
    path = Path(verdict.info.path)
    if verdict.info.kind == "movie":
        reach = Reach(path)
        try:
            frame = reach.at(index)
            return Frame(frame.index, tuple(plane.copy() for plane in frame.planes), None)
        finally:
            reach.close()
    with open_recording(path) as recording:
        for frame in recording.frames():
            if frame.index == index:
                return Frame(index, tuple(plane.copy() for plane in frame.planes), None)
    raise Problem(path, f"frame {index} is not there any more")
