# SPDX-License-Identifier: GPL-3.0-or-later
"""Mending as work in a thread: survey records and wishes in, results out. Knows nothing of Blender."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .surveying import opened
from .wording import in_host

if TYPE_CHECKING:
    from .progress import Task

FOLDER = "footroom"
"""Beside a recording: where its mended copy goes."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the panel asks for: words of the settings, 'survey' for what the survey says."""

    remedy: str
    codes: str
    dither: str
    seed: int
    profile: str
    folder: Path | None
    replace: bool
    even_so: bool


@dataclass(frozen=True, slots=True)
class Made:
    """What became of one recording.

    state : as Outcome has it; words : in words of the host
    result : where it is whole, else None
    """

    state: str
    words: str
    result: Path | None = None
    lost: tuple[str, ...] = ()
    uncarried: tuple[str, ...] = ()


def order_of(path: Path, record: dict[str, Any], wish: Wish) -> Any:
    """What is to be done with a recording, as mend takes it; a text that says why nothing is.

    record : the survey's
    """
    from footroom.host_adapter.headless.errors import Problem
    from footroom.host_adapter.headless.guard import guard_evidence, settled
    from footroom.host_adapter.headless.plan import Order
    from footroom.kernels.encoding import Range

    proposal = record["proposal"]
    remedy = record["remedy"] if wish.remedy == "survey" else wish.remedy
    codes = record["finding"] if wish.codes == "survey" else wish.codes
    if wish.codes == "survey" and record["agrees"] is True and remedy not in ("retag", "undo"):
        return "it is right"
    if remedy == "none":
        if wish.codes in ("survey", record["trusted"]):
            return "nothing speaks against its flag; choose a remedy and what its codes are if you know better"
        remedy = "retag" if record["tag"]["expressible"] else "lift"
    if remedy == "ask":
        return "the survey leaves it to you; choose a remedy and what its codes are"
    if codes == "undetermined":
        return "the survey could not tell what its codes are; say so in the panel"
    if wish.remedy == "survey" and wish.codes in ("survey", proposal.get("from")):
        target, depth = proposal["to"], proposal.get("depth")
    else:
        target, depth = (codes if remedy == "retag" else record["trusted"]), None
    if target == codes and remedy not in ("retag", "undo"):
        return f"its codes are {codes} and read as {codes}; there is nothing to mend"
    order = Order(
        path=path,
        remedy=remedy,
        source=Range.parse(codes),
        target=None if remedy == "undo" else Range.parse(target),
        dither=wish.dither if remedy == "rescale" else None,
        seed=wish.seed if remedy == "rescale" else 0,
        depth=depth,
        profile=record["profile"] if wish.profile == "unsaid" else wish.profile,
        even_so=wish.even_so,
    )
    if remedy != "retag":
        try:
            guard_evidence(order, record)
            order = settled(order, record)
        except Problem as problem:
            return in_host(problem.found + ". " + problem.remedy)
    return order


def mend_all(orders: Sequence[tuple[Any, Path]], wish: Wish, task: Task) -> dict[Path, Made]:
    """Carry out orders, each with the folder for its result; off Blender's own thread."""
    from footroom.host_adapter.headless.errors import Problem
    from footroom.host_adapter.headless.jobs import Claims, Job
    from footroom.host_adapter.headless.mend import Bench, mend
    from footroom.host_adapter.headless.publish import sole_writer

    bench = Bench(Claims(order.path for order, _ in orders), wish.replace, False, task.stop)  # surveyed already
    made: dict[Path, Made] = {}
    for number, (order, folder) in enumerate(orders):
        name = order.path.name
        if task.stop.is_set():
            made[order.path] = Made("stopped", "not begun")
            continue
        task.show(f"{order.remedy} {name}", number, len(orders))

        def show(doing: str, done: int, total: int | None, number: int = number, name: str = name) -> None:
            half = 0.5 if doing == "verify" else 0.0  # written first, then read again to be checked
            share = half + 0.5 * done / total if total else half
            task.show(f"{doing} {name}", number + share, len(orders))

        there = folder.exists()
        try:
            with sole_writer(folder):
                outcome = mend(Job(order, folder), bench, show)
        except Problem as problem:
            made[order.path] = Made("failed", in_host(str(problem)))
            continue
        finally:
            _leave_no_empty(folder, there)
        made[order.path] = _made(order, outcome)
    return made


def _leave_no_empty(folder: Path, there: bool) -> None:
    if not there and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


def _made(order: Any, outcome: Any) -> Made:
    from footroom.host_adapter.headless.losses import loss_lines

    if outcome.result is None or outcome.state not in ("written", "whole already"):
        return Made(outcome.state, in_host(outcome.words))
    if unfit := misfit(order.path, outcome.result):
        return Made("failed", f"{order.path.name}: {unfit}")
    receipt = outcome.receipt or {}
    words = receipt.get("done", outcome.words)
    return Made(
        outcome.state, in_host(words), outcome.result, tuple(loss_lines(receipt.get("lost"))),
        tuple(receipt.get("uncarried", ())),
    )  # fmt: skip


def misfit(source: Path, result: Path) -> str:
    """Why a result cannot stand in for its source in an edit, or nothing: pictures, speed and size must be equal."""
    with opened(source) as one, opened(result) as other:
        was, now = one.info, other.info
    if was.kind == "movie" and None not in (was.frames, now.frames) and was.frames != now.frames:
        return f"the result has {now.frames} pictures, the original {was.frames}"
    if was.rate != now.rate and was.kind == "movie":
        return f"the result runs at {now.rate} pictures a second, the original at {was.rate}"
    if (was.width, was.height) != (now.width, now.height):
        return f"the result is {now.width} x {now.height}, the original {was.width} x {was.height}"
    return ""


def folders(paths: Sequence[Path], everything: Sequence[Path], chosen: Path | None) -> dict[Path, Path]:
    """The folder that each recording's result goes to.

    everything : all recordings of the edit: below a chosen folder results lie as those lie below their common one, so that
        two cards with the same file names stay apart
    """
    if chosen is None:
        return {path: path.parent / FOLDER for path in paths}
    try:
        common = Path(os.path.commonpath([path.parent for path in everything]))
    except ValueError:  # different drives
        return dict.fromkeys(paths, chosen)
    return {path: chosen / path.parent.relative_to(common) for path in paths}


def run_path(path: Path) -> Path:
    """The recording that is mended for a path: a numbered still's whole run, as mend takes stills, once for all strips."""
    from footroom.host_adapter.headless.sequences import run_of

    run = run_of(path)
    return path if run is None or len(run.files) < 2 else run.pattern
