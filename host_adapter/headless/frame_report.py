"""What `footroom frame` says of its windows and results: as a table with notes below it, or as data for --json."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.text import Text

from .delivery.job import Job, Made
from .delivery.request import Delivery
from .delivery.stage import Stage, common_report, window_report
from .receipt import receipt_path
from .terminal import console, plain_table, show

Record = dict[str, Any]

CAUTION = (
    "Burns and overlays carry guides: they are for looking at, not for delivery. Sizes and safe areas are the house's or "
    "the broadcaster's to decide."
)

ROUNDED = {
    "wider": ("wider", "narrower"), "taller": ("taller", "shorter"), "right": ("further right", "further left"),
    "down": ("lower down", "higher up"),
}  # fmt: skip
"""What each rounding is called where it is above 0, and where below."""


def frame_record(job: Job, stage: Stage, made: list[Made]) -> Record:
    """The job as `--json` prints it."""
    source, picture = stage.source, stage.picture
    return {
        "input": None if job.source is None else str(job.source),
        "picture": {
            "width": source.width, "height": source.height, "pixel_aspect": float(source.aspect),
            "displayed_ratio": round(float(source.ratio), 5), "made_in": [picture.width, picture.height],
        },
        "windows": [window_report(stage, delivery) for delivery in job.request.deliveries],
        "common_area": common_report(stage),
        "notes": list(stage.notes),
        "results": [
            {
                "as": one.output.kind,
                "of": None if one.output.delivery is None else one.output.delivery.name,
                "path": str(one.output.path),
                "state": one.state,
                "words": one.words,
                "receipt": str(receipt_path(one.output.path)),
                "uncarried": one.receipt.get("uncarried", []),
            }
            for one in made
        ],
    }  # fmt: skip


def print_frame(job: Job, stage: Stage, made: list[Made]) -> None:
    """The job in words: windows, what rounding did, what all of them keep, and every result."""
    screen = console()
    deliveries = job.request.deliveries
    if deliveries:
        show(screen, _table(stage, deliveries))
    for note in _notes(stage, deliveries):
        show(screen, Text(note))
    if deliveries or stage.notes:
        screen.print()
    _results(screen, made)
    if any(one.output.kind in ("burn", "overlay") for one in made):
        screen.print()
        show(screen, Text(CAUTION))


def _table(stage: Stage, deliveries: tuple[Delivery, ...]) -> Any:
    table = plain_table()
    table.add_column("window", overflow="fold")
    for heading in ("x", "y", "width", "height", "keeps", "ratio"):
        table.add_column(heading, justify="right", no_wrap=True)
    for delivery in deliveries:
        report = window_report(stage, delivery)
        table.add_row(
            Text(report["name"]), str(report["x"]), str(report["y"]), str(report["width"]), str(report["height"]),
            f"{report['kept_percent']:.1f} %", f"{report['ratio']:.4g}",
        )  # fmt: skip
    return table


def _notes(stage: Stage, deliveries: tuple[Delivery, ...]) -> list[str]:
    """Everything about the windows that a table has no room for."""
    notes = []
    if deliveries:
        across, down = stage.picture.step
        whole = "pixels" if (across, down) == (1, 1) else f"steps of {across}x{down} pixels"
        changes = [(each.name, rounding_words(window_report(stage, each)["rounding"])) for each in deliveries]
        words = "; ".join(f"{change} ({name})" for name, change in changes if change)
        notes.append(f"rounding to whole {whole}: {words or 'none'}")
    moving = [each.name for each in deliveries if each.path is not None]
    if moving:
        verb = "moves" if len(moving) == 1 else "move"
        notes.append(
            f"{', '.join(moving)} {verb}; the table shows where {'it is' if verb == 'moves' else 'they are'} at the start"
        )
    common = common_report(stage)
    when = " at the start (it changes as windows move)" if moving else ""
    if common is not None:
        words = f"{common['width']} x {common['height']} at {common['x']}, {common['y']}"
        notes.append(f"common area{when}: {words}, {common['kept_percent']:.1f} % of the picture")
    elif len(deliveries) > 1:
        notes.append(f"common area{when}: none; no pixel is in every window")
    return [*notes, *stage.notes, *_held(stage, deliveries)]


def _results(screen: Console, made: list[Made]) -> None:
    for one in made:
        screen.print(Text.assemble((one.output.word, "bold"), f": {one.words}"), soft_wrap=True)
        screen.print(Text(f"  -> {one.output.path}"), soft_wrap=True)
        for item in one.receipt.get("uncarried", []):
            screen.print(Text(f"  NOT CARRIED: {item}", style="bold"), soft_wrap=True)


def rounding_words(rounding: dict[str, float]) -> str:
    """What rounding to whole steps did, in pixels of the recording; nothing where it did nothing."""
    words = [f"{abs(value):.3g} {ROUNDED[key][value < 0]}" for key, value in rounding.items() if abs(value) >= 0.005]
    return ", ".join(words)


def _held(stage: Stage, deliveries: tuple[Delivery, ...]) -> list[str]:
    notes = []
    for delivery in deliveries:
        held = [] if delivery.path is None else delivery.path.held_in(delivery.wanted, stage.picture)
        if held:
            keys = ", ".join(map(str, held))
            which = f"key {keys} would push it" if len(held) == 1 else f"keys {keys} would push it"
            notes.append(f"window {delivery.name}: {which} over the picture's edge; it stops at the edge")
    return notes
