"""What `footroom frame` says and writes down: nothing dropped in silence, tables that fit a terminal, receipts in plain words."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import av
import pytest
from frame_running import frame, framed, listing, refused
from media_files import make_movie, make_stills

from footroom.host_adapter.headless.delivery import showing
from footroom.host_adapter.headless.delivery.record import number
from footroom.host_adapter.headless.delivery.showing import Catcher
from footroom.host_adapter.headless.delivery.timecode import counted_on
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.opening import open_recording

LONGEST = "the long name that a window may have 40c"
MOVES = "[[key]]\ntime = 0\nx = 0.3\n[[key]]\ntime = 0.2\nx = 0.7\n"


@pytest.fixture(scope="session")
def harbour(tmp_path_factory) -> Path:
    source = tmp_path_factory.mktemp("harbour") / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(320, 180), frames=6, timecode="10:20:30:00")
    return source


def printed(*arguments: object, columns: str | None = None) -> str:
    """What the program prints into a pipe, in a process of its own."""
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    if columns is not None:
        environment["COLUMNS"] = columns
    command = [sys.executable, "-m", "footroom.host_adapter.headless", "frame", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize(
    ("made", "options", "words"),
    [
        (("burn",), ("--size", "180x180"), "--size would change nothing: beside a recording it scales a crop"),
        (("burn",), ("--at", "0.1"), "--at would change nothing: one frame is chosen for a sheet"),
        (("crop",), ("--shade", "50"), "--shade would change nothing: the shade is drawn into"),
        (("crop",), ("--label",), "--label would change nothing"),
        (("crop",), ("--grid", "thirds"), "--grid would change nothing"),
        (("crop",), ("--safe", "title"), "--safe would change nothing"),
        (("crop",), ("--centre",), "--centre would change nothing"),
        (("crop",), ("--assume", "full"), "--assume would change nothing"),
        (("sheet",), ("--codec", "ffv1"), "--codec would change nothing"),
        (("overlay", "sheet"), ("--codec", "ffv1"), "what is made is an overlay and a sheet"),
    ],
)
def test_an_option_that_no_result_would_hear_is_refused(harbour, tmp_path, made, options, words):
    kinds = [word for kind in made for word in ("--as", kind)]
    names = {"burn": "o.mkv", "crop": "o.mkv", "sheet": "o.png"}
    out = tmp_path / (names[made[0]] if len(made) == 1 else "o")
    said = refused(harbour, "--out", out, *kinds, "--window", "1:1", *options)
    assert words in said
    assert f"Leave {options[0]} out" in said
    assert listing(tmp_path) == []


@pytest.mark.parametrize("option", [("--rate", "25"), ("--seconds", "2")])
def test_a_still_overlay_has_neither_rate_nor_length(tmp_path, option):
    words = refused("--size", "64x64", "--as", "overlay", "--window", "1:1", "--out", tmp_path / "o.png", *option)
    assert "would change nothing: this overlay is a still" in words
    framed(
        "--size",
        "64x64",
        "--as",
        "overlay",
        "--window",
        "1:1",
        "--out",
        tmp_path / "o.mov",
        "--seconds",
        "0.2",
        *option,
    )


def test_the_window_is_not_given_two_sizes(harbour, tmp_path):
    deliveries = tmp_path / "d.toml"
    deliveries.write_text('[delivery.a]\nwindow = "1:1"\nsize = "90x90"\n')
    crop = (harbour, "--out", tmp_path / "o", "--deliveries", deliveries, "--as", "crop", "--size", "180x180")
    assert "gives 'a' a size already" in refused(*crop)


@pytest.mark.parametrize("name", ["burn", "Sheet", "guides", "x.guides"])
def test_a_window_has_no_results_name(harbour, tmp_path, name):
    words = refused(harbour, "--out", tmp_path / "o.mkv", "--window", f"{name}=1:1")
    assert f"a window cannot be called '{name}'" in words


@pytest.mark.parametrize(
    ("window", "size"),
    [("1:1", "1x1"), ("9:16", "1x1"), ("9:16", "91x161"), ("2.39", "100x100"), ("1.91:1", "1079x565")],
)
def test_the_size_that_a_refusal_advises_is_taken(harbour, tmp_path, window, size):
    """It once said 'Use 2x2' for an upright window, which was then refused in turn."""
    crop = (harbour, "--as", "crop", "--window", window, "--codec", "ffv1", "--out", tmp_path / "c.mkv")
    words = refused(*crop, "--size", size)
    (advised,) = re.findall(r"Use (\d+x\d+)\.", words)
    framed(*crop, "--size", advised)
    with av.open(str(tmp_path / "c.mkv")) as container:
        stream = container.streams.video[0]
        assert f"{stream.width}x{stream.height}" == advised


def test_a_bare_overlay_is_rounded_to_whole_pixels_and_to_even_ones_on_request(tmp_path):
    """By hand: a square of 1001x501 is 501 wide, 250 from the left. There is no chroma that would ask for even numbers."""
    bare = ("--as", "overlay", "--size", "1001x501", "--window", "1:1")
    (window,) = framed(*bare, "--out", tmp_path / "o.png")["windows"]
    assert (window["x"], window["y"], window["width"], window["height"]) == (250, 0, 501, 501)
    (window,) = framed(*bare, "--even", "--out", tmp_path / "e.png")["windows"]
    assert all(window[side] % 2 == 0 for side in ("x", "y", "width", "height"))


def test_a_table_fits_eighty_columns_and_no_line_ends_in_blanks(harbour, tmp_path):
    path = tmp_path / "p.toml"
    path.write_text(MOVES)
    single = printed(
        harbour,
        "--out",
        tmp_path / "o.mkv",
        "--window",
        f"{LONGEST}=9:16",
        "--path",
        path,
        "--as",
        "burn",
        columns="80",
    )
    many = [word for ratio in ("9:16", "4:5", "1:1", "1.91:1", "2.39") for word in ("--window", ratio)]
    several = printed(harbour, "--out", tmp_path / "s.png", *many, "--as", "sheet", columns="80")
    for text in (single, several):
        lines = text.splitlines()
        assert all(line == line.rstrip() for line in lines)
        assert all(len(line) <= 80 for line in lines if "->" not in line and not line.startswith("burn"))
    assert "(moves" not in single
    assert f"{LONGEST} moves; the table shows where it is at the start" in " ".join(single.split())
    assert "rounding to whole steps of 2x2 pixels: 1.25 narrower (9:16)" in several


def test_a_pipe_is_wide_where_nobody_says_how_wide(harbour, tmp_path):
    text = printed(harbour, "--out", tmp_path / "o.mkv", "--window", "1:1", "--as", "burn")
    assert max(map(len, text.splitlines())) > 100


def test_a_moving_common_area_says_when_it_is_so(harbour, tmp_path):
    deliveries = tmp_path / "d.toml"
    keys = MOVES.replace("[[key]]", "[[delivery.a.key]]")
    deliveries.write_text(f'[delivery.b]\nwindow = "1:1"\n[delivery.a]\nwindow = "9:16"\n{keys}')
    text = printed(harbour, "--out", tmp_path / "s.png", "--deliveries", deliveries, "--as", "sheet")
    assert "common area at the start (it changes as windows move): " in text
    record = framed(harbour, "--out", tmp_path / "s.png", "--deliveries", deliveries, "--as", "sheet")
    assert record["common_area"]["moves"] is True


@pytest.mark.parametrize("kind", ["burn", "crop", "overlay"])
def test_pixels_that_are_not_square_are_said(harbour, tmp_path, kind):
    out = tmp_path / ("o.png" if kind == "overlay" else "o.mkv")
    base = (harbour, "--as", kind, "--window", "1:1", "--squeeze", "1.33")
    (result,) = framed(*base, "--out", out)["results"]
    assert "of pixels 1.333 wide, which the file says" in result["words"]
    (result,) = framed(*base, "--desqueeze", "--out", out.with_stem("d"))["results"]
    assert "wide" not in result["words"]
    record = framed(harbour, "--as", kind, "--window", "1:1", "--desqueeze", "--out", out.with_stem("q"))
    assert record["notes"] == ["the pixels are square already, so --desqueeze changes nothing"]


def test_a_receipt_holds_plain_words_and_numbers(harbour, tmp_path):
    path = tmp_path / "p.toml"
    path.write_text(MOVES)
    (result,) = framed(
        harbour, "--out", tmp_path / "o.mkv", "--as", "burn", "--window", "story=1.33:1", "--path", path, "--grid", "thirds",
        "--safe", "title@story", "--squeeze", "4/3", "--shade", "40",
    )["results"]  # fmt: skip
    text = Path(result["receipt"]).read_text()
    assert not re.search(
        r"[A-Z]\w+\(|<|Fraction|_", json.dumps(json.loads(text)["parameters"]).replace("offset_share", "")
    )
    settings = json.loads(text)["parameters"]
    (window,) = settings["windows"]
    assert (window["name"], window["ratio"], window["part"], window["anchor"]) == ("story", "4/3", 1, [0.5, 0.5])
    assert window["keys"][1] == {"time": 0.2, "x": 0.7, "y": 0.5, "part": 1, "ease": "smooth"}
    assert settings["guides"] == [
        {"grid": [3, 3], "diagonals": False, "in": None}, {"safe": "title", "part": 0.9, "in": "story"},
    ]  # fmt: skip
    assert (settings["squeeze"], settings["shade"]) == ("4/3", 0.4)


@pytest.mark.parametrize(
    "value", [Fraction(3), Fraction(239, 100), Fraction(1, 3), Fraction(1, 10), Fraction(10**12 + 1, 7)]
)
def test_a_number_in_a_receipt_is_exact(value):
    said = json.loads(json.dumps(number(value)))
    assert Fraction(str(said)) == value


# Source: SMPTE ST 12-1 (from memory): drop frame leaves out ;00 and ;01 (60: ;00 to ;03) each minute but each tenth; an hour of 29.97
# is 107892 frames. By hand.
@pytest.mark.parametrize(
    ("start", "frames", "rate", "later"),
    [
        ("10:20:30:00", 12, Fraction(24), "10:20:30:12"),
        ("00:00:00:00", 25 * 3661 + 3, Fraction(25), "01:01:01:03"),
        ("23:59:59:24", 1, Fraction(25), "00:00:00:00"),
        ("00:00:00:00", 1800, Fraction(30000, 1001), "00:01:00:00"),
        ("00:00:59;29", 1, Fraction(30000, 1001), "00:01:00;02"),
        ("00:09:59;29", 1, Fraction(30000, 1001), "00:10:00;00"),
        ("00:00:00;00", 107892, Fraction(30000, 1001), "01:00:00;00"),
        ("00:00:00;00", 17982 + 1799, Fraction(30000, 1001), "00:10:59;29"),
        ("00:00:59;59", 1, Fraction(60000, 1001), "00:01:00;04"),
        ("23:59:59;29", 1, Fraction(30000, 1001), "00:00:00;00"),
        ("00:00:00;00", 1, Fraction(25), None),
        ("00:00:00:25", 1, Fraction(25), None),
        ("ten", 1, Fraction(25), None),
        (None, 1, Fraction(25), None),
        ("00:00:00:00", 1, None, None),
    ],
)
def test_a_timecode_counts_on(start, frames, rate, later):
    assert counted_on(start, frames, rate) == later


def test_a_sheet_names_the_timecode_of_its_frame(harbour, tmp_path):
    (result,) = framed(harbour, "--out", tmp_path / "s.png", "--as", "sheet", "--window", "1:1", "--at", "0.2")[
        "results"
    ]
    assert "frame 5 at 0:00.20, timecode 10:20:30:05" in result["words"]
    assert json.loads(Path(result["receipt"]).read_text())["output"]["timecode"] == "10:20:30:05"
    make_stills(tmp_path / "still", "png", 8, name="p", size=(64, 48), frames=1)
    (still,) = (tmp_path / "still").iterdir()
    (result,) = framed(still, "--out", tmp_path / "t.png", "--as", "sheet", "--window", "1:1")["results"]
    assert "timecode" not in result["words"]


def long_group(path: Path, codec: str = "libx264", frames: int = 150) -> Path:
    """One key frame, at the beginning: a sampling cannot land on the frame in the middle."""
    make_movie(
        path, codec, "yuv420p", size=(160, 90), frames=frames, gop=frames, options={"bf": "0", "sc_threshold": "0"}
    )
    return path


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
def test_a_sheet_alone_of_a_long_group_of_pictures(tmp_path, name):
    """It died with an AssertionError: only frame 75 would do, and the sampling went as far as frame 38."""
    source = long_group(tmp_path / name)
    (result,) = framed(source, "--out", tmp_path / "s.png", "--as", "sheet", "--window", "1:1")["results"]
    assert "frame 75 at" in result["words"]


def test_a_sheet_of_a_middle_that_is_far_to_decode_shows_one_on_the_way(tmp_path, monkeypatch):
    monkeypatch.setattr(showing, "AFFORDABLE", 299 * 160 * 90)
    source = long_group(tmp_path / "a.mp4", frames=600)
    (result,) = framed(source, "--out", tmp_path / "s.png", "--as", "sheet", "--window", "1:1")["results"]
    shown = int(re.search(r"frame (\d+) at", result["words"])[1])
    assert 0 < shown < 300


@pytest.mark.parametrize("name", ["a.mkv", "a.ts"])
def test_a_sheet_alone_of_a_file_that_ends_too_soon_shows_what_is_there_or_says_so(tmp_path, name):
    whole = long_group(tmp_path / f"whole.{name}").read_bytes()
    codes = []
    for share in (0.5, 0.1, 0.02, 0.002):
        source, target = tmp_path / name, tmp_path / f"{share}.png"
        source.write_bytes(whole[: int(len(whole) * share)])
        done = frame(source, "--out", target, "--window", "1:1")
        codes.append(done.code)
        assert target.exists() == (done.code == 0)
        assert done.code == 0 or (done.code == 2 and done.err.startswith("footroom: ") and done.err.count("\n") == 1)
    assert codes[0] == 0 and codes[-1] == 2


def test_a_catcher_says_so_where_nothing_decodes(harbour):
    """A file whose header promises frames and has none: sampling passes over damage, so it comes back with nothing."""
    with open_recording(harbour) as recording:

        class Empty:
            info = recording.info

            def sample(self, count: int):
                return iter(())

            frames = sample

        catcher = Catcher(Empty(), lambda frame: Fraction(0), None)
        with pytest.raises(Problem, match="no frame of it can be decoded"):
            catcher.get()
