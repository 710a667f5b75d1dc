"""What is written down about a result: the settings that decide it, in plain words and numbers, and its receipt."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

from ....kernels.framing import Wanted
from ...wanted import Grid, Placed, Safe
from ..opening import recording_files
from ..publish import partial_of
from ..receipt import program_version, receipt_head
from .outputs import Output
from .request import Canvas, Delivery, Request

Record = dict[str, Any]


def settings_of(output: Output, request: Request, canvas: Canvas | None) -> Record:
    """What decides a result: another wish for one kind leaves the others whole.

    canvas : of an overlay without a recording; None where there is one
    """
    deliveries = request.deliveries if output.delivery is None else (output.delivery,)
    settings: Record = {
        "footroom": program_version(),  # another version may draw otherwise
        "as": output.kind,
        "windows": [delivery_record(delivery) for delivery in deliveries],
        "squeeze": None if request.squeeze is None else number(request.squeeze),
        "desqueeze": request.desqueeze,
        "even": request.even,
    }
    if output.kind != "crop":
        settings |= {
            "guides": [_placed(each) for each in (*request.grids, *request.safes)],
            "centre": request.centre, "shade": request.shade, "label": request.labels,
        }  # fmt: skip
    if output.kind in ("burn", "crop"):
        settings["codec"] = request.codec
    if output.kind in ("burn", "sheet"):
        settings["assume"] = None if request.assume is None else request.assume.label
    if output.kind == "sheet":
        settings["at"] = None if request.moment is None else number(request.moment)
    if canvas is not None:
        settings["canvas"] = {
            "size": list(canvas.size),
            "rate": None if canvas.rate is None else number(canvas.rate),
            "seconds": None if canvas.seconds is None else number(canvas.seconds),
        }
    return settings


def number(value: Fraction) -> int | float | str:
    """A number as JSON has it; text such as '16/9' where no decimal says it exactly."""
    if value.denominator == 1:
        return int(value)
    decimal = float(value)
    return decimal if Fraction(str(decimal)) == value else f"{value.numerator}/{value.denominator}"


def delivery_record(delivery: Delivery) -> Record:
    """A delivery in plain words and numbers; nothing that changes a pixel is left out."""
    record = _wanted(delivery.wanted)
    record["size"] = None if delivery.size is None else list(delivery.size)
    record["safe"] = [_safe(safe) for safe in delivery.safes]
    if delivery.path is not None:
        record["keys"] = [
            {name: number(getattr(key, name)) for name in ("time", "x", "y", "part")} | {"ease": key.ease.value}
            for key in delivery.path.keys
        ]
    return record


def _wanted(wanted: Wanted) -> Record:
    return {
        "name": wanted.name,
        "ratio": None if wanted.ratio is None else number(wanted.ratio),
        "pixels": None if wanted.size is None else list(wanted.size),
        "anchor": [number(each) for each in wanted.anchor],
        "offset": [number(each) for each in wanted.offset],
        "offset_share": [number(each) for each in wanted.offset_share],
        "part": number(wanted.part),
    }


def _safe(safe: Safe) -> Record:
    return {"safe": safe.name, "part": number(safe.part)}


def _placed(placed: Placed) -> Record:
    what = placed.what
    if isinstance(what, Grid):
        record: Record = {"grid": [what.across, what.down], "diagonals": what.diagonals}
    else:
        record = _safe(what)
    return record | {"in": placed.window}


def receipt_of(output: Output, source: Path | None, settings: Record, part: Record) -> Record:
    """The receipt of a result that lies under its hidden name.

    part : what its maker told: 'words', 'output' and, where there is such, 'carried', 'uncarried', 'verified'
    """
    files = [] if source is None else recording_files(source)
    return {
        **receipt_head(source, files, output.path, partial_of(output.path), settings, part["output"]),
        "done": part["words"],
        "carried": part.get("carried", []),
        "uncarried": part.get("uncarried", []),
        "verified": part.get("verified"),
    }
