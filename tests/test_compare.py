"""`footroom compare` on real files made from a photograph: what it says, what it refuses, what it writes."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from media_files import make_movie, make_stills
from twin_files import HEIGHT, WIDTH, expanded, full, narrow, narrow_twice, photograph, record, twice, view

from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.receipt import read_receipt, receipt_path
from footroom.host_adapter.headless.twins.comparing import compare
from footroom.kernels.encoding import Range

GAIN, CODE = 0.002, 1 / 1023
"""What the issue asks for: .2 % of gain, one 10-bit code of offset."""
HALF = (WIDTH // 2, HEIGHT // 2 // 2 * 2)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory) -> Path:
    """Recordings that several tests read: A over the full range, and what became of it."""
    folder = tmp_path_factory.mktemp("twins")
    record(folder / "a.mov", codec="libx264", options={"crf": "16", "g": "6"}, range=Range.FULL, timecode="01:00:00:00")
    record(folder / "same.mov", codec="prores_ks", options={"profile": "3"}, timecode="01:00:00:00")
    record(folder / "narrow.mov", narrow, codec="prores_ks", options={"profile": "3"})
    record(folder / "twice.mkv", narrow_twice)
    record(folder / "expanded.mkv", expanded, range=Range.NARROW)
    record(folder / "other.mkv", lambda level, chroma: twice(level, chroma, gain=0.93, offset=0.03, chroma_gain=0.93))
    return folder


@pytest.mark.parametrize(
    ("name", "relation", "gain", "offset"),
    [
        # check-values B, 10 bit: gain and offset in units of M
        ("same.mov", "same", 1.0, 0.0),
        ("narrow.mov", "to-narrow", 0.856305, 0.062561),
        ("twice.mkv", "to-narrow-twice", 0.733258, 0.116132),
        ("expanded.mkv", "to-full", 1.167808, -0.073059),
        ("other.mkv", "other", 0.93, 0.03),
    ],
)
def test_the_map_between_two_codings_of_one_take(shelf, name, relation, gain, offset):
    found = compare(shelf / "a.mov", shelf / name)
    assert found.relation == relation
    line = found.lines["y"]
    assert line.gain == pytest.approx(gain, rel=GAIN)
    assert line.offset == pytest.approx(offset, abs=CODE)
    assert line.gain_range[0] <= gain <= line.gain_range[1]
    chroma = {"other": 0.93}.get(relation, {"same": 1, "to-narrow": 896 / 1023, "to-narrow-twice": (896 / 1023) ** 2,
                                            "to-full": 1023 / 896}.get(relation))  # fmt: skip
    for key in ("cb", "cr"):
        assert found.lines[key].gain == pytest.approx(chroma, rel=3 * GAIN), key
    assert found.offset == 0


def test_a_half_size_of_another_depth_and_start(shelf, tmp_path):
    """Eight bits, 4:2:0, half the size, begun three frames later, in a lossy codec."""
    b = record(tmp_path / "b.mp4", narrow, codec="libx264", pixel_format="yuv420p", size=HALF, start=3,
               options={"crf": "16", "g": "6"})  # fmt: skip
    found = compare(shelf / "a.mov", b)
    assert found.relation == "to-narrow"
    assert found.offset == -3
    # 10 to 8 bits: 219 and 16 of 255 codes; BT.709-6 item 4.6. The painter's codes are 10-bit ones in units of M.
    assert found.lines["y"].gain == pytest.approx(0.856305, rel=GAIN)
    assert found.lines["y"].offset == pytest.approx(0.062561, abs=CODE)
    space = found.to_json()["space"]
    assert space["scale"] == pytest.approx([0.5, HALF[1] / HEIGHT], abs=0.001)
    assert space["kind"] == "whole"


@pytest.mark.parametrize(
    ("turn", "kind"),
    [
        (lambda level: level[:, ::-1], "mirrored, whole"),
        (lambda level: level[::-1, ::-1], "turned by 180 degrees, whole"),
    ],
)
def test_a_mirrored_picture_is_said_to_be_one(shelf, tmp_path, turn, kind):
    b = record(tmp_path / "b.mkv", turn=turn)
    found = compare(shelf / "a.mov", b)
    assert found.to_json()["space"]["kind"] == kind
    assert found.relation == "same"
    assert any(kind in note for note in found.notes)


def test_a_crop_is_said_to_be_one(shelf, tmp_path):
    """Columns 90 to 390 and rows 40 to 220, every sample its own, scaled to narrow."""

    def part(index):
        levels = [level[40:220, 90:390] for level in view(index)]
        codes = [narrow(level, number > 0) * 1023 for number, level in enumerate(levels)]
        return tuple(np.clip(np.floor(plane + 0.5), 0, 1023).astype(np.uint16) for plane in codes)

    make_movie(tmp_path / "b.mkv", "ffv1", "yuv444p10le", size=(300, 180), frames=10, paint=part)
    found = compare(shelf / "a.mov", tmp_path / "b.mkv")
    space = found.to_json()["space"]
    assert space["kind"] == "part of A"
    assert space["box_in_b"] == pytest.approx([-90, -40, 390, 230], abs=0.5)
    assert found.relation == "to-narrow"
    assert found.offset == 0


def test_a_scene_that_stands_still_tells_no_time(tmp_path):
    a = record(tmp_path / "a.mkv", still=True, seed=1)
    b = record(tmp_path / "b.mkv", narrow, still=True, seed=2)
    found = compare(a, b)
    assert found.offset is None
    assert found.to_json()["time_offset_frames"] is None
    assert any("no movement" in note for note in found.notes)
    assert found.relation == "to-narrow"


def test_a_timecode_that_lies_is_overruled_and_said(shelf, tmp_path):
    b = record(tmp_path / "b.mov", codec="prores_ks", timecode="01:00:00:05")
    found = compare(shelf / "a.mov", b)
    assert found.by_timecode == -5
    assert found.offset == 0
    assert any("the pictures are believed" in note for note in found.notes)


def test_unrelated_recordings_are_refused(shelf, tmp_path):
    b = record(tmp_path / "b.mkv", name="coffee")
    with pytest.raises(Problem, match="belong to a\\.mov"):
        compare(shelf / "a.mov", b)


def test_another_rate_is_refused(shelf, tmp_path):
    b = record(tmp_path / "b.mkv", rate=50)
    with pytest.raises(Problem, match="50 frames a second"):
        compare(shelf / "a.mov", b)
    near = record(tmp_path / "c.mkv", rate=Fraction(25000, 1001))
    with pytest.raises(Problem, match=r"24\.975"):
        compare(shelf / "a.mov", near)


def test_a_flat_picture_is_refused(tmp_path):
    for name in ("a", "b"):
        make_movie(tmp_path / f"{name}.mkv", "ffv1", "yuv422p10le", size=(160, 96), frames=4,
                   paint=lambda index: (np.full((96, 160), 400, np.uint16), *[np.full((96, 80), 512, np.uint16)] * 2))  # fmt: skip
    with pytest.raises(Problem):
        compare(tmp_path / "a.mkv", tmp_path / "b.mkv")


def test_a_still_against_a_still(tmp_path):
    """R'G'B' of DPX at 10 bit, full against narrow: 64 + 876 x."""
    picture = photograph()[:360:1, :480:1] * 0.9 + 0.04
    make_stills(tmp_path / "a", "dpx", 10, name="a{:04d}", frames=1,
                codes=lambda _: np.rint(picture * 1023).astype(np.uint16))  # fmt: skip
    make_stills(tmp_path / "b", "dpx", 10, name="b{:04d}", frames=1,
                codes=lambda _: np.rint(picture * 876 + 64).astype(np.uint16))  # fmt: skip
    found = compare(tmp_path / "a" / "a0001.dpx", tmp_path / "b" / "b0001.dpx")
    assert found.relation == "to-narrow"
    assert found.offset is None or found.offset == 0
    assert found.lines["y"].gain == pytest.approx(0.856305, rel=GAIN)


def run(*arguments: object):
    return CliRunner().invoke(footroom, ["compare", *map(str, arguments)])


def test_the_json_has_what_is_promised_and_the_exit_code_says_whether_they_differ(shelf):
    same = run(shelf / "same.mov", shelf / "same.mov", "--json")
    assert same.exit_code == 0, same.output
    done = run(shelf / "a.mov", shelf / "narrow.mov", "--json")
    assert done.exit_code == 1
    answer = json.loads(done.output)
    wanted = {
        "relation",
        "gain",
        "offset",
        "interval",
        "time_offset_frames",
        "space",
        "residual_codes",
        "delta_e",
        "remedy",
    }
    assert wanted <= set(answer)
    assert set(answer["gain"]) == {"y", "cb", "cr"} == set(answer["offset"]) == set(answer["interval"])
    assert {"median", "p95"} <= set(answer["delta_e"])
    assert len(answer["zones"]) == 9
    # A is flagged full and read so, B cannot say it and is read as narrow, which it is: both look alike.
    assert answer["remedy"] == "none"
    assert "flags account for it" in answer["remedy_words"]


def test_same_codes_under_other_flags_are_a_difference(shelf, tmp_path):
    b = record(tmp_path / "b.mkv", range=Range.NARROW)
    done = run(shelf / "a.mov", b, "--json")
    assert done.exit_code == 1
    answer = json.loads(done.output)
    assert answer["relation"] == "same"
    assert not answer["read_alike"]
    assert answer["remedy"] == "ask"


def test_the_table_fits_eighty_columns(shelf, monkeypatch):
    monkeypatch.setattr("footroom.host_adapter.headless.terminal.PIPE_WIDTH", 80)
    done = run(shelf / "a.mov", shelf / "narrow.mov")
    body = [line for line in done.output.splitlines() if str(shelf) not in line]
    assert "scaled to narrow" in done.output
    assert max(len(line.rstrip()) for line in body) <= 80, max(body, key=len)


@pytest.mark.parametrize(("arguments", "words"), [(("nowhere.mov",), "Missing argument"), ((), "Missing argument")])
def test_a_mistake_is_exit_code_2(arguments, words):
    done = run(*arguments)
    assert done.exit_code == 2
    assert words in done.output


def test_mend_writes_the_codes_of_a(shelf, tmp_path):
    """Lossless narrow codes of the very same full codes come back within the half code that rounding took."""
    a = record(tmp_path / "a.mkv", range=Range.FULL)
    b = record(tmp_path / "b.mkv", narrow, range=Range.NARROW)
    before = b.read_bytes()
    record(tmp_path / "c.mkv", full, range=Range.NARROW)  # read as narrow, so that a remedy is called for
    done = run(tmp_path / "c.mkv", b, "--mend", "--into", tmp_path / "out", "--json")
    assert done.exit_code == 1, done.output
    result = Path(json.loads(done.output)["matched"]["output"])
    assert b.read_bytes() == before
    with open_recording(a) as wanted, open_recording(result) as made:
        assert made.info.tag.trusted is Range.NARROW  # as the other is read
        assert made.info.depth == 10
        for one, two in zip(wanted.frames(), made.frames(), strict=True):
            for plane, found in zip(one.planes, two.planes, strict=True):
                assert np.abs(plane.astype(int) - found.astype(int)).max() <= 1
    receipt = read_receipt(receipt_path(result))
    assert receipt["parameters"]["remedy"] == "match"
    assert receipt["twin"]["sha256"]
    again = run(tmp_path / "c.mkv", b, "--mend", "--into", tmp_path / "out", "--json")
    assert again.exit_code == 1
    assert [path.name for path in (tmp_path / "out").iterdir() if path.name.startswith(".")] == []


def test_what_was_expanded_comes_back_deeper_and_says_what_was_clipped(shelf, tmp_path):
    done = run(shelf / "a.mov", shelf / "expanded.mkv", "--mend", "--into", tmp_path / "out", "--json")
    answer = json.loads(done.output)
    with open_recording(Path(answer["matched"]["output"])) as made:
        assert made.info.depth == 12
    assert answer["clipped_in_b"]["high"] > 0 or answer["clipped_in_b"]["low"] > 0


def test_mend_refuses_what_has_no_exact_inverse(shelf, tmp_path):
    from footroom.host_adapter.headless.twins.match import write_match

    found = compare(shelf / "a.mov", shelf / "other.mkv")
    with pytest.raises(Problem, match="no exact inverse"):
        write_match(found, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_mend_never_writes_on_top_of_an_original(tmp_path):
    from footroom.host_adapter.headless.twins.match import write_match

    a = record(tmp_path / "a.mkv", range=Range.FULL, frames=4)
    b = record(tmp_path / "b.mkv", narrow, range=Range.FULL, frames=4)
    before = b.read_bytes()
    with pytest.raises(Problem, match="on top of the original"):
        write_match(compare(a, b), tmp_path, overwrite=True)
    assert b.read_bytes() == before


def test_what_one_twin_clips_is_left_out_of_what_is_left(shelf):
    """Full codes under 64 and over 940 leave the expanded range: there B says nothing of the map."""
    found = compare(shelf / "a.mov", shelf / "expanded.mkv")
    assert max(found.clipped) > 0.01
    assert found.left.left_out > 0.01
    assert found.to_json()["left_out_clipped"] == pytest.approx(found.left.left_out, abs=1e-5)
    unclipped = compare(shelf / "a.mov", shelf / "same.mov")
    assert unclipped.left.left_out == 0
    # H.264 of quality 16 against uncompressed: a code or two of coding, nothing of the dozens that clipping takes.
    assert found.left.residual_codes["y"] < 2 * unclipped.left.residual_codes["y"] + 0.5
    assert found.left.p95 < unclipped.left.p95 + 0.5
    assert "areas are left out" in run(shelf / "a.mov", shelf / "expanded.mkv").output
    assert "left out" not in run(shelf / "a.mov", shelf / "same.mov").output
