"""What a person sees in the terminal: progress while it works, tables and reasons when it is done."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console, RenderableType
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

PIPE_WIDTH = 160
"""Columns where the output is no terminal, so that tables do not fold in a log file."""


def console(*, stderr: bool = False) -> Console:
    """A console that is plain and wide where nobody looks at a screen, unless COLUMNS says how wide."""
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() or os.environ.get("COLUMNS", "").isdigit() else PIPE_WIDTH
    return Console(stderr=stderr, width=width, highlight=False, soft_wrap=False)


def show(screen: Console, what: RenderableType) -> None:
    """Print without the blanks that fill a table's lines up to their ends."""
    for line in screen.render_lines(what, pad=False):
        text = Text.assemble(*((part.text, part.style or "") for part in line if not part.control))
        text.rstrip()
        screen.print(text, soft_wrap=True)


@contextmanager
def progress_bars(*, quiet: bool = False) -> Iterator[Progress]:
    """Bars with the time left, on the error stream; nothing where that is no terminal."""
    screen = console(stderr=True)
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        TaskProgressColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=screen, transient=True, disable=quiet or not screen.is_terminal) as bars:
        yield bars


FINDING_STYLE = {"narrow": "bold", "full": "bold", "undetermined": "dim"}


def flag_words(tag: Mapping[str, Any]) -> str:
    """'narrow', 'full', 'unsaid', or both where container and stream disagree."""
    container, stream = tag["container"], tag["stream"]
    if container and stream and container != stream:
        return f"{stream} (container: {container})"
    said = stream or container
    if said:
        return str(said)
    return "unsaid" if tag["expressible"] else "cannot say"


def agreement_words(agrees: bool | None) -> str:
    """Words first; colour only repeats them."""
    return {True: "right", False: "WRONG", None: "open"}[agrees]


def sure_words(confidence: float) -> str:
    """A confidence with two decimals; nothing is ever quite sure."""
    return "0.99+" if confidence >= 0.995 else f"{confidence:.2f}"


def short_names(paths: Sequence[str]) -> list[str]:
    """Paths without the folder that they all lie in: what tells them apart."""
    if len(paths) < 2:
        return [Path(path).name for path in paths]
    try:
        common = os.path.commonpath([Path(path).parent for path in paths])
    except ValueError:  # some absolute, some not, or different drives
        return list(paths)
    return [os.path.relpath(path, common) if common else path for path in paths]


def plain_table(title: str | None = None) -> Table:
    """A table with one rule under its heading."""
    return Table(
        title=title,
        title_justify="left",
        title_style="bold",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
        header_style="bold",
    )


def survey_table(records: Sequence[Mapping[str, Any]], title: str | None = None) -> Table:
    """One line a recording: flag, codes, how sure, remedy."""
    table = plain_table(title)
    table.add_column("recording", overflow="fold", min_width=14)
    table.add_column("flag", min_width=6)
    table.add_column("codes are", no_wrap=True)
    table.add_column("sure", justify="right", no_wrap=True)
    table.add_column("flag is", no_wrap=True)
    table.add_column("clipped if trusted", justify="right")
    table.add_column("remedy", no_wrap=True)
    names = short_names([str(record["path"]) for record in records])
    for name, record in zip(names, records, strict=True):
        clipped = record["clipped_if_trusted"]
        agrees = agreement_words(record["agrees"])
        table.add_row(
            Text(name),
            flag_words(record["tag"]),
            Text(record["finding"], style=FINDING_STYLE[record["finding"]]),
            "" if record["finding"] == "undetermined" else sure_words(record["confidence"]),
            Text(agrees, style={False: "bold reverse", True: "", None: "dim"}[record["agrees"]]),
            share_words(clipped),
            Text(record["remedy"], style="bold" if record["remedy"] not in ("none", "ask") else ""),
        )
    return table


def share_words(clipped: Mapping[str, float] | None) -> str:
    """'3.1 % low, 2.0 % high', or nothing where nothing is clipped."""
    if not clipped:
        return ""
    shares = {end: 100 * (clipped.get(end) or 0) for end in ("low", "high")}
    return ", ".join(
        f"{share:.0f} % {end}" if share >= 10 else f"{share:.2g} % {end}"
        for end, share in shares.items()
        if share >= 5e-4
    )


def reasons(screen: Console, record: Mapping[str, Any]) -> None:
    """A recording's name and why the survey says what it says."""
    size = f"{record['width']}x{record['height']}"
    bits = f" {record['depth']} bit" if record["depth"] else ""
    facts = f"  {record['codec']}{bits} {record['sampling']} {size}"
    screen.print(Text.assemble((str(record["path"]), "bold"), facts), soft_wrap=True)
    lines = Table.grid(padding=(0, 1))
    lines.add_column(width=3, justify="right")
    lines.add_column(overflow="fold")
    for reason in record["why"]:
        lines.add_row("-", Text(reason))
    if record.get("settle"):
        lines.add_row("?", Text(f"what would settle it: {record['settle']}"))
    words = price_words(record["remedy"], record.get("price"))
    if words:
        lines.add_row(">", Text(f"{record['remedy']}: {words}"))
    screen.print(lines)


def price_words(remedy: str, price: Mapping[str, Any] | None) -> str:
    """What a remedy costs, in a few words."""
    if not price or remedy in ("none", "ask"):
        return ""
    if remedy == "retag":
        return "only the flag changes, no code is touched"
    parts = []
    for channel in ("luma", "chroma"):
        numbers = price.get(channel)
        if isinstance(numbers, Mapping) and (words := _numbers(numbers)):
            parts.append(f"{channel}: {words}")
    if not parts:
        parts = [_numbers(price) or "no code merged or clipped"]
    if price.get("reversible"):
        parts.append("exactly reversible")
    return "; ".join(parts)


def _numbers(numbers: Mapping[str, Any]) -> str:
    names = {"merged": "merged", "missing": "missing", "clipped_low": "clipped low", "clipped_high": "clipped high"}
    said = [f"{numbers[key]} {name}" for key, name in names.items() if numbers.get(key)]
    return f"codes {', '.join(said)}" if said else ""


def plain(text: object) -> str:
    """Text from a file's name or metadata, safe to print where markup is read."""
    return escape(str(text))
