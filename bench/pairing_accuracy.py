"""How often `footroom compare` is right: pairs of real encoded files made from real pictures, whose map is known.

    python bench/pairing_accuracy.py [--smoke] [--tuning] [--uncoded] [--json FILE]

Each pair is one take recorded twice: a photograph under a pan and a zoom, or a camera clip, with a sensor's noise that both
share; the second through an exact map of the codes, at its own size, codec and depth, begun some frames later or earlier.
Prints the README's table; fails where a relation is wrong too often, an unrelated pair passes, or the intervals hold too seldom.
The limits in the code were set on the pictures in `scenes.TUNING`, but for the width of the intervals; the table is made from the
others.
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
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import av
import numpy as np
import scenes as material

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.resampling import scaled
from footroom.host_adapter.headless.twins.comparing import compare
from footroom.host_adapter.headless.twins.maps import KEYS, named_maps
from footroom.kernels.encoding import Encoding, Range

FRAMES, ROWS, COLUMNS = 14, 360, 640
HELD = 0.9
"""Share of all fits whose 95 % intervals must hold: no fewer on pictures that they were not made on."""
GAIN_LIMIT, OFFSET_LIMIT = 0.002, 1 / 1023
"""What the project promises: .2 % of gain, one 10-bit code of offset."""
STRONG = 0.02
"""A channel's spread in units of M from which its fit is counted; weaker ones, with hardly any colour, apart."""
RELATIONS = ("same", "to-narrow", "to-full", "to-narrow-twice", "to-full-twice", "other")
OTHER_GAIN, OTHER_OFFSET = 0.93, 0.021
"""A map that is no change of range: somebody's gain and lift."""

CODECS: dict[str, tuple[str, str, str, int, dict[str, str]]] = {
    "h264 8 bit 4:2:0": ("mp4", "libx264", "yuv420p", 8, {"crf": "20", "preset": "veryfast", "g": "12"}),
    "h264 10 bit 4:2:2": ("mov", "libx264", "yuv422p10le", 10, {"crf": "18", "preset": "veryfast", "g": "12"}),
    "ffv1 8 bit 4:2:0": ("mkv", "ffv1", "yuv420p", 8, {}),
    "ffv1 10 bit 4:2:2": ("mkv", "ffv1", "yuv422p10le", 10, {}),
    "prores 10 bit 4:2:2": ("mov", "prores_ks", "yuv422p10le", 10, {"profile": "3"}),
}
COUPLES = (
    ("h264 10 bit 4:2:2", "prores 10 bit 4:2:2"),
    ("h264 8 bit 4:2:0", "prores 10 bit 4:2:2"),
    ("h264 8 bit 4:2:0", "h264 8 bit 4:2:0"),
)
UNCODED = (("ffv1 10 bit 4:2:2", "ffv1 10 bit 4:2:2"), ("ffv1 8 bit 4:2:0", "ffv1 10 bit 4:2:2"))
"""Without a coder's wear: what is left is the method's own."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One pair to be made. scale : B's size over A's; later : frames that B begins after A; other : a scene of its own for B."""

    scene: str
    relation: str
    couple: tuple[str, str]
    scale: Fraction
    later: int
    seed: int
    other: str | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What was said of a pair: said is the relation, or 'refused'; errors of gain (share) and offset (M) by channel.

    held : whether both intervals hold the truth
    """

    pair: Pair
    said: str
    gains: dict[str, float]
    offsets: dict[str, float]
    held: dict[str, bool]
    right_time: bool | None
    spreads: dict[str, float]
    words: str = ""


@lru_cache(maxsize=4)
def photograph(name: str) -> Any:
    """R'G'B' [rows, columns, 3], 0..1 float32."""
    import skimage.data

    picture = getattr(skimage.data, name)()
    picture = picture[0] if isinstance(picture, tuple) else picture
    return np.asarray(picture)[..., :3].astype(np.float32) / 255


def signals(name: str, frames: int, cache: Path) -> Iterator[Any]:
    """R'G'B' of each frame: a window that pans and zooms over a photograph, or a camera clip's own frames."""
    if name in material.CLIPS:
        with av.open(str(material.clip_path(cache, material.CLIPS[name]))) as container:
            for index, frame in enumerate(container.decode(video=0)):
                if index == frames:
                    return
                yield _window(frame.to_ndarray(format="rgb24").astype(np.float32) / 255, 0.0, 1.0)
        return
    for index in range(frames):
        yield _window(photograph(name), index / max(frames - 1, 1), 1.35 - 0.01 * index)


def _window(picture: Any, share: float, zoom: float) -> Any:
    rows, columns = picture.shape[:2]
    width = min(columns, rows * COLUMNS / ROWS) / zoom
    height = width * ROWS / COLUMNS
    left, top = share * (columns - width), (0.2 + 0.6 * share) * (rows - height)
    box = (left, top, left + width, top + height)
    return np.stack([scaled(np.ascontiguousarray(picture[..., at]), (COLUMNS, ROWS), box, 1) for at in range(3)], -1)


def _ycbcr(signal: Any) -> list[Any]:
    luma = signal @ material.LUMA.astype(np.float32)
    blue = (signal[..., 2] - luma) / (2 * (1 - material.LUMA[2]))
    red = (signal[..., 0] - luma) / (2 * (1 - material.LUMA[0]))
    return [luma, blue, red]


def true_map(pair: Pair) -> dict[str, tuple[float, float]]:
    """Gain and offset of each channel, codes in units of each M."""
    depths = CODECS[pair.couple[0]][3], CODECS[pair.couple[1]][3]
    if pair.relation == "other":
        return {
            key: (OTHER_GAIN, OTHER_OFFSET + (0 if key == "y" else 0.5 * (1 - OTHER_GAIN) - OTHER_OFFSET))
            for key in KEYS
        }
    named = [each for each in named_maps(*depths) if each.relation == pair.relation]
    wanted = named[-1] if pair.relation == "same" and pair.seed % 2 else named[0]
    return {key: wanted.normalised(channel) for key, channel in KEYS.items()}


def make(pair: Pair, folder: Path, cache: Path) -> tuple[Path, Path]:
    """Write both files; returns their paths."""
    noise = np.random.default_rng(pair.seed)
    range_ = (
        Range.NARROW
        if pair.relation.startswith("to-full") or (pair.relation == "same" and not pair.seed % 2)
        else Range.FULL
    )
    encoding = Encoding(12, range_)
    frames = FRAMES + abs(pair.later)
    taken = []
    for signal in signals(pair.scene, frames, cache):
        shot = signal + noise.normal(size=signal.shape).astype(np.float32) * np.sqrt(
            1e-6 + 4e-5 * np.clip(signal, 0, 1)
        )
        levels = _ycbcr(shot * 0.94 + 0.015)
        taken.append([
            (level * encoding.span(channel) + encoding.zero(channel)) / encoding.maximum
            for level, channel in zip(levels, encoding.channels(), strict=True)
        ])  # fmt: skip
    maps = list(true_map(pair).values())
    if pair.other is not None:
        mapped = [_ycbcr(signal) for signal in signals(pair.other, frames, cache)]
        mapped = [[planes[0], planes[1] + 0.5, planes[2] + 0.5] for planes in mapped]
    else:
        mapped = [
            [gain * plane + offset for plane, (gain, offset) in zip(planes, maps, strict=True)] for planes in taken
        ]
    start_a, start_b = max(0, -pair.later), max(0, pair.later)
    paths = []
    for name, planes, start, scale, word in (
        (pair.couple[0], taken, start_a, Fraction(1), "a"),
        (pair.couple[1], mapped, start_b, pair.scale, "b"),
    ):
        paths.append(_write(folder / f"{pair.seed}{word}", name, planes[start : start + FRAMES], scale))
    return paths[0], paths[1]


def _write(stem: Path, name: str, frames: list[list[Any]], scale: Fraction) -> Path:
    """Encode planes of codes in units of M: resampled, quantised, chroma averaged down."""
    container, encoder, pixel_format, depth, options = CODECS[name]
    most = (1 << depth) - 1
    width, height = int(COLUMNS * scale), int(ROWS * scale)
    path = stem.with_suffix(f".{container}")
    dtype = np.dtype(np.uint8 if depth == 8 else np.uint16)
    with av.open(str(path), "w") as output:
        stream: Any = output.add_stream(encoder, rate=Fraction(25), options=dict(options))
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        stream.codec_context.thread_count = 2
        for index, planes in enumerate(frames):
            frame = av.VideoFrame(width, height, pixel_format)
            for number, (target, plane) in enumerate(zip(frame.planes, planes, strict=True)):
                fine = plane.astype(np.float32)
                if scale != 1:
                    fine = scaled(fine, (width, height), (0, 0, COLUMNS, ROWS), 1)
                if number:
                    fine = _down(fine, tall="420" in pixel_format)
                codes = np.clip(np.floor(fine * most + 0.5), 0, most)
                view = np.frombuffer(target, dtype).reshape(target.height, target.line_size // dtype.itemsize)
                view[:, : target.width] = codes
            frame.pts = index
            output.mux(stream.encode(frame))
        output.mux(stream.encode(None))
    return path


def _down(plane: Any, *, tall: bool) -> Any:
    """Chroma on the first of its two luma columns ('left', what files mean that say nothing), between its two rows."""
    padded = np.pad(plane, ((0, 0), (1, 1)), mode="edge")
    across = (padded[:, 0:-2:2] + 2 * padded[:, 1:-1:2] + padded[:, 2::2]) / 4
    return (across[0::2] + across[1::2]) / 2 if tall else across


def answer(pair: Pair, folder: str, cache: str) -> Answer:
    """Make a pair, compare it, throw it away."""
    paths = make(pair, Path(folder), Path(cache))
    try:
        found = compare(*paths)
    except Problem as problem:
        return Answer(pair, "refused", {}, {}, {}, None, {}, str(problem))
    finally:
        for path in paths:
            path.unlink()
    exact = true_map(pair)
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
        found.words,
    )


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
        "| A, B | channel | fits | gain off: median, 95 %, worst | offset off, codes of 10 bit | within .2 % and 1 code | intervals hold |",
        "|---|---|--:|--:|--:|--:|--:|",
    ]
    for (a, b), members in groups.items():
        for key, label in (("y", "luma"), ("cb", "Cb"), ("cr", "Cr")):
            for strong in (True, False):
                told = [each for each in members if key in each.gains and (each.spreads[key] >= STRONG) is strong]
                if told:
                    words = f"{label}{'' if strong else ', weak'}"
                    lines.append(f"| {a}, {b} | {words} | {len(told)} | {_figures(told, key)} |")
    return "\n".join(lines)


def _figures(told: list[Answer], key: str) -> str:
    gains = 100 * np.abs([each.gains[key] for each in told])
    offsets = 1023 * np.abs([each.offsets[key] for each in told])
    within = float(np.mean((gains <= 100 * GAIN_LIMIT) & (offsets <= 1023 * OFFSET_LIMIT)))
    held = float(np.mean([each.held[key] for each in told]))
    spread = [" / ".join(f"{value:.2f}" for value in (np.median(some), np.quantile(some, 0.95), some.max()))
              for some in (gains, offsets)]  # fmt: skip
    return f"{spread[0]} % | {spread[1]} | {100 * within:.0f} % | {100 * held:.0f} %"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--smoke", action="store_true", help="a few pairs only")
    parser.add_argument("--tuning", action="store_true", help="the pictures that the limits were set on, instead")
    parser.add_argument("--uncoded", action="store_true", help="lossless pairs, which no coder has worn")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    parser.add_argument("--json", type=Path, help="write every answer there")
    options = parser.parse_args()
    start = time.monotonic()
    for clip in material.CLIPS.values():
        material.clip_path(options.cache, clip)
    names = [name for name in (*material.PHOTOGRAPHS, *material.CLIPS) if (name in material.TUNING) == options.tuning]
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
