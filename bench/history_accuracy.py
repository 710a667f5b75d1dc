"""How often the history of codes is right: untouched things of many kinds, and frames scaled in every way, then spoilt.

    python bench/history_accuracy.py [--smoke] [--tuning] [--untouched N] [--scaled N] [--between N] [--pooled N] [--stretched N]
                                     [--photographs FOLDER] [--jobs N]

Prints the tables of the README; fails where more than 1 in 1,000 untouched ones is called scaled. The kernel's limits were set on
`history_scenes.TUNING`; the tables are made from the other pictures.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import history_scenes as material
import history_untouched as things
import numpy as np
from history_cases import AFTER, POOL, Answer, between, of_photograph, pooled, scaled, stretches, untouched

from footroom.kernels.scalings import CHANGES

ALLOWED = 1e-3


def untouched_table(found: list[Answer]) -> str:
    lines = ["| untouched | recordings | called scaled | highest z |", "|---|--:|--:|--:|"]
    for kind in (*things.KINDS, "all"):
        members = [answer for answer in found if kind in ("all", answer.what)]
        if members:
            wrong = sum(answer.said != "none-found" for answer in members)
            lines.append(f"| {kind} | {len(members)} | {wrong} | {max(answer.z for answer in members):.1f} |")
    return "\n".join(lines)


def scaled_table(found: list[Answer]) -> str:
    lines = [
        "| after the scaling | depth | history | recordings | named right | named wrong | rounding right |",
        "|---|--:|---|--:|--:|--:|--:|",
    ]
    keys = sorted(
        {(answer.after, answer.depth, answer.true) for answer in found}, key=lambda key: (key[0] != AFTER[0], key)
    )
    for after, depth, true in keys:
        members = [answer for answer in found if (answer.after, answer.depth, answer.true) == (after, depth, true)]
        right = [answer for answer in members if answer.said == true]
        wrong = sum(answer.said not in (true, "none-found") for answer in members)
        rounding = sum(answer.rounding_right for answer in right) if after != "triangular dither" else 0
        lines.append(f"| {after} | {depth} | {true} | {len(members)} | {len(right)} | {wrong} | {rounding} |")
    return "\n".join(lines)


def pooled_table(found: list[Answer]) -> str:
    lines = [
        "| recordings that move, 8 bit, H.264, CRF 20 | recordings | first frame: named, median z | 24 frames: named, median z "
        "| named wrong |",
        "|---|--:|--:|--:|--:|",
    ]
    for true in (*CHANGES, "none-found"):
        members = [answer for answer in found if answer.true == true]
        cells = []
        for frames in (1, POOL):
            some = [answer for answer in members if answer.frames == frames]
            cells.append(f"{sum(a.said != 'none-found' for a in some)}, {np.median([a.z for a in some]):.1f}")
        wrong = sum(answer.said not in (true, "none-found") for answer in members)
        lines.append(f"| {true} | {len(members) // 2} | {' | '.join(cells)} | {wrong} |")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="a few cases only")
    parser.add_argument("--tuning", action="store_true", help="the pictures that the limits were set on, instead")
    parser.add_argument("--untouched", type=int, default=3000)
    parser.add_argument("--scaled", type=int, default=20)
    parser.add_argument("--between", type=int, default=10)
    parser.add_argument("--pooled", type=int, default=10)
    parser.add_argument("--stretched", type=int, default=200)
    parser.add_argument(
        "--photographs", type=Path, help="folder of photographs of 1920 x 1080 or more, to be scaled as well"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    options = parser.parse_args()
    if options.smoke:
        options.untouched, options.scaled, options.between, options.pooled, options.stretched = 60, 1, 1, 0, 10
    start = time.monotonic()
    for clip in material.CLIPS.values():
        material.clip_path(options.cache, clip)
    names = material.TUNING if options.tuning else material.REPORTED
    folder = options.photographs
    paths = tuple(str(path) for path in sorted(folder.glob("*.[jp][pn]g"))) if folder else ()
    with ProcessPoolExecutor(options.jobs) as pool:

        def run(work: object, count: int, **more: object) -> list[Answer]:
            doing = partial(work, names=names, cache=str(options.cache), **more)  # type: ignore[arg-type]
            return [answer for some in pool.map(doing, range(count)) for answer in some]

        clean = run(untouched, options.untouched)
        if clean:
            print(untouched_table(clean))
            scenes = [answer for answer in clean if answer.what == "photograph"]
            shares = f"99 % of z below {_share(scenes, 0.99):.2f}, 99.9 % below {_share(scenes, 0.999):.2f}"
            print(f"\nPhotographs: {shares}\n", flush=True)
        if options.scaled:
            print(scaled_table(run(scaled, options.scaled)), flush=True)
        if options.between:
            print(f"\n{scaled_table(run(between, options.between))}", flush=True)
        if options.pooled:
            print(f"\n{pooled_table(run(pooled, options.pooled, photographs=paths))}", flush=True)
        if paths and options.scaled:
            doing = partial(of_photograph, names=paths, cache=str(options.cache))
            found = [answer for some in pool.map(doing, range(2 * len(paths))) for answer in some]
            print(f"\n{len(paths)} photographs, twice each:\n\n{scaled_table(found)}", flush=True)
        stretched = run(stretches, options.stretched)
    said = {word: sum(answer.said == word for answer in stretched) for word in sorted({a.said for a in stretched})}
    print(
        f"\nStretched by another gain, 8 bit ({len(stretched)}): {', '.join(f'{n} {word}' for word, n in said.items())}"
    )
    print(f"\n{time.monotonic() - start:.0f} s")
    return 1 if sum(answer.said != "none-found" for answer in clean) > ALLOWED * len(clean) else 0


def _share(found: Iterable[Answer], share: float) -> float:
    return float(np.quantile([answer.z for answer in found], share))


if __name__ == "__main__":
    raise SystemExit(main())
