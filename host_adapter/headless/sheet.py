"""The contact sheet of a framing: the frame with its windows, each crop beside it, labelled; the picture to show a client."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, ImageDraw, ImageFont, features

from ..lettering import font, has_glyph
from .errors import Problem
from .sheet_layout import LABEL_HEIGHT, NOTE_HEIGHT, Box, Item, arrange
from .viewing import Shown

PAGE, INK, QUIET = (38, 38, 38), (236, 236, 236), (190, 190, 190)
"""Neutral throughout, so that nothing tints the eye beside a picture; both inks are above 7:1 on the page (WCAG 2.2, 1.4.6)."""

TITLE_SIZE, NAME_SIZE, NOTE_SIZE = 44, 27, 23
"""Ems, pixels."""

SAVING: dict[str, tuple[str, dict[str, Any]]] = {
    ".png": ("PNG", {}),
    ".tif": ("TIFF", {"compression": "tiff_lzw"}),
    ".tiff": ("TIFF", {"compression": "tiff_lzw"}),
    ".jpg": ("JPEG", {"quality": 93, "subsampling": 0}),
    ".jpeg": ("JPEG", {"quality": 93, "subsampling": 0}),
}
"""Pillow's format and options by suffix."""

MOST_CROPS = 24
LACKING = "\u25af"
"""Stands for a character that the font lacks."""


@dataclass(frozen=True, slots=True, eq=False)
class Crop:
    """What one delivery keeps.

    name : of the window; note : a line under it ('608 x 1080, keeps 31.7 %')
    picture : uint8 [rows, columns, 3], displayed proportions, cut at the frame's own scale
    """

    name: str
    note: str
    picture: Shown


def check_sheet(path: Path, crops: int) -> None:
    """Whether a sheet of so many crops could be written there, before any frame is read.

    Raises: Problem for a file type that is none of SAVING, or more crops than MOST_CROPS.
    """
    if path.suffix.lower() not in SAVING:
        kind = f"'{path.suffix}'" if path.suffix else "without a suffix"
        raise Problem(path, f"a sheet cannot be written as {kind}", f"Name it {', '.join(SAVING)}.")
    if crops > MOST_CROPS:
        raise Problem(
            path, f"{crops} crops are too many for one sheet", f"Choose at most {MOST_CROPS} windows a sheet."
        )


def draw_sheet(
    path: Path, *, title: str, frame: Shown, frame_note: str, crops: Sequence[Crop], notes: Sequence[str] = ()
) -> None:
    """Write one page to `path`; whoever calls it gives a temporary name and renames it.

    frame : uint8 [rows, columns, 3], displayed proportions, guides drawn already
    frame_note : a line under the frame
    notes : lines at the foot, broken where they are too long
    Text that is too long for its place ends in an ellipsis; characters that the font lacks are shown as boxes.
    Raises: Problem as `check_sheet` does, and where the file cannot be written; ValueError for arrays of another form.
    """
    check_sheet(path, len(crops))
    page = compose(title, frame, frame_note, crops, notes)
    kind, options = SAVING[path.suffix.lower()]
    try:
        page.save(path, kind, **options)
    except OSError as error:
        raise Problem(path, f"the sheet cannot be written ({error.strerror or error})", "Name another place.") from None


def compose(title: str, frame: Shown, frame_note: str, crops: Sequence[Crop], notes: Sequence[str]) -> Image.Image:
    """The page as a picture."""
    for name, picture in (("frame", frame), *((f"picture of {crop.name!r}", crop.picture) for crop in crops)):
        if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] != 3 or not picture.size:
            raise ValueError(f"{name} must be uint8 [rows, columns, 3], got {picture.dtype} {picture.shape}")
    names, small = _face(NAME_SIZE, bold=True), _face(NOTE_SIZE, bold=False)
    words = [(_legible(crop.name), _legible(crop.note)) for crop in crops]
    items = [
        Item(crop.picture.shape[1], crop.picture.shape[0], round(max(names.getlength(name), small.getlength(note))) + 1)
        for crop, (name, note) in zip(crops, words, strict=True)
    ]
    layout = arrange((frame.shape[1], frame.shape[0]), items)
    lines = [line for note in notes for line in _broken(_legible(note), small, layout.notes.width)]
    layout = layout.with_notes(len(lines))
    page = Image.new("RGB", (layout.width, layout.height), PAGE)
    pen = ImageDraw.Draw(page)
    _write(pen, layout.title, 0, layout.title.height, _legible(title), _face(TITLE_SIZE, bold=True), INK)
    _paste(page, frame, layout.frame)
    _write(pen, layout.frame_label, 0, LABEL_HEIGHT // 2, _legible(frame_note), small, QUIET)
    for crop, (name, note), box, label in zip(crops, words, layout.crops, layout.labels, strict=True):
        _paste(page, crop.picture, box)
        _write(pen, label, 0, LABEL_HEIGHT // 2, name, names, INK)
        _write(pen, label, LABEL_HEIGHT // 2, LABEL_HEIGHT // 2, note, small, QUIET)
    for number, line in enumerate(lines):
        _write(pen, layout.notes, number * NOTE_HEIGHT, NOTE_HEIGHT, line, small, QUIET)
    return page


def _face(size: int, *, bold: bool) -> ImageFont.FreeTypeFont:
    return font(size, bold=bold, shaped=True)


def _paste(page: Image.Image, picture: Shown, box: Box) -> None:
    image = Image.fromarray(np.ascontiguousarray(picture))
    page.paste(image.resize((box.width, box.height), Image.Resampling.LANCZOS), (box.x, box.y))


def _write(
    pen: ImageDraw.ImageDraw,
    box: Box,
    down: int,
    height: int,
    text: str,
    face: ImageFont.FreeTypeFont,
    ink: tuple[int, int, int],
) -> None:
    """One line in a part of the box, shortened to its width."""
    ascent, descent = face.getmetrics()
    baseline = box.y + down + (height + ascent - descent) // 2
    pen.text((box.x, baseline), _shortened(text, face, box.width), fill=ink, font=face, anchor="ls")


def _shortened(text: str, face: ImageFont.FreeTypeFont, width: float) -> str:
    """The text, or as much of its beginning as fits with an ellipsis."""
    if face.getlength(text) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if face.getlength(text[:middle].rstrip() + "…") <= width:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…" if low or face.getlength("…") <= width else ""


def _broken(text: str, face: ImageFont.FreeTypeFont, width: float) -> list[str]:
    """The text in lines that fit, broken between words."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if line and face.getlength(longer) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines


def _legible(text: str) -> str:
    """The text in one line, with LACKING for what cannot be drawn."""
    composed = unicodedata.normalize("NFC", " ".join(text.split()))
    return "".join(character if _drawable(character) else LACKING for character in composed)


def _drawable(character: str) -> bool:
    leftward = unicodedata.bidirectional(character) in ("R", "AL", "AN")
    return has_glyph(character) and character.isprintable() and (not leftward or bool(features.check("raqm")))
