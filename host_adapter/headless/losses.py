"""What a rescale cost a recording, in numbers: counted over every sample of it, from the exact map."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ...kernels.encoding import Channel, Encoding, affine_map, map_code
from ...kernels.occupancy import counts
from .media import Frame


class Losses:
    """Counts the codes of every frame that goes through; `report` turns the counts into the receipt's figures.

    Not for sharing between threads: one thread calls `add`.
    """

    def __init__(self, source: Encoding, target: Encoding, channels: tuple[Channel, ...]) -> None:
        self._source, self._target = source, target
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
            channel.value: channel_losses(histogram, self._source, self._target, channel)
            for channel, histogram in self._histograms.items()
        }


def channel_losses(
    histogram: npt.NDArray[np.int64], source: Encoding, target: Encoding, channel: Channel
) -> dict[str, Any]:
    """What the exact map does to the codes that a histogram holds.

    histogram : int64 [M+1], samples at each source code
    The figures are those of the map without dither: dither spreads a merged pair over neighbouring codes, it does not
    bring the pair back.
    """
    used = np.nonzero(histogram)[0]
    unclipped = [map_code(int(code), source, target, channel, clip=False) for code in used]
    low = [code for code, mapped in zip(used, unclipped, strict=True) if mapped < 0]
    high = [code for code, mapped in zip(used, unclipped, strict=True) if mapped > target.maximum]
    within = {mapped for mapped in unclipped if 0 <= mapped <= target.maximum}
    inside = len(used) - len(low) - len(high)
    gain, _ = affine_map(source, target, channel)
    return {
        "samples": int(histogram.sum()),
        "gain": float(gain),
        "codes_in_use": len(used),
        "codes_merged": inside - len(within),
        "codes_clipped_low": len(low),
        "codes_clipped_high": len(high),
        "samples_clipped_low": int(histogram[low].sum()) if low else 0,
        "samples_clipped_high": int(histogram[high].sum()) if high else 0,
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
