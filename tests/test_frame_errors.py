"""What a person can get wrong with `footroom frame`: one line, exit code 2, nothing half-written, no original touched."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from frame_running import all_planes, frame, framed, listing, refused
from media_files import make_movie, make_stills

from footroom.host_adapter.headless.publish import sole_writer

ONE = ("--window", "1:1")
ALL = ("--as", "burn", "--as", "crop", "--as", "overlay", "--as", "sheet")


@pytest.fixture(scope="session")
def shoot(tmp_path_factory) -> Path:
    """A folder of inputs that no test may change."""
    folder = tmp_path_factory.mktemp("shoot")
    make_movie(folder / "a.mkv", "ffv1", "yuv420p", size=(160, 90), frames=6, audio=("pcm_s16le",))
    make_movie(folder / "long.mkv", "ffv1", "yuv420p", size=(320, 180), frames=100)
    # Players turn it a quarter: the display matrix of a phone held upright, 16.16 and 2.30 fixed point (ISO/IEC 14496-12).
    make_movie(folder / "turned.mp4", "libx264", frames=3, matrix=(0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30))
    make_movie(folder / "fields.mkv", "ffv1", "yuv420p", size=(96, 64), frames=3, field_order="tff")
    for side in (1, 2, 3):
        make_stills(folder / f"{side}", "png", 8, name="dot", size=(side, side), frames=1)
    make_stills(folder / "pictures", "png", 8, name="pic", size=(160, 90), frames=1)
    make_stills(folder / "frames", "dpx", 10, size=(160, 90), frames=3)
    whole = (folder / "a.mkv").read_bytes()
    (folder / "cut.mkv").write_bytes(whole[: len(whole) // 2])
    damaged = bytearray(whole)
    damaged[75000:75400] = np.random.default_rng(3).bytes(400)  # in the third picture, of 23 kB each
    (folder / "damaged.mkv").write_bytes(damaged)
    (folder / "noise.mkv").write_bytes(np.random.default_rng(4).bytes(40000))
    (folder / "empty.mkv").write_bytes(b"")
    (folder / "text.mov").write_text("not a movie\n" * 99)
    return folder


def nothing_made(folder: Path, *arguments: object) -> str:
    """The words of a refusal that leaves a folder as it was."""
    before = listing(folder)
    words = refused(*arguments)
    assert listing(folder) == before
    return words


@pytest.mark.parametrize(
    ("window", "words"),
    [
        ("0:1", "neither part may be 0"),
        ("1:0", "neither part may be 0"),
        ("-9:16", "is no ratio"),
        ("1000:1", "ratio must be 1:100 to 100:1, got 1000:1"),
        ("1:1000", "ratio must be 1:100 to 100:1"),
        ("nan", "is no ratio"),
        ("161x90", "larger than the picture (160x90)"),
        ("160x91", "larger than the picture (160x90)"),
        ("99999x99999", "larger than the picture"),
        ("160x90@left,1,0", "beyond the right"),
        ("1:1@left,-1,0", "beyond the left"),
        ("1:1@top,0,-1%", "beyond the top"),
        ("1:1@bottom,0,1", "beyond the bottom"),
        ("1:1@middle", "no anchor"),
    ],
)
def test_a_window_that_cannot_be(shoot, tmp_path, window, words):
    for kinds in ((), ("--as", "crop")):
        said = nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / "o.mkv", "--window", window, *kinds)
        assert words in said


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--grid", "1x1"), "--grid: '1x1' is no grid"),
        (("--grid", "thirds@none"), "no window 'none'"),
        (("--safe", "0"), "--safe: '0' is no safe area"),
        (("--safe", "title@none"), "no window 'none'"),
        (("--squeeze", "0"), "--squeeze: '0' is no squeeze"),
        (("--squeeze", "9"), "--squeeze: '9' is no squeeze"),
        (("--size", "0x9"), "--size: '0x9' is no size"),
        (("--rate", "0"), "--rate: '0' is no frame rate"),
        (("--rate", "25"), "says its own rate and length"),
        (("--seconds", "3"), "says its own rate and length"),
        (("--codec", "nonsense"), "no codec 'nonsense'"),
        (("--window", "1:1"), "both be called"),
        (("--path", "none.toml"), "no such path file"),
        (("--as", "crop", "--size", "90x91"), "no multiple of 2"),
        (("--as", "crop", "--size", "90x160"), "stretched"),
    ],
)
def test_an_option_that_cannot_be(shoot, tmp_path, options, words):
    assert words in nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / "o.mkv", *ONE, *options)


def test_nothing_to_draw_cut_or_shade(shoot, tmp_path):
    out = ("--out", tmp_path / "o.mkv")
    assert "nothing to draw" in nothing_made(tmp_path, shoot / "a.mkv", *out)
    assert "nothing to crop" in nothing_made(tmp_path, shoot / "a.mkv", *out, "--as", "crop", "--centre")
    assert "--shade" in nothing_made(tmp_path, shoot / "a.mkv", *out, "--centre", "--shade", "50")


def test_without_a_recording(tmp_path):
    size, out = ("--size", "160x90"), ("--out", tmp_path / "o.png")
    assert "neither a recording nor a size" in nothing_made(tmp_path, *out, *ONE, "--as", "overlay")
    for kind in ("burn", "crop", "sheet"):
        assert "needs a recording" in nothing_made(tmp_path, *out, *size, *ONE, "--as", kind)
    movie = ("--out", tmp_path / "o.mov", "--as", "overlay")
    assert "--seconds" in nothing_made(tmp_path, *movie, *size, *ONE)


@pytest.mark.parametrize("name", ["turned.mp4"])
def test_a_turned_recording_is_refused_with_words(shoot, tmp_path, name):
    for kind in ("burn", "crop", "sheet", "overlay"):
        out = tmp_path / {"burn": "o.mp4", "crop": "o.mp4", "sheet": "o.png", "overlay": "o.png"}[kind]
        assert "turn" in nothing_made(tmp_path, shoot / name, "--out", out, "--as", kind, *ONE)


def test_fields_are_never_mixed(shoot, tmp_path):
    out = ("--out", tmp_path / "o.mkv")
    sized = nothing_made(tmp_path, shoot / "fields.mkv", *out, "--as", "crop", *ONE, "--size", "32x32")
    assert "interlaced" in sized
    for kind in ("burn", "crop"):
        words = nothing_made(tmp_path, shoot / "fields.mkv", *out, "--as", kind, *ONE, "--squeeze", "2", "--desqueeze")
        assert "interlaced" in words


def test_a_window_that_zooms_needs_a_size(shoot, tmp_path):
    path = tmp_path / "p.toml"
    path.write_text("[[key]]\ntime = 0\n[[key]]\ntime = 1\npart = 0.5\n")
    crop = (shoot / "a.mkv", "--out", tmp_path / "c.mkv", "--as", "crop", *ONE, "--path", path)
    assert "size" in nothing_made(tmp_path, *crop)
    framed(*crop, "--size", "32x32")
    assert all_planes(tmp_path / "c.mkv")[5][0].shape == (32, 32)


def test_a_moving_overlay_is_no_still(shoot, tmp_path):
    path = tmp_path / "p.toml"
    path.write_text("[[key]]\ntime = 0\n")
    options = ("--as", "overlay", *ONE, "--path", path)
    assert "movie" in nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / "o.png", *options)


@pytest.mark.parametrize("side", [1, 2, 3])
def test_pictures_of_one_and_two_pixels(shoot, tmp_path, side):
    source = shoot / str(side) / "dot.png"
    marks = ("--grid", "thirds", "--grid", "diagonals", "--safe", "action", "--centre", "--shade", "50")
    framed(source, "--out", tmp_path / "b.png", "--as", "burn", *ONE, *marks)
    framed(source, "--out", tmp_path / "c.png", "--as", "crop", *ONE)
    framed(source, "--out", tmp_path / "o.png", "--as", "overlay", *ONE, *marks)
    assert all_planes(tmp_path / "c.png")[0][0].tolist() == all_planes(source)[0][0].tolist()
    words = nothing_made(tmp_path, source, "--out", tmp_path / "l.png", "--as", "burn", *ONE, "--label")
    assert "too long" in words


def test_a_sheet_of_a_tiny_picture_is_made_or_refused_with_advice_that_helps(shoot, tmp_path):
    """A sheet always has labels: to leave --label out is no way to one."""
    done = frame(shoot / "2" / "dot.png", "--out", tmp_path / "s.png", "--as", "sheet", *ONE)
    assert done.code in (0, 2)
    assert "--label" not in done.err


def test_a_picture_that_is_too_small_for_its_sampling(tmp_path):
    make_movie(tmp_path / "a.mkv", "ffv1", "yuv420p", size=(2, 2), frames=1)
    framed(tmp_path / "a.mkv", "--out", tmp_path / "b.mkv", "--as", "crop", *ONE)
    make_movie(tmp_path / "one.mkv", "ffv1", "yuv420p", size=(1, 1), frames=1)
    assert "at least 2 pixels" in nothing_made(tmp_path, tmp_path / "one.mkv", "--out", tmp_path / "c.mkv", *ONE)


def test_labels_that_cannot_be_written(shoot, tmp_path):
    out = ("--out", tmp_path / "o.mkv", "--label")
    long = nothing_made(tmp_path, shoot / "a.mkv", *out, "--window", "abcdefghijklmnopqrstuvwxyz0123456789=1:1")
    assert "too long for the picture" in long
    strange = nothing_made(tmp_path, shoot / "a.mkv", *out, "--window", "日本=1:1")
    assert "U+65E5" in strange
    assert "41 characters" in nothing_made(tmp_path, shoot / "a.mkv", *out, "--window", "n" * 41 + "=1:1")


@pytest.mark.parametrize("name", ["cut.mkv", "damaged.mkv"])
def test_a_damaged_recording_leaves_nothing(shoot, tmp_path, name):
    for kinds, out in (((), "o.mkv"), (("--as", "crop"), "o.mkv"), (ALL, "folder")):
        words = nothing_made(tmp_path, shoot / name, "--out", tmp_path / out, *kinds, *ONE)
        assert name in words


@pytest.mark.parametrize("name", ["noise.mkv", "empty.mkv", "text.mov", "none.mkv", "a.mkv/x.mkv"])
def test_an_input_that_is_no_recording(shoot, tmp_path, name):
    for kinds, out in (((), "o.mkv"), (("--as", "sheet"), "o.png"), (("--as", "overlay"), "o.png"), (ALL, "folder")):
        words = nothing_made(tmp_path, shoot / name, "--out", tmp_path / out, *kinds, *ONE)
        assert Path(name).name in words


def test_an_out_that_cannot_be_written(shoot, tmp_path):
    """For root too: a file where a folder is needed, and a file system that takes no files."""
    (tmp_path / "file").write_text("somebody's work")
    for out in (tmp_path / "file" / "o.mkv", tmp_path / "file" / "deep" / "o.mkv", "/proc/o.mkv", "/proc/none/o.mkv"):
        words = nothing_made(tmp_path, shoot / "a.mkv", "--out", out, *ONE)
        assert "cannot be written" in words
    nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / "file", *ALL, *ONE)
    assert (tmp_path / "file").read_text() == "somebody's work"


@pytest.mark.parametrize(
    ("kind", "out"),
    [
        ("burn", "o"), ("burn", "o.png"), ("burn", "o.mp4"), ("burn", "o.xyz"), ("crop", "o"), ("crop", "o.jpg"),
        ("sheet", "o"), ("sheet", "o.mkv"), ("sheet", "o.gif"), ("overlay", "o"), ("overlay", "o.jpg"), ("overlay", "o.mp4"),
    ],
)  # fmt: skip
def test_a_name_that_a_result_cannot_have(shoot, tmp_path, kind, out):
    words = nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / out, "--as", kind, *ONE)
    assert words.startswith(f"footroom: {out}: ")


@pytest.mark.parametrize("out", ["o.jpg", "o.tif", "o.mkv", "o.mov"])
def test_a_still_is_never_written_into_a_folder_that_is_named_like_a_file(shoot, tmp_path, out):
    done = frame(shoot / "pictures" / "pic.png", "--out", tmp_path / out, "--as", "burn", *ONE)
    assert not (tmp_path / out).is_dir()
    assert done.code == 2


def test_one_picture_out_of_a_sequence_gives_one_picture_or_words(shoot, tmp_path):
    """`--out one.dpx` names a file: whoever names one picture and one result does not get a folder of all of them."""
    done = frame(shoot / "frames" / "shot.0002.dpx", "--out", tmp_path / "one.dpx", "--as", "burn", *ONE)
    assert not (tmp_path / "one.dpx").is_dir()
    assert done.code in (0, 2)


def test_where_nobody_says_as_the_name_and_the_input_decide(shoot, tmp_path):
    """Without an input only an overlay is possible, and an EXR can only be one."""
    framed("--out", tmp_path / "o.png", "--size", "160x90", *ONE)
    framed(shoot / "a.mkv", "--out", tmp_path / "o.exr", *ONE)
    framed(shoot / "a.mkv", "--out", tmp_path / "s.png", *ONE)
    framed(shoot / "a.mkv", "--out", tmp_path / "b.mkv", *ONE)


def test_several_results_need_a_folder(shoot, tmp_path):
    for out in ("o.mkv", "o.mov", "o.png", "o.mp4"):
        words = nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / out, "--as", "burn", "--as", "sheet", *ONE)
        assert "folder" in words


def test_the_same_result_twice_is_made_once_or_refused_in_its_own_words(shoot, tmp_path):
    done = frame(shoot / "a.mkv", "--out", tmp_path / "o.mkv", "--as", "burn", "--as", "burn", *ONE)
    assert "Mend them" not in done.err
    assert done.code == 0 or listing(tmp_path) == []


def test_a_result_never_lies_on_its_input(shoot, tmp_path):
    for name in ("a.mkv", "pic.png"):
        shutil.copy(shoot / ("pictures" if name == "pic.png" else "") / name, tmp_path / name)
    before = (tmp_path / "a.mkv").read_bytes()
    (tmp_path / "link.mkv").symlink_to(tmp_path / "a.mkv")
    for out in ("a.mkv", "link.mkv", "../" + tmp_path.name + "/a.mkv"):
        words = nothing_made(tmp_path, tmp_path / "a.mkv", "--out", tmp_path / out, *ONE, "--overwrite")
        assert "original" in words
    for kind in ("burn", "sheet", "overlay", "crop"):
        nothing_made(tmp_path, tmp_path / "pic.png", "--out", tmp_path / "pic.png", "--as", kind, *ONE, "--overwrite")
    assert (tmp_path / "a.mkv").read_bytes() == before


def test_stills_never_replace_the_folder_they_lie_in(shoot, tmp_path):
    shutil.copytree(shoot / "frames", tmp_path / "shot")
    source = tmp_path / "shot" / "shot.####.dpx"
    before = {path: (tmp_path / path).read_bytes() for path in listing(tmp_path) if (tmp_path / path).is_file()}
    frame(source, "--out", tmp_path / "shot", "--as", "burn", *ONE, "--overwrite")
    frame(source, "--out", tmp_path, "--as", "crop", "--window", "shot=1:1", "--overwrite")
    for path, data in before.items():
        assert (tmp_path / path).read_bytes() == data


def test_an_existing_file_stays_without_overwrite(shoot, tmp_path):
    for out, kind in (("o.mkv", "burn"), ("o.png", "sheet"), ("p.png", "overlay"), ("c.mkv", "crop")):
        (tmp_path / out).write_text("somebody's work")
        job = (shoot / "a.mkv", "--out", tmp_path / out, "--as", kind, *ONE)
        words = nothing_made(tmp_path, *job)
        assert "--overwrite" in words
        assert (tmp_path / out).read_text() == "somebody's work"
        (result,) = framed(*job, "--overwrite")["results"]
        assert result["state"] == "written"
        assert (tmp_path / out).stat().st_size > 100
        (result,) = framed(*job)["results"]
        assert result["state"] == "whole already"
        (tmp_path / out).write_bytes((tmp_path / out).read_bytes()[:-10])
        nothing_made(tmp_path, *job)  # a damaged result is not taken for whole


def test_a_folder_is_never_replaced(shoot, tmp_path):
    theirs = tmp_path / "o" / "shot.1x1" / "script.txt"
    theirs.parent.mkdir(parents=True)
    theirs.write_text("somebody's work")
    job = (shoot / "frames" / "shot.####.dpx", "--out", tmp_path / "o", "--as", "crop", *ONE)
    assert "folder" in nothing_made(tmp_path, *job, "--overwrite")
    assert theirs.read_text() == "somebody's work"


def test_what_comes_too_late_for_at(shoot, tmp_path):
    for kinds in (("--as", "sheet"), ("--as", "sheet", "--as", "crop")):
        out = tmp_path / ("o.png" if len(kinds) == 2 else "folder")
        words = nothing_made(tmp_path, shoot / "a.mkv", "--out", out, *kinds, *ONE, "--at", "99")
        assert "ends before 99 seconds" in words


def test_two_runs_into_one_folder_do_not_mix(shoot, tmp_path):
    with sole_writer(tmp_path):
        words = nothing_made(tmp_path, shoot / "a.mkv", "--out", tmp_path / "o.mkv", *ONE)
    assert "another footroom" in words


def test_errors_as_json(shoot, tmp_path):
    for arguments in (
        (shoot / "none.mkv", "--out", tmp_path / "o.mkv", *ONE),
        (shoot / "a.mkv", "--out", tmp_path / "o.mkv", "--window", "0:1"),
        (shoot / "cut.mkv", "--out", tmp_path / "o.mkv", *ONE),
    ):
        done = frame(*arguments, "--json")
        assert done.code == 2
        assert list(done.record) == ["error"]
        assert done.err == f"footroom: {done.record['error']}\n"
    assert listing(tmp_path) == []


@pytest.mark.parametrize(
    "options", [("--shade", "101"), ("--at", "-1"), ("--as", "nothing"), ("--nonsense",), ("--out",)]
)
def test_a_slip_that_the_parser_finds_has_exit_code_2_and_no_traceback(shoot, tmp_path, options):
    done = frame(shoot / "a.mkv", "--out", tmp_path / "o.mkv", *ONE, *options)
    assert done.code == 2
    assert "Error: " in done.err and "Traceback" not in done.err
    assert listing(tmp_path) == []


@pytest.mark.parametrize("number", ["nan", "inf", "1e999"])
def test_numbers_that_are_none(shoot, tmp_path, number):
    for arguments in (
        (shoot / "a.mkv", "--out", tmp_path / "s.png", "--as", "sheet", *ONE, "--at", number),
        ("--out", tmp_path / "o.mov", "--as", "overlay", "--size", "64x64", *ONE, "--seconds", number),
    ):
        assert frame(*arguments).code == 2
    assert listing(tmp_path) == []


def test_a_name_that_is_no_text_is_framed_or_refused(shoot, tmp_path):
    """A card's file system may hold bytes that are no UTF-8; they come to a program as surrogates (PEP 383)."""
    source = tmp_path / os.fsdecode(b"b\xffd.mkv")
    shutil.copy(shoot / "a.mkv", source)
    command = [*PROGRAM, source, "--out", str(tmp_path / "out"), "--as", "burn", "--as", "crop", *ONE]
    for more in ([], ["--json"]):
        done = subprocess.run([*command, *more], capture_output=True, check=False)
        assert b"Traceback" not in done.stderr
        assert done.returncode in (0, 2)


def test_names_are_printed_as_they_are(shoot, tmp_path):
    names = ("[bold]x[red].mkv", "naïve – 日本.mkv", "a b'c\"d.mkv", ":smile: 100%.mkv", "-dash.mkv")
    for number, name in enumerate(names):
        source = tmp_path / "in" / name
        source.parent.mkdir(exist_ok=True)
        shutil.copy(shoot / "a.mkv", source)
        out = tmp_path / f"[i]{number}[red]"
        done = frame(source, "--out", out, *ONE, "--as", "burn", "--as", "crop", "--as", "sheet")
        assert done.code == 0, done.err
        assert f"-> {out / (source.stem + '.burn.mkv')}\n" in done.out
        assert f"-> {out / (source.stem + '.1x1.mkv')}\n" in done.out
        assert (out / f"{source.stem}.sheet.png").is_file()
        broken = tmp_path / "in" / f"none{name}"
        assert broken.name in refused(broken, "--out", tmp_path / "o.mkv", *ONE)


def test_a_name_too_long_for_the_disk(shoot, tmp_path):
    source = tmp_path / ("l" * 240 + ".mkv")
    shutil.copy(shoot / "a.mkv", source)
    words = nothing_made(tmp_path, source, "--out", tmp_path / "o", "--as", "crop", *ONE, "--window", "9:16")
    assert "too long" in words


PROGRAM = [sys.executable, "-m", "footroom.host_adapter.headless", "frame"]


def started(shoot: Path, out: Path) -> subprocess.Popen[str]:
    """A long job, caught while its results are being written."""
    arguments = [shoot / "long.mkv", "--out", out, "--as", "burn", "--as", "crop", *ONE, "--window", "9:16"]
    process = subprocess.Popen(
        [*PROGRAM, *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    end = time.monotonic() + 30
    while process.poll() is None and time.monotonic() < end:
        with contextlib.suppress(FileNotFoundError):
            if any(path.stat().st_size > 30000 for path in out.glob(".*.partial.*")):
                break
        time.sleep(0.01)
    return process


def finish(shoot: Path, out: Path) -> None:
    """The same command again: whole, and no hidden file left."""
    record = framed(shoot / "long.mkv", "--out", out, "--as", "burn", "--as", "crop", *ONE, "--window", "9:16")
    assert len(record["results"]) == 3
    names = {"long.burn.mkv", "long.1x1.mkv", "long.9x16.mkv"}
    assert set(listing(out)) == names | {f"{name}.receipt.json" for name in names}


def test_killed_in_the_midst_it_leaves_nothing_under_a_final_name(shoot, tmp_path):
    out = tmp_path / "out"
    process = started(shoot, out)
    process.kill()
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert all(Path(name).name.startswith(".") for name in listing(out))
    finish(shoot, out)


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM], ids=lambda kind: kind.name)
def test_interrupted_in_the_midst_it_leaves_nothing(shoot, tmp_path, kind):
    process = started(shoot, tmp_path / "out")
    process.send_signal(kind)
    out, error = process.communicate(timeout=60)
    assert process.returncode == 130
    assert out == ""
    assert error.strip().startswith("footroom: stopped")
    assert len(error.strip().splitlines()) == 1
    assert [name for name in listing(tmp_path) if name != "out"] == []


def test_a_disk_that_fills_up_is_said_so_and_leaves_nothing(shoot, tmp_path):
    limit = "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    limit += "resource.setrlimit(resource.RLIMIT_FSIZE, (BYTES, BYTES))\n"
    limit += "from footroom.host_adapter.headless.command import main; main(sys.argv[1:])"
    cases = (
        ("burn", "o.mkv", 60000), ("crop", "o.mkv", 60000), ("sheet", "o.png", 9000), ("overlay", "o.png", 500),
        ("overlay", "o.mov", 2000),
    )  # fmt: skip
    for kind, out, size in cases:
        command = [sys.executable, "-c", limit.replace("BYTES", str(size)), "frame", str(shoot / "a.mkv")]
        command += [
            "--out",
            str(tmp_path / out),
            "--as",
            kind,
            *ONE,
            *(["--grid", "diagonals"] if kind != "crop" else []),
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=os.environ)
        assert done.returncode == 2, (kind, done.stdout, done.stderr)
        assert "Traceback" not in done.stderr
        assert done.stderr.startswith("footroom: ") and len(done.stderr.strip().splitlines()) == 1, done.stderr
        assert any(word in done.stderr for word in ("larger", "too large", "full")), done.stderr
        assert out in done.stderr and ".partial" not in done.stderr  # what the person named, and no hidden file
        assert listing(tmp_path) == [], kind


def test_the_program_prints_json_and_nothing_else(shoot, tmp_path):
    command = [*PROGRAM, str(shoot / "a.mkv"), "--out", str(tmp_path / "o.mkv"), *ONE, "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stderr == ""
    assert json.loads(done.stdout)["results"][0]["state"] == "written"
