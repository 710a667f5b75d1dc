"""One trial: each way to requantise, looked at directly and after the codec."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from ....kernels.dither import Dither, requantise
from ....kernels.encoding import Channel, affine_map
from ..media import Plane
from .coding import Coder, Passed, at_rate, coder_of, through
from .material import Material
from .measure import Truth, window_size
from .result import Coded, Exhibit, Trial, Way
from .verdict import judge

TIMED_SAMPLES = 1 << 22
TURNS = 7

Step = Callable[[str], None]
Frames = list[tuple[Plane, ...]]


def steps_of(codec: str | None) -> int:
    """How often `done` is called in a trial."""
    return len(Dither) * (1 if codec is None else 3)


def try_material(
    material: Material, *, codec: str | None, quality: float | None, seed: int = 0, done: Step = lambda _: None
) -> Trial:
    """Requantise by every dither, send each through the codec at equal quality and at equal bit rate, and judge.

    codec : a word of coding.CODERS, or None for no codec; quality : its rate factor, None for the usual one
    done : called with a few words after each step

    Raises: Problem where the codec does not take the pictures.
    """
    truth = Truth.of(material)
    coder = None
    if codec is not None:
        coder, quality, pixel_format = coder_of(codec, quality, material.target, material.sampling)
    made: dict[Dither, Frames] = {}
    after: dict[Dither, Passed] = {}
    equal: dict[Dither, Passed] = {}
    ways: list[Way] = []
    for dither in Dither:
        frames = made[dither] = requantised(material, dither, seed)
        direct = truth.look([planes[0] for planes in frames])
        times = times_copy(material.frames[0][0], material, dither)
        done(f"{material.name}: {dither.value}")
        same_quality = same_rate = None
        if coder is not None and quality is not None:
            passed = after[dither] = through(frames, material.target, coder, quality, pixel_format, material.rate)
            plain = after[Dither.NONE]
            same_quality = _coded(truth, passed, plain)
            done(f"{material.name}: {dither.value}, same quality")
            equal[dither] = passed
            if dither is not Dither.NONE:
                equal[dither] = at_rate(
                    frames, material.target, coder, passed, plain.bits, pixel_format, material.rate
                )  # fmt: skip
            same_rate = _coded(truth, equal[dither], plain)
            done(f"{material.name}: {dither.value}, same bit rate")
        ways.append(Way(dither, direct, same_quality, same_rate, times))
    gain = float(affine_map(material.source, material.target, Channel.LUMA)[0])
    whole = abs(1 / gain - round(1 / gain)) < 1e-9
    return Trial(
        name=material.name,
        path=material.path,
        note=material.note,
        source=material.source,
        target=material.target,
        size=material.size,
        frames=len(material.frames),
        rate=material.rate,
        codec=_spoken(coder),
        quality=quality if coder else None,
        noise=truth.noise,
        expected_comb=0.0 if whole else 2 * abs(float(np.sinc(1 / gain))),
        ways=tuple(ways),
        verdict=judge(ways, truth.noise, _said(coder, quality)),
        exhibit=_exhibit(truth, made, equal),
    )


def _spoken(coder: Coder | None) -> str | None:
    return None if coder is None else coder.spoken


def _said(coder: Coder | None, quality: float | None) -> str | None:
    return None if coder is None or quality is None else f"{coder.spoken} at {quality:g}"


def requantised(material: Material, dither: Dither, seed: int) -> Frames:
    """All frames and planes of a material as its target's codes."""
    channels = material.channels()
    return [
        tuple(
            requantise(
                plane,
                material.source,
                material.target,
                channel=channel,
                dither=dither,
                seed=seed,
                frame=number,
                plane=at,
            )
            for at, (plane, channel) in enumerate(zip(planes, channels, strict=True))
        )
        for number, planes in enumerate(material.frames)
    ]


def _coded(truth: Truth, passed: Passed, plain: Passed) -> Coded:
    return Coded(truth.look(passed.tones), passed.quality, passed.bits, passed.bits / plain.bits - 1)


def times_copy(plane: Plane, material: Material, dither: Dither) -> float:
    """Time of the requantise over that of a copy of its source: the fastest turns of each, on a plane larger than the caches.

    Processor time of this thread, which other work on the machine disturbs less than the clock.
    """
    repeats = max(-(-TIMED_SAMPLES // plane.size), 1)
    large = np.tile(plane, (repeats, 1))
    copy = np.empty_like(large)
    out = np.empty(large.shape, material.target.dtype_name)
    copies, ours = [], []
    for turn in range(TURNS + 1):
        start = time.thread_time()
        np.copyto(copy, large)
        middle = time.thread_time()
        requantise(large, material.source, material.target, channel=Channel.LUMA, dither=dither, out=out)
        end = time.thread_time()
        if turn:  # the first touches the memory and may compile
            copies.append(middle - start)
            ours.append(end - middle)
    return min(ours) / min(copies)


def _exhibit(truth: Truth, made: dict[Dither, Frames], equal: dict[Dither, Passed]) -> Exhibit:
    """What is shown: of the middle one of the frames looked at, the window where tones are smoothest, and the line through it."""
    at = len(truth.indices) // 2
    index, tones = truth.indices[at], truth.tones[at]
    top, left = truth.window
    rows, columns = window_size(tones.shape)

    def crop(plane: Plane) -> Plane:
        return plane[top : top + rows, left : left + columns].copy()

    direct = {dither: frames[index][0] for dither, frames in made.items()}
    coded = {dither: passed.tones[index] for dither, passed in equal.items()}
    return Exhibit(
        crop=crop(tones),
        line=tones[truth.line].copy(),
        crops={dither: crop(plane) for dither, plane in direct.items()},
        lines={dither: plane[truth.line].copy() for dither, plane in direct.items()},
        coded_crops={dither: crop(plane) for dither, plane in coded.items()},
        coded_lines={dither: plane[truth.line].copy() for dither, plane in coded.items()},
        top_left_yx=(top, left),
        row=truth.line,
    )
