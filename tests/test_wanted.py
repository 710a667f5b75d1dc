"""What a person writes for windows, grids, safe areas, squeeze, sizes and rates: every form of the help, and every slip."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from footroom.host_adapter.wanted import (
    ANCHORS,
    Grid,
    Safe,
    checked_name,
    file_word,
    read_grid,
    read_rate,
    read_ratio,
    read_safe,
    read_size,
    read_squeeze,
    read_window,
)

HALF = Fraction(1, 2)


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        ("9:16", Fraction(9, 16)),
        ("1.91:1", Fraction(191, 100)),
        ("2.39", Fraction(239, 100)),
        ("2.39:1", Fraction(239, 100)),
        (" 4:5 ", Fraction(4, 5)),
        ("2.76", Fraction(69, 25)),
        # Common practice: the trade writes these with two decimals and means the exact ratio.
        ("1.33", Fraction(4, 3)),
        ("1.66", Fraction(5, 3)),
        ("1.78", Fraction(16, 9)),
        ("1.33:1", Fraction(4, 3)),
        ("1.66:1", Fraction(5, 3)),
        ("1.78:1", Fraction(16, 9)),
        ("1.85", Fraction(37, 20)),  # the DCI container 1998x1080 is 1.85 exactly (DCI DCSS)
    ],
)
def test_a_ratio_means_what_the_trade_means(text, ratio):
    assert read_ratio(text) == ratio


@pytest.mark.parametrize(
    "text",
    ["", "0:1", "1:0", "0", "0.0:1", "-1:1", "9:-16", "9:16:4", "9x16", "wide", "nan", "inf", "1e3", "1.:1", "9 : 16"],
)
def test_what_is_no_ratio_is_refused_by_name(text):
    with pytest.raises(ValueError, match="is no ratio") as caught:
        read_ratio(text)
    assert repr(text) in str(caught.value)


def test_every_form_of_a_window_in_the_help():
    plain = read_window("9:16")
    assert (plain.name, plain.ratio, plain.size, plain.anchor) == ("9:16", Fraction(9, 16), None, (HALF, HALF))
    assert plain.offset == plain.offset_share == (0, 0)
    assert read_window("2.39").ratio == Fraction(239, 100)
    left = read_window("1080x1350@left")
    assert (left.name, left.ratio, left.size, left.anchor) == ("1080x1350", None, (1080, 1350), (0, HALF))
    story = read_window("story=9:16@centre,40,0")
    assert (story.name, story.ratio, story.anchor) == ("story", Fraction(9, 16), (HALF, HALF))
    assert (story.offset, story.offset_share) == ((40, 0), (0, 0))
    shared = read_window("1:1@top-right,-5%,2.5%")
    assert shared.anchor == (1, 0)
    assert (shared.offset, shared.offset_share) == ((0, 0), (Fraction(-1, 20), Fraction(1, 40)))
    mixed = read_window("1:1,12,-5%")
    assert (mixed.anchor, mixed.offset, mixed.offset_share) == ((HALF, HALF), (12, 0), (0, Fraction(-1, 20)))


@pytest.mark.parametrize(
    ("anchor", "across", "down"),
    [
        ("centre", HALF, HALF),
        ("center", HALF, HALF),
        ("left", 0, HALF),
        ("right", 1, HALF),
        ("top", HALF, 0),
        ("bottom", HALF, 1),
        ("top-left", 0, 0),
        ("top-right", 1, 0),
        ("bottom-left", 0, 1),
        ("bottom-right", 1, 1),
        ("TOP-Left", 0, 0),
    ],
)
def test_anchors_are_the_sides_they_name(anchor, across, down):
    assert read_window(f"1:1@{anchor}").anchor == (across, down)


numbers = st.decimals(min_value="0.01", max_value="99", places=2).map(lambda value: f"{value:f}")


@given(above=numbers, below=numbers)
def test_a_written_ratio_reads_back(above, below):
    ratio = Fraction(above) / Fraction(below)
    assert read_ratio(f"{above}:{below}") == ratio
    if Fraction(1, 100) <= ratio <= 100:
        assert read_window(f"{above}:{below}").shape == ratio


offsets = st.one_of(
    st.integers(-99999, 99999).map(str),
    st.decimals(min_value="-999.999", max_value="999.999", places=3).map(lambda value: f"{value:f}"),
    st.decimals(min_value="-99.9", max_value="99.9", places=1).map(lambda value: f"{value:+f}%"),
)


@given(
    name=st.one_of(st.none(), st.from_regex(r"[A-Za-z0-9][\w .()&+-]{0,20}[\w)]", fullmatch=True)),
    size=st.tuples(st.integers(1, 9999), st.integers(1, 9999)).filter(
        lambda size: Fraction(1, 100) <= Fraction(*size) <= 100
    ),
    anchor=st.sampled_from(sorted(ANCHORS)),
    moved=st.one_of(st.none(), st.tuples(offsets, offsets)),
)
def test_a_written_window_reads_back(name, size, anchor, moved):
    text = f"{size[0]}x{size[1]}@{anchor}" + (f",{moved[0]},{moved[1]}" if moved else "")
    read = read_window(text if name is None else f"{name}={text}")
    assert read.name == (f"{size[0]}x{size[1]}" if name is None else name.strip())
    assert (read.size, read.ratio, read.anchor) == (size, None, ANCHORS[anchor])
    for axis in (0, 1):
        word = moved[axis] if moved else "0"
        pixels, share = read.offset[axis], read.offset_share[axis]
        if word.endswith("%"):
            assert (pixels, share) == (0, Fraction(word[:-1]) / 100)
        else:
            assert (pixels, share) == (Fraction(word), 0)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("0:1", "neither part may be 0"),
        ("101:1", "100"),
        ("1:101", "100"),
        ("0x100", "at least 1x1"),
        ("9:16@middle", "'middle' is no anchor"),
        ("9:16,5", "X,Y"),
        ("9:16@left,1,2,3", "X,Y"),
        ("9:16@left,a,0", "'a' is no offset"),
        ("9:16@left,5%%,0", "'5%%' is no offset"),
        ("=9:16", "no name"),
        ("a/b=9:16", "no name"),
        ("..\\x=9:16", "no name"),
        ("[bold]=9:16", "no name"),
        ("a\nb=9:16", "no name"),
        ("a=b=9:16", "no name"),
        ("x=", "no ratio"),
        ("", "no name"),
        ("n" * 41 + "=9:16", "too long"),
    ],
)
def test_a_slip_in_a_window_is_named(text, part):
    with pytest.raises(ValueError, match=r"^window ") as caught:
        read_window(text)
    assert repr(text) in str(caught.value)
    assert part in str(caught.value)


@given(st.text(max_size=30))
def test_no_text_at_all_breaks_the_readers(text):
    for reader in (read_window, read_ratio, read_grid, read_safe, read_squeeze, read_size, read_rate):
        try:
            reader(text)
        except ValueError as error:
            # A window without a name is quoted by its name; the others by the text.
            assert repr(text) in str(error) or repr(text.strip()) in str(error)


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("9:16", "9x16"),
        ("1.91:1", "1.91x1"),
        ("a b", "a-b"),
        ("story (v2)", "story-v2"),
        ("...", "window"),
        ("..", "window"),
        ("-x", "x"),
        ("été", "été"),
    ],
)
def test_a_name_becomes_a_plain_part_of_a_file_name(name, word):
    assert file_word(name) == word


@given(st.text(min_size=1, max_size=40))
def test_no_name_leaves_its_folder_or_hides_its_file(text):
    try:
        word = file_word(checked_name(text))
    except ValueError:
        return
    assert word
    assert not set(word) & set('/\\:*?"<>|\0\n')
    assert not word.startswith((".", "-"))


def test_grids():
    assert read_grid("thirds").what == Grid(3, 3)
    assert read_grid("Diagonals").what == Grid(diagonals=True)
    assert read_grid("4x2").what == Grid(4, 2)
    assert read_grid("1x2").what == Grid(1, 2)
    assert read_grid("thirds").window is None
    assert read_grid("thirds@story").window == "story"
    assert read_grid("4x2@9:16").window == "9:16"
    for text in ("", "fourths", "1x1", "0x3", "101x2", "3", "-1x2", "3x3x3"):
        with pytest.raises(ValueError, match="is no grid") as caught:
            read_grid(text)
        assert repr(text) in str(caught.value)


def test_safe_areas():
    # SMPTE ST 2046-1:2009 and EBU R 95 v1.1: action 93 %, title 90 % (check: rectangles in test_framing).
    assert read_safe("action").what == Safe("action", Fraction(93, 100))
    assert read_safe("title").what == Safe("title", Fraction(90, 100))
    assert read_safe("80").what == read_safe("80%").what == Safe("safe", Fraction(4, 5))
    assert read_safe("92.5%").what == Safe("safe", Fraction(37, 40))
    assert read_safe("title@story").window == "story"
    for text in ("", "0", "100", "100%", "-5", "tight", "80%%", "180"):
        with pytest.raises(ValueError, match="is no safe area") as caught:
            read_safe(text)
        assert repr(text) in str(caught.value)


@pytest.mark.parametrize(
    ("text", "factor"),
    [
        ("1.25", Fraction(5, 4)),
        # A lens of 1.33 squeezes 4:3 out of 16:9 (16/9 x 4/3 = 64/27 = 2.370, check-values E): the exact third is meant.
        ("1.33", Fraction(4, 3)),
        ("1.5", Fraction(3, 2)),
        ("1.8", Fraction(9, 5)),
        ("2", Fraction(2)),
        ("4/3", Fraction(4, 3)),
        ("4:3", Fraction(4, 3)),
        ("0.25", Fraction(1, 4)),
        ("4", Fraction(4)),
    ],
)
def test_squeeze(text, factor):
    assert read_squeeze(text) == factor


def test_1_3333_is_four_thirds_too():
    """What check-values E writes for the lens (16:9 x 1.3333 = 2.3704) de-squeezes 1920 columns to 2560, as 4/3 does."""
    assert round(1920 * read_squeeze("1.3333")) == 2560


@pytest.mark.parametrize("text", ["", "0", "-2", "4.01", "0.24", "2/0", "x2", "1e1"])
def test_what_is_no_squeeze_is_refused_by_name(text):
    with pytest.raises(ValueError, match="is no squeeze") as caught:
        read_squeeze(text)
    assert repr(text) in str(caught.value)


@given(st.integers(1, 32768), st.integers(1, 32768))
def test_a_written_size_reads_back(width, height):
    assert read_size(f"{width}x{height}") == (width, height)


@pytest.mark.parametrize("text", ["", "0x64", "64x0", "32769x64", "64", "64x", "-64x64", "64X64x1", "6.4x6"])
def test_what_is_no_size_is_refused_by_name(text):
    with pytest.raises(ValueError, match="is no size") as caught:
        read_size(text)
    assert repr(text) in str(caught.value)


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("25", Fraction(25)),
        ("24", Fraction(24)),
        ("12.5", Fraction(25, 2)),
        ("30000/1001", Fraction(30000, 1001)),
        # SMPTE ST 170 and its kin: the rates written with decimals are n x 1000/1001.
        ("23.976", Fraction(24000, 1001)),
        ("23.98", Fraction(24000, 1001)),
        ("29.97", Fraction(30000, 1001)),
        ("47.952", Fraction(48000, 1001)),
        ("59.94", Fraction(60000, 1001)),
        ("119.88", Fraction(120000, 1001)),
        ("60", Fraction(60)),
        ("50", Fraction(50)),
    ],
)
def test_rates(text, rate):
    assert read_rate(text) == rate


@pytest.mark.parametrize("text", ["", "0", "0/1", "25/0", "-25", "1001", "0.5", "fast"])
def test_what_is_no_rate_is_refused_by_name(text):
    with pytest.raises(ValueError, match="is no frame rate") as caught:
        read_rate(text)
    assert repr(text) in str(caught.value)
