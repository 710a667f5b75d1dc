"""How often the survey is right: real pictures through log curves and BT.709, right and wrong, as real encoded files.

    python bench/accuracy.py [--smoke] [--tuning] [--json FILE]

Prints the tables of the README; fails where a recording with the right flag was called wrong. The rules' weights were
set on the pictures in `scenes.TUNING`; the tables are made from the others.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import scenes as material

from footroom.host_adapter.headless.curves import is_code_numbered
from footroom.host_adapter.headless.finding import Finding, judge
from footroom.host_adapter.headless.survey import survey
from footroom.kernels.encoding import Range

MISTAKEN = "--curve said by mistake"


@dataclass(frozen=True, slots=True)
class Answer:
    """What was said of one recording under one flag."""

    case: material.Case
    codec: str
    flag: Range
    told: str
    said: Range | None
    confidence: float
    leaning: float

    @property
    def right_flag(self) -> bool:
        return self.flag is self.case.true

    @property
    def accused(self) -> bool:
        """The flag was called wrong."""
        return self.said is not None and self.said is not self.flag


def answers(case: material.Case, folder: str, cache: str) -> list[Answer]:
    """Survey the case's file under each flag that it can carry, without and with the curve's name."""
    scenes = _scenes(cache)
    name, *_, expressible = material.CODECS[case.codec]
    found = []
    for flag in (Range.NARROW, Range.FULL) if expressible else (Range.NARROW,):
        path = material.make(case, scenes, flag, Path(folder) / f"case{case.seed}")
        record = survey(path, frames=material.FRAMES)
        path.unlink()
        assert record.trusted is flag and record.evidence is not None
        assert record.info.tag.expressible == expressible, (name, record.info.tag)
        found.append(_answer(case, name, flag, "", record.finding))
        if case.curve is not None:
            for words, certain in (("--curve", False), ("--curve and --profile log", True)):
                told = judge(
                    record.evidence, record.info.tag, curve=case.curve, certain=certain, trusted=record.trusted
                )
                found.append(_answer(case, name, flag, words, told))
        else:  # a finished picture on a card of which a curve was said: another curve for each case
            curves = material.camera_curves()
            curve = curves[case.seed % len(curves)]
            told = judge(record.evidence, record.info.tag, curve=curve, trusted=record.trusted)
            found.append(_answer(case, name, flag, MISTAKEN, told))
    return found


def _answer(case: material.Case, codec: str, flag: Range, told: str, finding: Finding) -> Answer:
    return Answer(case, codec, flag, told, finding.finding, finding.confidence, finding.leaning)


_KEPT: dict[str, material.Scenes] = {}


def _scenes(cache: str) -> material.Scenes:
    return _KEPT.setdefault(cache, material.Scenes(Path(cache)))


def all_cases(*, tuning: bool, smoke: bool) -> Iterator[material.Case]:
    """The cases of a run, the held ones (a curve on its makers' codes, where either flag may be right) behind."""
    names = [n for n in (*material.PHOTOGRAPHS, *material.CLIPS) if (n in material.TUNING) == tuning]
    curves = material.camera_curves()
    if smoke:
        names, curves = names[:2], curves[:: max(len(curves) // 3, 1)]
    made = list(material.cases(names, curves, stops=(0,) if smoke else (-2, 0, 2)))
    yield from made
    for case in made:
        if case.curve is not None and case.true is Range.NARROW and is_code_numbered(case.curve):
            yield replace(case, held=True, seed=case.seed + len(made), true=Range.FULL)


def table(found: Iterable[Answer]) -> str:
    """The confusion table in Markdown."""
    lines = [
        "| material | codes are | flag | answers | said narrow | said full | undetermined | flag called wrong |",
        "|---|---|---|--:|--:|--:|--:|--:|",
    ]
    groups: dict[tuple[str, str, str], list[Answer]] = {}
    for answer in found:
        groups.setdefault((_material(answer), answer.case.true.label, answer.flag.label), []).append(answer)
    for (kind, true, flag), members in sorted(groups.items()):
        said = Counter(answer.said for answer in members)
        wrong = "right" if true == flag else "WRONG"
        lines.append(
            f"| {kind} | {true} | {flag} ({wrong}) | {len(members)} | {said[Range.NARROW]} | {said[Range.FULL]} | "
            f"{said[None]} | {sum(answer.accused for answer in members)} |"
        )
    return "\n".join(lines)


def _material(answer: Answer) -> str:
    if answer.case.curve is None:
        return f"finished (BT.709){', ' + answer.told if answer.told else ''}"
    if not answer.told:
        return "log, curve unknown"
    return f"log, {answer.told}{', lens capped once' if answer.case.capped else ''}"


def reliability(found: Iterable[Answer]) -> str:
    """What the confidence means: how often findings of each confidence were right."""
    bins = ((0.0, 0.9), (0.9, 0.97), (0.97, 0.99), (0.99, 1.01))
    lines = ["| confidence | findings | mean confidence | right |", "|---|--:|--:|--:|"]
    given = [answer for answer in found if answer.said is not None]
    for low, high in bins:
        members = [answer for answer in given if low <= answer.confidence < high]
        if members:
            right = sum(answer.said is answer.case.true for answer in members) / len(members)
            mean = sum(answer.confidence for answer in members) / len(members)
            lines.append(f"| {low:.2f} to {min(high, 1.0):.2f} | {len(members)} | {mean:.3f} | {right:.3f} |")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="a few cases only")
    parser.add_argument("--tuning", action="store_true", help="the pictures that the weights were set on, instead")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    parser.add_argument("--json", type=Path, help="write every answer there")
    options = parser.parse_args()
    start = time.monotonic()
    for clip in material.CLIPS.values():
        material.clip_path(options.cache, clip)
    cases = list(all_cases(tuning=options.tuning, smoke=options.smoke))
    found: list[Answer] = []
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(options.jobs) as pool:
        for some in pool.map(partial(answers, folder=folder, cache=str(options.cache)), cases, chunksize=8):
            found.extend(some)
    if options.json:
        options.json.write_text(json.dumps([asdict(answer) for answer in found], default=str))
    plain = [answer for answer in found if not answer.case.held]
    held = [answer for answer in found if answer.case.held]
    mistaken = [answer for answer in plain if answer.told == MISTAKEN and answer.right_flag]
    plain_told = [answer for answer in plain if answer.told != MISTAKEN]
    right = [answer for answer in plain_told if answer.right_flag]
    print(table(plain))
    wronged = sum(answer.accused for answer in (*right, *held))
    print(
        f"\nAnswers about recordings with the right flag that call it wrong: {sum(a.accused for a in right)} of {len(right)}."
    )
    print(
        "Curves defined on codes, recorded with their makers' codes, where either flag may be right; called wrong: "
        f"{sum(a.accused for a in held)} of {len(held)}.\n"
    )
    print(
        "Finished pictures with the right flag of which a log curve was said by mistake; called wrong: "
        f"{sum(a.accused for a in mistaken)} of {len(mistaken)}.\n"
    )
    print(reliability(plain_told))
    print(f"\n{len(cases)} files' worth of cases, {len(found)} answers, {time.monotonic() - start:.0f} s")
    return 1 if wronged else 0


if __name__ == "__main__":
    raise SystemExit(main())
