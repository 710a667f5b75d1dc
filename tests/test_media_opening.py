"""From names to recordings: folders, sequences, patterns, order, and what is passed over."""

from __future__ import annotations

from pathlib import Path

import pytest
from media_files import make_movie, make_stills

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.opening import gather, open_recording, recording_files
from footroom.host_adapter.headless.sequences import runs_in


def test_a_folder_is_searched_in_natural_order(tmp_path: Path) -> None:
    for name in (
        "clip10.mov",
        "clip2.mov",
        "b/deep.mkv",
        "a/x.mp4",
        "notes.txt",
        ".hidden.mov",
        "clip2.receipt.json",
        "cover.jpg",
    ):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"x")
    make_stills(tmp_path / "scan", "dpx", 10, frames=3)
    make_stills(tmp_path / "scan", "dpx", 10, frames=2, name="other_{:d}")
    found, passed = gather([tmp_path])
    assert [path.relative_to(tmp_path).as_posix() for path in found] == [
        "a/x.mp4", "b/deep.mkv", "clip2.mov", "clip10.mov", "scan/other_#.dpx", "scan/shot.####.dpx",
    ]  # fmt: skip
    assert [path.name for path in passed] == ["cover.jpg", "notes.txt"]


def test_each_recording_once_however_it_is_named(tmp_path: Path) -> None:
    make_stills(tmp_path, "dpx", 10, frames=3)
    patterns = [tmp_path / "shot.####.dpx", tmp_path / "shot.%04d.dpx", tmp_path / "shot.0002.dpx", tmp_path]
    found, passed = gather([*patterns, *map(str, patterns)])
    assert found == [tmp_path / "shot.####.dpx"]
    assert passed == []
    for pattern in patterns:
        assert [path.name for path in recording_files(pattern)] == [f"shot.{number:04d}.dpx" for number in (1, 2, 3)]
        assert open_recording(pattern).info.frames == 3


def test_numbers_without_zeros_run_in_order(tmp_path: Path) -> None:
    files = [tmp_path / f"take_{number}.exr" for number in (8, 9, 10, 11)]
    (run,) = runs_in(reversed(files))
    assert list(run.files.values()) == files
    assert run.missing == []


def test_movies_are_themselves(tmp_path: Path) -> None:
    path = tmp_path / "clip.mkv"
    make_movie(path, "ffv1", frames=2)
    assert recording_files(path) == [path]
    assert gather([path]) == ([path], [])


def test_what_is_named_outright_is_never_dropped(tmp_path: Path) -> None:
    """A misspelt name must come back as an error, not vanish."""
    found, passed = gather([tmp_path / "absent.mov", tmp_path / "notes.txt", tmp_path / "absent.tif"])
    assert len(found) == 3
    assert passed == []
    for path in found:
        with pytest.raises(Problem):
            open_recording(path)


def test_a_folder_of_several_sequences_is_no_recording(tmp_path: Path) -> None:
    make_stills(tmp_path, "dpx", 10)
    make_stills(tmp_path, "dpx", 10, name="other.{:04d}")
    with pytest.raises(Problem, match="several sequences"):
        open_recording(tmp_path)
    (tmp_path / "empty").mkdir()
    with pytest.raises(Problem, match="without stills"):
        open_recording(tmp_path / "empty")


def test_an_empty_folder_gives_nothing(tmp_path: Path) -> None:
    assert gather([tmp_path]) == ([], [])


def test_numbers_that_do_not_count_make_no_sequence(tmp_path: Path) -> None:
    """wide360.png beside wide1080.png is two stills, not a sequence of which 719 are missing."""
    for number in (360, 1080):
        make_stills(tmp_path, "png", 8, frames=1, first=number, name="wide{:d}")
    stills = [tmp_path / f"wide{number}.png" for number in (360, 1080)]
    for still in stills:
        assert recording_files(still) == [still]
        assert open_recording(still).info.frames == 1
    assert gather([tmp_path]) == (stills, [])
    with pytest.raises(Problem, match="numbers 361"):
        open_recording(tmp_path / "wide#.png")


def test_a_member_stands_for_its_sequence_where_its_number_counts(tmp_path: Path) -> None:
    make_stills(tmp_path, "png", 8, frames=3, first=99, name="take{:d}")
    make_stills(tmp_path, "png", 8, frames=1, first=720, name="take{:d}")
    assert len(recording_files(tmp_path / "take100.png")) == 4
    assert recording_files(tmp_path / "take720.png") == [tmp_path / "take720.png"]
    make_stills(tmp_path, "png", 8, frames=1, first=8, name="padded{:03d}")
    assert open_recording(tmp_path / "padded008.png").info.path == tmp_path / "padded###.png"
