"""From a signal's level to light and back: log curves by colour-science's registry, and the standards' own transfers.

Light is relative: 1 is a perfect diffuser or reference white, .18 is 18 % grey. A stop is a doubling of light.
Nothing about any curve is written down here. Levels are 0..1 of a range's black to white; excursions are kept.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .headless.curves import IN_CODES, colour_science, encode, find_key, is_code_numbered
from .headless.errors import Problem
from .headless.words import DISPLAYS

GREY = 0.18
"""Reflection of the grey that stops are counted from."""
CARD = 0.9
"""Reflection of a white card (common practice)."""

_WHITE_NITS = 203.0  # BT.2408-7 table 1
_GREY_NITS = (
    26.0  # the same table: what a display of 1000 cd/m2 makes of 18 % grey, whose gamma of 1.2 takes it below .18 x 203
)
_WHITE_HLG = 0.75  # the same table

Levels = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Transfer:
    """How level and light belong together.

    key : a name of colour-science's registry, or of DISPLAYS
    label : what a person reads
    of_scene : light is that of the scene; else that of a display
    """

    key: str
    label: str
    of_scene: bool

    def light(self, level: Any) -> Levels:
        """Light of levels, float64 in the same shape; it may be negative below the curve's black, and NaN where a curve has none."""
        levels = np.asarray(level, dtype=np.float64)
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            return np.asarray(_light(self.key, levels), dtype=np.float64)

    def level(self, light: Any, depth: int = 10) -> Levels:
        """Levels of light, float64 in the same shape; -inf or NaN where the curve has none."""
        given = np.asarray(light, dtype=np.float64)
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            return np.asarray(_level(self.key, given, depth), dtype=np.float64)

    def stops(self, level: Any) -> Levels:
        """Stops from 18 % grey; -inf where there is no light."""
        light = self.light(level)
        with np.errstate(all="ignore"):
            return np.where(light > 0, np.log2(np.maximum(light, np.finfo(float).tiny) / GREY), -math.inf)

    def marks(self, depth: int = 10) -> dict[str, float]:
        """Levels that people look for, by what they are. Source for PQ and HLG: BT.2408-7 table 1."""
        if self.key == "pq":
            return {"18 % grey": _level_of_nits(_GREY_NITS), "diffuse white": _level_of_nits(_WHITE_NITS)}
        found = {"18 % grey": float(self.level(GREY, depth)), "90 % card": float(self.level(CARD, depth))}
        if self.key == "hlg":
            found["diffuse white"] = _WHITE_HLG
        if self.key == "bt1886":
            found["white"] = 1.0
        return found

    @property
    def black(self) -> float | None:
        """The level of no light, None where the curve has none."""
        level = float(self.level(0.0))
        return level if math.isfinite(level) else None


def transfer_of(curve: str | None, display: str | None) -> Transfer:
    """What `--curve` or `--display` names, whichever is given.

    Raises: Problem where both or none are, or the name is unknown, with the near names.
    """
    if (curve is None) == (display is None):
        wrong = "a curve and a display are both named" if curve else "neither a curve nor a display is named"
        raise Problem(
            None,
            wrong,
            f"Name one: --curve KEY for log footage, or --display {'|'.join(DISPLAYS)} for a finished picture.",
        )
    if curve is not None:
        key = find_key(curve)
        return Transfer(key, key, True)
    assert display is not None
    if display not in DISPLAYS:
        raise Problem(None, f"no display is called {display!r}", f"Known are: {', '.join(DISPLAYS)}.")
    return Transfer(display, DISPLAYS[display], display == "hlg")


def _light(key: str, level: Levels) -> Any:
    colour = colour_science()

    if key == "bt1886":
        return np.sign(level) * np.abs(level) ** 2.4  # BT.1886 with a black of zero; it goes on below as above
    if key == "pq":
        return colour.models.eotf_ST2084(np.clip(level, 0, None)) * _PER_NIT
    if key == "hlg":
        return _hlg_scene(level) / _hlg_scene(np.asarray(_WHITE_HLG))
    options: dict[str, Any] = {}
    if is_code_numbered(key):
        options = {IN_CODES: False}
    return colour.models.log_decoding(level, key, **options)


def _level(key: str, light: Levels, depth: int) -> Any:
    colour = colour_science()

    if key == "bt1886":
        return np.sign(light) * np.abs(light) ** (1 / 2.4)
    if key == "pq":
        return colour.models.eotf_inverse_ST2084(np.clip(light, 0, None) / _PER_NIT)
    if key == "hlg":
        return colour.models.oetf_BT2100_HLG(light * _hlg_scene(np.asarray(_WHITE_HLG)))
    return encode(key, light, depth)


_PER_NIT = (
    GREY / _GREY_NITS
)  # BT.2408's grey is .18; PQ is light of a display, on which diffuse white is then 1.405, not 1


def _level_of_nits(nits: float) -> float:
    return float(_level("pq", np.asarray(nits * _PER_NIT), 10))


def _hlg_scene(level: Any) -> Any:
    colour = colour_science()

    return colour.models.oetf_inverse_BT2100_HLG(level)
