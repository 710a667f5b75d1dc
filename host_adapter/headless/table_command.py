"""`footroom table`: tables for monitors and programs, each read back after it is written."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ...kernels.encoding import Range
from .errors import Problem
from .exposing import exposure_values
from .publish import discard, partial_of, publish, sole_writer, system_problem, whole_already
from .receipt import receipt_head
from .tables.files import checked_suffix, write_table
from .tables.making import adapted_table, range_table, view_table, zones_table
from .tables.proof import Proof, prove
from .tables.table import Table
from .terminal import console

CAUTION = (
    "Put a table into a monitor's or recorder's display path, not into its recording, and look at a chart through it "
    "before you trust it."
)


def run_table(kind: str, out: Path, *, overwrite: bool, as_json: bool, **options: Any) -> int:
    """Make one table, prove it, and give it its name. Returns the exit code."""
    checked_suffix(out)
    source = options.get("table")
    if source is not None and out.exists() and source.exists() and out.samefile(source):
        raise Problem(out, "that is the table it is made from; an original is never replaced", "Choose another --out.")
    settings = {"kind": kind, **{key: _plain(value) for key, value in options.items() if key != "table"}}
    try:
        with sole_writer(out.parent):
            receipt = whole_already(out, settings, source, overwrite=overwrite)
            if receipt is None:
                receipt = _written(kind, out, settings, options, overwrite=overwrite)
    except (OSError, MemoryError) as error:
        raise system_problem(out, error) from None
    if as_json:
        print(json.dumps({"path": str(out), **receipt}, ensure_ascii=False))
        return 0
    screen = console()
    screen.print(f"{receipt['table']['title']}: {receipt['table']['points']}", markup=False)
    for line in receipt["table"]["says"]:
        screen.print(f"  {line}", markup=False)
    screen.print(receipt["verified"]["words"], markup=False)
    screen.print(f"-> {out}", markup=False, soft_wrap=True)
    screen.print(f"\n{CAUTION}", markup=False)
    return 0


def _written(
    kind: str, out: Path, settings: dict[str, Any], options: dict[str, Any], *, overwrite: bool
) -> dict[str, Any]:
    table = MAKERS[kind](out, options)
    partial = partial_of(out)
    try:
        proof = write_proved(table, partial)
        receipt = _receipt(table, proof, settings, options.get("table"), out, partial)
        publish(partial, out, receipt, overwrite=overwrite)
    finally:
        discard(partial)
    return receipt


def write_proved(table: Table, path: Path) -> Proof:
    """Write a table and read it back.

    Raises: Problem where what comes back is not the table.
    """
    write_table(table, path)
    return prove(table, path)


def _receipt(
    table: Table, proof: Proof, settings: dict[str, Any], source: Path | None, out: Path, partial: Path
) -> dict[str, Any]:
    side = f"{table.size} x {table.size} x {table.size} points" if table.cubic else f"{table.size} points"
    if table.chain:
        side = "the original's own steps, between two changes of range"
    return {
        **receipt_head(source, [] if source is None else [source], out, partial, settings),
        "table": {
            "title": table.title,
            "points": side,
            "domain": [float(end) for end in table.domain],
            "says": table.described()[1:-1],
        },
        "verified": {**asdict(proof), "unit": f"codes of {table.depth} bit", "words": proof.words(table.depth)},
    }


def _plain(value: Any) -> Any:
    if isinstance(value, Range):
        return value.label
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return str(value) if isinstance(value, Path) else value


def _range(_out: Path, options: dict[str, Any]) -> Table:
    return range_table(
        options["source"], options["target"], depth=options["depth"], size=options["size"], cubic=options["cubic"]
    )


def _view(_out: Path, options: dict[str, Any]) -> Table:
    source = options["source"]
    return view_table(
        options["curve"], options["display"], source=source,
        target=source if options["target"] is None else options["target"],
        depth=options["depth"], size=options["size"], cubic=options["cubic"], clip=options["clip"],
    )  # fmt: skip


def _adapt(out: Path, options: dict[str, Any]) -> Table:
    source, target = options["source"], options["target"]
    made_for = None
    if source is not None or target is not None:
        made_for = (Range.FULL if source is None else source, Range.FULL if target is None else target)
    return adapted_table(
        options["table"], made_for=made_for, wanted=options["wanted"], depth=options["depth"], size=options["size"],
        plain_domain=options["plain_domain"], suffix=out.suffix.lower(),
    )  # fmt: skip


def _zones(_out: Path, options: dict[str, Any]) -> Table:
    source, target = options["source"], options["target"]
    given = {name: options[name] for name in ("curve", "display", "clip") if options[name] is not None}
    values = exposure_values({**given, "zones": options["zones"] or ""})
    return zones_table(
        values, source=source, target=source if target is None else target, depth=options["depth"], size=options["size"],
        over=options["over"],
    )  # fmt: skip


MAKERS: dict[str, Callable[[Path, dict[str, Any]], Table]] = {
    "range": _range,
    "view": _view,
    "adapt": _adapt,
    "zones": _zones,
}
