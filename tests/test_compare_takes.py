"""Which recordings `footroom compare` takes for one take's, how it calls them, and which of their frames it fits to."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import pytest
from twin_files import record

from footroom.host_adapter.headless.demo.shoot import SHOOT, write_clip
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.twins.bringing import _numbers
from footroom.host_adapter.headless.twins.comparing import compare
from footroom.host_adapter.headless.twins.timecodes import timecode_frames


def test_the_demos_doubly_recorded_take_is_the_same(tmp_path):
    twins = [clip for clip in SHOOT if "kestrel" in clip.name]
    paths = [tmp_path / Path(clip.name).name for clip in twins]
    for path, clip in zip(paths, twins, strict=True):
        write_clip(path, clip)
    found = compare(*paths)
    assert found.relation == "same"
    assert found.offset == 0
    assert found.read_alike


def test_takes_of_one_scene_are_no_twins(tmp_path):
    clips = [clip for clip in SHOOT if "kestrel_camera" in clip.name or "quay" in clip.name]
    paths = [tmp_path / Path(clip.name).name for clip in clips]
    for path, clip in zip(paths, clips, strict=True):
        write_clip(path, clip)
    with pytest.raises(Problem, match="another take"):
        compare(*paths)


def test_files_of_one_name_are_told_apart(tmp_path):
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    a = record(tmp_path / "one" / "take.mkv")
    b = record(tmp_path / "two" / "take.mkv", name="coffee")
    with pytest.raises(Problem, match=r"belong to one/take\.mkv"):
        compare(a, b)


@pytest.mark.parametrize(
    ("one", "two", "fitted", "drifting"),
    [
        ("IIIIII", "IIIIII", [2, 3, 4, 5], []),
        ("IPPIPP", "IIIIII", [3], []),  # B begins two frames earlier
        ("IPPPPP", "PIPPPI", [3], [2, 4, 5]),
        ("PPPPPP", "PPPPPP", [2, 3, 4, 5], []),
    ],
)
def test_frames_that_drift_are_taken_where_no_pair_is_coded_by_itself(one, two, fitted, drifting):
    reels = [SimpleNamespace(whole=[each == "I" for each in types]) for types in (one, two)]
    assert _numbers(reels, -2, 4) == (fitted, drifting)


@pytest.mark.parametrize(
    ("text", "rate", "frames"),
    [
        ("01:00:00:00", Fraction(25), 90000),
        ("01:00:00;00", Fraction(30000, 1001), 107892),  # 108000 less 2 numbers in each of 54 minutes
        ("01:00:00;00", Fraction(60000, 1001), 215784),
        ("00:01:00;00", Fraction(25), None),
        ("01:00:00.00", Fraction(24), None),
        ("00:00:00:25", Fraction(25), None),
    ],
)
def test_timecodes_are_counted_as_their_rate_has_them(text, rate, frames):
    """Source: SMPTE ST 12-1 (from memory): drop frame is of 30 and 60 numbers a second."""
    assert timecode_frames(text, rate) == frames
