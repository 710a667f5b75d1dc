"""Cases of history_accuracy.py: what each makes, spoils and asks about, as a list of answers. Seeds follow from the number."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import history_motion as motion
import history_scenes as material
import history_untouched as things
import numpy as np

from footroom.kernels.dither import Dither, requantise
from footroom.kernels.encoding import PLANE_CHANNELS, Encoding, Model, Range
from footroom.kernels.scalings import CHANGES, WAYS, Scaling

AFTER = ("rounding alone", "noise of 2 codes", "H.264, CRF 20")
BETWEEN = ("rounding alone", "noise of 1 code")
POOL = 24
"""Frames that the survey takes."""


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
    kind = "photograph" if number % 2 else things.KINDS[number // 2 % len(things.KINDS)]
    codes, depth = things.untouched(_pictures(cache), names, kind, draw)
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


def between(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """One 1080p frame brought to another depth, with a change of range in the same rounding and without one."""
    draw = np.random.default_rng((7, number))
    levels = material.scene(_pictures(cache), names[number % len(names)], draw)
    made = []
    for first, last in ((10, 8), (12, 8), (12, 10), (8, 10), (10, 12), (8, 12)):
        for before in Range:
            for after in Range:
                true = "none-found" if before is after else "to-full" if after is Range.FULL else "to-narrow"
                ends = Encoding(first, before), Encoding(last, after)
                codes = material.requantised(material.coded(levels, ends[0]), *ends)
                for spoilt in BETWEEN:
                    moved = codes if spoilt == BETWEEN[0] else material.noisy(codes, 1, last, draw)
                    found = material.Seen(last).add(moved).history()
                    right = found.from_depth == first
                    kind = f"from {first} bits, {spoilt}"
                    made.append(Answer("between", last, true, kind, 1, found.scaled, found.z, right))
    return made


def pooled(number: int, names: tuple[str, ...], cache: str, photographs: tuple[str, ...] = ()) -> list[Answer]:
    """One shot that moves, 8 bit, scaled to narrow, to full and not at all, each an H.264 file: its first frame and the survey's 24."""
    draw = np.random.default_rng((8, number))
    large = number % 2 == 1 and bool(photographs)
    name = photographs[number // 2 % len(photographs)] if large else names[number // 2 % len(names)]
    taken = motion.shot(None if large else _pictures(cache), name, draw)
    made = []
    with TemporaryDirectory() as folder:
        files = {true: Path(folder) / f"{true}.mp4" for true in (*CHANGES, "none-found")}
        writers = {true: motion.Writer(path) for true, path in files.items()}
        for levels in taken.frames(motion.LENGTH, draw):
            for true, writer in writers.items():
                before = WAYS[true][0] if true in WAYS else Range(number // 2 % 2)
                codes = material.coded(levels, Encoding(8, before))
                writer.add(material.through(codes, Scaling(true, 8)) if true in WAYS else codes)
        for true, writer in writers.items():
            writer.close()
            for frames in (1, POOL):
                found = motion.surveyed(files[true], frames)
                made.append(Answer("pooled", 8, true, "H.264, CRF 20", frames, found.scaled, found.z))
    return made


def stretches(number: int, names: tuple[str, ...], cache: str) -> list[Answer]:
    """A photograph stretched by a gain that is no change of range."""
    codes, gain = things.stretched(_pictures(cache), names, np.random.default_rng((5, number)))
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
