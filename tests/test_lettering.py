"""Text as coverage: its area against the font's outline, its proportions, what it refuses."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.ft2font import FT2Font, LoadFlags

from footroom.host_adapter.lettering import LONGEST, Lettering, cap_part, font_file, has_glyph, lettering

SAMPLE = "9:16 Vertical gÅ"
BLOCK = "\u2588"


def block_box() -> tuple[float, float, float, float]:
    """Left, bottom, right, top of the full block over the em, read from the font by another library (matplotlib)."""
    other = FT2Font(str(font_file()))
    other.set_size(64, 72)
    box = other.load_char(ord(BLOCK), flags=LoadFlags.NO_SCALE).bbox  # units of the font
    return tuple(side / other.units_per_EM for side in box)  # type: ignore[return-value]


def extent(coverage: np.ndarray) -> float:
    """Columns from the first to the last that is touched, the outer two by the most that is covered of them."""
    columns = coverage.max(axis=0)
    touched = np.nonzero(columns)[0]
    return float(touched[-1] - touched[0] - 1 + columns[touched[0]] + columns[touched[-1]])


@settings(max_examples=60, deadline=None)
@given(
    text=st.text(st.sampled_from("AgÅ1:.9 ×█"), min_size=1, max_size=6).filter(str.strip),
    height=st.one_of(st.integers(1, 60), st.floats(1, 60)),
    edge=st.floats(0, 5),
    aspect=st.sampled_from([Fraction(1), Fraction(4, 3), Fraction(2), Fraction(59, 54), Fraction(8, 9)]),
)
def test_coverage_lies_within_its_bounds(text, height, edge, aspect):
    drawn = lettering(text, height, edge=edge, aspect=aspect)
    assert drawn.core.dtype == drawn.edge.dtype == np.float32
    assert drawn.core.shape == drawn.edge.shape
    assert drawn.core.min() >= 0
    assert drawn.edge.max() <= 1
    assert (drawn.edge >= drawn.core).all()
    assert drawn.core.any()


@pytest.mark.parametrize("aspect", [Fraction(1), Fraction(2), Fraction(4, 3), Fraction(59, 54), Fraction(13333, 10000)])
@pytest.mark.parametrize("height", [8, 15.5, 120])
def test_a_full_block_has_the_exact_area_and_place(height, aspect):
    left, bottom, right, top = (side * height / cap_part() for side in block_box())
    drawn = lettering(BLOCK, height, edge=0, aspect=aspect)
    area = (right - left) * (top - bottom) / float(aspect)
    perimeter = 2 * (top - bottom) + 2 * (right - left) / float(aspect)
    # Hinting moves an outline by less than half a pixel of the large drawing, which has 256 rows to a capital or more;
    # coverage has eight bits. Together less than a twenty-fifth of a pixel along the outline.
    assert drawn.core.sum() == pytest.approx(area, abs=0.04 * perimeter)
    assert drawn.core.max() == 1
    rows = drawn.core.max(axis=1).sum()
    assert rows == pytest.approx(top - bottom, abs=0.08)
    middle_row = float((drawn.core.sum(axis=1) * (np.arange(drawn.core.shape[0]) + 0.5)).sum() / drawn.core.sum())
    assert drawn.baseline - middle_row == pytest.approx((top + bottom) / 2, abs=0.08)
    middle = float((drawn.core.sum(axis=0) * (np.arange(drawn.core.shape[1]) + 0.5)).sum() / drawn.core.sum())
    assert middle - drawn.start == pytest.approx((left + right) / 2 / float(aspect), abs=0.08)


@pytest.mark.parametrize("edge", [1, 2.5])
def test_the_edge_grows_a_block_by_its_thickness_all_round(edge):
    left, bottom, right, top = (side * 40 / cap_part() for side in block_box())
    width, height = right - left, top - bottom
    for aspect in (Fraction(1), Fraction(2)):
        drawn = lettering(BLOCK, 40, edge=edge, aspect=aspect)
        # Grown by a disc: the corners are round (the Minkowski sum of a rectangle and a disc).
        area = width * height + 2 * edge * (width + height) + np.pi * edge**2
        assert drawn.edge.sum() * float(aspect) == pytest.approx(area, rel=0.005)
        assert drawn.edge.max(axis=1).sum() == pytest.approx(height + 2 * edge, abs=0.1)
        assert drawn.edge.max(axis=0).sum() == pytest.approx((width + 2 * edge) / float(aspect), abs=0.1)


@pytest.mark.parametrize("height", [6, 8, 11, 24, 57.3, 120, 240])
def test_area_goes_with_the_square_of_the_height(height):
    reference = lettering(SAMPLE, 480, edge=0).core.sum() / 480**2
    assert lettering(SAMPLE, height, edge=0).core.sum() / height**2 == pytest.approx(reference, rel=0.01)


@pytest.mark.parametrize("height", [8, 33, 120])
def test_a_squeeze_of_two_halves_the_columns(height):
    plain, squeezed = lettering(SAMPLE, height, edge=1), lettering(SAMPLE, height, edge=1, aspect=Fraction(2))
    assert abs(extent(squeezed.core) - extent(plain.core) / 2) <= 1
    assert squeezed.advance == pytest.approx(plain.advance / 2, rel=0.005)
    assert squeezed.core.sum() == pytest.approx(plain.core.sum() / 2, rel=0.01)
    assert (squeezed.core.shape[0], squeezed.baseline) == (plain.core.shape[0], plain.baseline)


@pytest.mark.parametrize("height", [8, 20, 120])
def test_capitals_of_a_whole_height_fill_whole_rows(height):
    drawn = lettering("H", height, edge=0)
    touched = drawn.core.max(axis=1)
    assert np.array_equal(np.nonzero(touched)[0], np.arange(drawn.baseline - height, drawn.baseline))
    assert touched[touched > 0].min() > 0.98
    assert drawn.cap_height == height


def test_texts_of_one_height_share_rows_and_baseline():
    shapes = {
        (drawn.core.shape[0], drawn.baseline, drawn.start)
        for drawn in (lettering(text, 14, edge=1.5) for text in ("a", "1.91:1", "Égjp", "– ×"))
    }
    assert len(shapes) == 1


def test_a_glyph_looks_the_same_whatever_was_drawn_before():
    alone = lettering("AV", 31, edge=2)
    longer = lettering("AVA", 31, edge=2)
    kept = alone.start + int(alone.advance) - 4  # the last columns of V reach into the A that follows
    assert np.array_equal(alone.core[:, :kept], longer.core[:, :kept])
    assert longer.advance == pytest.approx(alone.advance + lettering("A", 31, edge=2).advance, abs=0.1)


def test_answers_are_remembered_and_read_only():
    first = lettering("9:16", 12, edge=1)
    assert lettering("9:16", 12.0, edge=1) is first
    for coverage in (first.core, first.edge):
        with pytest.raises(ValueError, match="read-only"):
            coverage[0, 0] = 1


def test_decomposed_letters_are_composed_first():
    assert lettering("e\u0301", 12, edge=1) is lettering("\u00e9", 12, edge=1)


def test_another_process_draws_the_same_bytes():
    script = (
        "import sys, hashlib\nfrom footroom.host_adapter.lettering import lettering\n"
        "d = lettering('4:5 Feed gÅ', 13.5, edge=1.25)\n"
        "print(hashlib.sha256(d.core.tobytes() + d.edge.tobytes()).hexdigest(), 'matplotlib' in sys.modules)"
    )
    runs = {subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout}
    drawn: Lettering = lettering("4:5 Feed gÅ", 13.5, edge=1.25)
    expected = hashlib.sha256(drawn.core.tobytes() + drawn.edge.tobytes()).hexdigest()
    assert runs == {f"{expected} False\n"}  # and the font was found without matplotlib


def test_glyphs_that_the_font_lacks_are_those_missing_from_its_table():
    table = FT2Font(str(font_file())).get_charmap()
    written = [c for c in range(0x21, 0x3100) if chr(c).isprintable()]
    assert {c for c in written if has_glyph(chr(c))} == {c for c in written if c in table}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("  ", "empty"),
        ("a\nb", r"cannot be seen: U\+000A"),
        ("a\tb", r"U\+0009"),
        ("a\u2028b", r"U\+2028"),
        ("a\u200db", r"U\+200D"),
        ("縦 Feed 横", r"lacks: 横 \(U\+6A2A\), 縦 \(U\+7E26\)"),
        ("\ud800", r"U\+D800"),
        ("א", "right to left: א"),
        ("x" * (LONGEST + 1), f"at most {LONGEST}"),
    ],
)
def test_text_that_cannot_be_written_is_named(text, said):
    with pytest.raises(ValueError, match=said):
        lettering(text, 12, edge=1)


def test_a_text_too_wide_for_its_height_is_refused():
    with pytest.raises(ValueError, match="at most 240 rows for 100 characters, got 300"):
        lettering("x" * 100, 300, edge=1)


@pytest.mark.parametrize(
    "arguments",
    [
        {"height": 0},
        {"height": float("nan")},
        {"height": 1e9},
        {"edge": -1},
        {"edge": float("inf")},
        {"aspect": Fraction(0)},
    ],
)
def test_numbers_that_make_no_sense_are_named(arguments):
    name, value = next(iter(arguments.items()))
    with pytest.raises(ValueError, match=f"{name}.*{value}"):
        lettering("A", **{"height": 12, "edge": 1, **arguments})
