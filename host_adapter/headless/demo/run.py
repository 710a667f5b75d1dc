"""`footroom demo`: the whole job on the invented shoot, with what was found, done and left printed as it goes."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

from ..errors import Problem
from ..exits import OK, PARTLY
from ..mend import Outcome
from ..opening import open_recording
from ..picture import Shot, before_after
from ..plan import read_plan, write_plan
from ..report.hook import report_to, say_report
from ..report.mend_page import mend_page
from ..survey_command import survey_inputs
from ..terminal import (
    agreement_words,
    console,
    flag_words,
    plain_table,
    progress_bars,
    reasons,
    share_words,
    survey_table,
)
from ..viewing import matrix_of
from .framing import frame_demo, made_json
from .shoot import CURVE, SHOOT, make_shoot

CARDS: dict[str, dict[str, Any]] = {"log": {"curve": CURVE, "profile": "log"}, "finished": {"profile": "display"}}
"""The shoot's folders, and what its operator knows of each: the log curve, or that the camera finished the look."""

MARK = ".footroom-demo"
"""Tells a folder that the demo made from one that holds somebody's work."""


def run_demo(out: Path, *, overwrite: bool, as_json: bool) -> int:
    """Shoot, survey, plan, mend, survey again, table, picture and report, and frame. Returns the exit code."""
    from ..mend_command import jobs_of_plan, print_outcomes, run_jobs

    _clear(out, overwrite=overwrite)
    screen = console()
    quiet = as_json

    def say(text: str = "", style: str = "") -> None:
        if not quiet:
            screen.print(Text(text, style=style))

    started = time.monotonic()
    rushes, mended = out / "rushes", out / "mended"
    say("1  The shoot: a ferry called Kestrel, a bay that is on no map, six recordings", "bold")
    with progress_bars(quiet=quiet) as bars:
        task = bars.add_task("shooting", total=len(SHOOT))
        make_shoot(rushes, lambda clip: bars.update(task, advance=1, description=f"shooting {clip.name}"))
    for clip in SHOOT:
        say(f"   {clip.name:<31} {clip.story}")

    say("\n2  Survey: what are the codes of each, and does the flag say so?", "bold")
    before: list[dict[str, Any]] = []
    failed: list[dict[str, str]] = []
    plans = []
    for card, options in CARDS.items():
        plan = out / f"plan-{card}.toml"
        words = " ".join(f"--{key} {value}" for key, value in options.items())
        say(f"   $ footroom survey {rushes / card} {words} --plan {plan}", "bold")
        records, broken = survey_inputs([rushes / card], quiet=quiet, **options)
        if not quiet:
            for record in records:
                reasons(screen, record)
        write_plan(plan, records)
        plans.append(plan)
        before += records
        failed += broken
    if not quiet:
        screen.print()
        screen.print(survey_table(before))
    say(f"   The proposals are in {out / 'plan-*.toml'}, for a person to read and edit before anything is written.")

    say("\n3  Mend: copies beside the originals, each with a receipt", "bold")
    outcomes: list[Outcome] = []
    for plan in plans:
        say(f"   $ footroom mend --plan {plan} --out {mended}", "bold")
        done = run_jobs(jobs_of_plan(read_plan(plan), plan, mended), mended, quiet=quiet)
        if not quiet:
            print_outcomes(done)
        outcomes += done

    say("\n4  Survey again: the same look at the results", "bold")
    after: list[dict[str, Any]] = []
    failed_after: list[dict[str, str]] = []
    for card, options in CARDS.items():
        results = [each.result for each in outcomes if each.result is not None and each.order.path.parent.name == card]
        records, broken = survey_inputs(results, quiet=quiet, **options)
        after += records
        failed_after += broken
    if not quiet:
        screen.print(_before_after_table(before, outcomes, after))

    picture = out / "before-after.png"
    _picture(picture, outcomes)
    say(f"\n   {picture}: a frame before and after, with its waveform. Open it.")
    page = out / "mended.html"
    unreported = report_to(page, lambda done: mend_page(outcomes, done=done), overwrite=overwrite, quiet=quiet)
    if unreported is None:
        say(f"   {page}: the same of every result, under a slider, for a browser. It needs no network.")
    elif not quiet:
        say_report(page, unreported)

    say("\n5  Frame: one picture, three deliveries", "bold")
    command, made = frame_demo(out, quiet=quiet)
    say(f"   $ {command}", "bold")
    for one in made:
        say(f"   {one.output.word:<12} {one.output.path}: {one.words}")
    say(f"   {made[-1].output.path} shows what each delivery keeps. Open it too.")
    say(f"   All of it took {time.monotonic() - started:.0f} s. Delete {out} when you have seen it.")
    if as_json:
        report = {
            "before": before,
            "mended": [outcome.to_json() for outcome in outcomes],
            "after": after,
            "picture": str(picture),
            "report": str(page) if unreported is None else {"error": str(unreported)},
            "framed": made_json(made),
        }
        print(json.dumps(report, indent=2, ensure_ascii=False))
    if failed or failed_after or unreported or any(outcome.state == "failed" for outcome in outcomes):
        return PARTLY
    return OK


def _clear(out: Path, *, overwrite: bool) -> None:
    """An empty folder to work in; only one that the demo itself made is ever emptied."""
    if out.exists() and any(out.iterdir()):
        if not (out / MARK).exists():
            raise Problem(out, "this folder holds something that the demo did not make", "Name another with --out.")
        if not overwrite:
            raise Problem(
                out, "the demo was run here before", "Add --overwrite to make it anew, or name another --out."
            )
        for child in ("rushes", "mended", "framed"):
            shutil.rmtree(out / child, ignore_errors=True)
        for file in [*out.glob("plan-*.toml"), out / "before-after.png", out / "mended.html", out / "deliveries.toml"]:
            file.unlink(missing_ok=True)
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / MARK).touch()
    except OSError as error:
        raise Problem(out, f"the folder cannot be written ({error.strerror})", "Name another with --out.") from None


def _before_after_table(before: list[dict[str, Any]], outcomes: list[Outcome], after: list[dict[str, Any]]) -> Table:
    table = plain_table("Before and after")
    for heading in ("recording", "before", "clipped", "mended by", "after", "clipped"):
        table.add_column(heading, overflow="fold")
    later = {str(record["path"]): record for record in after}
    done = {str(outcome.order.path.resolve()): outcome for outcome in outcomes}
    for record in before:
        outcome = done.get(str(Path(record["path"]).resolve()))
        new = later.get(str(outcome.result)) if outcome and outcome.result else None
        row = [Path(record["path"]).name, _state(record), share_words(record["clipped_if_trusted"])]
        if outcome and new:
            row += [outcome.order.remedy, _state(new), share_words(new["clipped_if_trusted"]) or "0"]
        else:
            row.append("left alone")
        table.add_row(*row)
    return table


def _state(record: dict[str, Any]) -> str:
    """'full codes, flag narrow: WRONG'."""
    codes = "codes open" if record["finding"] == "undetermined" else f"{record['finding']} codes"
    agrees = "" if record["agrees"] is None else f": {agreement_words(record['agrees'])}"
    tag = record["tag"]
    said = f"flag {flag_words(tag)}" if tag["container"] or tag["stream"] else f"read as {record['trusted']}"
    return f"{codes}, {said}{agrees}"


def _picture(path: Path, outcomes: list[Outcome]) -> None:
    """The first mended recording's middle frame."""
    outcome = next((each for each in outcomes if each.state == "written" and each.result is not None), None)
    if outcome is None or outcome.result is None:
        return
    shots = []
    for name, title in ((outcome.order.path, "As it came"), (outcome.result, "Mended")):
        with open_recording(name) as recording:
            frames = list(recording.sample(3))
            planes = tuple(plane.copy() for plane in frames[len(frames) // 2].planes)
            info = recording.info
            words = f"{title}: {Path(name).name}, as an editor shows it"
            shots.append(Shot(planes, info.encoding(info.tag.trusted), matrix_of(info), info.sampling, words))
    heading = f"{outcome.order.path.name}: {outcome.words}"
    before_after(path, shots[0], shots[1], heading)
