"""The two files a person writes for framing, deliveries and paths: what they make, and every slip in them said in one line."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from frame_running import all_planes, frame, framed, listing, refused
from hypothesis import given
from hypothesis import strategies as st
from media_files import make_movie

from footroom.host_adapter.headless.delivery.files import EXAMPLE, read_deliveries, read_path
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.wanted import Safe
from footroom.kernels.motion import Ease, Key

HALF = Fraction(1, 2)

WHOLE_SET = """\
[delivery.story]
window = "9:16"
size = "90x160"
safe = ["title", "80%"]

[delivery."square (feed)"]
window = "1:1@left,6,0"
part = 0.5

[delivery.pan]
window = "4:5"
path = "paths/pan.toml"
"""
PAN = """\
[[key]]
time = 0
x = 0.3
[[key]]
time = 0.1
x = 0.7
y = 0.5
ease = "linear"
"""


@pytest.fixture(scope="session")
def clip(tmp_path_factory) -> Path:
    source = tmp_path_factory.mktemp("clip") / "harbour.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(320, 180), frames=4)
    return source


def write(folder: Path, text: str, name: str = "d.toml") -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_a_deliveries_file_is_read_whole_and_in_its_order(tmp_path):
    write(tmp_path, PAN, "paths/pan.toml")
    story, square, pan = read_deliveries(write(tmp_path, WHOLE_SET))
    assert (story.name, story.wanted.ratio, story.size) == ("story", Fraction(9, 16), (90, 160))
    assert story.safes == (Safe("title", Fraction(9, 10)), Safe("safe", Fraction(4, 5)))
    assert (square.name, square.wanted.part, square.wanted.offset) == ("square (feed)", HALF, (6, 0))
    assert pan.path is not None
    assert pan.path.keys == (
        Key(Fraction(0), Fraction(3, 10), HALF),
        Key(Fraction(1, 10), Fraction(7, 10), HALF, ease=Ease.LINEAR),
    )


def test_the_example_that_errors_show_is_itself_right(tmp_path):
    (story,) = read_deliveries(write(tmp_path, EXAMPLE))
    assert (story.name, story.wanted.shape) == ("story", Fraction(9, 16))


def test_one_command_makes_the_whole_set(clip, tmp_path):
    write(tmp_path, PAN, "paths/pan.toml")
    record = framed(clip, "--out", tmp_path / "out", "--deliveries", write(tmp_path, WHOLE_SET))
    assert [(each["as"], each["of"]) for each in record["results"]] == [
        ("burn", None), ("overlay", None), ("overlay", "story"), ("overlay", "square (feed)"), ("overlay", "pan"),
        ("crop", "story"), ("crop", "square (feed)"), ("crop", "pan"), ("sheet", None),
    ]  # fmt: skip
    names = [
        "harbour.burn.mkv", "harbour.guides.mov", "harbour.story.guides.png", "harbour.square-feed.guides.png",
        "harbour.pan.guides.mov", "harbour.story.mkv", "harbour.square-feed.mkv", "harbour.pan.mkv", "harbour.sheet.png",
    ]  # fmt: skip
    assert [Path(each["path"]).name for each in record["results"]] == names
    assert listing(tmp_path / "out") == sorted([*names, *(name + ".receipt.json" for name in names)])
    # 180 x 4/5 = 144 wide. Half of 180 is 90; of 320 columns and 180 lines, which are 0 mod 4, a window has 88 or 92
    # (check-values E's rule), and of two equally near ones the larger.
    for name, shape in (("story", (160, 90)), ("square-feed", (92, 92)), ("pan", (180, 144))):
        planes = all_planes(tmp_path / "out" / f"harbour.{name}.mkv")
        assert len(planes) == 4
        assert planes[0][0].shape == shape
    again = framed(clip, "--out", tmp_path / "out", "--deliveries", tmp_path / "d.toml")
    assert {each["state"] for each in again["results"]} == {"whole already"}


def test_part_of_the_set_can_be_asked_for(clip, tmp_path):
    words = '[delivery.a]\nwindow = "1:1"\n[delivery.b]\nwindow = "9:16"\n'
    framed(clip, "--out", tmp_path / "o", "--deliveries", write(tmp_path, words), "--as", "crop")
    assert listing(tmp_path / "o") == sorted(
        f"harbour.{each}.mkv{more}" for each in "ab" for more in ("", ".receipt.json")
    )


def test_a_sheet_of_a_deliveries_file_may_have_a_name_of_its_own_or_is_refused(clip, tmp_path):
    """One result and one name: either it is made, or the words say so; never a folder called sheet.png."""
    deliveries = write(tmp_path, '[delivery.a]\nwindow = "1:1"\n')
    done = frame(clip, "--out", tmp_path / "sheet.png", "--deliveries", deliveries, "--as", "sheet")
    if done.code == 0:
        assert (tmp_path / "sheet.png").is_file()
    else:
        assert done.code == 2
        assert listing(tmp_path) == ["d.toml"]
        assert "1 results" not in done.err


BAD = {
    "unknown key": ('[delivery.a]\nwindov = "1:1"\n', "[delivery.a]: there is no 'windov'"),
    "unknown table": ('title = "x"\n[delivery.a]\nwindow = "1:1"\n', "'title'"),
    "bad toml": ('[delivery.a\nwindow = "1:1"\n', "not valid TOML"),
    "twice": ('[delivery.a]\nwindow = "1:1"\n[delivery.a]\nwindow = "1:2"\n', "not valid TOML"),
    "empty": ("", "no [delivery.NAME]"),
    "no delivery": ("[delivery]\n", "no [delivery.NAME]"),
    "a number": ("delivery = 3\n", "no [delivery.NAME]"),
    "a list": ('[[delivery]]\nwindow = "1:1"\n', "no [delivery.NAME]"),
    "no table": ('[delivery]\nwindow = "1:1"\n', "[delivery.window] is no table"),
    "nothing in it": ("[delivery.a]\n", "needs a window or a size"),
    "bad window": ('[delivery.a]\nwindow = "wide"\n', "'wide' is no ratio"),
    "bad anchor": ('[delivery.a]\nwindow = "1:1@middle"\n', "'middle' is no anchor"),
    "window a number": ("[delivery.a]\nwindow = 2.39\n", "window must be text"),
    "size a number": ('[delivery.a]\nwindow = "1:1"\nsize = 1080\n', "size must be text"),
    "bad size": ('[delivery.a]\nwindow = "1:1"\nsize = "big"\n', "'big' is no size"),
    "size of another shape": ('[delivery.a]\nwindow = "1:1"\nsize = "90x160"\n', "stretched"),
    "odd size": ('[delivery.a]\nwindow = "1:1"\nsize = "91x91"\n', "no multiple of 2"),
    "safe with a place": ('[delivery.a]\nwindow = "1:1"\nsafe = "title@a"\n', "leave the @ out"),
    "safe a number": ('[delivery.a]\nwindow = "1:1"\nsafe = [90]\n', "safe must be a list of texts"),
    "bad safe": ('[delivery.a]\nwindow = "1:1"\nsafe = ["tight"]\n', "'tight' is no safe area"),
    "part too large": ('[delivery.a]\nwindow = "1:1"\npart = 2\n', "part must be above 0 and at most 1"),
    "part zero": ('[delivery.a]\nwindow = "1:1"\npart = 0\n', "part must be above 0 and at most 1"),
    "part a text": ('[delivery.a]\nwindow = "1:1"\npart = "half"\n', "part must be a number"),
    "part nan": ('[delivery.a]\nwindow = "1:1"\npart = nan\n', "part must be a number"),
    "markup in a name": ('[delivery."[bold]"]\nwindow = "1:1"\n', "no name for a window"),
    "path in a name": ('[delivery."../a"]\nwindow = "1:1"\n', "no name for a window"),
    "one file name": ('[delivery."a b"]\nwindow = "1:1"\n[delivery.a-b]\nwindow = "1:2"\n', "both be called"),
    "one but for case": ('[delivery.A]\nwindow = "1:1"\n[delivery.a]\nwindow = "1:2"\n', "both be called"),
    "path and keys": ('[delivery.a]\nwindow = "1:1"\npath = "p.toml"\n[[delivery.a.key]]\ntime = 0\n', "both a path and keys"),
    "missing path": ('[delivery.a]\nwindow = "1:1"\npath = "no.toml"\n', "no.toml"),
    "path a number": ('[delivery.a]\nwindow = "1:1"\npath = 3\n', "path must be text"),
    "no keys": ('[delivery.a]\nwindow = "1:1"\nkey = []\n', "holds no [[key]]"),
    "unknown in a key": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 0\nz = 1\n', "key 1: there is no 'z'"),
    "no time": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\nx = 0\n', "key 1: it has no time"),
    "time negative": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = -1\n', "time must not be negative"),
    "time true": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = true\n', "time must be a number"),
    "time nan": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = nan\n', "time must be a number"),
    "x outside": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 0\nx = 1.5\n', "x must be 0..1"),
    "key part zero": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 0\npart = 0\n', "part must be above 0"),
    "a key's size": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 0\nsize = 1\n', "It takes time, x, y, part, ease"),
    "bad ease": ('[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 0\nease = "bounce"\n', "smooth, linear, hold"),
    "out of order": (
        '[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 1\n[[delivery.a.key]]\ntime = 0.5\n',
        "times must rise from key to key, but key 1 is at 1 s and key 2 at 0.5 s",
    ),
    "at one time": (
        '[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 1\n[[delivery.a.key]]\ntime = 1\n',
        "times must rise",
    ),
    "zoom without a size": (
        '[delivery.a]\nwindow = "1:1"\n[[delivery.a.key]]\ntime = 0\n[[delivery.a.key]]\ntime = 1\npart = 0.5\n',
        "needs a size of its own",
    ),
    "the burn's name": ('[delivery.burn]\nwindow = "1:1"\n', "a window cannot be called 'burn'"),
    "the overlay's name": ('[delivery.Guides]\nwindow = "1:1"\n', "a window cannot be called 'Guides'"),
    "the sheet's name": ('[delivery.sheet]\nwindow = "1:1"\n', "a window cannot be called 'sheet'"),
    "a moving overlay's name": ('[delivery."a.guides"]\nwindow = "1:1"\n', "a window cannot be called 'a.guides'"),
    "larger than the picture": ('[delivery.a]\nwindow = "400x400"\n', "larger than the picture (320x180)"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_every_slip_is_said_in_one_line_and_leaves_nothing(clip, tmp_path, case):
    text, words = BAD[case]
    deliveries = write(tmp_path, text)
    said = refused(clip, "--out", tmp_path / "out", "--deliveries", deliveries)
    assert words in said
    assert "Mend them" not in said  # the words of another command
    assert listing(tmp_path) == ["d.toml"]


@pytest.mark.parametrize("case", sorted(BAD))
def test_the_reader_alone_raises_problems_only(tmp_path, case):
    try:
        read_deliveries(write(tmp_path, BAD[case][0]))
    except Problem as problem:
        assert problem.found


def test_what_is_no_file_of_text(clip, tmp_path):
    assert "no such deliveries file" in refused(clip, "--out", tmp_path / "o", "--deliveries", tmp_path / "no.toml")
    (tmp_path / "bin.toml").write_bytes(b"\xff\xfe\x00")
    assert "not valid TOML" in refused(clip, "--out", tmp_path / "o", "--deliveries", tmp_path / "bin.toml")
    write(tmp_path, '[delivery.a]\nwindow = "1:1"\npath = "."\n')
    assert "folder" in refused(clip, "--out", tmp_path / "o", "--deliveries", tmp_path / "d.toml")
    assert listing(tmp_path) == ["bin.toml", "d.toml"]


def test_file_and_options_do_not_both_say_windows(clip, tmp_path):
    deliveries = write(tmp_path, EXAMPLE)
    out = ("--out", tmp_path / "o", "--deliveries", deliveries)
    assert "--window" in refused(clip, *out, "--window", "1:1")
    assert "--path" in refused(clip, *out, "--path", write(tmp_path, PAN, "p.toml"))


def test_a_path_file_by_itself(tmp_path):
    path = read_path(write(tmp_path, '[[key]]\ntime = 0\n[[key]]\ntime = 1.5\nx = 0.1\npart = 0.5\nease = "hold"\n'))
    assert path.keys == (
        Key(Fraction(0), HALF, HALF, Fraction(1), Ease.SMOOTH),
        Key(Fraction(3, 2), Fraction(1, 10), HALF, HALF, Ease.HOLD),
    )
    for text, words in (
        ("", "[[key]]"),
        ("frames = 3\n[[key]]\ntime = 0\n", "'frames'"),
        ("key = 3\n", "[[key]]"),
        ("[key]\ntime = 0\n", "[[key]]"),
        ("[[key]]\ntime = 2\n[[key]]\ntime = 1\n", "times must rise"),
    ):
        with pytest.raises(Problem) as caught:
            read_path(write(tmp_path, text))
        assert words in str(caught.value)
        assert "\n" not in str(caught.value)


def test_a_path_file_says_nothing_that_is_not_heard(tmp_path):
    """Whatever a file may hold has a meaning; a key that is silently passed over is a trap."""
    with pytest.raises(Problem, match="rate"):
        read_path(write(tmp_path, "rate = 25\n[[key]]\ntime = 0\n"))


def test_an_anchor_and_a_path_contradict_each_other(clip, tmp_path):
    """A path says where the window is; an anchor or offset beside it would be passed over in silence."""
    words = refused(
        clip, "--out", tmp_path / "c.mkv", "--as", "crop", "--window", "9:16@left,10,0",
        "--path", write(tmp_path, PAN, "p.toml"),
    )  # fmt: skip
    assert "9:16@left" in words or "anchor" in words or "offset" in words


@pytest.mark.parametrize("windows", [(), ("1:1", "9:16")])
def test_a_path_moves_one_window(clip, tmp_path, windows):
    options = [word for window in windows for word in ("--window", window)]
    words = refused(clip, "--out", tmp_path / "o.mkv", "--path", write(tmp_path, PAN, "p.toml"), "--centre", *options)
    assert f"there are {len(windows)}" in words


times = st.lists(st.integers(0, 10**6), min_size=1, max_size=6, unique=True).map(sorted)


@given(times=times, places=st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 1000)), min_size=6, max_size=6))
def test_what_is_written_is_read_exactly(tmp_path_factory, times, places):
    """A tenth is a tenth: numbers are read as a person wrote them, not as the nearest binary fraction."""
    text = "".join(
        f"[[key]]\ntime = {time / 1000}\nx = {x / 1000}\ny = {y / 1000}\n"
        for time, (x, y) in zip(times, places, strict=False)
    )
    keys = read_path(write(tmp_path_factory.getbasetemp(), text, "hypothesis.toml")).keys
    assert [key.time for key in keys] == [Fraction(time, 1000) for time in times]
    assert [(key.x, key.y) for key in keys] == [
        (Fraction(x, 1000), Fraction(y, 1000)) for (x, y), _ in zip(places, times, strict=False)
    ]


@given(st.text(max_size=60))
def test_no_text_breaks_the_readers(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    for reader in (read_deliveries, read_path):
        try:
            reader(path)
        except Problem as problem:
            assert problem.found
