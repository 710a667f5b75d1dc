"""Where a log curve of colour-science's registry puts black, in codes of either range.

Nothing about any curve is written down here. A curve whose function takes `out_normalised_code_value` is defined on
codes in narrow numbering: its value times M is the code that a narrow recording holds, and asked the other way it gives
the level. All other curves give the level itself.
"""

from __future__ import annotations

import inspect
import math
import warnings
from dataclasses import dataclass
from functools import cache
from types import ModuleType
from typing import Any

from ...kernels.encoding import Channel, Encoding, Model, Range
from .errors import Problem

_SAYS_CODES = "out_normalised_code_value"
IN_CODES = "in_normalised_code_value"
"""The same of the functions the other way."""


@dataclass(frozen=True, slots=True)
class CurveBlack:
    """The codes of a scene's zero light.

    key : the registry's name of the curve
    narrow, full : code in a recording of that range, not rounded
    code_numbered : True where the curve is defined on codes in narrow numbering. Its makers' recordings then hold the
        `narrow` code whichever flag they set, so that code alone tells little against a full flag
    rescaled : for such a curve, the code after those recordings have been scaled full -> narrow; else None
    """

    key: str
    narrow: float
    full: float
    code_numbered: bool = False
    rescaled: float | None = None


def keys() -> list[str]:
    """The registry's names of its log curves."""
    return [str(key) for key in colour_science().LOG_ENCODINGS]


def find_key(name: str) -> str:
    """The registry's own spelling of a curve's name, which may differ in case, spaces and hyphens.

    Raises: Problem naming the curve and the near ones.
    """
    import difflib

    plain = {_plain(key): key for key in keys()}
    if _plain(name) in plain:
        return plain[_plain(name)]
    near = [plain[match] for match in difflib.get_close_matches(_plain(name), list(plain), n=3, cutoff=0.4)]
    hint = f"Near it are: {', '.join(near)}." if near else f"Known are: {', '.join(sorted(plain.values()))}."
    raise Problem(None, f"no log curve is called {name!r}", hint)


def encode(key: str, reflection: Any, depth: int) -> Any:
    """Levels, 0..1 of a range's black to white, of scene reflections through a curve; narrow-numbered where it is.

    reflection : float or float array, 1 a perfect diffuser
    """
    colour = colour_science()
    options: dict[str, Any] = {}
    if is_code_numbered(key):
        options = {_SAYS_CODES: False, "bit_depth": depth}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return colour.models.log_encoding(reflection, key, **options)


def is_code_numbered(key: str) -> bool:
    """True where the registry defines the curve on codes in narrow numbering."""
    function = colour_science().LOG_ENCODINGS[key]
    return _SAYS_CODES in inspect.signature(getattr(function, "func", function)).parameters


def curve_black(name: str, depth: int, model: Model) -> CurveBlack | None:
    """Where the curve puts black, or None where that tells nothing: no code for zero light, or narrow
    black itself.

    Raises: Problem where the registry has no such curve.
    """
    key = find_key(name)
    level = float(encode(key, 0.0, depth))
    if not math.isfinite(level) or not 0 <= level < 0.5:
        return None
    narrow, full = Encoding(depth, Range.NARROW, model), Encoding(depth, Range.FULL, model)
    channel = narrow.channels()[0]
    if abs(level * narrow.maximum - narrow.black(channel)) < narrow.unit / 2:
        return None  # its black is narrow black's own code: an encoding on narrow codes, whatever its value is called
    code = _code(narrow, level, channel)
    numbered = is_code_numbered(key)
    rescaled = _code(narrow, code / narrow.maximum, channel) if numbered else None
    return CurveBlack(key, code, _code(full, level, channel), numbered, rescaled)


def _code(encoding: Encoding, level: float, channel: Channel) -> float:
    return encoding.zero(channel) + level * encoding.span(channel)


def _plain(name: str) -> str:
    return "".join(letter for letter in name.casefold() if letter.isalnum())


@cache
def colour_science() -> ModuleType:
    """The library `colour`, loaded without what it says of packages that are not there; to be had from here alone."""
    # Without scipy colour puts a stand-in for it among the modules, which numba, loaded later, takes for the real one and fails on.
    import numba  # noqa: F401

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it speaks of optional packages that nothing here needs
        import colour
    return colour
