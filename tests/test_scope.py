"""`footroom scope` end to end: pictures, movies and burns of movies and stills, two recordings, and what goes wrong."""

from __future__ import annotations

import errno
import json
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from media_files import make_movie, make_stills, ramp
from PIL import Image

from footroom.host_adapter.effects.scopes_effect import EFFECT, box_of
from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.host import image_of
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.receipt import read_receipt, receipt_path
from footroom.kernels import Range


def run(*words):
    return CliRunner().invoke(footroom, ["scope", *map(str, words)])


def told(*words):
    done = run(*words, "--json")
    assert done.exit_code == 0, done.exception or done.output
    return json.loads(done.output)


def refused(*words):
    done = run(*words)
    assert isinstance(done.exception, Problem), done.output
    return str(done.exception)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("scope") / "gull.mkv"
    made = make_movie(
        path, "ffv1", "yuv420p10le", size=(320, 180), frames=6, range=Range.NARROW,
        paint=ramp("yuv420p10le", (320, 180), 64, 940), audio=("pcm_s16le",),
    )  # fmt: skip
    return path, made


def test_a_picture_says_which_frame_and_which_codes(clip, tmp_path):
    said = told(clip[0], "--out", tmp_path / "a.png", "--size", "640x360")
    assert said["output"]["frames"] == [3] and said["output"]["seconds"] == [0.12]
    assert said["read_as"] == ["10 bit, narrow"]
    assert said["codes"][0]["Y'"] == {"lowest": 64, "highest": 940} and said["codes"][0]["Cb"] == {
        "lowest": 512,
        "highest": 512,
    }
    picture = Image.open(tmp_path / "a.png")
    assert picture.size == (640, 360) and picture.mode == "RGB"
    receipt = read_receipt(receipt_path(tmp_path / "a.png"))
    assert receipt and receipt["parameters"]["kind"] == "all"
    first = told(clip[0], "--out", tmp_path / "b.png", "--frame", "0.041", "--kind", "histogram")
    assert first["output"]["frames"] == [1]


@pytest.mark.parametrize("kind", ["waveform", "parade", "vectorscope", "histogram", "all"])
def test_kinds_differ_and_file_types_are_what_their_names_say(clip, tmp_path, kind):
    out = tmp_path / f"{kind}.{'tif' if kind == 'parade' else 'jpg' if kind == 'histogram' else 'png'}"
    told(clip[0], "--out", out, "--kind", kind, "--size", "480x270")
    assert Image.open(out).format == {"tif": "TIFF", "jpg": "JPEG", "png": "PNG"}[out.suffix[1:]]


def test_a_flag_that_lies_is_overruled(clip, tmp_path):
    narrow = told(clip[0], "--out", tmp_path / "n.png", "--kind", "waveform", "--size", "480x270")
    full = told(clip[0], "--out", tmp_path / "f.png", "--kind", "waveform", "--size", "480x270", "--assume", "full")
    assert full["read_as"] == ["10 bit, full"] and narrow["codes"] == full["codes"]
    pixels = [np.asarray(Image.open(tmp_path / name)) for name in ("n.png", "f.png")]
    assert not np.array_equal(*pixels)


@pytest.mark.parametrize("suffix", [".mkv", ".mp4", ".mov"])
def test_a_movie_has_every_frame_at_its_time(clip, tmp_path, suffix):
    out = tmp_path / f"m{suffix}"
    said = told(clip[0], "--out", out, "--kind", "vectorscope", "--size", "480x270")
    assert said["frames"] == 6 and said["verified"]["frames"] == 6
    with open_recording(out) as recording:
        frames = list(recording.frames())
        assert recording.info.width == 480 and len(frames) == 6
        times = [Fraction(frame.native.pts) * frame.native.time_base for frame in frames]
        gaps = [float(b - a) for a, b in pairwise(times)]
        assert all(abs(gap - 0.04) < 0.002 for gap in gaps)
    assert ("codes" in said["verified"]) == (suffix == ".mkv")


def test_a_movie_in_matroska_is_the_picture_of_each_frame(clip, tmp_path):
    """The lossless movie's frame and the picture of that moment are the same pixels."""
    told(clip[0], "--out", tmp_path / "m.mkv", "--kind", "all", "--size", "480x270")
    told(clip[0], "--out", tmp_path / "p.png", "--kind", "all", "--size", "480x270", "--frame", "0.08")
    with open_recording(tmp_path / "m.mkv") as recording:
        frame = list(recording.frames())[2]
        made = np.stack(frame.planes, -1)
    assert np.array_equal(made, np.asarray(Image.open(tmp_path / "p.png")))


def test_a_burn_leaves_every_code_outside_its_box(clip, tmp_path):
    path, made = clip
    said = told(
        path, "--as", "burn", "--out", tmp_path / "b.mkv", "--codec", "ffv1", "--corner", "top-right", "--part", "50"
    )
    assert said["output"]["lossless_codec"] and any("audio" in each for each in said["carried"])
    with open_recording(tmp_path / "b.mkv") as recording:
        box = box_of(EFFECT.values({"corner": "top-right", "size": 50.0}), image_of(recording.info, made[0], None))
        for index, frame in enumerate(recording.frames()):
            for number, plane in enumerate(frame.planes):
                step = 1 if number == 0 else 2
                changed = plane != made[index][number]
                changed[box.y0 // step : box.y1 // step, box.x0 // step : box.x1 // step] &= False
                assert not changed.any()
            assert not np.array_equal(frame.planes[0], made[index][0])
        assert recording.info.tag.trusted is Range.NARROW


def test_a_burn_of_stills_is_a_folder_of_stills(tmp_path):
    make_stills(tmp_path / "in", "dpx", 10, size=(320, 180), frames=2)
    said = told(tmp_path / "in", "--as", "burn", "--out", tmp_path / "out", "--kind", "parade")
    assert said["frames"] == 2 and len(list((tmp_path / "out").glob("*.dpx"))) == 2


@pytest.mark.parametrize("arrange", ["beside", "over"])
def test_two_recordings_of_another_depth_and_range(clip, tmp_path, arrange):
    other = tmp_path / "tern.mkv"
    make_movie(other, "ffv1", "gbrp12le", size=(160, 90), frames=3, range=Range.FULL)
    said = told(clip[0], "--against", other, "--arrange", arrange, "--out", tmp_path / "a.png", "--size", "960x540")
    assert said["read_as"] == ["10 bit, narrow", "12 bit, full"] and len(said["codes"]) == 2
    movie = told(clip[0], "--against", other, "--arrange", arrange, "--out", tmp_path / "m.mkv", "--size", "480x270")
    assert movie["frames"] == 3  # it ends with the shorter one


def test_another_second_recording_is_another_result(clip, tmp_path):
    other = tmp_path / "tern.mkv"
    make_movie(other, "ffv1", "yuv420p10le", size=(64, 48), frames=2)
    words = (clip[0], "--against", other, "--out", tmp_path / "a.png", "--size", "480x270")
    told(*words)
    assert run(*words).exit_code == 0  # whole already
    make_movie(other, "ffv1", "yuv420p10le", size=(64, 48), frames=3)
    assert "made with other settings" in refused(*words)
    told(*words, "--overwrite")


def test_a_curve_draws_its_grey_and_a_display_is_read_from_the_file(clip, tmp_path):
    for name, words in (("c", ("--curve", "s-log3")), ("d", ("--display", "bt1886")), ("n", ())):
        told(clip[0], "--out", tmp_path / f"{name}.png", "--kind", "waveform", "--size", "640x360", *words)
    pixels = [np.asarray(Image.open(tmp_path / f"{name}.png")) for name in "cdn"]
    assert not np.array_equal(pixels[0], pixels[1]) and not np.array_equal(pixels[1], pixels[2])
    hdr = tmp_path / "hdr.mkv"
    make_movie(hdr, "ffv1", "yuv420p10le", size=(64, 48), frames=2, colour=(9, 16, 9))
    told(hdr, "--out", tmp_path / "pq.png", "--kind", "waveform", "--size", "640x360", "--display", "pq")
    told(hdr, "--out", tmp_path / "said.png", "--kind", "waveform", "--size", "640x360")
    assert np.array_equal(*(np.asarray(Image.open(tmp_path / name)) for name in ("pq.png", "said.png")))


def test_a_recording_of_one_pixel_and_a_gray_one(tmp_path):
    make_stills(tmp_path / "one", "png", 8, size=(1, 1), frames=1, name="one")
    told(tmp_path / "one" / "one.png", "--out", tmp_path / "a.png", "--size", "480x270")
    assert "does not fit a picture of 1x1" in refused(
        tmp_path / "one" / "one.png", "--as", "burn", "--out", tmp_path / "b.png"
    )
    make_stills(tmp_path / "gray", "png", 8, size=(30, 20), frames=1, channels=1, name="gray")
    told(tmp_path / "gray" / "gray.png", "--out", tmp_path / "g.png", "--size", "480x270")
    words = refused(tmp_path / "gray" / "gray.png", "--out", tmp_path / "v.png", "--kind", "vectorscope")
    assert "gray picture has no vectorscope" in words and "--kind" in words
    assert not (tmp_path / "v.png").exists() and not (tmp_path / "b.png").exists()


def test_what_cannot_be_is_said_in_words(clip, tmp_path):
    path, out = clip[0], tmp_path / "x.png"
    assert "S-Log3" in refused(path, "--out", out, "--curve", "S-Log33")
    assert "ends before 99 seconds" in refused(path, "--out", out, "--frame", "99")
    assert "--frame" in refused(path, "--out", out, "--frame", "99")
    assert "both named" in refused(path, "--out", out, "--curve", "S-Log3", "--display", "hlg")
    assert "--size" in refused(path, "--out", out, "--size", "10x10")
    assert "no size" in refused(path, "--out", out, "--size", "huge")
    assert "--corner is for a burn" in refused(path, "--out", out, "--corner", "top-left")
    assert "--against is for a picture" in refused(path, "--as", "burn", "--out", tmp_path / "x.mkv", "--against", path)
    assert "--arrange is of two" in refused(path, "--out", out, "--arrange", "over")
    assert "--frame is for --as picture" in refused(path, "--out", tmp_path / "x.mkv", "--frame", "1")
    assert "cannot be written as '.gif'" in refused(path, "--out", tmp_path / "x.gif")
    assert "even sizes" in refused(path, "--out", tmp_path / "x.mp4", "--size", "481x270")
    assert "no such file" in refused(tmp_path / "none.mkv", "--out", out)
    assert run(path, "--out", out, "--frame", "-1").exit_code == 2
    assert not list(tmp_path.iterdir())


def test_floating_point_stills_are_refused_in_words(tmp_path):
    make_stills(tmp_path / "f", "exr", "half", frames=1, name="f")
    words = refused(tmp_path / "f" / "f.exr", "--out", tmp_path / "x.png")
    assert "floating-point levels" in words and "16-bit TIFF" in words


def test_originals_and_other_files_are_safe(clip, tmp_path):
    path = tmp_path / "own.mkv"
    path.write_bytes(clip[0].read_bytes())
    before = path.read_bytes()
    assert refused(path, "--out", path)
    assert refused(clip[0], "--against", path, "--out", path, "--overwrite")
    assert path.read_bytes() == before
    (tmp_path / "there.png").write_text("mine")
    assert "exists" in refused(clip[0], "--out", tmp_path / "there.png", "--size", "480x270")
    assert (tmp_path / "there.png").read_text() == "mine"


def test_a_folder_that_may_not_be_written_is_said(clip, tmp_path, monkeypatch):
    """The system's refusal, made here, because root may write anywhere."""
    whole = Path.open

    def refuse(self, *args, **kwargs):
        if self.parent == tmp_path and args and args[0] != "rb":
            raise PermissionError(errno.EACCES, "Permission denied", str(self))
        return whole(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refuse)
    assert "cannot be written" in refused(clip[0], "--out", tmp_path / "x.png")


def test_a_damaged_file_leaves_nothing(tmp_path):
    damaged, out = tmp_path / "damaged.mkv", tmp_path / "out"
    make_movie(damaged, "ffv1", "yuv420p10le", size=(96, 64), frames=4)
    codes = bytearray(damaged.read_bytes())
    codes[len(codes) * 2 // 3 : len(codes) * 2 // 3 + 4] = b"gull"
    damaged.write_bytes(codes)
    assert isinstance(run(damaged, "--out", out / "m.mkv", "--size", "480x270").exception, Problem)
    assert not out.exists()


def test_the_help_says_what_is_what():
    said = run("--help").output
    for word in ("waveform", "parade", "vectorscope", "histogram", "--against", "--assume", "--curve"):
        assert word in said


def test_a_turned_recording_is_measured_the_right_way_up(tmp_path):
    """Turned clockwise by 90 degrees the recorded bottom row's left end is the picture's left top corner: dark on the left."""
    path = tmp_path / "turned.mov"
    rows = np.zeros((48, 64), np.uint8) + np.where(np.arange(48) < 24, 200, 40)[:, None].astype(np.uint8)
    neutral = np.full((24, 32), 128, np.uint8)
    quarter = (0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30)  # ISO/IEC 14496-12 8.3.2: a quarter turn clockwise
    make_movie(
        path, "libx264", "yuv420p", size=(64, 48), frames=2, paint=lambda _: (rows, neutral, neutral), matrix=quarter
    )
    from footroom.host_adapter.headless.scoping import page_of, take_of

    with open_recording(path) as recording:
        assert recording.info.turned == 90
        take = take_of(recording, None)
        page = page_of([take], "waveform", (640, 360), {}, over=False)
        waves = take.measured(next(iter(recording.frames())).planes, page, 0).waves["Y'"]
    means = (waves * np.arange(waves.shape[1])).sum(1) / waves.sum(1)
    assert len(waves) == 48 and means[:20].max() < 60 and means[28:].min() > 180
    said = told(path, "--as", "burn", "--out", tmp_path / "b.mov", "--part", "90")
    assert any("turn this recording by 90" in note for note in said["notes"])


def test_a_far_frame_is_the_one_that_reading_on_finds(tmp_path):
    path = tmp_path / "long.mkv"
    make_movie(path, "ffv1", "yuv420p", size=(32, 24), frames=130, gop=1)
    from footroom.host_adapter.headless.scoping import take_of

    with open_recording(path) as recording:
        take = take_of(recording, None)
        frames = list(recording.frames())
        for at in (Fraction(0), Fraction("1.999"), Fraction(2), Fraction("4.5"), Fraction("5.16")):
            caught = take.caught(at)
            expected = max(frame.index for frame in frames if take.clock(frame) <= at)
            assert caught.index == expected and all(map(np.array_equal, caught.planes, frames[expected].planes))
