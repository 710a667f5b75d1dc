"""`footroom live`: a person's words become a chain or are refused, and frames become figures. GStreamer itself is not needed here."""

from __future__ import annotations

import importlib.util
import json
import statistics
from fractions import Fraction
from pathlib import Path

import pytest
from frame_running import run
from media_files import make_movie

from footroom.host_adapter.effects import guides_effect, range_effect
from footroom.host_adapter.gstreamer import ELEMENTS
from footroom.host_adapter.gstreamer.chains import Wanted, elements, parts, sink_kind, source_kind
from footroom.host_adapter.gstreamer.figures import Counting, quantile_of
from footroom.host_adapter.headless.gstreamer_options import live
from footroom.host_adapter.headless.live_command import line_of
from footroom.kernels.encoding import Range

BARE = importlib.util.find_spec("gi") is None
TO_NARROW = {"to": "narrow"}


def chain(*arguments):
    done = run("live", *arguments, "--chain")
    assert done.code == 0, done.err
    return done.out.strip()


def refused(*arguments):
    done = run("live", *arguments)
    assert done.code == 2 and done.out == "", (done.code, done.out)
    return done.err


def test_every_parameter_of_the_effects_is_an_option():
    names = {param.name for param in live.params}
    for effect in (range_effect.EFFECT, guides_effect.EFFECT):
        assert {param.name for param in effect.params} <= names


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("test", "test"), ("/dev/video0", "device"), ("srt://h:1", "stream"), ("rtsp://h/x", "stream"), ("a.mov", "file"),
        ("/x/test", "file"), ("file:///x/a.mov", "file"), ("./test", "file"),
    ],
)  # fmt: skip
def test_sources_are_told_apart(name, kind):
    assert source_kind(name) == kind


@pytest.mark.parametrize(
    ("name", "kind"),
    [("window", "window"), ("null", "null"), ("./null", "file"), ("a.mkv", "file"), ("udp://h:1", "stream")],
)
def test_sinks_are_told_apart(name, kind):
    assert sink_kind(name) == kind


def test_what_is_said_reaches_the_elements():
    made = chain("test", "--out", "null", "--assume", "full", "--to", "narrow", "--depth", 8, "--window", "9:16", "--window", "w=1:1",
                 "--safe", "title", "--centre", "--shade", 40, "--dither", "blue-noise", "--on-error", "pass")  # fmt: skip
    assert "footroomrange name=footroomrange assume=full to=narrow dither=blue-noise depth=8 on-error=pass !" in made
    assert "'windows=9:16 w=1:1' safe=title centre=True shade=40.0 on-error=pass !" in made
    assert made.startswith("footroom host gstreamer --run gst-launch-1.0 -e ")


@pytest.mark.parametrize(
    ("sink", "held", "not_held"),
    [
        ("a.mkv", ["avenc_ffv1", "matroskamux"], ["x264enc"]),
        ("a.mp4", ["x264enc", "mp4mux"], ["avenc_ffv1"]),
        ("a.mov", ["x264enc", "qtmux"], []),
        ("udp://h:5000", ["x264enc", "mpegtsmux", "udpsink"], []),
        ("srt://h:5000", ["mpegtsmux", "srtsink"], []),
        ("srt://:5000?mode=listener", ["srtsink"], []),
        ("window", ["autovideosink"], ["x264enc"]),
        ("null", ["fakesink"], ["videoconvert"]),
    ],
)
def test_each_sink_has_its_chain(sink, held, not_held):
    found = elements(parts(Wanted("test", sink, TO_NARROW)))
    assert set(held) <= set(found) and not set(not_held) & set(found)
    assert found.index("footroomrange") < found.index(held[0])


def test_a_files_own_flag_is_filled_in(tmp_path):
    """GStreamer loses the full flag of MP4 and QuickTime, so what PyAV reads goes into the element."""
    for flag in ("full", "narrow"):
        path = tmp_path / f"{flag}.mov"
        make_movie(path, "libx264", "yuv420p10le", range=Range.parse(flag))
        assert f"assume={flag} to=narrow" in chain(path, "--to", "narrow", "--out", "null")
        assert f"assume={flag} to={flag}" in chain(path, "--window", "1:1", "--out", "null")
        assert "assume=narrow" in chain(path, "--to", "full", "--assume", "narrow", "--out", "null")


def test_a_capture_device_is_asked_for_what_was_said():
    made = chain("/dev/video0", "--size", "1280x720", "--rate", "29.97", "--to", "narrow", "--out", "null")
    assert "v4l2src device=/dev/video0 ! 'video/x-raw,width=1280,height=720,framerate=30000/1001;image/jpeg," in made
    made = chain("/dev/video0", "--pixels", "YUY2", "--to", "narrow", "--out", "null")
    assert "video/x-raw,format=YUY2 !" in made


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("test", "--out", "null"), "nothing to do"),
        (("test", "--out", "x.avi", "--to", "narrow"), "not as .avi"),
        (("test", "--out", "x.mp4", "--to", "narrow", "--codec", "ffv1"), "ffv1 goes into .mkv"),
        (("test", "--out", "x.mkv", "--to", "narrow", "--codec", "gif"), "not gif"),
        (("test", "--out", "ftp://x:1", "--to", "narrow"), "srt and udp, not by ftp"),
        (("test", "--out", "udp://x", "--to", "narrow"), "udp://HOST:PORT"),
        (("test", "--out", "udp://x:99999", "--to", "narrow"), "udp://HOST:PORT"),
        (("ftp://x/y", "--out", "null", "--to", "narrow"), "not by ftp"),
        (("test", "--out", "window", "--to", "narrow", "--codec", "h264"), "is for files"),
        (("test", "--out", "null", "--to", "narrow", "--bitrate", 500), "--bitrate is for h264"),
        (("test", "--out", "null", "--window", "9to16"), "9to16"),
        (("test", "--out", "null", "--to", "narrow", "--size", "big"), "1920x1080"),
        (("test", "--out", "null", "--to", "narrow", "--rate", "fast"), "--rate"),
        (("test", "--out", "null", "--to", "narrow", "--rate", "1/0"), "--rate"),
        (("test", "--out", "null", "--to", "narrow", "--pixels", "a,b=c"), "--pixels"),
        (("srt://h:1", "--out", "null", "--to", "narrow", "--rate", "25"), "a stream has its own"),
        (("/dev/no_video", "--out", "null", "--to", "narrow"), "no device /dev/no_video"),
        (("nowhere.mov", "--out", "null", "--to", "narrow"), "no such file"),
        (("test", "--out", "nowhere/x.mkv", "--to", "narrow"), "no folder"),
        (("test", "--out", "null", "--to", "wide"), "wide"),
        (("test", "--out", "null", "--to", "narrow", "--seconds", 0), "seconds"),
    ],
)
def test_wrong_words_are_refused(tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    assert words in refused(*arguments)
    assert list(tmp_path.iterdir()) == []


def test_neither_the_source_nor_a_result_is_written_over(tmp_path):
    path = tmp_path / "a.mkv"
    make_movie(path, "ffv1", "yuv420p10le", range=Range.FULL)
    before = path.read_bytes()
    assert "write over the source" in refused(path, "--to", "narrow", "--out", path, "--overwrite")
    (tmp_path / "b.mkv").write_bytes(b"somebody's")
    assert "add --overwrite" in refused(path, "--to", "narrow", "--out", tmp_path / "b.mkv")
    assert path.read_bytes() == before and (tmp_path / "b.mkv").read_bytes() == b"somebody's"


@pytest.mark.skipif(not BARE, reason="GStreamer for Python is installed here")
def test_without_gstreamer_it_says_where_to_look():
    assert "footroom host gstreamer --check" in refused("test", "--to", "narrow", "--out", "null")


# Figures


def fed(times, rate=Fraction(25)):
    counting = Counting()
    for time in times:
        counting.arrived(time, rate, late=False)
    return counting


def test_holes_between_frames_are_dropped_frames():
    frame = 40_000_000
    assert fed([0, frame, 2 * frame]).second(1, 0, 0).dropped == 0
    assert fed([0, frame, 4 * frame, 5 * frame]).second(1, 0, 0).dropped == 2
    assert fed([0, 4 * frame], Fraction(0)).second(1, 0, 0).dropped == 0, "a rate that varies has no holes"
    third = [round(n * 10**9 * 1001 / 30000) for n in range(3000)]
    assert fed(third, Fraction(30000, 1001)).second(1, 0, 0).dropped == 0


def test_a_jump_of_the_source_is_no_hole():
    counting = fed([0, 40_000_000])
    counting.begins_anew()
    counting.arrived(10**12, Fraction(25), late=False)
    assert counting.second(1, 0, 0).dropped == 0


def test_seconds_add_up_to_the_whole():
    counting, frame = Counting(), 20_000_000
    for second in range(3):
        for number in range(50):
            counting.arrived((second * 50 + number) * frame, Fraction(50), late=number == 0)
            counting.worked((number + 1) * 100_000)
        counting.sampled(0.01 * second, 0)
        found = counting.second(1.0, second, 2 * second)
        assert (found.frames, found.rate, found.late) == (50, 50.0, 1)
        assert (found.dropped, found.passed) == ((0, 0) if second == 0 else (1, 2))
        assert (found.median_ms, found.p95_ms) == (2.5, 4.8)
    whole = counting.whole(3.0, 2, 4)
    assert (whole.frames, whole.late, whole.dropped, whole.passed) == (150, 3, 2, 4)
    assert whole.median_ms == pytest.approx(2.5, abs=0.02) and whole.p95_ms == pytest.approx(4.8, abs=0.02)
    assert whole.clipped == (0.02, 0)


def test_quantiles_are_the_usual_ones():
    """Oracle: the standard library's inverse of the empirical distribution, where it has the same point."""
    values = sorted((n * 7919) % 1009 for n in range(200))
    assert quantile_of(values, 0.5) == statistics.median_low(values)
    assert quantile_of([5], 0.95) == 5
    assert quantile_of(list(range(1, 101)), 0.95) == 95


def test_a_line_fits_a_narrow_terminal():
    counting = fed([n * 16_666_667 for n in range(60)], Fraction(60))
    for _ in range(60):
        counting.worked(12_345_678)
    counting.sampled(0.031, 0.0123)
    line = line_of(counting.second(1.0, 17, 0), 3599.0)
    assert line == "59:59  60.0 fps  late 0, dropped 17  12.3 ms, p95 12.3  clip 3.1% low 1.2% high"
    assert len(line) <= 80
    assert len(line_of(fed([0]).second(1.0, 0, 0), 1)) <= 80
    assert "no frame came" in line_of(Counting().second(1.0, 0, 0), 1)


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (1.0, 0.0, "clip 100% low"),
        (0.996, 0.1, "clip 100% low 10% high"),
        (0.0, 0.0, "clip 0%"),
        (0.0314, 1e-5, "clip 3.1% low 0.001% high"),
    ],
)
def test_shares_are_plain_numbers(low, high, words):
    counting = fed([0])
    counting.worked(1_000_000)
    counting.sampled(low, high)
    assert line_of(counting.second(1.0, 0, 0), 1).endswith(words)


def test_a_folder_that_may_not_be_written_to_is_said_before_anything_plays(tmp_path, monkeypatch):
    monkeypatch.setattr("os.access", lambda *_: False)
    assert "nothing may be written" in refused("test", "--to", "narrow", "--out", tmp_path / "x.mkv")


# The elements' programs, without GStreamer


def test_one_of_check_env_and_run_is_said():
    for arguments in ((), ("--check", "--env"), ("--run",), ("--check", "something")):
        done = run("host", "gstreamer", *arguments)
        assert done.code == 2, arguments


def test_the_variables_lead_to_a_file_for_each_element(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("GST_PLUGIN_PATH", "/somewhere/else")
    variables = json.loads(run("host", "gstreamer", "--env", "--json").out)
    first, *others = variables["GST_PLUGIN_PATH"].split(":")
    assert others == ["/somewhere/else"]
    for name in ELEMENTS:
        text = (Path(first) / "python" / f"{name}.py").read_text()
        assert name in text and "__gstelementfactory__" in text
    assert variables["GST_REGISTRY"].startswith(str(tmp_path))


def test_a_cache_that_cannot_be_written_is_said(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    done = run("host", "gstreamer", "--env")
    assert done.code == 2 and "XDG_CACHE_HOME" in done.err


def test_a_program_that_is_not_there_is_said(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr("footroom.host_adapter.gstreamer.environment.python_folder", lambda: tmp_path)
    done = run("host", "gstreamer", "--run", "ges-launch-1.0", "--help")
    assert done.code == 2 and "apt-get install ges1.0-tools" in done.err
    done = run("host", "gstreamer", "--run", "gts-launch")
    assert done.code == 2 and "Check the spelling" in done.err


@pytest.mark.skipif(not BARE, reason="GStreamer for Python is installed here")
def test_check_without_the_bindings_says_what_to_install():
    done = run("host", "gstreamer", "--check", "--json")
    checks = json.loads(done.out)
    assert done.code == 1 and "python3-gi" in checks["install"]
    assert any(each["good"] is False and "--system-site-packages" in each["words"] for each in checks["checks"])


@pytest.mark.skipif(not BARE, reason="GStreamer for Python is installed here")
def test_a_project_is_surveyed_without_gstreamer_and_mended_only_with_it(tmp_path):
    make_movie(tmp_path / "a.mkv", "ffv1", "yuv422p10le", range=Range.FULL)
    project = tmp_path / "edit.xges"
    clip = f"<clip asset-id='{(tmp_path / 'a.mkv').as_uri()}' type-name='GESUriClip' track-types='4' id='0' properties='p;'/>"
    project.write_text(f"<ges><project><timeline><layer>{clip}</layer></timeline></project></ges>")
    done = run("timeline", project, "--json")
    assert [one["path"] for one in json.loads(done.out)["recordings"]] == [str(tmp_path / "a.mkv")]
    done = run("timeline", project, "--mend")
    assert done.code == 2 and "footroom host gstreamer --check" in done.err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mkv", "edit.xges"]
