"""`footroom trial`: gather the material, try it, print the tables and the verdict, write the folder."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

from ...kernels.encoding import Range
from .errors import Problem
from .exits import OK, PARTLY, WRONG
from .jobs import find_sources
from .opening import TRIAL_RECORD
from .publish import make_folder
from .terminal import console, plain, plain_table, progress_bars
from .trial.material import Material, from_recording, gradients
from .trial.result import Coded, Look, Trial
from .trial.running import steps_of, try_material

WIDTH = 80


def run_trial(
    inputs: tuple[Path, ...],
    *,
    depth: int,
    target: str | None,
    source: str | None,
    codec: str | None,
    quality: float | None,
    frames: int,
    seed: int,
    out: Path | None,
    report: Path | None = None,
    overwrite: bool,
    as_json: bool,
) -> int:
    """The sub-command; returns the exit code."""
    if report is not None:
        from .report.render import check_report

        check_report(report, inputs, overwrite=overwrite)
    _check_folder(out, inputs, overwrite)
    wanted = None if target is None else Range.parse(target)
    assumed = None if source is None else Range.parse(source)
    paths, failed = _sources(inputs)
    trials: list[Trial] = []
    with progress_bars(quiet=as_json) as bars:
        made: list[Path | Material] = list(gradients(frames=frames, depth=depth, to=wanted)) if not inputs else [*paths]
        task = bars.add_task("trial", total=len(made) * steps_of(codec))
        for number, each in enumerate(made):
            try:
                material = (
                    each
                    if isinstance(each, Material)
                    else from_recording(each, frames=frames, depth=depth, assume=assumed, to=wanted)
                )
                trials.append(
                    try_material(
                        material,
                        codec=codec,
                        quality=quality,
                        seed=seed,
                        done=lambda words: bars.update(task, advance=1, description=f"trial {words}"),
                    )
                )
            except Problem as problem:
                if isinstance(each, Material) or problem.path is None:
                    raise
                failed.append({"path": str(each), "error": str(problem)})
                bars.update(task, completed=(number + 1) * steps_of(codec))
    if out is not None and trials:
        write_folder(out, trials, overwrite=overwrite)
    unreported = None
    if report is not None and trials:
        from .report.hook import report_to
        from .report.trial_page import trial_page

        unreported = report_to(report, lambda _: trial_page(trials), overwrite=overwrite, quiet=as_json)
    if as_json:
        said: dict[str, Any] = {"trials": [trial.to_json() for trial in trials], "failed": failed}
        if report is not None and trials:
            said["report"] = str(report) if unreported is None else {"error": str(unreported)}
        print(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        _print(trials, failed, out)
        if report is not None and trials:
            from .report.hook import say_report

            say_report(report, unreported)
    return WRONG if not trials else PARTLY if failed or unreported else OK


def _sources(inputs: tuple[Path, ...]) -> tuple[list[Path], list[dict[str, str]]]:
    if not inputs:
        return [], []
    sources, ignored = find_sources(inputs)
    failed = [{"path": str(path), "error": f"{path.name}: not a recording."} for path in ignored if path in inputs]
    return [source.path for source in sources], failed


def _check_folder(out: Path | None, inputs: tuple[Path, ...], overwrite: bool) -> None:
    """Said before the work, not after it."""
    if out is None:
        return
    if out.suffix.lower() in (".html", ".htm", ".png", ".json", ".pdf"):
        raise Problem(out, "a trial is written into a folder, of pictures and trial.json", "Name a folder.")
    place = out.resolve()
    if any(place in (each.resolve(), each.resolve().parent) for each in inputs):
        raise Problem(out, "this is where the originals lie", "Choose another --out.")
    if out.exists() and not out.is_dir():
        raise Problem(out, "this is a file, not a folder", "Choose another --out.")
    if out.is_dir() and any(out.iterdir()) and not overwrite:
        raise Problem(out, "the folder exists and is not empty", "Choose another --out, or add --overwrite.")


def write_folder(out: Path, trials: list[Trial], *, overwrite: bool) -> None:
    """The pictures of each trial, and trial.json last: a folder that has it is whole.

    Raises: Problem where the folder cannot be written.
    """
    from .trial.pictures import pictures

    try:
        make_folder(out)
        names, made = _stems(trials), []
        for name, trial in zip(names, trials, strict=True):
            for kind, data in pictures(trial):
                made.append(f"{name}-{kind}.png")
                _write(out / made[-1], data)
        record = {"trials": [trial.to_json() for trial in trials], "pictures": made}
        _write(out / TRIAL_RECORD, json.dumps(record, indent=2, ensure_ascii=False).encode())
    except OSError as error:
        raise Problem(out, f"the folder cannot be written ({error.strerror})", "Choose another --out.") from None


def _stems(trials: list[Trial]) -> list[str]:
    """A file name for each trial, none twice."""
    found: list[str] = []
    for trial in trials:
        stem = (trial.name if trial.path is None else Path(trial.name).stem).replace(" ", "-").replace(
            "#", ""
        ) or "trial"
        stem = stem.strip(".") or "trial"
        number, name = 2, stem
        while name in found:
            name, number = f"{stem}-{number}", number + 1
        found.append(name)
    return found


def _write(path: Path, data: bytes) -> None:
    """The whole file or none."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem[:40]}.", suffix=".partial")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _print(trials: list[Trial], failed: list[dict[str, str]], out: Path | None) -> None:
    screen = console()
    for trial in trials:
        print_trial(screen, trial)
    errors = console(stderr=True)
    for failure in failed:
        errors.print(f"footroom: {plain(failure['error'])}", soft_wrap=True)
    if out is not None and trials:
        screen.print(f"Pictures and trial.json are in {plain(out)}.", soft_wrap=True)


def print_trial(screen: Any, trial: Trial) -> None:
    """One trial: what was tried, the tables, the verdict."""
    width, height = trial.size
    said = f"{trial.source.depth}-bit {trial.source.range.label} to {trial.target.depth}-bit {trial.target.range.label}"
    facts = f"{said}, {width}x{height}, {trial.frames} frames, own noise {trial.noise:.2f} steps"
    screen.print(Text(trial.name, style="bold"), soft_wrap=True)
    screen.print(Text(facts), soft_wrap=True)
    if trial.note:
        screen.print(Text(f"tried: {trial.note}"), soft_wrap=True)
    screen.print(_direct_table(trial))
    if trial.codec is not None:
        screen.print(_codec_table(trial))
    verdict = trial.verdict
    head = {"yes": "dither pays", "at a price": "dither pays, at a price", "no": "dither does not pay"}[verdict.pays]
    named = "" if verdict.pays == "no" else f": {verdict.dither.value}"
    screen.print(Text.assemble(("> ", ""), (head + named, "bold")))
    for why in verdict.why:
        screen.print(Text(f"  {why}"), width=WIDTH)
    screen.print()


def _direct_table(trial: Trial) -> Table:
    expected = f", comb expected {trial.expected_comb:.2f}" if trial.expected_comb else ""
    table = plain_table(f"at {trial.target.depth} bit{expected}")
    for name in ("dither", "bands", "stairs", "run", "bias", "mean", "noise", "low", "comb", "x copy"):
        table.add_column(name, justify="left" if name == "dither" else "right", no_wrap=True)
    for way in trial.ways:
        look = way.direct
        table.add_row(
            way.dither.value,
            f"{look.index:.2f}",
            f"{look.stairs:.2f}",
            f"{look.run:.0f}",
            _number(look.bias, "{:.3f}"),
            f"{look.mean_error:+.3f}",
            f"{look.noise:.3f}",
            f"{look.low:.2f}",
            _comb(look, trial),
            f"{way.times_copy:.1f}",
        )
    return table


def _codec_table(trial: Trial) -> Table:
    table = plain_table(f"through {trial.codec}: at quality {trial.quality:g}, and at the bit rate of no dither")
    for name in ("dither", "bands", "stairs", "noise", "Mbit/s", "bits", "bands", "stairs", "at", "bits"):
        table.add_column(name, justify="left" if name == "dither" else "right", no_wrap=True)
    for way in trial.ways:
        same, rate = way.same_quality, way.same_rate
        if same is None or rate is None:
            continue
        table.add_row(
            way.dither.value,
            *_looks(same),
            f"{same.bits / 1e6:.3g}",
            _bits(same),
            *_looks(rate)[:2],
            f"{rate.quality:.1f}",
            _bits(rate),
        )
    return table


def _looks(coded: Coded) -> tuple[str, str, str]:
    look = coded.look
    return f"{look.index:.2f}", f"{look.stairs:.2f}", f"{look.noise:.2f}"


def _bits(coded: Coded) -> str:
    more = coded.more_bits
    return f"x{1 + more:.3g}" if more >= 1 else f"{100 * more:+.0f}%"


def _comb(look: Look, trial: Trial) -> str:
    return "" if not trial.expected_comb else _number(look.comb, "{:.2f}")


def _number(value: float, form: str) -> str:
    return "?" if value != value else form.format(value)  # noqa: PLR0124  (NaN)
