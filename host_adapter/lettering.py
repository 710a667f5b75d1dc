"""Text as coverage: glyphs and a dark edge round them, ready to be laid over a picture. The same for every host.

FreeType (through Pillow) draws the text several times too large, where hinting no longer moves anything, and Pillow
averages it down: once over for pixels that are not square, so that it looks undistorted after de-squeezing.

The font is DejaVu Sans Bold as matplotlib ships it: thin strokes vanish over foliage.
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

LONGEST = 200
"""Characters of a text; a longer one fits no picture."""

HIGHEST = 500.0
"""Rows of a capital letter; higher than any label of any picture."""

WIDEST = 24_000
"""Rows of a capital letter times characters; bounds what is drawn to about 200 MB. It is LONGEST at 120 rows."""

DRAWN_ROWS = 256
"""Rows that a capital letter has at least where it is drawn, before it is averaged down: finer than any eye's demand."""

Coverage = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Lettering:
    """A line of text.

    core : float32 [rows, columns], 0..1, the part of each pixel that glyphs cover; read-only
    edge : the same of the glyphs grown all round by the dark edge; nowhere less than core; read-only
    baseline : rows above the baseline, which lies between two rows
    start : columns before the place where the first glyph starts
    advance : columns from there to where a further glyph would start
    cap_height : rows from the baseline to the top of a capital letter, as asked for
    """

    core: Coverage
    edge: Coverage
    baseline: int
    start: int
    advance: float
    cap_height: float


def lettering(text: str, height: float, *, edge: float, aspect: Fraction = Fraction(1)) -> Lettering:
    """One line of text in recorded pixels.

    height : of a capital letter, rows; a whole number gives the crispest letters, for they then fill whole rows
    edge : thickness of the dark edge, rows; its columns follow from the aspect
    aspect : width of a recorded pixel over its height as displayed
    Every text of the same height and edge has the same rows and baseline, unless a glyph needs more of them.
    Raises: ValueError naming the argument; for text that is empty, longer than LONGEST, written from right to left, or
        that has characters the font lacks or that cannot be seen (line ends among them).
    """
    text = unicodedata.normalize("NFC", text)
    check_text(text)
    if not 1 <= height <= HIGHEST:
        raise ValueError(f"height must be 1..{HIGHEST:g} rows, got {height}")
    if height * len(text) > WIDEST:
        raise ValueError(f"height must be at most {WIDEST // len(text)} rows for {len(text)} characters, got {height}")
    if not 0 <= edge <= HIGHEST:
        raise ValueError(f"edge must be 0..{HIGHEST:g} rows, got {edge}")
    if aspect <= 0:
        raise ValueError(f"aspect must be above 0, got {aspect}")
    return _drawn(text, float(height), float(edge), Fraction(aspect))


def check_text(text: str) -> None:
    """Raises: ValueError where `lettering` could not write the text, saying why."""
    if not text.strip():
        raise ValueError("text is empty")
    if len(text) > LONGEST:
        raise ValueError(f"text must have at most {LONGEST} characters, got {len(text)}: {text[:24]!r}…")
    # Categories C, Zl and Zp: controls, line ends, joiners, marks of direction, surrogates.
    unseen = sorted({c for c in text if unicodedata.category(c)[0] == "C" or unicodedata.category(c) in ("Zl", "Zp")})
    if unseen:
        raise ValueError(f"text {text!r} has characters that cannot be seen: {_spelt(unseen)}")
    # The basic layout puts glyphs from left to right and joins none, whichever libraries the machine has.
    leftward = sorted({c for c in text if unicodedata.bidirectional(c) in ("R", "AL", "AN")})
    if leftward:
        raise ValueError(f"text {text!r} has letters written from right to left: {_spelt(leftward)}")
    lacking = sorted({c for c in text if not has_glyph(c)})
    if lacking:
        raise ValueError(f"text {text!r} has characters that the font lacks: {_spelt(lacking)}")


def _spelt(characters: list[str]) -> str:
    return ", ".join(f"{c} (U+{ord(c):04X})" if c.isprintable() else f"U+{ord(c):04X}" for c in characters)


@lru_cache(maxsize=4096)
def has_glyph(character: str) -> bool:
    """True where the font has a glyph for the character, that is where not its sign for lacking glyphs is drawn."""
    drawn = font(64)
    lacking = drawn.getmask("\uffff")  # never a character
    mask = drawn.getmask(character)
    return mask.size != lacking.size or bytes(mask) != bytes(lacking)


@lru_cache(maxsize=2)
def font_file(*, bold: bool = True) -> Path:
    """Where DejaVu Sans is: beside this file where it was packed with it, else in matplotlib's data, which is not imported
    unless its data lie apart from its code."""
    name = Path("fonts", "ttf", "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
    packed = Path(__file__).with_name("fonts") / name.name
    if packed.is_file():
        return packed
    spec = find_spec("matplotlib")
    for folder in (spec.submodule_search_locations or ()) if spec else ():
        if (path := Path(folder, "mpl-data", name)).is_file():
            return path
    import matplotlib

    return Path(matplotlib.get_data_path(), name)


@lru_cache(maxsize=32)
def font(size: float, *, bold: bool = True, shaped: bool = False) -> ImageFont.FreeTypeFont:
    """The font by its em, pixels.

    shaped : kern, and join and order the letters of all scripts, where the machine has the library for it; without, the
        layout needs nothing beside FreeType, so that all machines agree
    """
    engine = None if shaped else ImageFont.Layout.BASIC
    return ImageFont.truetype(str(font_file(bold=bold)), size, layout_engine=engine)


@lru_cache(maxsize=1)
def cap_part() -> float:
    """Height of a capital letter over the em."""
    return -float(font(2048).getbbox("H", anchor="ls")[1]) / 2048


@lru_cache(maxsize=256)
def _drawn(text: str, height: float, edge: float, aspect: Fraction) -> Lettering:
    scale = _scale(height, aspect)
    across = float(scale * aspect)  # drawn pixels to one recorded column; `scale` of them to a row
    face = font(scale * height / cap_part())
    stroke = edge * scale
    left, top, right, bottom = (
        side + grown
        for side, grown in zip(face.getbbox(text, anchor="ls"), (-stroke,) * 2 + (stroke,) * 2, strict=True)
    )
    advance = face.getlength(text)
    ascent, descent = face.getmetrics()
    above = math.ceil(max(ascent + stroke, -top) / scale)
    below = math.ceil(max(descent + stroke, bottom) / scale)
    before = math.ceil(max(stroke, -left) / across)
    after = math.ceil(max(advance + stroke, right) / across)
    box = (0.0, 0.0, (before + after) * across, float((above + below) * scale))
    canvas = (math.ceil(box[2]), math.ceil(box[3]))
    # The pen starts on a whole drawn pixel; the window over the drawing moves by what is left, less than one of them.
    pen = (math.ceil(before * across), above * scale)
    shift = pen[0] - before * across
    box = (shift, 0.0, min(box[2] + shift, canvas[0] + 1.0), box[3])
    core = Image.new("L", (canvas[0] + 1, canvas[1]))
    ImageDraw.Draw(core).text(pen, text, fill=255, font=face, anchor="ls")
    grown = core.copy()
    if stroke:
        ImageDraw.Draw(grown).text(pen, text, fill=255, font=face, anchor="ls", stroke_width=stroke, stroke_fill=255)
    size = (before + after, above + below)
    masks = [_averaged(image, size, box) for image in (core, grown)]
    np.maximum(masks[1], masks[0], out=masks[1])
    for mask in masks:
        mask.setflags(write=False)
    return Lettering(masks[0], masks[1], above, before, advance / across, height)


def _scale(height: float, aspect: Fraction) -> int:
    """How many times too large the text is drawn: whole drawn pixels to a row, and to a column too where that is near."""
    least = max(math.ceil(DRAWN_ROWS / height), 3)
    exact = (scale for scale in range(least, 2 * least + 1) if (scale * aspect).denominator == 1)
    return next(exact, 2 * least)


def _averaged(image: Image.Image, size: tuple[int, int], box: tuple[float, float, float, float]) -> Coverage:
    small = image.resize(size, Image.Resampling.BOX, box=box)
    return np.asarray(small, dtype=np.float32) / np.float32(255)
