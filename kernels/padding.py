"""Shallower codes in a deeper file: which codes they can have come to, and folding them back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .encoding import Channel
from .scalings import PADDINGS, padded_codes

Counts = npt.NDArray[np.int64]

STRAY = 0.005
"""Share of the samples that may lie between the codes of a padded file (overlays, a few repaired pixels)."""
OCCUPIED = 24
"""Codes in use that it takes to call a pattern one."""


@dataclass(frozen=True, slots=True)
class Padding:
    """Shallower codes in a deeper file.

    depth : bits that they really have
    how : one of scalings.PADDINGS
    stray : share of the samples that lie between
    z : what the pattern would be as a normal deviate, were every code as likely as the next to be in use
    """

    depth: int
    how: str
    stray: float
    z: float

    def folded(self, histograms: Mapping[Channel, Counts]) -> dict[Channel, Counts]:
        """The histograms of the shallower codes; what lies between counts for the nearer."""
        result = {}
        for channel, histogram in histograms.items():
            deep = len(histogram).bit_length() - 1
            places = _pattern(self.depth, deep, self.how, Channel.CHROMA if channel is Channel.CHROMA else Channel.LUMA)
            edges = (places[:-1] + places[1:] + 1) // 2
            nearest = np.searchsorted(edges, np.arange(len(histogram)), side="right")
            folded = np.bincount(nearest, weights=histogram, minlength=1 << self.depth)
            result[channel] = folded.astype(np.int64)
        return result


def find_padding(histograms: Mapping[Channel, Counts], depth: int) -> Padding | None:
    """The shallowest codes that fill the file, or None.

    Only exact patterns are found: noise or lossy coding after the padding fills the gaps.
    """
    tones = [histogram for channel, histogram in histograms.items() if channel is not Channel.CHROMA]
    total = sum(int(histogram.sum()) for histogram in tones)
    if not total:
        return None
    for shallow in range(8, depth):
        found = []
        for how, places in _patterns(shallow, depth):
            places = np.unique(places)  # noqa: PLW2901  (clipped ends fall together)
            on = sum(int(histogram[places].sum()) for histogram in tones)
            occupied = max(int(np.count_nonzero(histogram[places])) for histogram in tones)
            if on >= (1 - STRAY) * total and occupied >= OCCUPIED:
                found.append(Padding(shallow, how, 1 - on / total, _surprise(occupied, (1 << shallow) / (1 << depth))))
        if found:
            return min(found, key=lambda padding: padding.stray)
    return None


@lru_cache(maxsize=32)
def _pattern(shallow: int, deep: int, how: str, channel: Channel = Channel.LUMA) -> npt.NDArray[np.int64]:
    return np.asarray(padded_codes(shallow, deep, how, channel))


def _patterns(shallow: int, deep: int) -> Iterator[tuple[str, npt.NDArray[np.int64]]]:
    for how in PADDINGS:
        yield how, _pattern(shallow, deep, how)


def _surprise(occupied: int, share: float) -> float:
    """sqrt(-2 ln p) for `occupied` codes all of which fall on a pattern that holds `share` of the codes."""
    return float(np.sqrt(-2 * occupied * np.log(share)))
