"""How often the history of codes is right: untouched things of many kinds, and frames scaled in every way, then spoilt.

    python bench/history_accuracy.py [--smoke] [--tuning] [--untouched N] [--scaled N] [--pooled N] [--photographs FOLDER] [--jobs N]

Prints the tables of the README; fails where more than 1 in 1,000 untouched ones is called scaled. The kernel's limits were set on
`history_scenes.TUNING`; the tables are made from the other pictures.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import history_scenes as material
import numpy as np

from footroom.kernels.dither import Dither, requantise
from footroom.kernels.encoding import PLANE_CHANNELS, Encoding, Model, Range
from footroom.kernels.scalings import WAYS, Scaling

ALLOWED = 1e-3
AFTER = ("rounding alone", "noise of 2 codes", "H.264, CRF 20")
POOL = 24


@dataclass(frozen=True, slots=True)
class Answer:
    """What was said of one thing.

    what : its kind; depth : bits; true : what was done to it ('none-found': nothing); after : what came then
    frames : counted together
    """

    what: str
    depth: int
    true: str
    after: str
    frames: int
    said: str
    z: float
    rounding_right: bool = True


_KEPT: dict[str, material.Pictures] = {}


def _pictures(cache: str) -> material.Pictures:
    return _KEPT.setdefault(cache, material.Pictures(Path(cache)))


def untouched(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """One thing that was never scaled, one that dither was scaled with, or one stretched by a gain of its own."""
    draw = np.random.default_rng((1, number))
    # Half of them photograph-like frames, the other kinds in turn.
    kind = "photograph" if number % 2 else material.KINDS[number // 2 % len(material.KINDS)]
    codes, depth = material.untouched(_pictures(cache), names, kind, draw)
    found = material.Seen(depth).add(codes).history()
    return [Answer(kind, depth, "none-found", "", 1, found.scaled, found.z)]


def scaled(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """One 1080p frame scaled in every way at every depth, spoilt in every way."""
    draw = np.random.default_rng((2, number))
    levels = material.scene(_pictures(cache), names[number % len(names)], draw)
    made = []
    for depth in (8, 10, 12):
        for name in WAYS:
            scaling = Scaling(name, depth, "rounded" if number % 3 else "truncated")
            codes = material.through(material.coded(levels, Encoding(depth, WAYS[name][0])), scaling)
            for after in AFTER:
                if after == "H.264, CRF 20" and (depth == 12 or name not in ("to-narrow", "to-full")):
                    continue
                spoilt = codes
                if after == "noise of 2 codes":
                    spoilt = material.noisy(codes, 2, depth, draw)
                elif after != "rounding alone":
                    spoilt = material.h264(codes, depth)
                found = material.Seen(depth).add(spoilt).history()
                right = found.scaling is not None and found.scaling.rounding == scaling.rounding
                made.append(Answer("scaled", depth, name, after, 1, found.scaled, found.z, right))
        made += [_dithered(levels, depth, name, number) for name in ("to-narrow", "to-full")]
    return made


def of_photograph(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """A large photograph scaled to narrow and to full at 8 bit and coded; and coded at some quality without being scaled."""
    path = Path(names[number % len(names)])
    draw = np.random.default_rng((6, number))
    levels = material.photograph(path, draw)
    made = []
    for name in ("to-narrow", "to-full"):
        scaling = Scaling(name, 8)
        codes = material.through(material.coded(levels, Encoding(8, WAYS[name][0])), scaling)
        for after, spoilt in zip(AFTER[1:], (material.noisy(codes, 2, 8, draw), material.h264(codes, 8)), strict=True):
            found = material.Seen(8).add(spoilt).history()
            right = found.scaling is not None and found.scaling.rounding == scaling.rounding
            made.append(Answer("large photograph", 8, name, after, 1, found.scaled, found.z, right))
    quality = int(draw.integers(14, 29))
    codes = material.h264(material.coded(levels, Encoding(8, Range(int(draw.integers(2))))), 8, quality)
    found = material.Seen(8).add(codes).history()
    made.append(Answer("large photograph", 8, "none-found", "H.264, CRF 14 to 28", 1, found.scaled, found.z))
    return made


def _dithered(levels: tuple[material.Levels, ...], depth: int, name: str, seed: int) -> Answer:
    before, after = (Encoding(depth, each) for each in WAYS[name])
    planes = zip(material.coded(levels, before), PLANE_CHANNELS[Model.YCBCR], strict=True)
    codes = tuple(
        requantise(plane, before, after, channel=channel, dither=Dither.TRIANGULAR, seed=seed, plane=index)
        for index, (plane, channel) in enumerate(planes)
    )
    found = material.Seen(depth).add(codes).history()
    return Answer("dithered", depth, name, "triangular dither", 1, found.scaled, found.z)


def pooled(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """One recording of 24 looks, 8 bit, scaled and spoilt; each look alone, and all together."""
    made = []
    noise = np.random.default_rng((4, number))
    ways = ("to-narrow", "to-full")
    totals = {(name, after): material.Seen(8) for name in ways for after in AFTER[1:]}
    for index, levels in enumerate(material.looks(_pictures(cache), names[number % len(names)], 3000 + number, POOL)):
        for name in ways:
            codes = material.through(material.coded(levels, Encoding(8, WAYS[name][0])), Scaling(name, 8))
            for after in AFTER[1:]:
                spoilt = material.noisy(codes, 2, 8, noise) if after == "noise of 2 codes" else material.h264(codes, 8)
                if index == 0:
                    found = material.Seen(8).add(spoilt).history()
                    made.append(Answer("pooled", 8, name, after, 1, found.scaled, found.z))
                totals[name, after].add(spoilt)
    for (name, after), total in totals.items():
        found = total.history()
        made.append(Answer("pooled", 8, name, after, POOL, found.scaled, found.z))
    return made


def stretches(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """A photograph stretched by a gain that is no change of range."""
    codes, gain = material.stretched(_pictures(cache), names, np.random.default_rng((5, number)))
    found = material.Seen(8).add(codes).history()
    near = found.gain is not None and abs(found.gain - gain) < 0.005
    said = (
        found.scaled
        if found.scaled != "other-gain"
        else "right gain"
        if near
        else "gain open"
        if found.gain is None
        else "gain off"
    )
    return [Answer("stretched", 8, f"{gain:.4f}", "", 1, said, found.z)]


def untouched_table(found: list[Answer]) -> str:
    lines = ["| untouched | recordings | called scaled | highest z |", "|---|--:|--:|--:|"]
    for kind in (*material.KINDS, "all"):
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
        "| 8 bit, after the scaling | history | recordings | one frame: named, median z | 24 frames: named, median z | named wrong |"
    ]
    lines.append("|---|---|--:|--:|--:|--:|")
    for after in AFTER[1:]:
        for true in ("to-narrow", "to-full"):
            members = [answer for answer in found if (answer.after, answer.true) == (after, true)]
            cells = []
            for frames in (1, POOL):
                some = [answer for answer in members if answer.frames == frames]
                cells.append(f"{sum(a.said == true for a in some)}, {np.median([a.z for a in some]):.1f}")
            wrong = sum(answer.said not in (true, "none-found") for answer in members)
            lines.append(f"| {after} | {true} | {len(members) // 2} | {' | '.join(cells)} | {wrong} |")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="a few cases only")
    parser.add_argument("--tuning", action="store_true", help="the pictures that the limits were set on, instead")
    parser.add_argument("--untouched", type=int, default=3000)
    parser.add_argument("--scaled", type=int, default=20)
    parser.add_argument("--pooled", type=int, default=10)
    parser.add_argument("--stretched", type=int, default=200)
    parser.add_argument(
        "--photographs", type=Path, help="folder of photographs of 1920 x 1080 or more, to be scaled as well"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    options = parser.parse_args()
    if options.smoke:
        options.untouched, options.scaled, options.pooled, options.stretched = 60, 1, 0, 10
    start = time.monotonic()
    for clip in material.CLIPS.values():
        material.clip_path(options.cache, clip)
    names = material.TUNING if options.tuning else material.REPORTED
    with ProcessPoolExecutor(options.jobs) as pool:

        def run(work: object, count: int) -> list[Answer]:
            doing = partial(work, names=names, cache=str(options.cache))  # type: ignore[arg-type]
            return [answer for some in pool.map(doing, range(count)) for answer in some]

        clean = run(untouched, options.untouched)
        if clean:
            print(untouched_table(clean))
            scenes = [answer for answer in clean if answer.what == "photograph"]
            shares = f"99 % of z below {_share(scenes, 0.99):.2f}, 99.9 % below {_share(scenes, 0.999):.2f}"
            print(f"\nPhotographs: {shares}\n", flush=True)
        if options.scaled:
            print(scaled_table(run(scaled, options.scaled)), flush=True)
        if options.pooled:
            print(f"\n{pooled_table(run(pooled, options.pooled))}", flush=True)
        if options.photographs:
            paths = tuple(str(path) for path in sorted(options.photographs.glob("*.[jp][pn]g")))
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
