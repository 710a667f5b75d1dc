"""The survey on real encoded files: the record's keys, flags, findings, sampling, and what cannot be surveyed."""

from __future__ import annotations

import json

import numpy as np
import pytest
from media_files import make_movie, make_stills, shapes
from survey_pictures import SIZE, slope

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.pixel_formats import layout
from footroom.host_adapter.headless.survey import Record, survey, survey_all
from footroom.kernels.encoding import Range

KEYS = {
    "path", "codec", "width", "height", "frames", "depth", "model", "sampling", "tag", "finding", "agrees", "confidence",
    "why", "clipped_if_trusted", "remedy", "price", "evidence",
}  # fmt: skip


def picture(pixel_format: str, low: float, high: float, black_frames: int = 0):
    """Paints the moving slope of the other tests in luma (or R', G', B'), in 8-bit codes, over frames of that format."""
    taken = layout(pixel_format)
    unit = 1 << (taken.depth - 8)
    dtype = np.uint8 if taken.depth == 8 else np.uint16

    def paint(index: int):
        made = []
        for component, shape in zip(taken.components, shapes(pixel_format, SIZE[1], SIZE[0]), strict=True):
            level = slope(low * unit, high * unit, index) if index >= black_frames else np.full(SIZE, low * unit)
            plane = np.full(shape, 128 * unit) if component.chroma else level
            made.append(np.clip(plane, 0, 256 * unit - 1).astype(dtype))
        return tuple(made)

    return paint


def movie(path, codec, pixel_format, low, high, flag=None, **more):
    """Write the slope as a movie of SIZE; returns the path."""
    make_movie(
        path, codec, pixel_format, size=(SIZE[1], SIZE[0]), frames=6, range=flag,
        paint=picture(pixel_format, low, high), **more,
    )  # fmt: skip
    return path


def test_the_record_has_the_keys_and_is_plain_json(tmp_path):
    path = movie(tmp_path / "kestrel.mp4", "libx264", "yuv420p10le", 1, 250, Range.NARROW, colour=(1, 1, 1))
    record = survey(path).to_json()
    assert set(record) >= KEYS
    assert json.loads(json.dumps(record)) == record
    assert record["path"] == str(path)
    assert (record["codec"], record["width"], record["height"], record["frames"]) == ("h264", SIZE[1], SIZE[0], 6)
    assert (record["depth"], record["model"], record["sampling"]) == (10, "ycbcr", "4:2:0")
    assert record["tag"] == {"container": "narrow", "stream": "narrow", "expressible": True}
    assert (record["finding"], record["agrees"], record["remedy"]) == ("full", False, "retag")
    assert record["confidence"] >= 0.97


@pytest.mark.parametrize(
    ("name", "codec", "pixel_format", "remedy"),
    [
        ("a.mp4", "libx264", "yuv420p", "retag"),
        ("a.mov", "libx265", "yuv420p10le", "retag"),
        ("a.mov", "prores_ks", "yuv422p10le", "lift"),
        ("a.mov", "dnxhd", "yuv422p10le", "retag"),
        ("a.mkv", "ffv1", "yuv422p10le", "retag"),
        ("a.avi", "ffv1", "gray", "lift"),
    ],
)
def test_full_codes_flagged_narrow_are_found_in_every_codec(tmp_path, name, codec, pixel_format, remedy):
    path = movie(tmp_path / name, codec, pixel_format, 2, 240, Range.NARROW)
    record = survey(path).to_json()
    assert (record["finding"], record["agrees"], record["remedy"]) == ("full", False, remedy)
    assert record["clipped_if_trusted"]["low"] > 0.05
    assert record["clipped_if_trusted"]["high"] > 0.01


@pytest.mark.parametrize(("low", "high"), [(16, 235), (20, 254), (40, 200)])
@pytest.mark.parametrize("quality", ["16", "38"])
def test_right_narrow_files_are_not_called_wrong(tmp_path, low, high, quality):
    """Strong coding rings and blocks; super-whites go up to 254 (common practice)."""
    path = movie(tmp_path / "right.mp4", "libx264", "yuv420p", low, high, Range.NARROW, options={"crf": quality})
    record = survey(path).to_json()
    assert record["agrees"] is not False
    assert record["remedy"] in ("none", "ask")


def test_right_full_files_are_not_called_wrong(tmp_path):
    record = survey(movie(tmp_path / "right.mkv", "ffv1", "yuv422p10le", 0, 255, Range.FULL)).to_json()
    assert (record["finding"], record["agrees"], record["remedy"]) == ("full", True, "none")
    assert record["clipped_if_trusted"] == {"low": 0.0, "high": 0.0}


def test_what_trusting_the_flag_would_clip_is_counted_exactly(tmp_path):
    """Lossless, so the shares are those of the codes that went in, under 64 and over 940 (BT.709-6 item 4.6)."""
    path = tmp_path / "counted.mkv"
    planes = make_movie(
        path, "ffv1", "yuv422p10le", size=(SIZE[1], SIZE[0]), frames=3, range=Range.NARROW,
        paint=picture("yuv422p10le", 5, 250),
    )  # fmt: skip
    luma = np.stack([frame[0] for frame in planes])
    record = survey(path).to_json()
    assert record["clipped_if_trusted"]["low"] == pytest.approx(float((luma < 64).mean()))
    assert record["clipped_if_trusted"]["high"] == pytest.approx(float((luma > 940).mean()))
    assert record["evidence"]["channels"]["chroma"]["pixels_under_black"] == 0


def test_the_curve_decides_what_the_codes_alone_leave_open(tmp_path):
    """Log over the full range: black at 1023 x .0928 (colour-science, ARRI LogC3), well over narrow black."""
    path = movie(tmp_path / "log.mov", "prores_ks", "yuv422p10le", 95 / 4, 200)
    assert survey(path).to_json()["finding"] == "undetermined"
    told = survey(path, curve="arri logc3").to_json()
    assert (told["finding"], told["remedy"], told["profile"], told["curve"]) == ("full", "lift", "log", "ARRI LogC3")


def test_hlg_is_told_by_the_stream_and_never_scaled_on_a_guess(tmp_path):
    """Transfer characteristic 18 is HLG, 16 PQ (H.273 table 3)."""
    for number, profile in ((18, "hlg"), (16, "pq")):
        path = movie(tmp_path / f"{profile}.mp4", "libx264", "yuv420p10le", 1, 240, Range.NARROW, colour=(9, number, 9))
        record = survey(path).to_json()
        assert (record["profile"], record["finding"], record["remedy"]) == (profile, "full", "retag")
    unflagged = movie(tmp_path / "unflagged.mov", "prores_ks", "yuv422p10le", 1, 240)
    record = survey(unflagged, profile="hlg").to_json()
    assert (record["finding"], record["remedy"]) == ("full", "ask")
    assert any("HLG" in why for why in record["why"])
    assert record["alternatives"]["lift"]["reversible"] is True


def test_the_start_and_the_end_are_sampled(tmp_path):
    path = tmp_path / "long.mkv"
    make_movie(path, "ffv1", "gray", size=(64, 48), frames=60)
    indices = survey(path, frames=5).to_json()["evidence"]["frame_indices"]
    assert len(indices) == 5
    assert indices[0] == 0
    assert indices[-1] == 59
    assert indices == sorted(indices)


def test_an_open_recording_is_surveyed_and_stays_open(tmp_path):
    path = movie(tmp_path / "open.mkv", "ffv1", "gray", 2, 240, Range.NARROW)
    with open_recording(path) as recording:
        assert survey(recording).to_json()["finding"] == "full"
        assert next(recording.frames()).index == 0


def test_red_green_blue_without_a_word_is_taken_for_full(tmp_path):
    """Readers take unsaid R'G'B' for full (common practice)."""
    record = survey(movie(tmp_path / "rgb.avi", "ffv1", "gbrp10le", 1, 250)).to_json()
    assert (record["model"], record["trusted"], record["finding"], record["agrees"]) == ("rgb", "full", "full", True)
    assert "chroma" not in record["evidence"]["channels"]


def test_floating_point_stills_have_no_range(tmp_path):
    make_stills(tmp_path, "exr", "half", frames=2)
    record = survey(tmp_path / "shot.####.exr").to_json()
    assert (record["finding"], record["agrees"], record["remedy"]) == ("undetermined", None, "none")
    assert "levels, not codes" in record["why"][0]
    assert json.loads(json.dumps(record)) == record


def test_one_bad_input_does_not_stop_the_others(tmp_path):
    good = movie(tmp_path / "good.mkv", "ffv1", "gray", 2, 240, Range.NARROW)
    text = tmp_path / "notes.mov"
    text.write_text("not a movie")
    results = dict(survey_all([text, tmp_path / "absent.mov", good]))
    assert isinstance(results[text], Problem)
    assert isinstance(results[tmp_path / "absent.mov"], Problem)
    assert isinstance(results[good], Record)


def test_wrong_arguments_are_named(tmp_path):
    path = movie(tmp_path / "a.mkv", "ffv1", "gray", 2, 240)
    with pytest.raises(ValueError, match="frames must be at least 1, got 0"):
        survey(path, frames=0)
    with pytest.raises(ValueError, match="'sepia'"):
        survey(path, profile="sepia")
    with pytest.raises(Problem, match="no log curve"):
        survey(path, curve="Moonlight")


def test_a_finished_picture_is_not_called_wrong_because_a_curve_was_said_of_its_whole_card(tmp_path) -> None:
    """A right narrow recording with super-whites, surveyed as if it were log: it may stay open, it must not be wrong."""
    from footroom.host_adapter.headless.demo.shoot import SHOOT, write_clip

    clip = next(each for each in SHOOT if each.picture == "display" and each.codes is each.flag)
    path = tmp_path / "harbour.mp4"
    write_clip(path, clip, 8)
    record = survey(path, curve="ACEScct").to_json()
    assert record["agrees"] is not False, record["why"]
    assert record["remedy"] in {"none", "ask"}
