"""`footroom timeline`: clips surveyed, mended by effects and rendered, every code of every plane as the headless half makes it."""

from __future__ import annotations

import json
import random
import shutil
from fractions import Fraction
from pathlib import Path

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

import numpy as np
from frame_running import run
from media_files import make_movie, noise
from timelines import CLIPS, FRAMES, differing, frames_of, make_clips, make_timeline, narrowed

from footroom.host_adapter.headless.demo.shoot import RATE
from footroom.kernels import Range

pytestmark = pytest.mark.usefixtures("gst")
OVERLAP = 6
NAMES = list(CLIPS)


@pytest.fixture(scope="session")
def rushes(tmp_path_factory, gst) -> Path:
    """The clips, and a timeline of them."""
    folder = tmp_path_factory.mktemp("edit")
    make_clips(folder)
    make_timeline(folder / "edit.xges", [folder / name for name in NAMES], OVERLAP)
    return folder


@pytest.fixture(scope="session")
def mended(rushes, tmp_path_factory) -> Path:
    """A folder with the mended project and its render."""
    out = tmp_path_factory.mktemp("mended")
    done = run(
        "timeline", rushes / "edit.xges", "--mend", "--save", out / "edit.xges", "--out", out / "edit.mkv", "--json"
    )
    assert done.code == 0, done.err
    (out / "report.json").write_text(done.out)
    return out


def headless(rushes: Path) -> list:
    """Each clip's frames as `footroom mend` makes them."""
    made = []
    for name, clip in CLIPS.items():
        frames = frames_of(rushes / name)
        made.append(narrowed(frames) if clip.codes is Range.FULL else frames)
    return made


def joined(clips: list) -> tuple[list, list]:
    """All but the cross-fade: frames, and their numbers in the timeline."""
    frames, numbers = [], []
    for number, clip in enumerate(clips):
        last = number == len(clips) - 1
        start = number * FRAMES - (OVERLAP if last else 0)
        kept = range(OVERLAP if last else 0, FRAMES - (OVERLAP if number == len(clips) - 2 else 0))
        frames += [clip[index] for index in kept]
        numbers += [start + index for index in kept]
    return frames, numbers


def test_every_code_is_the_headless_one(rushes, mended):
    rendered = frames_of(mended / "edit.mkv")
    assert len(rendered) == len(NAMES) * FRAMES - OVERLAP
    frames, numbers = joined(headless(rushes))
    assert differing([rendered[number] for number in numbers], frames) == []


def test_a_cross_fade_is_mixed_in_the_pictures_own_depth(rushes, mended):
    """Exact: (1 - t) a + t b with t rising by the frame. The compositor's opacity has 8 bits, and it may round by a code."""
    rendered, clips = frames_of(mended / "edit.mkv"), headless(rushes)
    going, coming = clips[-2][-OVERLAP:], clips[-1][:OVERLAP]
    first = (len(NAMES) - 1) * FRAMES - OVERLAP
    codes = np.zeros(1024, np.int64)
    for number in range(OVERLAP):
        share = Fraction(number, OVERLAP)
        for a, b, found in zip(going[number], coming[number], rendered[first + number], strict=True):
            exact = (a * float(1 - share)) + (b * float(share))
            allowed = 1 + np.abs(a.astype(int) - b.astype(int)) / 255
            assert (np.abs(found - exact) <= allowed).all(), number
            codes += np.bincount(found.ravel(), minlength=1024)
    odd = codes[1::2].sum() / codes.sum()
    assert odd > 0.3, "8-bit mixing would leave hardly an odd code"


def test_it_says_what_it_did(mended):
    report = json.loads((mended / "report.json").read_text())
    put = {Path(one["path"]).name: one["effect"] for one in report["effects"]}
    assert put == {
        "right_full.mkv": "footroomrange assume=full to=narrow dither=triangular",
        "wrong_full.mkv": "footroomrange assume=full to=narrow dither=triangular",
        "wrong_narrow.mkv": "footroomrange assume=narrow to=narrow dither=triangular",
        "unsaid_narrow.mkv": "footroomrange assume=narrow to=narrow dither=triangular",
    }
    assert report["pinned"]["format"] == "I422_10LE" and report["framework_changed"] == []
    receipt = json.loads((mended / "edit.mkv.receipt.json").read_text())
    assert receipt["output"]["flag"] == "narrow" and receipt["output"]["frames"] == len(NAMES) * FRAMES - OVERLAP


def test_the_saved_project_renders_the_same_again(rushes, mended, tmp_path):
    """Loaded, saved again by the framework, loaded and rendered: no code is another."""
    again = run("timeline", mended / "edit.xges", "--mend", "--save", tmp_path / "again.xges", "--json")
    assert again.code == 0, again.err
    assert {one["state"] for one in json.loads(again.out)["effects"]} == {"there already"}
    done = run("timeline", tmp_path / "again.xges", "--out", tmp_path / "again.mkv")
    assert done.code == 0, done.err
    assert differing(frames_of(tmp_path / "again.mkv"), frames_of(mended / "edit.mkv")) == []


def test_a_timeline_of_mended_files_renders_the_same(rushes, mended, tmp_path):
    """The framework's own part, cross-fade and all, over files that the headless half mended: the very same codes."""
    paths = []
    for name, frames in zip(NAMES, headless(rushes), strict=True):
        rows, columns = frames[0][0].shape
        paths.append(tmp_path / name)
        make_movie(
            paths[-1], "ffv1", "yuv422p10le", size=(columns, rows), frames=len(frames), rate=RATE, range=Range.NARROW,
            paint=lambda index, frames=frames: frames[index], colour=(1, 2, 1),
        )  # fmt: skip
    make_timeline(tmp_path / "edit.xges", paths, OVERLAP)
    done = run("timeline", tmp_path / "edit.xges", "--mend", "--out", tmp_path / "edit.mkv", "--json")
    assert done.code == 0, done.err
    assert json.loads(done.out)["effects"] == []
    assert differing(frames_of(tmp_path / "edit.mkv"), frames_of(mended / "edit.mkv")) == []


def test_seeks_give_the_same_codes(tmp_path, gst):
    """Frames fetched in no order, each after a flushing seek, are those of the straight render, noise and all.

    At 25 frames a second, because Matroska counts in milliseconds: at other rates GStreamer may show the frame before.
    """
    from gi.repository import GES
    from gst_running import from_bytes, info_of

    from footroom.host_adapter.gstreamer.timeline import Timeline

    size, effect = (320, 180), "footroomrange assume=full to=narrow dither=triangular"
    expected, paths = [], []
    for number in range(3):
        paths.append(tmp_path / f"{number}.mkv")
        paint = noise("yuv422p10le", size, seed=number)
        frames = make_movie(
            paths[-1],
            "ffv1",
            "yuv422p10le",
            size=size,
            frames=FRAMES,
            range=Range.NARROW,
            paint=paint,
            colour=(1, 1, 1),
        )
        expected += narrowed(frames)
    make_timeline(tmp_path / "edit.xges", paths, 0, [(number, effect) for number in range(3)], 25, size)
    done = run("timeline", tmp_path / "edit.xges", "--out", tmp_path / "edit.mkv")
    assert done.code == 0, done.err
    assert differing(frames_of(tmp_path / "edit.mkv"), expected) == []
    opened = Timeline(tmp_path / "edit.xges")
    sink = gst.ElementFactory.make("appsink")
    sink.set_property("sync", False)
    sink.set_property("max-buffers", 1)
    pipeline = GES.Pipeline.new()
    pipeline.set_timeline(opened.timeline)
    pipeline.props.video_sink = sink
    pipeline.set_mode(GES.PipelineFlags.VIDEO_PREVIEW)
    wanted = random.Random(4).sample(range(3 * FRAMES), 20)
    try:
        pipeline.set_state(gst.State.PAUSED)
        assert pipeline.get_state(30 * gst.SECOND)[0] != gst.StateChangeReturn.FAILURE
        for number in wanted:
            at = number * gst.SECOND // 25
            assert pipeline.seek_simple(gst.Format.TIME, gst.SeekFlags.FLUSH | gst.SeekFlags.ACCURATE, at)
            sample = _prerolled(gst, pipeline, sink, at)
            buffer = sample.get_buffer()
            done, held = buffer.map(gst.MapFlags.READ)
            planes = from_bytes(info_of(sample.get_caps().to_string()), bytes(held.data))
            buffer.unmap(held)
            assert done and differing([planes], [expected[number]]) == [], number
    finally:
        pipeline.set_state(gst.State.NULL)


def _prerolled(gst, pipeline, sink, at):
    """The frame that a seek leads to; the one from before it may still lie there."""
    for _ in range(100):
        pipeline.get_state(30 * gst.SECOND)
        sample = sink.emit("try-pull-preroll", gst.SECOND // 10)
        if sample is not None and abs(sample.get_buffer().pts - at) < 1000:
            return sample
    raise AssertionError(f"no frame at {at}")


def test_a_timeline_pinned_to_full_stays_full(rushes, tmp_path):
    """The track's own restriction decides; narrow clips are brought to it by our effect, not by the framework."""
    project = tmp_path / "full.xges"
    names = ["right_full.mkv", "wrong_full.mkv"]
    make_timeline(project, [rushes / name for name in names], 0)
    text = project.read_text()
    old = "framerate\\=\\(fraction\\)24/1"
    assert old in text
    new = old + "\\,\\ format\\=\\(string\\)I422_10LE\\,\\ colorimetry\\=\\(string\\)1:3:0:1"
    project.write_text(text.replace(old, new))
    done = run("timeline", project, "--mend", "--out", tmp_path / "full.mkv", "--json")
    assert done.code == 0, done.err
    report = json.loads(done.out)
    assert report["pinned"]["colorimetry"] == "1:3:0:1" and report["framework_changed"] == []
    expected = [frame for name in names for frame in frames_of(rushes / name)]
    assert differing(frames_of(tmp_path / "full.mkv"), expected) == []


def test_survey_alone_writes_nothing_and_says_what_is_wrong(rushes):
    before = {path: path.read_bytes() for path in rushes.iterdir()}
    done = run("timeline", rushes / "edit.xges", "--survey", "--json")
    assert done.code == 1
    found = {Path(one["path"]).name: one["agrees"] for one in json.loads(done.out)["recordings"]}
    assert found["wrong_full.mkv"] is False and found["wrong_narrow.mkv"] is False and found["right_narrow.mkv"] is True
    assert {path: path.read_bytes() for path in rushes.iterdir()} == before


def test_the_project_and_its_clips_are_only_read(rushes, mended):
    """After all that was done with them."""
    report = json.loads((mended / "report.json").read_text())
    assert len(report["recordings"]) == len(NAMES)
    assert sorted(path.name for path in rushes.iterdir()) == sorted([*NAMES, "edit.xges"])
    assert "footroom" not in (rushes / "edit.xges").read_text()


def test_a_missing_element_is_an_error_and_no_bare_clip(rushes, tmp_path):
    project = tmp_path / "edit.xges"
    make_timeline(project, [rushes / "wrong_full.mkv"], 0, [(0, "videobalance")])
    project.write_text(project.read_text().replace("videobalance", "nosuchelement"))
    done = run("timeline", project, "--out", tmp_path / "x.mkv")
    assert done.code == 2 and "nosuchelement, which is not there" in done.err and "rendered bare" in done.err
    assert not (tmp_path / "x.mkv").exists()


def test_an_effect_with_a_wrong_word_is_not_called_missing(rushes, tmp_path):
    project = tmp_path / "edit.xges"
    make_timeline(project, [rushes / "wrong_full.mkv"], 0, [(0, "footroomrange assume=full")])
    project.write_text(project.read_text().replace("'footroomrange assume=full'", "'footroomrange polish=1'"))
    done = run("timeline", project, "--out", tmp_path / "x.mkv")
    assert done.code == 2 and 'no property "polish"' in done.err and "not there" not in done.err


@pytest.fixture(scope="session")
def spread(tmp_path_factory, gst) -> Path:
    """A project whose range effect lies on the layer above, over two clips of noise, in a folder with them."""
    folder, size = tmp_path_factory.mktemp("spread"), (320, 180)
    paths = [folder / f"{number}.mkv" for number in range(2)]
    for number, path in enumerate(paths):
        make_movie(
            path, "ffv1", "yuv422p10le", size=size, frames=FRAMES, range=Range.NARROW, colour=(1, 1, 1),
            paint=noise("yuv422p10le", size, seed=number),
        )  # fmt: skip
    make_timeline(
        folder / "edit.xges", paths, 0, (), 25, size, ",format=I422_10LE,colorimetry=bt709",
        over="footroomrange assume=full to=narrow dither=triangular",
    )  # fmt: skip
    return folder


def test_an_effect_over_all_clips_makes_the_headless_codes(spread, tmp_path):
    """Its noise is numbered by the timeline's frames."""
    done = run("timeline", spread / "edit.xges", "--out", tmp_path / "edit.mkv")
    assert done.code == 0, done.err
    frames = frames_of(spread / "0.mkv") + frames_of(spread / "1.mkv")
    assert differing(frames_of(tmp_path / "edit.mkv"), narrowed(frames)) == []


def test_a_missing_element_over_all_clips_is_an_error(spread, tmp_path):
    """The framework makes the clip without its effect, and says so nowhere but in its log."""
    project = tmp_path / "edit.xges"
    project.write_text((spread / "edit.xges").read_text().replace("video footroomrange", "video nosuchelement"))
    done = run("timeline", project, "--out", tmp_path / "x.mkv")
    assert done.code == 2 and "nosuchelement, which is not there" in done.err
    assert not (tmp_path / "x.mkv").exists()


def test_clips_under_a_range_effect_are_not_mended_a_second_time(spread, tmp_path):
    done = run("timeline", spread / "edit.xges", "--mend", "--save", tmp_path / "x.xges")
    assert done.code == 2 and "a second time" in done.err
    assert not (tmp_path / "x.xges").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--save", "x.xges"), "Add --mend"),
        (("--mend", "--save", "edit.xges"), "would write over the project"),
        (("--mend", "--save", "edit.xges", "--overwrite"), "would write over the project"),
        (("--mend", "--save", "x.txt"), "--save writes .xges"),
        (("--out", "x.mov"), "--out writes .mkv"),
        (("--out", "wrong_full.mkv", "--overwrite"), "would write over the project or one of its clips"),
        (("--out", "there.mkv"), "add --overwrite"),
        (("--out", "no/x.mkv"), "no folder"),
    ],
)
def test_wrong_words_are_refused_before_any_work(rushes, tmp_path, monkeypatch, arguments, words):
    folder = tmp_path / "here"
    folder.mkdir()
    text = (rushes / "edit.xges").read_text().replace(str(rushes), str(folder))
    (folder / "edit.xges").write_text(text)
    for name in NAMES:
        shutil.copyfile(rushes / name, folder / name)
    (folder / "there.mkv").write_bytes(b"somebody's")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    monkeypatch.chdir(folder)
    done = run("timeline", "edit.xges", *arguments)
    assert done.code == 2 and words in done.err and done.out == ""
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_media_that_are_gone_are_named(rushes, tmp_path):
    project = tmp_path / "edit.xges"
    project.write_text((rushes / "edit.xges").read_text().replace("wrong_full.mkv", "gone.mkv"))
    done = run("timeline", project)
    assert done.code == 2 and "gone.mkv" in done.err


@pytest.mark.parametrize("text", ["", "not xml", "<ges/>", "<other><project/></other>"])
def test_what_is_no_project_is_said(tmp_path, text):
    project = tmp_path / "x.xges"
    project.write_text(text)
    done = run("timeline", project)
    assert done.code == 2 and "no project of the Editing Services" in done.err
