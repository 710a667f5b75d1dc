"""The contact sheet: nothing overlaps whatever is put on it, text is there and fits, files are what their names say."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from footroom.host_adapter.headless import sheet_layout
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.sheet import (
    INK,
    MOST_CROPS,
    NAME_SIZE,
    NOTE_SIZE,
    PAGE,
    QUIET,
    SAVING,
    Crop,
    _broken,
    _face,
    _legible,
    _shortened,
    check_sheet,
    compose,
    draw_sheet,
)
from footroom.host_adapter.headless.sheet_layout import MARGIN, Box, Item, Layout, arrange

SIZES = st.tuples(st.integers(1, 8192), st.integers(1, 8192)).filter(lambda s: 1 / 20 <= s[0] / s[1] <= 20)
ITEMS = st.builds(lambda size, label: Item(*size, label), SIZES, st.integers(0, 3000))
RED = (200, 40, 30)


def flat(width: int, height: int, colour: tuple[int, int, int] = RED) -> np.ndarray:
    return np.full((height, width, 3), colour, np.uint8)


def crop(width: int, height: int, name: str = "9:16 Story", note: str = "608 × 1080, keeps 31.7 %") -> Crop:
    return Crop(name, note, flat(width, height))


def luminance(colour: tuple[int, int, int]) -> float:
    """Relative luminance. Source: WCAG 2.2, definition of relative luminance."""
    parts = [c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


@pytest.mark.parametrize("ink", [INK, QUIET])
def test_text_stands_out_from_the_page(ink):
    """Source: WCAG 2.2, 1.4.6 Contrast (Enhanced): 7:1."""
    assert (luminance(ink) + 0.05) / (luminance(PAGE) + 0.05) >= 7
    assert len(set(PAGE)) == len(set(ink)) == 1  # neutral


def close(box: Box, width: int, height: int) -> bool:
    """Whether a box has a picture's proportions, as whole pixels let it."""
    return abs(box.width * height - box.height * width) <= 0.51 * (width + height) or min(box.width, box.height) == 1


@settings(max_examples=80, deadline=None)
@given(SIZES, st.lists(ITEMS, max_size=12), st.integers(0, 5))
@example((1, 1), [Item(1, 1, 10)], 0)
@example((1920, 1080), [Item(20, 1, 9000), Item(1, 20, 9000)], 1)
@example((100, 1), [Item(1, 100, 10)] * 12, 1)
@example((1000, 1000), [Item(9, 16, 400)] * MOST_CROPS, 1)
@example((1, 100), [Item(100, 1, 10)] * 12, 1)
def test_nothing_overlaps_nor_leaves_the_page(frame, items, notes):
    layout = arrange(frame, items).with_notes(notes)
    assert len(layout.crops) == len(layout.labels) == len(items)
    for one, other in combinations(layout.boxes(), 2):
        assert not one.overlaps(other), (one, other)
    for box in layout.boxes():
        assert box.x >= MARGIN
        assert box.y >= MARGIN
        assert box.right <= layout.width - MARGIN + 1
        assert box.bottom <= layout.height - MARGIN
        assert box.width >= 1
    assert close(layout.frame, *frame)
    for box, label, item in zip(layout.crops, layout.labels, items, strict=True):
        assert close(box, item.width, item.height)
        assert label.x == box.x
        assert 0 <= label.y - box.bottom <= 20  # under its own picture
        assert label.width >= min(item.label, box.width)
        assert box.width <= layout.frame.width + 1
        assert box.height <= layout.frame.height + 1
    assert layout.notes.height == notes * sheet_layout.NOTE_HEIGHT
    if items:
        assert 1900 <= layout.width <= 2400


def deliveries(*sizes: tuple[int, int]) -> Layout:
    return arrange((1920, 1080), [Item(*size, 290) for size in sizes])


@pytest.mark.parametrize("count", range(1, 13))
def test_usual_deliveries_make_a_page_of_a_usual_shape(count):
    sizes = ((608, 1080), (1080, 1080), (864, 1080), (1920, 804), (1920, 640), (360, 1080)) * 2
    layout = deliveries(*sizes[:count])
    assert 0.45 * layout.width <= layout.height <= sheet_layout.LONGEST_PAGE + 2
    assert layout.frame.width * layout.frame.height >= 0.2 * layout.width * layout.height
    assert min(max(box.width, box.height) for box in layout.crops) >= 150  # large enough to be judged


def test_one_upright_crop_stands_beside_the_frame_at_its_scale():
    layout = deliveries((608, 1080))
    assert layout.crops[0].y == layout.frame.y
    assert abs(layout.crops[0].height - layout.frame.height) <= 2
    assert layout.crops[0].x >= layout.frame.right


def test_crops_of_like_heights_keep_one_scale():
    sizes = ((608, 1080), (1080, 1080), (864, 1080), (1920, 804), (1920, 1004))
    layout = deliveries(*sizes)
    scales = [box.width / width for box, (width, _) in zip(layout.crops, sizes, strict=True)]
    assert max(scales) / min(scales) < 1.02
    assert layout.frame.width * layout.frame.height > 0.3 * layout.width * layout.height  # the frame is large


def test_crops_of_unlike_heights_are_equally_high_as_far_as_the_frame_is_wide():
    layout = deliveries((100, 2000), (200, 500), (2000, 1000))
    assert len({box.height for box in layout.crops}) == 1


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=300), st.integers(0, 900))
def test_a_shortened_text_fits_and_begins_as_it_did(text, width):
    face = _face(NAME_SIZE, bold=True)
    plain = _legible(text)
    short = _shortened(plain, face, width)
    assert face.getlength(short) <= width
    if short != plain:
        assert plain.startswith(short.removesuffix("…"))
        assert short.endswith("…") or not short
    assert "\n" not in short


def test_notes_are_broken_between_words_and_nothing_is_lost():
    face = _face(NAME_SIZE, bold=False)
    text = "Common area of all windows: 608 × 804, 23.6 % of the picture. " * 5
    lines = _broken(text, face, 700)
    assert len(lines) > 3
    assert " ".join(lines) == text.strip()
    assert all(face.getlength(line) <= 700 for line in lines)
    assert _broken("", face, 700) == []


def test_a_note_is_broken_to_the_page_that_it_is_on(monkeypatch):
    """On a narrow page too: no line of it was shortened."""
    drawn: list[str] = []

    def kept(text: str, *arguments: object) -> str:
        drawn.append(text)
        return _shortened(text, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("footroom.host_adapter.headless.sheet._shortened", kept)
    compose("Kestrel", flat(9, 16), "", [], ["a word " * 100])
    lines = [text for text in drawn if "word" in text]
    assert len(lines) > 5
    face = _face(NOTE_SIZE, bold=False)
    assert all(face.getlength(line) <= arrange((9, 16), []).notes.width for line in lines)


def test_characters_that_cannot_be_drawn_become_boxes():
    assert _legible("Kestrel\n \t 縦\u0007 e\u0301") == "Kestrel ▯▯ é"


def inked(page: np.ndarray, box: Box) -> int:
    """Pixels of a box that are not the page."""
    part = page[box.y : box.bottom, box.x : box.right]
    return int((part != PAGE).any(axis=-1).sum())


@pytest.mark.parametrize("count", [0, 1, 3, 5, 8, 12])
def test_pictures_and_labels_are_where_the_layout_says(count, monkeypatch):
    seen: list[Layout] = []

    def kept(*arguments: object) -> Layout:
        seen.append(arrange(*arguments))  # type: ignore[arg-type]
        return seen[-1]

    monkeypatch.setattr("footroom.host_adapter.headless.sheet.arrange", kept)
    sizes = [(61, 108), (108, 108), (86, 108), (192, 80)] * 3
    crops = [crop(*size, name=f"Delivery {number}") for number, size in enumerate(sizes[:count])]
    page = np.asarray(compose("Kestrel, scene 12", flat(192, 108), "Whole picture", crops, ["A note."]))
    layout = seen[0].with_notes(1)
    assert page.shape == (layout.height, layout.width, 3)
    for box in (layout.frame, *layout.crops):
        assert (page[box.y : box.bottom, box.x : box.right] == RED).all()
    words = (layout.title, layout.frame_label, *layout.labels, layout.notes)
    assert all(inked(page, box) > 300 for box in words)
    bare = page.copy()
    for box in layout.boxes():
        bare[box.y : box.bottom, box.x : box.right] = PAGE
    assert (bare == PAGE).all()  # nothing was drawn beside the boxes


def test_long_and_odd_names_stay_in_their_boxes():
    names = ["x" * 2000, "W" * 40 + "\n" + "g" * 40, "縦動画", "שלום", "", "\ud800", "e\u0301" * 60, "👍🏽"]
    crops = [crop(1, 1, name=name, note=name) for name in names]
    page = np.asarray(compose("x" * 5000, flat(16, 9), "y" * 5000, crops, ["z" * 5000]))
    assert (page[:, :MARGIN] == PAGE).all()
    assert (page[:, -MARGIN // 2 :] == PAGE).all()


@pytest.mark.parametrize("suffix", sorted(SAVING))
def test_the_file_is_of_the_kind_its_name_says(tmp_path: Path, suffix):
    path = tmp_path / f".sheet.partial{suffix.upper()}"
    frame = np.random.default_rng(3).integers(0, 256, (90, 160, 3)).astype(np.uint8)
    draw_sheet(path, title="Kestrel", frame=frame, frame_note="160 × 90", crops=[crop(50, 90)])
    with Image.open(path) as image:
        assert image.format == SAVING[suffix][0]
        assert image.mode == "RGB"
        page = np.asarray(image).astype(int)
    whole = np.asarray(compose("Kestrel", frame, "160 × 90", [crop(50, 90)], [])).astype(int)
    assert np.abs(page - whole).max() <= (0 if suffix not in (".jpg", ".jpeg") else 40)


@pytest.mark.parametrize("name", ["sheet.gif", "sheet", "sheet.mp4"])
def test_other_kinds_are_refused_with_those_there_are(tmp_path: Path, name):
    with pytest.raises(Problem, match=r"\.png, .*\.tiff.*\.jpg"):
        draw_sheet(tmp_path / name, title="K", frame=flat(16, 9), frame_note="", crops=[])
    assert not list(tmp_path.iterdir())


def test_too_many_crops_and_places_that_cannot_be_written_are_problems(tmp_path: Path):
    check_sheet(tmp_path / "sheet.png", MOST_CROPS)
    with pytest.raises(Problem, match=f"{MOST_CROPS + 1} crops"):
        check_sheet(tmp_path / "sheet.png", MOST_CROPS + 1)
    with pytest.raises(Problem, match="cannot be written"):
        draw_sheet(tmp_path / "none" / "sheet.png", title="K", frame=flat(16, 9), frame_note="", crops=[])


@pytest.mark.parametrize(
    "bad", [np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3), np.float32), np.zeros((0, 4, 3), np.uint8)]
)
def test_arrays_of_another_form_are_named(bad):
    with pytest.raises(ValueError, match="frame must be uint8"):
        compose("K", bad, "", [], [])
    with pytest.raises(ValueError, match="picture of 'a' must be uint8"):
        compose("K", flat(4, 4), "", [Crop("a", "", bad)], [])
