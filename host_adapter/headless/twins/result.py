"""What a comparison found, as plain values: the JSON, and the numbers behind every picture of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.aligning import Place
from ....kernels.pairing import Line
from ..media import Info
from .left import Left
from .maps import NamedMap

Shown = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Plot:
    """Codes of A against codes of B, one channel, cell by cell.

    counts : int64 [BINS, BINS], row: A's code, column: B's code, both from 0 to M in equal steps
    gain, offset : the fitted line b = gain a + offset in units of M; None where nothing was to be fitted
    named : gain and offset of every named map, by relation
    """

    counts: npt.NDArray[np.int64]
    gain: float | None
    offset: float | None
    named: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Crop:
    """Where most is left: R'G'B' of 8 bits [rows, columns, 3], all of one size, for looking at.

    first, second : as a reader that trusts each file shows it; brought : B brought to A (None where it has no such codes)
    frame_a, frame_b : frame numbers; box : left, top, right, bottom in A's pixels; delta_e : the largest cell's
    """

    first: Shown
    second: Shown
    brought: Shown | None
    frame_a: int
    frame_b: int
    box: tuple[int, int, int, int]
    delta_e: float


@dataclass(frozen=True, slots=True)
class Party:
    """One recording of the comparison, without anything open."""

    path: Path
    info: Info
    timecode: str | None

    def to_json(self) -> dict[str, Any]:
        info = self.info
        return {
            "path": str(self.path), "codec": info.codec, "depth": info.depth, "sampling": info.sampling,
            "width": info.width, "height": info.height, "frames": info.frames,
            "rate": None if info.rate is None else float(info.rate), "timecode": self.timecode,
            "read_as": info.tag.trusted.label, "says_range": info.tag.container is not None or info.tag.stream is not None,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Comparison:
    """All that is known of two recordings of one take.

    relation : what B's codes are to A's, a word of maps.RELATIONS; named : that map, exactly; None for 'other'
    lines : the fit of each channel, None where the channel tells nothing
    offset : frame number in B less that in A for one picture; None where the pictures do not tell
    paired_by : the offset that was used; by_timecode : what the timecodes say
    place : where A's picture lies in B's
    clipped : shares of B's luma samples at its own first and last code, beyond what A holds there
    remedy : 'none' | 'match' (--mend brings B to A by the exact inverse) | 'ask'
    """

    first: Party
    second: Party
    relation: str
    named: NamedMap | None
    words: str
    lines: Mapping[str, Line | None]
    offset: int | None
    paired_by: int
    by_timecode: int | None
    lead: float
    overlap: int
    frames: tuple[int, ...]
    place: Place
    alike: float
    left: Left
    clipped: tuple[float, float]
    remedy: str
    remedy_words: str
    notes: tuple[str, ...]
    plots: Mapping[str, Plot] = field(default_factory=dict)
    crop: Crop | None = None

    @property
    def read_alike(self) -> bool:
        """Whether both look alike when each is read by its own flag: the flags may account for a change of range."""
        return as_read_alike(self.left)

    @property
    def differs(self) -> bool:
        """Whether a difference in range was found, in the codes or in how they are read."""
        return self.relation != "same" or not self.read_alike

    def to_json(self) -> dict[str, Any]:
        """The comparison as `footroom compare --json` prints it; no pictures."""
        lines = self.lines
        return {
            "a": self.first.to_json(),
            "b": self.second.to_json(),
            "relation": self.relation,
            "relation_words": self.words,
            "gain": {key: line and _rounded(line.gain) for key, line in lines.items()},
            "offset": {key: line and _rounded(line.offset) for key, line in lines.items()},
            "interval": {
                key: line
                and {"gain": [_rounded(end) for end in line.gain_range], "offset": [_rounded(end) for end in line.offset_range]}
                for key, line in lines.items()
            },
            "exact": self._exact(),
            "time_offset_frames": self.offset,
            "time": {
                "determined": self.offset is not None, "paired_by": self.paired_by, "by_timecode": self.by_timecode,
                "lead": round(self.lead, 1), "overlap_frames": self.overlap, "frames_of_a": list(self.frames),
            },
            "space": self.space(),
            "alike": round(self.alike, 4),
            "residual_codes": {key: round(value, 3) for key, value in self.left.residual_codes.items()},
            "bias_codes": {key: round(value, 3) for key, value in self.left.bias_codes.items()},
            "noise_codes": {
                key: line and round(line.residual * self.most, 3) for key, line in lines.items()
            },
            "hue_shift": None if self.left.hue_shift is None else round(self.left.hue_shift, 3),
            "delta_e": {"median": round(self.left.median, 3), "p95": round(self.left.p95, 3)},
            "delta_e_as_read": {
                "median": round(float(np.nanmedian(self.left.delta_e_as_read)), 3),
                "p95": round(float(np.nanquantile(self.left.delta_e_as_read, 0.95)), 3),
            },
            "left_out_clipped": round(self.left.left_out, 5),
            "delta_e_assumes": self.left.assumed,
            "zones": [
                {
                    "row": zone.row, "column": zone.column,
                    "residual_codes": {key: round(value, 3) for key, value in zone.residual_codes.items()},
                    "delta_e": {"median": round(zone.delta_e_median, 3), "p95": round(zone.delta_e_p95, 3)},
                    "hue_shift": None if zone.hue_shift is None else round(zone.hue_shift, 3),
                }
                for zone in self.left.zones
            ],
            "worst": None if self.crop is None else {
                "frame_a": self.crop.frame_a, "frame_b": self.crop.frame_b, "box": list(self.crop.box),
                "delta_e": round(self.crop.delta_e, 3),
            },
            "clipped_in_b": {"low": self.clipped[0], "high": self.clipped[1]},
            "remedy": self.remedy,
            "remedy_words": self.remedy_words,
            "read_alike": self.read_alike,
            "notes": list(self.notes),
        }  # fmt: skip

    @property
    def most(self) -> int:
        """A's last code."""
        assert self.first.info.depth is not None
        return (1 << self.first.info.depth) - 1

    def _exact(self) -> dict[str, Any] | None:
        if self.named is None:
            return None
        from .maps import KEYS

        pairs = {key: self.named.normalised(channel) for key, channel in KEYS.items() if key in self.lines}
        return {
            "gain": {key: _rounded(pair[0]) for key, pair in pairs.items()},
            "offset": {key: _rounded(pair[1]) for key, pair in pairs.items()},
        }

    def space(self) -> dict[str, Any]:
        """Where A's picture lies in B's, in B's pixels, and in words."""
        place, a, b = self.place, self.first.info, self.second.info
        scale = place.scale[0] * b.width / a.width, place.scale[1] * b.height / a.height
        return {
            "kind": placing(place, a, b),
            "scale": [round(value, 5) for value in scale],
            "shift": [round(place.left * b.width, 3), round(place.top * b.height, 3)],
            "box_in_b": [round(value, 3) for value in (
                place.left * b.width, place.top * b.height, place.right * b.width, place.bottom * b.height,
            )],
            "mirrored": place.left > place.right,
            "flipped": place.top > place.bottom,
        }  # fmt: skip


def placing(place: Place, a: Info, b: Info) -> str:
    """'whole', 'part of B', 'part of A' or 'shifted', with 'mirrored' or 'turned' before it; edges count to a hundredth."""
    across, down = sorted((place.left, place.right)), sorted((place.top, place.bottom))
    near = 0.012
    if all(abs(low) < near and abs(high - 1) < near for low, high in (across, down)):
        words = "whole"
    elif all(low > -near and high < 1 + near for low, high in (across, down)):
        words = "part of B"
    elif all(low < near and high > 1 - near for low, high in (across, down)):
        words = "part of A"
    else:
        words = "shifted"
    mirrored, flipped = place.left > place.right, place.top > place.bottom
    turned = "turned by 180 degrees" if mirrored and flipped else "mirrored" if mirrored else "upside-down mirrored"
    return f"{turned}, {words}" if mirrored or flipped else words


def as_read_alike(left: Left) -> bool:
    """Delta E of pictures read by their flags no larger than once B is brought to A, but for what hardly shows."""
    return float(np.nanmedian(left.delta_e_as_read)) <= left.median + 0.5


def _rounded(value: float) -> float:
    return round(value, 6)
