"""How often `footroom compare` is right: pairs of real encoded files made from real pictures, whose map is known.

    python bench/pairing_accuracy.py [--smoke] [--tuning] [--photographs FOLDER] [--uncoded] [--json FILE]

Each pair is one take recorded twice: a photograph under a pan and a zoom, or a camera clip, with a sensor's noise that both
share; the second through an exact map of the codes, at its own size, codec and depth, begun some frames later or earlier.
Prints the README's table; fails where a relation is wrong too often, an unrelated pair passes, or the intervals hold too seldom.
The limits in the code were set on the pictures in `scenes.TUNING` and on photographs of another folder (--tuning --photographs);
the table is made from the others.

'Told the scene' is the same fit told the uncoded picture of A: its instrument has no noise, so that what it misses of the true
map is in the recordings themselves, and no fit to their codes can be expected to do much better.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from fractions import Fraction
from functools import partial
from pathlib import Path

import numpy as np
import scenes as material
from pairing_files import RELATIONS, Pair, make, true_map

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.twins.bringing import bring_together
from footroom.host_adapter.headless.twins.comparing import cell_edges, compare, fit_channel
from footroom.host_adapter.headless.twins.maps import KEYS
from footroom.host_adapter.headless.twins.views import cells, open_side, pick
from footroom.kernels.aligning import Place

HELD = 0.93
"""Share of all fits whose 95 % intervals must hold: no fewer on pictures that they were not made on."""
GAIN_LIMIT, OFFSET_LIMIT = 0.002, 1 / 1023
"""What the project promises: .2 % of gain, one 10-bit code of offset."""
STRONG = 0.02
"""A channel's spread in units of M from which its fit is counted; weaker ones, with hardly any colour, apart."""
COUPLES = (
    ("h264 10 bit 4:2:2", "prores 10 bit 4:2:2"),
    ("h264 8 bit 4:2:0", "prores 10 bit 4:2:2"),
    ("h264 8 bit 4:2:0", "h264 8 bit 4:2:0"),
)
UNCODED = (("ffv1 10 bit 4:2:2", "ffv1 10 bit 4:2:2"), ("ffv1 8 bit 4:2:0", "ffv1 10 bit 4:2:2"))
"""Without a coder's wear: what is left is the method's own."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What was said of a pair: said is the relation, or 'refused'; errors of gain (share) and offset (M) by channel.

    held : whether both intervals hold the truth
    widths : half of each interval of gain (share) and of offset (M)
    told : errors of gain and offset of the fit that is told the uncoded picture
    """

    pair: Pair
    said: str
    gains: dict[str, float]
    offsets: dict[str, float]
    held: dict[str, bool]
    right_time: bool | None
    spreads: dict[str, float]
    widths: dict[str, tuple[float, float]]
    told: dict[str, tuple[float, float]]
    words: str = ""


def answer(pair: Pair, folder: str, cache: str) -> Answer:
    """Make a pair, compare it, throw it away."""
    paths = make(pair, Path(folder), Path(cache))
    exact = true_map(pair)
    try:
        found = compare(*paths[:2])
        told_the_scene = _told(paths, exact)
    except Problem as problem:
        return Answer(pair, "refused", {}, {}, {}, None, {}, {}, {}, str(problem))
    finally:
        for path in paths:
            path.unlink()
    lines = {key: line for key, line in found.lines.items() if line is not None}
    return Answer(
        pair,
        found.relation,
        {key: line.gain / exact[key][0] - 1 for key, line in lines.items()},
        {key: line.offset - exact[key][1] for key, line in lines.items()},
        {
            key: line.gain_range[0] <= exact[key][0] <= line.gain_range[1]
            and line.offset_range[0] <= exact[key][1] <= line.offset_range[1]
            for key, line in lines.items()
        },
        None if found.offset is None else found.offset == -pair.later,
        {key: line.spread for key, line in lines.items()},
        {
            key: (
                (line.gain_range[1] - line.gain_range[0]) / 2 / exact[key][0],
                (line.offset_range[1] - line.offset_range[0]) / 2,
            )
            for key, line in lines.items()
        },
        told_the_scene,
        found.words,
    )


def _told(paths: tuple[Path, ...], exact: dict[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
    """Errors of gain and offset by channel where the fit is told the uncoded picture."""
    a, b, scene = (open_side(path) for path in paths)
    together = bring_together(a, b)
    edges = cell_edges(a, b, together)
    first, whole = (cells(side, pick(side, together.numbers), Place(), edges) for side in (a, scene))
    numbers = [number + together.offset for number in together.numbers]
    second = cells(b, pick(b, numbers), together.place, edges)
    lines = {
        key: fit_channel(key, first[key], second[key], together, (a, b), np.nan_to_num(whole[key].means))
        for key in KEYS
    }
    return {
        key: (line.gain / exact[key][0] - 1, line.offset - exact[key][1])
        for key, line in lines.items()
        if line is not None
    }


def pairs(names: list[str], *, smoke: bool, couples: Sequence[tuple[str, str]] = COUPLES) -> Iterator[Pair]:
    """Every scene with every relation, couple of codecs and size; the rest drawn by a fixed seed; and unrelated pairs."""
    draw = np.random.default_rng(20)
    number = 0
    scales = (Fraction(1), Fraction(1, 2), Fraction(2))
    for scene in names:
        for relation in RELATIONS:
            for at, couple in enumerate(couples):
                number += 1
                later = int(draw.integers(-6, 7))
                if smoke and (number % 11):
                    continue
                yield Pair(scene, relation, couple, scales[(at + number) % 3], later, number)
        for other in names:
            number += 1
            if other != scene and not (smoke and number % 5):
                yield Pair(scene, "to-narrow", couples[number % len(couples)], Fraction(1), 0, number, other)


def table(found: list[Answer]) -> str:
    """The accuracy in Markdown: a row for each couple of codecs, then one for each channel of it."""
    lines = [
        "| A, B | pairs | relation right | offset in time right |",
        "|---|--:|--:|--:|",
    ]
    groups: dict[tuple[str, str], list[Answer]] = {}
    for each in found:
        groups.setdefault(each.pair.couple, []).append(each)
    for (a, b), members in groups.items():
        right = sum(each.said == each.pair.relation for each in members)
        timed = [each.right_time for each in members if each.right_time is not None]
        lines.append(f"| {a}, {b} | {len(members)} | {right} | {sum(timed)} of {len(timed)} |")
    lines += [
        "",
        "| A, B | channel | fits | gain off: median, 95 %, worst | offset off, codes of 10 bit | within .2 % and 1 code "
        "| told the scene | intervals hold | their half widths |",
        "|---|---|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for (a, b), members in groups.items():
        for key, label in (("y", "luma"), ("cb", "Cb"), ("cr", "Cr")):
            for strong in (True, False):
                told = [each for each in members if key in each.gains and (each.spreads[key] >= STRONG) is strong]
                if told:
                    words = f"{label}{'' if strong else ', weak'}"
                    lines.append(f"| {a}, {b} | {words} | {len(told)} | {_figures(told, key)}")
    return "\n".join(lines)


def _figures(told: list[Answer], key: str) -> str:
    gains = 100 * np.abs([each.gains[key] for each in told])
    offsets = 1023 * np.abs([each.offsets[key] for each in told])
    within = np.mean([_kept(each.gains[key], each.offsets[key]) for each in told])
    scene = np.mean([key in each.told and _kept(*each.told[key]) for each in told])
    held = np.mean([each.held[key] for each in told])
    wide = np.median([each.widths[key] for each in told], axis=0)
    spread = [" / ".join(f"{value:.2f}" for value in (np.median(some), np.quantile(some, 0.95), some.max()))
              for some in (gains, offsets)]  # fmt: skip
    return (
        f"{spread[0]} % | {spread[1]} | {100 * within:.0f} % | {100 * scene:.0f} % | {100 * held:.0f} % "
        f"| {100 * wide[0]:.2f} %, {1023 * wide[1]:.1f} |"
    )


def _kept(gain: float, offset: float) -> bool:
    return abs(gain) <= GAIN_LIMIT and abs(offset) <= OFFSET_LIMIT


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--smoke", action="store_true", help="a few pairs only")
    parser.add_argument("--tuning", action="store_true", help="the pictures that the limits were set on, instead")
    parser.add_argument("--photographs", type=Path, metavar="FOLDER", help="its JPEG files' scenes instead")
    parser.add_argument("--uncoded", action="store_true", help="lossless pairs, which no coder has worn")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    parser.add_argument("--json", type=Path, help="write every answer there")
    options = parser.parse_args()
    start = time.monotonic()
    for clip in material.CLIPS.values():
        material.clip_path(options.cache, clip)
    names = [name for name in (*material.PHOTOGRAPHS, *material.CLIPS) if (name in material.TUNING) == options.tuning]
    if options.photographs:
        names = [str(path) for path in sorted(options.photographs.glob("*.jpg"))]
    cases = list(pairs(names, smoke=options.smoke, couples=UNCODED if options.uncoded else COUPLES))
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(options.jobs) as pool:
        found = list(pool.map(partial(answer, folder=folder, cache=str(options.cache)), cases, chunksize=4))
    if options.json:
        rows = [{**asdict(each), "pair": str(each.pair)} for each in found]
        options.json.write_text(json.dumps(rows, indent=1))
    twins = [each for each in found if each.pair.other is None]
    strangers = [each for each in found if each.pair.other is not None]
    print(table(twins))
    right = sum(each.said == each.pair.relation for each in twins)
    refused = sum(each.said == "refused" for each in strangers)
    print(f"\nRelation right: {right} of {len(twins)}. Unrelated pairs refused: {refused} of {len(strangers)}.")
    print(f"{len(cases)} pairs of files, {time.monotonic() - start:.0f} s")
    held = [truth for each in twins for truth in each.held.values()]
    print(f"Both intervals hold in {sum(held)} of {len(held)} fits.")
    return 1 if right < 0.99 * len(twins) or refused < len(strangers) or sum(held) < HELD * len(held) else 0


if __name__ == "__main__":
    raise SystemExit(main())
