"""What a delivery is checked against: TOML files, three of our own or a house's."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from importlib.resources import files
from pathlib import Path
from typing import Any

from ....kernels.encoding import Channel, Encoding, Range, affine_map
from ..errors import Problem

OWN = ("r103", "interface", "full")
"""Rules that come along."""

_KEYS = ("name", "range", "signal", "flag", "mixed", "limit")
_LIMIT_KEYS = ("name", "on", "filter", "area", "codes", "levels")
_ON = ("R'G'B'", "Y'", "codes")
_WORDS = {
    "range": ("narrow", "full", "any"),
    "signal": ("sdr", "any"),
    "flag": ("must agree", "any"),
    "mixed": ("fail", "note", "any"),
}


@dataclass(frozen=True, slots=True)
class Limit:
    """name : as reported
    on : of R'G'B' and Y' after the matrix, or of the very codes of all planes ('codes')
    filtered : through EBU R 103's measuring filter
    area : per cent of a frame's area that may be outside
    codes : lowest and highest allowed, of narrow signals, by depth; or
    levels : the same in levels, black 0 and white 1
    """

    name: str
    on: tuple[str, ...]
    filtered: bool
    area: float
    codes: Mapping[int, tuple[int, int]]
    levels: tuple[float, float] | None

    def within(self, encoding: Encoding) -> tuple[int, int] | None:
        """The lowest and highest code of an encoding that the limit allows; None where it says nothing of that depth."""
        channel, top = encoding.channels()[0], encoding.maximum
        if self.levels is not None:
            zero, span = encoding.zero(channel), encoding.span(channel)
            low, high = (Fraction(str(level)) * span + zero for level in self.levels)
        elif encoding.depth in self.codes:
            low, high = (Fraction(code) for code in self.codes[encoding.depth])
            if self.on != ("codes",):  # codes of a plane are what they are; R'G'B' and Y' are levels by another name
                gain, offset = affine_map(
                    Encoding(encoding.depth, Range.NARROW), Encoding(encoding.depth, encoding.range), Channel.LUMA
                )
                low, high = low * gain + offset, high * gain + offset
        else:
            return None
        return max(0, math.ceil(low)), min(top, math.floor(high))


@dataclass(frozen=True, slots=True)
class Rule:
    """range, flag, mixed : words of the file; sdr : it is not for HLG and PQ"""

    name: str
    range: Range | None
    sdr: bool
    flag_must_agree: bool
    mixed: str
    limits: tuple[Limit, ...]


def read_rule(word: str) -> Rule:
    """A rule by its name or its file.

    Raises: Problem naming the file and the key.
    """
    import tomlkit
    from tomlkit.exceptions import ParseError

    path = None if word in OWN else Path(word)
    try:
        if path is None:
            text = files(__package__).joinpath(f"{word}.toml").read_text(encoding="utf-8")
        else:
            text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise Problem(None, f"there is no rule {word!r}", f"Name {', '.join(OWN)}, or a TOML file.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise Problem(path, f"it cannot be read as text ({error})") from None
    try:
        return _rule(path, tomlkit.parse(text).unwrap())
    except ParseError as error:
        raise Problem(path, f"it is no TOML ({error})", "Mend that line.") from None


def _rule(path: Path | None, held: Mapping[str, Any]) -> Rule:
    _check_keys(path, "the file", held, _KEYS)
    name = held.get("name")
    if not isinstance(name, str) or not name.strip():
        raise Problem(path, "it has no name", 'Write name = "…", by which reports call it.')
    words = {key: _word(path, key, held.get(key, "any"), known) for key, known in _WORDS.items()}
    limits = held.get("limit", [])
    if not isinstance(limits, list) or not all(isinstance(each, Mapping) for each in limits):
        raise Problem(path, "its limits are not written as [[limit]]")
    made = tuple(_limit(path, number, each) for number, each in enumerate(limits, 1))
    wanted = None if words["range"] == "any" else Range.parse(words["range"])
    if not made and wanted is None and words["flag"] == "any" and words["mixed"] == "any":
        raise Problem(path, "it asks for nothing", "Write a [[limit]], a range, or flag and mixed.")
    return Rule(name.strip(), wanted, words["signal"] == "sdr", words["flag"] == "must agree", words["mixed"], made)


def _limit(path: Path | None, number: int, held: Mapping[str, Any]) -> Limit:
    where = f"limit {number}"
    _check_keys(path, where, held, _LIMIT_KEYS)
    name = held.get("name")
    if not isinstance(name, str) or not name.strip():
        raise Problem(path, f"{where} has no name")
    on = held.get("on", ["R'G'B'", "Y'"])
    if not isinstance(on, list) or not on or any(each not in _ON for each in on) or (len(on) > 1 and "codes" in on):
        raise Problem(path, f"{where} is on {on!r}", 'on holds "R\'G\'B\'", "Y\'" or both, or "codes" alone.')
    filtered = held.get("filter", False)
    if not isinstance(filtered, bool) or (filtered and "codes" in on):
        raise Problem(path, f"filter of {where} is {filtered!r}", "true or false; codes are never filtered.")
    area = held.get("area", 0.0)
    if isinstance(area, bool) or not isinstance(area, (int, float)) or not 0 <= area < 100:
        raise Problem(path, f"area of {where} is {area!r}", "Give per cent of a frame's area, 0 to below 100.")
    codes, levels = held.get("codes"), held.get("levels")
    if (codes is None) == (levels is None):
        raise Problem(path, f"{where} needs codes by depth, or levels, and one of them only")
    if levels is not None and "codes" in on:
        raise Problem(path, f"{where} is on codes and gives levels", "Give codes = { 10 = [4, 1019] }.")
    if levels is not None:
        return Limit(name.strip(), tuple(on), filtered, float(area), {}, _pair(path, where, levels, float))
    if (
        not isinstance(codes, Mapping)
        or not codes
        or not all(str(depth).isdigit() and 8 <= int(depth) <= 16 for depth in codes)
    ):
        raise Problem(path, f"codes of {where} are not by depth", "Write codes = { 8 = [5, 246], 10 = [20, 984] }.")
    by_depth: dict[int, tuple[int, int]] = {}
    for depth, pair in codes.items():
        low, high = _pair(path, f"{where} at {depth} bit", pair, int)
        if not 0 <= low < high < 1 << int(depth):
            raise Problem(
                path,
                f"codes of {where} at {depth} bit are {low} to {high}",
                f"They lie in 0 to {(1 << int(depth)) - 1}.",
            )
        by_depth[int(depth)] = int(low), int(high)
    return Limit(name.strip(), tuple(on), filtered, float(area), by_depth, None)


def _pair(path: Path | None, where: str, held: Any, kind: type) -> tuple[Any, Any]:
    allowed = (int, float) if kind is float else (int,)
    if (
        not isinstance(held, list)
        or len(held) != 2
        or any(isinstance(each, bool) or not isinstance(each, allowed) or not math.isfinite(each) for each in held)
        or not held[0] < held[1]
    ):
        raise Problem(
            path, f"{where} has {held!r}", "Give the lowest and the highest that is allowed, such as [20, 984]."
        )
    return kind(held[0]), kind(held[1])


def _word(path: Path | None, key: str, held: Any, known: tuple[str, ...]) -> str:
    if held not in known:
        raise Problem(path, f"{key} is {held!r}", f"It may be {', '.join(known)}.")
    return str(held)


def _check_keys(path: Path | None, where: str, held: Mapping[str, Any], known: tuple[str, ...]) -> None:
    for key in held:
        if key not in known:
            raise Problem(path, f"{where} holds {key!r}, which means nothing here", f"It may hold {', '.join(known)}.")
