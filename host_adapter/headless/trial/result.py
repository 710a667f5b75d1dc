"""What a trial found, as values; `to_json` is the form that leaves the program."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.dither import Dither
from ....kernels.encoding import Encoding

Tones = npt.NDArray[np.float32]
"""Exact tones in codes of the target, neither rounded nor clipped: [rows, columns]."""


@dataclass(frozen=True, slots=True)
class Look:
    """What is seen in a result beside the exact tones: means over the frames looked at; errors in steps of the target's codes.

    index : banding index (kernels.banding), 0 none, about 5 where bands begin to annoy, 24 the most
    stairs : how far areas of 8 x 8 pixels lie from their tone, 95th percentile
    run : pixels of the longest stretch of one code along the scan line
    comb : amplitude of the comb in the histogram; NaN where it is too narrow to tell
    mean_error : over everything
    bias : rms of the mean error of each tone: how much the error follows the picture
    noise : variance of the error, steps squared
    low : power under .1 cycle a pixel over the variance: 1 white noise, 0 blue, more: blotches and bands
    frequencies, power : of the error, cycles a pixel, over that of white noise of the same variance
    """

    index: float
    stairs: float
    run: float
    comb: float
    mean_error: float
    bias: float
    noise: float
    low: float
    frequencies: tuple[float, ...] = field(repr=False)
    power: tuple[float, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Coded:
    """What came out of the codec.

    quality : constant rate factor it was coded at
    bits : a second, over all planes
    more_bits : share more than without dither at the same quality (or, where the rate was to be equal, what is left of the difference)
    """

    look: Look
    quality: float
    bits: float
    more_bits: float


@dataclass(frozen=True, slots=True)
class Way:
    """One way to requantise.

    direct : at the target depth
    same_quality, same_rate : after the codec, at the quality asked for, and at the bit rate that no dither has there; None without a codec
    times_copy : time of the requantise over that of a copy of its source
    """

    dither: Dither
    direct: Look
    same_quality: Coded | None
    same_rate: Coded | None
    times_copy: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether dither pays.

    pays : 'yes' | 'at a price' | 'no'
    dither : the way that serves best; NONE where it does not pay
    why : the reasons, in sentences
    """

    pays: str
    dither: Dither
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Exhibit:
    """What a trial shows to the eye; not part of the JSON.

    crop : exact tones of the part shown; line : exact tones along the scan line, row of the whole picture
    crops, lines : the same of each way at the target depth; coded_crops, coded_lines : after the codec at the same bit rate
    top_left_yx, row : where they lie in the picture that was tried
    """

    crop: Tones
    line: npt.NDArray[np.float32]
    crops: dict[Dither, npt.NDArray[Any]]
    lines: dict[Dither, npt.NDArray[Any]]
    coded_crops: dict[Dither, npt.NDArray[Any]]
    coded_lines: dict[Dither, npt.NDArray[Any]]
    top_left_yx: tuple[int, int]
    row: int


@dataclass(frozen=True, slots=True)
class Trial:
    """One picture's trial.

    name : of the recording, or of the gradient; path : None for a gradient
    note : what was left out of the recording, in words; '' for nothing
    noise : standard deviation of the picture's own noise, in steps of the target
    expected_comb : what theory gives for this map, undithered
    """

    name: str
    path: Path | None
    note: str
    source: Encoding
    target: Encoding
    size: tuple[int, int]
    frames: int
    rate: Fraction
    codec: str | None
    quality: float | None
    noise: float
    expected_comb: float
    ways: tuple[Way, ...]
    verdict: Verdict
    exhibit: Exhibit = field(repr=False)

    def way(self, dither: Dither) -> Way:
        """The way of that dither."""
        return next(way for way in self.ways if way.dither is dither)

    def to_json(self) -> dict[str, Any]:
        """The trial as plain values."""
        return {
            "name": self.name,
            "path": None if self.path is None else str(self.path),
            "note": self.note,
            "from": _encoding(self.source),
            "to": _encoding(self.target),
            "width": self.size[0],
            "height": self.size[1],
            "frames": self.frames,
            "codec": self.codec,
            "quality": self.quality,
            "picture_noise_steps": _number(self.noise),
            "expected_comb": _number(self.expected_comb),
            "verdict": {
                "pays": self.verdict.pays,
                "dither": self.verdict.dither.value,
                "why": list(self.verdict.why),
            },
            "ways": [
                {
                    "dither": way.dither.value,
                    "direct": _look(way.direct),
                    "same_quality": _coded(way.same_quality),
                    "same_rate": _coded(way.same_rate),
                    "times_copy": _number(way.times_copy),
                }
                for way in self.ways
            ],
        }


def _encoding(encoding: Encoding) -> dict[str, Any]:
    return {"depth": encoding.depth, "range": encoding.range.label}


def _coded(coded: Coded | None) -> dict[str, Any] | None:
    if coded is None:
        return None
    numbers = {
        "quality": _number(coded.quality),
        "bits_per_second": round(coded.bits),
        "more_bits": _number(coded.more_bits),
    }
    return {**numbers, **_look(coded.look)}


def _look(look: Look) -> dict[str, Any]:
    names = {"index": "banding_index", "run": "longest_run", "noise": "noise_power", "low": "low_frequency_share"}
    found: dict[str, Any] = {}
    for each in fields(look):
        value = getattr(look, each.name)
        listed = isinstance(value, tuple)
        found[names.get(each.name, each.name)] = [_number(one) for one in value] if listed else _number(value)
    return found


def _number(value: float) -> float | None:
    return round(float(value), 5) if math.isfinite(value) else None
