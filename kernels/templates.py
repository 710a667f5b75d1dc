"""What every history leaves in the counts: the combs of the candidates, each as soft as noise and coding may have made it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from .comb import Values, deviations, soften
from .encoding import Channel
from .quiet import CLASSES
from .scalings import Scaling, candidates, candidates_between_depths

SOFTNESS = (0.0, 0.5, 0.8, 1.1, 1.4, 1.8, 2.2)
"""Standard deviations, in codes, of what noise may have come after the scaling."""
SLIGHTLY = (0.0, 0.4, 0.7)
"""The same of codes that were deeper before: their combs turn in two or three codes, of which more noise leaves nothing."""
SLIGHT = 1.0
"""Codes that a coder or noise may have moved such codes in blocks whose deviation is one code, for classes to be asked about them."""
SPREAD = (0.52, 0.76, 0.94, 1.09, 1.25, 1.44, 1.74, 2.18, 2.87)
"""How far a lossy coder moves codes in blocks of each class of quiet.CLASSES, over how far in blocks whose deviation is one code: the
deviation to the power of .4, about what x264 was measured to leave at constant quality 14 to 28."""
CODED = (0.5, 0.9, 1.3, 1.8)
"""Codes that it moves them in the latter."""
EVENLY = (0.0, 0.8, 1.4, 2.0)
"""Codes that noise of one strength moves them in all classes."""
PERIOD = {Channel.LUMA: 7.0, Channel.CHROMA: 8.0}
"""Codes that the smooth course is taken over: about one turn of the combs (6.1 to 7.1 luma, 7.2 to 8.2 chroma, at any depth)."""


@lru_cache(maxsize=16)
def bank(depth: int) -> tuple[tuple[Scaling, float], ...]:
    """Every candidate at every softness, in the order of the templates."""
    alike = [(scaling, softness) for scaling in candidates(depth) for softness in SOFTNESS]
    for scaling in candidates_between_depths(depth):
        softnesses = SLIGHTLY if scaling.first_depth > depth else SOFTNESS[1:]
        alike += [(scaling, softness) for softness in softnesses]
    return tuple(alike)


@lru_cache(maxsize=16)
def templates(depth: int, channel: Channel) -> Values:
    """The deviations that every candidate leaves in a flat histogram, float64 [candidates, codes]."""
    return np.array([_left(scaling, channel, softness) for scaling, softness in bank(depth)])


@lru_cache(maxsize=16)
def class_bank(depth: int) -> tuple[tuple[Scaling, tuple[float, ...]], ...]:
    """Every candidate with every way that classes of blocks may have been softened."""
    ways = [(moved, tuple(moved * spread for spread in SPREAD)) for moved in CODED]
    ways += [(moved, (moved,) * CLASSES) for moved in EVENLY]
    alike = [(scaling, way) for scaling in candidates(depth) for _, way in ways]
    for scaling in candidates_between_depths(depth):
        most = SLIGHT if scaling.first_depth > depth else math.inf
        alike += [(scaling, way) for moved, way in ways if moved <= most]
    return tuple(alike)


@lru_cache(maxsize=64)
def class_templates(depth: int, channel: Channel, which: int) -> Values:
    """The deviations that every candidate of class_bank leaves in one class, float64 [candidates, codes]."""
    return np.array([_left(scaling, channel, way[which]) for scaling, way in class_bank(depth)])


@lru_cache(maxsize=4096)
def _left(scaling: Scaling, channel: Channel, softness: float) -> Values:
    """The deviations that a scaling and noise after it leave in a flat histogram, float64 [codes].

    Without those that a cut leaves by itself, which are no sign of a change of range.
    """
    left = _deviations(scaling.multiplicity(channel), channel, softness)
    if scaling.cut is None:
        return left
    alone = _deviations(scaling.cut_multiplicity(channel), channel, softness)
    return np.asarray(left - alone * float(left @ alone) / max(float(alone @ alone), 1e-9))


def _deviations(multiplicity: npt.NDArray[np.int64], channel: Channel, softness: float) -> Values:
    counts = multiplicity.astype(np.float64)
    counts[[0, -1]] = counts[[1, -2]]  # piles of clipped codes
    return deviations(1e4 * soften(counts, softness), PERIOD[channel])
