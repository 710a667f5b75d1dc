"""What a person writes for windows, grids, safe areas and squeeze, turned into values; the same words for every host."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from ..kernels.areas import ACTION_SAFE, TITLE_SAFE
from ..kernels.framing import HALF, Wanted

TRADE_NAMES = {"1.33": Fraction(4, 3), "1.66": Fraction(5, 3), "1.78": Fraction(16, 9)}
"""Ratios that the trade writes with two decimals and means exactly (common practice)."""

ANCHORS = {
    "centre": (HALF, HALF), "center": (HALF, HALF),
    "left": (Fraction(0), HALF), "right": (Fraction(1), HALF), "top": (HALF, Fraction(0)), "bottom": (HALF, Fraction(1)),
    "top-left": (Fraction(0), Fraction(0)), "top-right": (Fraction(1), Fraction(0)),
    "bottom-left": (Fraction(0), Fraction(1)), "bottom-right": (Fraction(1), Fraction(1)),
}  # fmt: skip

LONGEST_NAME = 40
_PIXELS = re.compile(r"(\d{1,6})x(\d{1,6})")
_NUMBER = r"\d{1,6}(?:\.\d{1,6})?"
_RATIO = re.compile(rf"({_NUMBER})(?::({_NUMBER}))?")
_OFFSET = re.compile(rf"([+-]?{_NUMBER})(%?)")
_NAME = re.compile(r"[\w .()&+-]+")

WINDOW_HELP = "[NAME=]RATIO or WxH, then @ANCHOR and ,X,Y if it is not in the middle: 9:16, 2.39, 1080x1350@left, story=9:16@centre,40,0"


@dataclass(frozen=True, slots=True)
class Grid:
    """Lines that divide a rectangle.

    across, down : parts; diagonals : also from corner to corner
    """

    across: int = 1
    down: int = 1
    diagonals: bool = False


@dataclass(frozen=True, slots=True)
class Safe:
    """A safe area: a name for its label, and the part of width and height that is safe."""

    name: str
    part: Fraction


@dataclass(frozen=True, slots=True)
class Placed:
    """Something that lies in the whole picture, or in the window of a name."""

    what: Grid | Safe
    window: str | None


def read_ratio(text: str) -> Fraction:
    """A ratio written as 9:16, 1.91:1 or 2.39.

    Raises: ValueError naming the text.
    """
    found = _RATIO.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is no ratio; write it as 9:16, 1.91:1 or 2.39")
    above, below = found[1], found[2] or "1"
    if Fraction(below) == 0 or Fraction(above) == 0:
        raise ValueError(f"{text!r} is no ratio: neither part may be 0")
    if below == "1" and above in TRADE_NAMES:
        return TRADE_NAMES[above]
    return Fraction(above) / Fraction(below)


def read_window(text: str) -> Wanted:
    """A window written as [NAME=]RATIO|WxH[@ANCHOR][,X,Y]; X and Y are displayed pixels, or parts of the picture with a %.

    Raises: ValueError naming the text and what is wrong with it.
    """
    name, has_name, rest = text.rpartition("=")
    shape, at, place = rest.partition("@")
    shape, *loose = shape.split(",")
    anchor, *offsets = place.split(",") if at else ("centre",)
    offsets = loose + offsets
    shape = shape.strip()
    if offsets and len(offsets) != 2:
        raise ValueError(f"window {text!r}: an offset has two numbers, X,Y, such as @left,40,0")
    if anchor.strip().lower() not in ANCHORS:
        raise ValueError(f"window {text!r}: {anchor!r} is no anchor; there are {', '.join(sorted(ANCHORS))}")
    across, down = (_offset(text, word) for word in offsets) if offsets else ((Fraction(0), Fraction(0)),) * 2
    pixels = _PIXELS.fullmatch(shape)
    try:
        return Wanted(
            name=checked_name(name if has_name else shape),
            ratio=None if pixels else read_ratio(shape),
            size=(int(pixels[1]), int(pixels[2])) if pixels else None,
            anchor=ANCHORS[anchor.strip().lower()],
            offset=(across[0], down[0]),
            offset_share=(across[1], down[1]),
        )
    except ValueError as error:
        raise ValueError(f"window {text!r}: {error}") from None


def checked_name(name: str) -> str:
    """A window's name, fit for a label and for a part of a file's name.

    Raises: ValueError naming it.
    """
    name = name.strip()
    if not name or not _NAME.fullmatch(name.replace(":", "x")):
        raise ValueError(f"{name!r} is no name for a window; use letters, digits, spaces and . ( ) & + -")
    if len(name) > LONGEST_NAME:
        raise ValueError(f"the name {name[:20] + '…'!r} is too long ({len(name)} characters, at most {LONGEST_NAME})")
    return name


def file_word(name: str) -> str:
    """A window's name as part of a file's name."""
    return re.sub(r"[^\w.+-]+", "-", name.replace(":", "x")).strip("-.") or "window"


def _offset(text: str, word: str) -> tuple[Fraction, Fraction]:
    """Pixels, and parts of the picture."""
    found = _OFFSET.fullmatch(word.strip())
    if not found:
        raise ValueError(f"window {text!r}: {word!r} is no offset; write pixels (40, -12) or per cent (5%)")
    number = Fraction(found[1])
    return (Fraction(0), number / 100) if found[2] else (number, Fraction(0))


def read_grid(text: str) -> Placed:
    """A grid written as thirds, diagonals or NxM (parts across and down), and @WINDOW where it lies in one.

    Raises: ValueError naming the text.
    """
    word, _, window = text.partition("@")
    word = word.strip().lower()
    pixels = _PIXELS.fullmatch(word)
    if word == "thirds":
        grid = Grid(3, 3)
    elif word == "diagonals":
        grid = Grid(diagonals=True)
    elif pixels and 1 <= int(pixels[1]) <= 100 and 1 <= int(pixels[2]) <= 100 and word != "1x1":
        grid = Grid(int(pixels[1]), int(pixels[2]))
    else:
        raise ValueError(f"{text!r} is no grid; write thirds, diagonals, or parts across and down such as 4x2")
    return Placed(grid, window.strip() or None)


def read_safe(text: str) -> Placed:
    """A safe area written as action, title or a per cent (80 or 80%), and @WINDOW where it lies in one.

    Raises: ValueError naming the text.
    """
    word, _, window = text.partition("@")
    word = word.strip().lower()
    named = {"action": ACTION_SAFE, "title": TITLE_SAFE}
    if word in named:
        safe = Safe(word, named[word])
    else:
        found = re.fullmatch(rf"({_NUMBER})%?", word)
        part = Fraction(found[1]) / 100 if found else Fraction(0)
        if not 0 < part < 1:
            raise ValueError(
                f"{text!r} is no safe area; write action, title, or a per cent between 0 and 100 such as 80%"
            )
        safe = Safe("safe", part)
    return Placed(safe, window.strip() or None)


def read_squeeze(text: str) -> Fraction:
    """A lens's squeeze: 1.25, 1.33 (four thirds), 1.5, 1.8, 2, 4/3 or any other factor from 1/4 to 4.

    Raises: ValueError naming the text.
    """
    found = re.fullmatch(rf"({_NUMBER})(?:[:/]({_NUMBER}))?", text.strip())
    factor = Fraction(0)
    if found and Fraction(found[2] or 1):
        factor = Fraction(4, 3) if found[1] == "1.33" and not found[2] else Fraction(found[1]) / Fraction(found[2] or 1)
    if not Fraction(1, 4) <= factor <= 4:
        raise ValueError(f"{text!r} is no squeeze; write a factor from 0.25 to 4, such as 1.33, 1.5 or 2")
    return factor


def read_size(text: str) -> tuple[int, int]:
    """A size in pixels, WxH.

    Raises: ValueError naming the text.
    """
    found = _PIXELS.fullmatch(text.strip())
    if not found or not 1 <= int(found[1]) <= 32768 or not 1 <= int(found[2]) <= 32768:
        raise ValueError(f"{text!r} is no size; write width and height in pixels, up to 32768 each, such as 1080x1920")
    return int(found[1]), int(found[2])


def read_rate(text: str) -> Fraction:
    """A frame rate: 25, 23.976 (24000/1001), 30000/1001, 59.94.

    Raises: ValueError naming the text.
    """
    found = re.fullmatch(rf"({_NUMBER})(?:/({_NUMBER}))?", text.strip())
    if not found or not Fraction(found[2] or 1) or not Fraction(found[1]):
        raise ValueError(f"{text!r} is no frame rate; write 25, 23.976 or 30000/1001")
    rate = Fraction(found[1]) / Fraction(found[2] or 1)
    if not found[2]:
        for whole in (24, 30, 48, 60, 120):
            exact = Fraction(whole * 1000, 1001)
            if abs(rate - exact) < Fraction(1, 200):
                return exact
    if not 1 <= rate <= 1000:
        raise ValueError(f"{text!r} is no frame rate between 1 and 1000")
    return rate


def read_windows(text: str) -> tuple[Wanted, ...]:
    """Several windows with blanks between them.

    Raises: ValueError for one that is none, or two of one name.
    """
    found = tuple(read_window(word) for word in text.split())
    words = [file_word(wanted.name).casefold() for wanted in found]
    for wanted, word in zip(found, words, strict=True):
        if words.count(word) > 1:
            raise ValueError(f"two windows are called {wanted.name!r}; give one a name of its own: wide=2.39")
    return found


def read_grids(text: str) -> tuple[Placed, ...]:
    """Several grids with blanks between them."""
    return tuple(read_grid(word) for word in text.split())


def read_safes(text: str) -> tuple[Placed, ...]:
    """Several safe areas with blanks between them."""
    return tuple(read_safe(word) for word in text.split())


def squeeze_of(number: float) -> Fraction:
    """A squeeze handed over as a number: 1.33 is four thirds, anything else what it says to four decimals."""
    return read_squeeze(f"{number:.4f}".rstrip("0").rstrip("."))
