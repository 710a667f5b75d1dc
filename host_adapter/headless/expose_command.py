"""`footroom expose`: an exposure map of a recording as a copy, as a picture with its legend, or as a table for a monitor."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from rich.text import Text

from ...kernels.encoding import Range
from ..effects.exposure_effect import EFFECT
from .applying import apply_effect, choice_for
from .errors import Problem
from .exits import OK
from .exposing import Shares, caught_frame, draw_picture, exposure_values, shares_of, without_black, write_legend
from .jobs import Claims
from .media import Recording
from .opening import open_recording, recording_files
from .publish import discard, make_folder, partial_of, publish, remove_empty, sole_writer, system_problem, whole_already
from .receipt import receipt_head
from .table_command import write_proved
from .tables.making import zones_table
from .terminal import console, plain_table, progress_bars, show
from .viewing import matrix_of

CAUTION = "A map is for looking at, not for delivery. Exposure is what the named curve makes of the codes: a wrong curve gives a wrong map."


@dataclass(frozen=True, slots=True)
class Asked:
    """kind : 'burn', 'picture' or 'table'; values : of the effect, the legend's side among them
    side : of the legend: 'none', 'left' or 'right'
    """

    source: Path
    out: Path
    kind: str
    values: Mapping[str, Any]
    side: str
    at: Fraction | None
    codec: str | None
    size: int | None
    overwrite: bool


def run_expose(source: Path, *, out: Path, kind: str | None, legend: str | None, at: float | None, codec: str | None,
               size: int | None, overwrite: bool, as_json: bool, **given: Any) -> int:  # fmt: skip
    """The sub-command; returns the exit code.

    Raises: Problem.
    """
    by_suffix = {".png": "picture", ".cube": "table", ".clf": "table"}
    kind = kind or by_suffix.get(out.suffix.lower(), "burn")
    side = legend or ("none" if kind == "burn" else "right")
    wishes = {name: value for name, value in given.items() if value is not None}
    wishes["legend"] = side if kind == "burn" else "none"
    values = exposure_values(wishes)
    _check_heard(kind, at=at, codec=codec, size=size)
    asked = Asked(source, out, kind, values, side, None if at is None else Fraction(str(at)), codec, size, overwrite)
    receipt, shares = _made(asked, quiet=as_json)
    if as_json:
        zones = None if shares is None else shares.to_json()
        print(json.dumps({"path": str(out), "as": kind, "zones": zones, **receipt}, indent=2, ensure_ascii=False))
        return OK
    _print(out, receipt, shares)
    return OK


def _check_heard(kind: str, *, at: float | None, codec: str | None, size: int | None) -> None:
    for option, value, where in (("--at", at, "picture"), ("--codec", codec, "burn"), ("--size", size, "table")):
        if value is not None and kind != where:
            raise Problem(None, f"{option} is for --as {where}, and this is a {kind}", f"Leave {option} out.")


def _made(asked: Asked, *, quiet: bool) -> tuple[dict[str, Any], Shares | None]:
    out = asked.out
    folders: list[Path] = []
    try:
        with open_recording(asked.source) as recording:
            claims = Claims([*recording_files(asked.source), asked.source])
            claims.claim(out, asked.source)
            settings = _settings(asked)
            made = make_folder(out.parent)
            folders += made
            with sole_writer(out.parent), progress_bars(quiet=quiet) as bars:
                task = bars.add_task("expose", total=None)

                def tell(doing: str, done: int, total: int | None) -> None:
                    bars.update(task, description=doing, completed=done, total=total)

                receipt = whole_already(out, settings, asked.source, overwrite=asked.overwrite)
                if receipt is not None:
                    return receipt, None
                try:
                    part, shares = _make(asked, recording, tell)
                    about = part.pop("output", {})
                    files = recording_files(asked.source)
                    receipt = {
                        **receipt_head(asked.source, files, out, partial_of(out), settings, about),
                        "done": part["words"],
                        "black": without_black(asked.values),
                        **part,
                    }
                    publish(partial_of(out), out, receipt, overwrite=asked.overwrite)
                finally:
                    discard(partial_of(out))
            return receipt, shares
    except (OSError, MemoryError) as error:
        raise system_problem(out, error) from None
    finally:
        remove_empty(folders)


def _settings(asked: Asked) -> dict[str, Any]:
    return {
        "as": asked.kind, **dict(asked.values), "legend": asked.side, "at": None if asked.at is None else float(asked.at),
        "codec": asked.codec, "size": asked.size,
    }  # fmt: skip


def _make(asked: Asked, recording: Recording, tell: Any) -> tuple[dict[str, Any], Shares | None]:
    info = recording.info
    matrix = matrix_of(info)
    partial = partial_of(asked.out)
    discard(partial)
    if asked.kind == "table":
        range_ = info.tag.trusted if asked.values["assume"] == "flag" else Range.parse(asked.values["assume"])
        table = zones_table(asked.values, source=range_, target=range_, depth=info.depth or 10, size=asked.size)
        proof = write_proved(table, partial)
        words = f"{table.title}: {proof.words(table.depth)}"
        if asked.side != "none":
            legend = asked.out.with_name(asked.out.name + ".legend.png")
            write_legend(legend, asked.values, info, matrix, overwrite=asked.overwrite)
            words += f"; its legend is {legend.name}"
        return {"words": words}, None
    try:
        if asked.kind == "burn":
            choice = choice_for(info, asked.out, asked.codec)
            return apply_effect(recording, EFFECT, asked.values, partial, choice, matrix, tell), None
        frame = caught_frame(recording, asked.at)
        draw_picture(partial, recording, frame, asked.values, matrix, asked.side)
    except ValueError as error:
        raise Problem(info.path, str(error)) from None
    when = "" if info.frames == 1 else f" at {float(frame.time):.2f} s"
    return {"words": f"frame {frame.index}{when}"}, shares_of(info, frame, asked.values, matrix)


def _print(out: Path, receipt: dict[str, Any], shares: Shares | None) -> None:
    screen = console()
    if shares is not None:
        table = plain_table()
        for heading in ("zone", "from, stops", "share"):
            table.add_column(heading, justify="left" if heading == "zone" else "right")
        for name, start, share in shares.rows():
            table.add_row(Text(name), start, f"{share:.1%}")
        show(screen, table)
        screen.print(Text(shares.words))
    screen.print(Text(str(receipt["done"])), soft_wrap=True)
    for item in receipt.get("uncarried", []):
        screen.print(Text(f"  NOT CARRIED: {item}", style="bold"), soft_wrap=True)
    if receipt.get("black"):
        screen.print(Text(str(receipt["black"])))
    screen.print(Text(f"-> {out}"), soft_wrap=True)
    screen.print(Text(f"\n{CAUTION}"))
