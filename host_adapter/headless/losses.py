"""What a change of codes cost a recording, in numbers: counted over every sample of it, from the exact map."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...kernels.encoding import Channel, Encoding, affine_map
from ...kernels.occupancy import counts
from ...kernels.scaling import exact_map
from .media import Frame


@dataclass(frozen=True, slots=True)
class ExactMap:
    """Where every code of a channel goes.

    gain : target codes to one source code
    codes : int64 [codes], rounded, not clipped
    maximum : the target's last code
    """

    gain: float
    codes: npt.NDArray[np.int64]
    maximum: int


def exact_maps(source: Encoding, target: Encoding, channels: tuple[Channel, ...]) -> dict[Channel, ExactMap]:
    """The maps between two encodings of every channel that has a range."""
    return {
        channel: ExactMap(
            float(affine_map(source, target, channel)[0]), exact_map(source, target, channel), target.maximum
        )
        for channel in channels
        if channel is not Channel.ALPHA
    }


class Losses:
    """Counts the codes of every frame that goes through; `report` turns the counts into the receipt's figures.

    Not for sharing between threads: one thread calls `add`.
    """

    def __init__(self, source: Encoding, maps: Mapping[Channel, ExactMap], channels: tuple[Channel, ...]) -> None:
        self._source, self._maps = source, maps
        self._channels = channels
        self._histograms: dict[Channel, npt.NDArray[np.int64]] = {}

    def add(self, frame: Frame) -> None:
        """Count a frame's codes."""
        for channel, plane in zip(self._channels, frame.planes, strict=True):
            if channel is Channel.ALPHA:
                continue
            self._histograms[channel] = counts(plane, self._source, out=self._histograms.get(channel))

    def report(self) -> dict[str, Any]:
        """Per channel: samples, the codes in use before and after the exact map, those merged, those clipped."""
        return {
            channel.value: channel_losses(histogram, self._maps[channel])
            for channel, histogram in self._histograms.items()
        }


def channel_losses(histogram: npt.NDArray[np.int64], exact: ExactMap) -> dict[str, Any]:
    """What a map does to the codes that a histogram holds.

    histogram : int64 [M+1], samples at each source code
    The figures are those of the map without dither: dither spreads a merged pair over neighbouring codes, it does not
    bring the pair back.
    """
    used = np.nonzero(histogram)[0]
    mapped = exact.codes[used]
    low, high = mapped < 0, mapped > exact.maximum
    inside = mapped[~low & ~high]
    return {
        "samples": int(histogram.sum()),
        "gain": exact.gain,
        "codes_in_use": len(used),
        "codes_merged": len(inside) - len(np.unique(inside)),
        "codes_clipped_low": int(low.sum()),
        "codes_clipped_high": int(high.sum()),
        "samples_clipped_low": int(histogram[used[low]].sum()),
        "samples_clipped_high": int(histogram[used[high]].sum()),
    }


def loss_lines(lost: dict[str, Any] | None) -> list[str]:
    """What a receipt says was lost, in words, one line a channel that lost something."""
    lines = []
    for channel, numbers in (lost or {}).items():
        if not isinstance(numbers, dict):
            continue
        parts = []
        if numbers["codes_merged"]:
            parts.append(
                f"{numbers['codes_merged']} of {numbers['codes_in_use']} codes in use share a code with a neighbour"
            )
        for end in ("low", "high"):
            if numbers[f"samples_clipped_{end}"]:
                share = numbers[f"samples_clipped_{end}"] / numbers["samples"]
                parts.append(f"{100 * share:.3g} % of samples clipped {end}")
        if parts:
            lines.append(f"{channel}: {', '.join(parts)}")
    return lines
