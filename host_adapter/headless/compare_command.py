"""`footroom compare`: two recordings of one take; print what one is to the other, write the report and the match."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from .errors import Problem
from .exits import FOUND, OK, PARTLY
from .terminal import console, plain_table, progress_bars
from .twins.comparing import compare
from .twins.maps import KEYS, SAME
from .twins.match import match_lines, write_match
from .twins.result import Comparison, Party
from .twins.views import called

LABELS = {"y": "luma", "cb": "Cb", "cr": "Cr"}
WIDTH = 80


def run_compare(
    first: Path, second: Path, *, out: Path | None, mend: bool, into: Path, overwrite: bool, as_json: bool
) -> int:
    """The sub-command; returns the exit code: 0 the same, 1 a difference in range, 3 where the report could not be written.

    Raises: Problem; where only the match is refused, what was found has been printed before.
    """
    if out is not None:  # said before the work, not after it
        from .report.render import check_report

        check_report(out, (first, second), overwrite=overwrite)
    with progress_bars(quiet=as_json) as bars:
        found = compare(first, second, _reading(bars, first, second))
    unreported = _report(found, out, overwrite=overwrite, quiet=as_json)  # first: whoever reads our output may go away
    if not as_json:
        show(found)
    if out is not None and (unreported is not None or not as_json):
        from .report.hook import say_report

        say_report(out, unreported)
    made: dict[str, Any] = {}
    if mend and found.relation != SAME:
        with progress_bars(quiet=as_json) as bars:
            result, receipt = write_match(found, into, overwrite=overwrite, progress=_writing(bars, second))
        made = {"matched": {"output": str(result), "lost": receipt["lost"], "uncarried": receipt["uncarried"]}}
        if not as_json:
            console().print()
            for line in match_lines(result, receipt):
                console().print(Text(line), soft_wrap=True)
            console().print(Text("Look at the result before you part with an original."), soft_wrap=True)
    elif mend and not as_json:
        console().print(Text("\nNothing was written: the codes are the same already."), soft_wrap=True)
    if as_json:
        reported = {} if out is None else {"report": None if unreported else str(out)}
        print(json.dumps({**found.to_json(), **made, **reported}, indent=2, ensure_ascii=False))
    if unreported is not None:
        return PARTLY
    return FOUND if found.differs else OK


def _report(found: Comparison, out: Path | None, *, overwrite: bool, quiet: bool) -> Problem | None:
    """The page, where one is asked for; returns what stands in its way."""
    if out is None:
        return None
    from .report.compare_page import compare_page
    from .report.hook import report_to

    return report_to(out, lambda _: compare_page(found), overwrite=overwrite, quiet=quiet)


def _reading(bars: Progress, first: Path, second: Path) -> Callable[[str, int], None]:
    names = (("A", called(first, second)), ("B", called(second, first)))
    tasks = {word: bars.add_task(f"look at {name}", total=None) for word, name in names}

    def told(word: str, done: int) -> None:
        bars.update(tasks[word], completed=done)

    return told


def _writing(bars: Progress, path: Path) -> Callable[[str, int, int | None], None]:
    task = bars.add_task(path.name, total=None)

    def told(doing: str, done: int, total: int | None) -> None:
        bars.update(task, description=f"{doing} {path.name}", completed=done, total=total)

    return told


def show(found: Comparison) -> None:
    """The comparison for a person, in 80 columns."""
    screen = console()
    for word, party in (("A", found.first), ("B", found.second)):
        screen.print(Text.assemble((f"{word}  ", "bold"), f"{party.path}"), soft_wrap=True)
        screen.print(Text(f"   {_facts(party)}"), soft_wrap=True)
    screen.print(Text(f"\nB against A: {found.words}", style="bold"), soft_wrap=True)
    screen.print(_lines(found))
    grid = Table.grid(padding=(0, 2))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold", max_width=WIDTH - 10)
    for word, text in _rows(found):
        grid.add_row(Text(word), Text(text))
    screen.print(grid)
    _zones(screen, found)
    for note in found.notes:
        screen.print(Text(f"- {note}"), width=WIDTH)
    screen.print(Text(f"> {found.remedy_words}"), width=WIDTH)


def _facts(party: Party) -> str:
    info = party.info
    rate = f", {float(info.rate):.6g} frames/s" if info.rate else ""
    says = "read as" if party.info.tag.container is None and party.info.tag.stream is None else "flagged"
    return f"{info.codec} {info.depth} bit {info.sampling} {info.width}x{info.height}{rate}, {says} {info.tag.trusted.label}"


def _lines(found: Comparison) -> Table:
    """Gain and offset, as fitted and as the named map has them."""
    table = plain_table()
    depth = found.second.info.depth
    for heading in ("", "gain (95 %)", f"offset, codes of {depth} bit", "exactly"):
        table.add_column(heading, no_wrap=True)
    most = (1 << (depth or 8)) - 1
    for key, line in found.lines.items():
        if line is None:
            table.add_row(LABELS[key], "tells nothing")
            continue
        exact = "" if found.named is None else "{:.4f} {:+.1f}".format(
            *(value * scale for value, scale in zip(found.named.normalised(KEYS[key]), (1, most), strict=True))
        )  # fmt: skip
        low, high = line.offset_range
        table.add_row(
            LABELS[key],
            f"{line.gain:.4f} ({line.gain_range[0]:.4f} to {line.gain_range[1]:.4f})",
            f"{line.offset * most:+.1f} ({low * most:+.1f} to {high * most:+.1f})",
            exact,
        )
    return table


def _rows(found: Comparison) -> list[tuple[str, str]]:
    space, left = found.space(), found.left
    codes = ", ".join(f"{LABELS[key]} {value:.2g}" for key, value in left.residual_codes.items())
    read = found.to_json()["delta_e_as_read"]
    hue = "" if left.hue_shift is None else f"; hue turned by {left.hue_shift:+.1f} degrees"
    rows = [
        ("time", _time_words(found)),
        ("place", f"{space['kind']}; scale {space['scale'][0]:.4g} x {space['scale'][1]:.4g}, "
                  f"A's corner at {space['shift'][0]:.2f}, {space['shift'][1]:.2f} of B's pixels"),
        ("left", f"rms in codes of {found.first.info.depth} bit: {codes}{hue}"),
        ("colour", f"Delta E 2000 once B is brought to A: median {left.median:.2f}, 95 % under {left.p95:.2f}"),
        ("", f"as both are read by their flags: median {read['median']:.2f}, 95 % under {read['p95']:.2f}"),
    ]  # fmt: skip
    if left.left_out:
        rows.append(("", left.left_out_words))
    if found.crop is not None:
        x, y = found.crop.box[:2]
        rows.append(("worst", f"Delta E {found.crop.delta_e:.2f} in frame {found.crop.frame_a} of A, around {x}, {y}"))
    return rows


def _time_words(found: Comparison) -> str:
    if found.offset is None:
        return "not told by the pictures" + (f"; paired with an offset of {found.paired_by}" if found.paired_by else "")
    said = "" if found.by_timecode is None else (
        ", as the timecodes say" if found.by_timecode == found.offset else f"; the timecodes say {found.by_timecode:+d}, wrongly"
    )  # fmt: skip
    return f"frame 0 of A is frame {found.offset} of B{said}; {found.overlap} frames in both"


def _zones(screen: Console, found: Comparison) -> None:
    """Delta E by thirds of the picture, where it differs enough to look at."""
    zones = found.left.zones
    if not zones:
        return
    grid = Table.grid(padding=(0, 3))
    for row in sorted({zone.row for zone in zones}):
        cells = [f"{zone.delta_e_p95:.2f}" for zone in zones if zone.row == row]
        grid.add_row(
            Text("zones" if row == 0 else ""), *cells, Text("(95 % of Delta E, by thirds)" if row == 0 else "")
        )
    screen.print(grid)
