"""What an element does while it runs: frames' numbers, properties in flight, errors, flushes, memory."""

from __future__ import annotations

import os
import threading
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

import numpy as np
from gst_running import SECOND, Gst, GstVideo, Running, element_words, info_of, noise, run, same

from footroom.host_adapter.effect import Image, Premultiplied, Time, Window
from footroom.host_adapter.effects import effect
from footroom.host_adapter.gstreamer import ELEMENTS
from footroom.host_adapter.gstreamer.filter import Filter
from footroom.host_adapter.gstreamer.formats import FORMATS
from footroom.host_adapter.gstreamer.frames import BAND, FrameWork
from footroom.host_adapter.gstreamer.video_frame import mapped, plane_views
from footroom.kernels import Channel, Encoding, Model, Range, requantise
from footroom.kernels.matrix import Matrix

pytestmark = pytest.mark.usefixtures("gst")

SMALL = "video/x-raw,format=I422_10LE,width=64,height=36,framerate=25/1,colorimetry=bt709"
FULL, NARROW = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
GUIDES = {"windows": "9:16 1:1@left,8,0", "grid": "thirds", "safe": "title", "shade": 40.0, "centre": True}


def narrowed(planes, frame=0, target=NARROW, source=FULL, dither="triangular"):
    channels = (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)
    return [
        requantise(plane, source, target, channel=channel, dither=dither, frame=frame, plane=number)
        for number, (plane, channel) in enumerate(zip(planes, channels, strict=True))
    ]


def guided(
    planes, form="I422_10LE", range_=Range.NARROW, values=GUIDES, matrix=Matrix.BT709, siting=None, name="guides"
):
    """The effect over copies of the planes, without GStreamer."""
    one, held = effect(name), FORMATS[form]
    whole = Window(0, 0, planes[0].shape[1], planes[0].shape[0])
    made = tuple(plane << held.bit_shift for plane in planes)
    image = Image(
        made, held.channels, held.encoding(range_), whole, whole, held.sampling, siting,
        matrix if held.model is Model.YCBCR else None,
        premultiplied=Premultiplied.NO if held.alpha else Premultiplied.OPAQUE,
    )  # fmt: skip
    one.apply(image, replace(image, planes=tuple(plane.copy() for plane in made)), one.values(values), Time())
    return [plane >> held.bit_shift for plane in made]


class TestGuides:
    @pytest.mark.parametrize("form", FORMATS)
    def test_guides_in_every_format_are_the_effects(self, form):
        rgb = FORMATS[form].model is Model.RGB
        caps = (
            f"video/x-raw,format={form},width=64,height=36,framerate=25/1,colorimetry={'1:1:7:1' if rgb else '2:3:5:1'}"
        )
        planes = noise(caps, 1)[0]
        ran = run(f"footroomguides {element_words(GUIDES)}", caps, [planes])
        assert ran.ended, ran.errors
        made = guided(planes, form, Range.FULL if rgb else Range.NARROW)
        assert same(ran.frames[0], made) and not same(ran.frames[0], planes)
        assert ran.format() == form

    @pytest.mark.parametrize("form", ["v210", "RGBA64_BE", "NV12", "UYVY", "AYUV"])
    def test_guides_band_by_band_have_no_seam(self, form):
        """The cross in the middle and a diagonal lie over the first seam."""
        rgb = FORMATS[form].model is Model.RGB
        caps = f"video/x-raw,format={form},width=60,height={2 * BAND + 5},framerate=25/1,colorimetry={'1:1:7:1' if rgb else '2:3:5:1'}"
        values = {"windows": "1:1", "shade": 50.0, "centre": True, "grid": "diagonals"}
        planes = noise(caps, 1)[0]
        ran = run(f"footroomguides {element_words(values)}", caps, [planes])
        made = guided(planes, form, Range.FULL if rgb else Range.NARROW, values)
        assert ran.ended and same(ran.frames[0], made)
        assert all((made[0][row] != planes[0][row]).any() for row in (BAND - 1, BAND))

    def test_siting_and_pixel_aspect_reach_them(self):
        caps = SMALL.replace("64", "52") + ",pixel-aspect-ratio=2/1,chroma-site=mpeg2"
        planes = noise(caps, 1)[0]
        one = run("footroomguides windows=1:1 shade=50", caps, [planes]).frames[0]
        # 52 pixels twice as wide as high: the square keeps 36 rows and 18 columns, 17 to 35; the nearest whole pairs of them.
        kept = (one[0] == planes[0])[18].nonzero()[0]
        assert 16 <= kept.min() <= 19 and 33 <= kept.max() <= 36

    def test_after_a_tee_the_other_branch_is_untouched(self):
        pipeline = Gst.parse_launch(
            "appsrc name=in format=time ! tee name=t t. ! queue ! footroomguides windows=1:1 shade=50 ! appsink name=a sync=false "
            "t. ! queue ! appsink name=b sync=false"
        )
        running = Running.of(pipeline, SMALL, "a")
        for planes in noise(SMALL, 4):
            running.push(planes)
            drawn = running.pull()
            other = Running.taken(pipeline.get_by_name("b"))
            assert same(other, planes) and same(drawn, guided(planes, values={"windows": "1:1", "shade": 50.0}))
        running.close()


@pytest.mark.parametrize(
    "form", ["I422_10LE", "v210", "P010_10LE", "Y42B", "UYVY", "RGBA64_BE", "GBR_12LE", "ARGB", "GRAY8"]
)
@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("exposure", {"curve": "V-Log"}),
        ("exposure", {"display": "hlg", "mix": 50.0}),
        ("scopes", {"kind": "waveform", "assume": "full"}),
        ("scopes", {"size": 60.0, "opacity": 70.0, "corner": "top-right"}),
    ],
)
def test_pictures_for_looking_at_are_the_effects(form, name, values):
    """Also where frames go through planes: these effects take a picture whole, not band by band, and never within its own memory."""
    rgb = FORMATS[form].model is Model.RGB
    caps = f"video/x-raw,format={form},width=96,height={BAND + 64},framerate=25/1,colorimetry={'1:1:7:1' if rgb else '2:3:5:1'}"
    planes = noise(caps, 1)[0]
    ran = run(f"footroom{name} {element_words(values)}", caps, [planes])
    assert ran.ended, ran.errors
    made = guided(planes, form, Range.FULL if rgb else Range.NARROW, values, name=name)
    assert same(ran.frames[0], made) and not same(ran.frames[0], planes)
    assert ran.format() == form


def test_a_padded_frame_with_a_video_meta_is_read_where_the_meta_says():
    info = info_of(SMALL)
    planes = noise(SMALL, 1)[0]
    strides, offsets, data = [], [], b"\x11" * 50
    for plane in planes:
        stride = plane.shape[1] * 2 + 30
        offsets.append(len(data))
        strides.append(stride)
        data += b"".join(line.tobytes() + b"\x22" * 30 for line in plane) + b"\x33" * 14
    buffer = Gst.Buffer.new_wrapped(data)
    buffer.pts = 0
    GstVideo.buffer_add_video_meta_full(
        buffer, GstVideo.VideoFrameFlags.NONE, info.finfo.format, 64, 36, 3, [*offsets, 0], [*strides, 0]
    )
    with Running("footroomrange assume=full to=narrow", SMALL) as running:
        running.source.emit("push-buffer", buffer)
        assert same(running.pull(), narrowed(planes))


def test_views_are_the_frames_own_memory():
    """Zero copies: what is written through a view is in the buffer."""
    for form in ("I422_10LE", "NV12", "v210", "ARGB64", "UYVY"):
        info = info_of(f"video/x-raw,format={form},width=64,height=36,framerate=25/1")
        buffer = Gst.Buffer.new_wrapped(bytes(info.size))
        done, frame = GstVideo.video_frame_map(info, buffer, Gst.MapFlags.READ | Gst.MapFlags.WRITE)
        assert done
        views = plane_views(mapped(frame), FORMATS[form], writable=True)
        for view in views:
            view[...] = 3
        frame.unmap()
        held = np.frombuffer(buffer.extract_dup(0, info.size), np.uint8)
        # Of 64 x 36 no format but v210 pads a row; of its words every third byte and a bit are the three's.
        assert (held != 0).sum() == sum(view.size for view in views)


class TestNumbers:
    def test_noise_is_keyed_by_the_stream_time(self):
        frames = noise(SMALL, 4)
        ran = run("footroomrange assume=full to=narrow", SMALL, frames, first=100)
        for number, (made, planes) in enumerate(zip(ran.frames, frames, strict=True)):
            assert same(made, narrowed(planes, 100 + number))

    @pytest.mark.parametrize("rate", ["24000/1001", "30000/1001", "60/1", "25/1"])
    def test_stamps_rounded_either_way_give_the_same_number(self, rate):
        caps = SMALL.replace("25/1", rate)
        period = 1 / Fraction(rate)
        planes = noise(caps, 1)[0]
        with Running("footroomrange assume=full to=narrow", caps) as running:
            for number in (0, 1, 2, 1000, 1001, 107_892, 2_589_408):
                exact = number * period * SECOND
                for pts in {int(exact), int(exact) + 1, round(exact)}:
                    running.push(planes, pts=pts)
                    assert same(running.pull(), narrowed(planes, number)), (number, pts)

    def test_frames_without_stamps_are_counted(self):
        planes = noise(SMALL, 1)[0]
        with Running("footroomrange assume=full to=narrow", SMALL) as running:
            for number in range(3):
                running.push(planes, pts=Gst.CLOCK_TIME_NONE)
                assert same(running.pull(), narrowed(planes, number))

    def test_where_the_rate_varies_the_noise_still_follows_the_time(self):
        planes, caps = noise(SMALL, 1)[0], SMALL.replace("25/1", "0/1")
        with Running("footroomrange assume=full to=narrow", caps) as running:
            made = []
            for pts in (0, SECOND // 30, SECOND // 15, SECOND // 30):
                running.push(planes, pts=pts)
                made.append(running.pull())
        assert same(made[1], made[3]) and not same(made[0], made[1]) and not same(made[1], made[2])

    def test_seeks_at_random_give_the_codes_of_a_straight_run(self, tmp_path):
        """A file of 40 frames, straight through, then 25 flushing seeks to anywhere in a frame."""
        from media_files import make_movie

        path = tmp_path / "clip.mkv"
        make_movie(
            path,
            "ffv1",
            "yuv422p10le",
            size=(64, 36),
            frames=40,
            range=Range.FULL,
            paint=lambda n: noise(SMALL, 1, n)[0],
        )
        pipeline = Gst.parse_launch(
            f'filesrc location="{path}" ! matroskademux ! avdec_ffv1 ! footroomrange assume=full to=narrow '
            "dither=blue-noise ! appsink name=out sync=false"
        )
        sink = pipeline.get_by_name("out")
        pipeline.set_state(Gst.State.PLAYING)
        straight = []
        while (got := Running.sample(sink)) is not None:
            straight.append(got)
        assert len(straight) == 40
        rng = np.random.default_rng(5)
        for number in rng.integers(0, 40, 25):
            aim = straight[number][1] + int(rng.integers(0, 40_000_000))
            assert pipeline.seek_simple(Gst.Format.TIME, Gst.SeekFlags.FLUSH | Gst.SeekFlags.ACCURATE, aim)
            planes, pts = Running.sample(sink)
            assert pts in (aim, straight[number][1])  # the decoder clips a frame that a seek falls into
            assert same(planes, straight[number][0]), (number, pts)
            assert same(planes, narrowed(noise(SMALL, 1, int(number))[0], int(number), dither="blue-noise"))
        pipeline.set_state(Gst.State.NULL)


class TestProperties:
    def test_they_are_the_declarations(self, gst):
        for name, of in ELEMENTS.items():
            made = gst.ElementFactory.make(name)
            for param in effect(of).params:
                spec = made.find_property(param.name.replace("_", "-"))
                assert spec.nick.startswith(param.label) and spec.blurb == param.help
                default = made.get_property(spec.name)
                assert default == param.default
                if param.choices:
                    values = type(spec.default_value).__enum_values__.values()
                    assert {value.value_nick for value in values} == set(param.words)
                    assert spec.default_value.value_nick == param.default
                animated = bool(int(spec.flags) & int(gst.PARAM_CONTROLLABLE))
                assert animated == param.animates and int(spec.flags) & int(gst.PARAM_MUTABLE_PLAYING)
            assert made.get_property("on-error") == "stop" and made.get_property("errors") == 0

    @pytest.mark.parametrize(
        ("element", "name", "numbers"),
        [
            ("footroomrange", "assume", {"flag": 0, "narrow": 1, "full": 2}),
            ("footroomrange", "to", {"narrow": 0, "full": 1}),
            ("footroomrange", "depth", {"same": 0, **{str(bits): bits for bits in range(8, 17)}}),
            ("footroomrequantise", "depth", {"same": 0, **{str(bits): bits for bits in range(8, 17)}}),
            (
                "footroomrange",
                "dither",
                {"none": 0, "rectangular": 1, "triangular": 2, "blue-noise": 3, "error-diffusion": 4},
            ),
            ("footroomguides", "on-error", {"stop": 0, "pass": 1}),
            ("footroomexposure", "display", {"bt1886": 0, "hlg": 1, "pq": 2}),
            ("footroomexposure", "legend", {"none": 0, "left": 1, "right": 2}),
            ("footroomscopes", "display", {"none": 0, "bt1886": 1, "hlg": 2, "pq": 3}),
        ],
    )
    def test_numbers_of_choices_stay_because_project_files_hold_them(self, gst, element, name, numbers):
        spec = gst.ElementFactory.make(element).find_property(name)
        found = {value.value_nick: int(value) for value in type(spec.default_value).__enum_values__.values()}
        assert found == numbers

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("footroomrange to=wide", "wide"),
            ("footroomrange polish=1", 'no property "polish"'),
            ("footroomguides shade=101", None),
            ("footroomnothing", "footroomnothing"),
        ],
    )
    def test_what_there_is_not_is_refused_when_a_pipeline_is_made(self, gst, text, words):
        from gi.repository import GLib

        if words is None:  # GObject clips a number to its limits
            assert gst.parse_launch(text).get_property("shade") in (0.0, 100.0)
            return
        with pytest.raises(GLib.Error, match=words):
            gst.parse_launch(f"fakesrc ! {text} ! fakesink")

    def test_a_choice_can_be_printed_wherever_it_comes_from(self, gst):
        spec = gst.ElementFactory.make("footroomrange").find_property("to")
        assert "FootroomRangeTo" in repr(spec.default_value)

    def test_a_change_in_flight_counts_from_the_next_frame(self):
        frames = noise(SMALL, 6)
        with Running("footroomrange name=x assume=full to=narrow dither=none", SMALL) as running:
            element = running.pipeline.get_by_name("x")
            steps = [
                ({}, lambda p, n: narrowed(p, n, dither="none")),
                ({"dither": "triangular"}, narrowed),
                ({"dither": "blue-noise"}, lambda p, n: narrowed(p, n, dither="blue-noise")),
                ({"to": "full"}, lambda p, n: p),
                ({"assume": "narrow"}, lambda p, n: narrowed(p, n, FULL, NARROW, "blue-noise")),
                ({"depth": "8"}, lambda p, n: narrowed(p, n, Encoding(8, Range.FULL), NARROW, "blue-noise")),
            ]
            for number, ((change, expected), planes) in enumerate(zip(steps, frames, strict=True)):
                for name, value in change.items():
                    element.set_property(name, value)
                running.push(planes)
                made = running.pull()
                running.listen()
                assert made is not None, (number, running.ran.errors)
                assert same(made, expected(planes, number)), number
            assert [running.ran.colorimetry(n) for n in range(6)] == ["bt709"] * 3 + ["1:3:5:1"] * 3
            assert [running.ran.format(n) for n in range(6)] == ["I422_10LE"] * 5 + ["Y42B"]

    def test_guides_appear_change_and_go_in_flight(self):
        frames = noise(SMALL, 4)
        with Running("footroomguides name=x", SMALL) as running:
            element = running.pipeline.get_by_name("x")
            for planes, windows in zip(frames, ("", "1:1", "9:16", ""), strict=True):
                element.set_property("windows", windows)
                running.push(planes)
                assert same(running.pull(), guided(planes, values={"windows": windows}) if windows else planes)

    def test_keyframes_follow_the_stream_time(self, gst):
        """Shade from 0 at 0 s to 100 % at 1 s: frame n of 25 a second has 4 n per cent, whatever order frames come in."""
        import gi

        gi.require_version("GstController", "1.0")
        from gi.repository import GstController

        planes = noise(SMALL, 1)[0]
        with Running("footroomguides name=x windows=1:1", SMALL) as running:
            source = GstController.InterpolationControlSource.new()
            source.set_property("mode", GstController.InterpolationMode.LINEAR)
            source.set(0, 0.0)
            source.set(SECOND, 1.0)
            element = running.pipeline.get_by_name("x")
            assert element.add_control_binding(GstController.DirectControlBinding.new(element, "shade", source))
            for number in (0, 5, 20, 5, 25):
                running.push(planes, pts=number * SECOND // 25)
                want = guided(planes, values={"windows": "1:1", "shade": element_shade(number)})
                assert same(running.pull(), want), number
            assert not running.close().errors


def element_shade(number: int) -> float:
    """What the control source works out for a frame of 25 a second, in its own arithmetic."""
    return (number * SECOND // 25) / SECOND * 100.0


class TestErrors:
    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("footroomguides windows=9:0", "windows: "),
            ("footroomguides windows=5000x10", "5000"),
            ("footroomguides windows=1:1 grid=thirds@other", "no window 'other'"),
            ("footroomrange depth=14", "depth must be one of 8, 10, 12, 16"),
        ],
    )
    def test_what_cannot_be_done_is_said_on_the_bus(self, text, words):
        ran = run(text, SMALL, noise(SMALL, 2))
        assert not ran.frames and not ran.ended
        assert words in " ".join(ran.errors), ran.errors

    def test_a_depth_that_a_format_has_not_is_said_before_the_negotiation_fails(self):
        ran = run("footroomrequantise depth=16", SMALL, noise(SMALL, 1))
        assert ran.errors and not ran.frames
        assert ran.warnings == [
            "I422_10LE frames have no form of 16 bits in GStreamer; they can be of 8, 10, 12. "
            "Convert them before to a format that has, or choose another depth"
        ]

    @pytest.mark.parametrize("before", ["1:1", ""])
    def test_a_wrong_text_in_flight_stops_at_the_next_frame(self, before):
        """Also where frames went by untouched until then."""
        with Running(f'footroomguides name=x windows="{before}"', SMALL) as running:
            running.push(noise(SMALL, 1)[0])
            assert running.pull() is not None
            running.pipeline.get_by_name("x").set_property("windows", "nonsense")
            running.push(noise(SMALL, 1)[0])
            assert running.pull(1) is None
            running.listen(20)
            assert "windows" in running.ran.errors[0] and "nonsense" in running.ran.errors[0]

    @pytest.mark.parametrize("chain", ["footroomrange assume=full to=narrow", "footroomguides windows=1:1"])
    def test_an_exception_is_an_error_and_never_a_frame(self, monkeypatch, chain):
        self.failing(monkeypatch, {2})
        ran = run(chain, SMALL, noise(SMALL, 5))
        assert ran.errors and "OSError: the third frame" in ran.errors[0]
        assert len(ran.frames) == 2 and not ran.ended

    @pytest.mark.parametrize(
        "chain", ["footroomrange name=x assume=full to=narrow", "footroomguides name=x windows=1:1"]
    )
    def test_on_error_pass_goes_on_and_counts(self, monkeypatch, chain):
        self.failing(monkeypatch, {1, 2})
        frames = noise(SMALL, 5)
        with Running(f"{chain} on-error=pass", SMALL) as running:
            for planes in frames:
                running.push(planes)
                running.pull()
            assert running.pipeline.get_by_name("x").get_property("errors") == 2
            ran = running.close()
        made = [
            narrowed(p, n) if "range" in chain else guided(p, values={"windows": "1:1"}) for n, p in enumerate(frames)
        ]
        made[1:3] = frames[1:3]
        assert all(same(a, b) for a, b in zip(ran.frames, made, strict=True))
        assert not ran.errors and len(ran.warnings) == 1 and "OSError" in ran.warnings[0]

    def test_on_error_pass_leaves_out_a_frame_of_another_format(self, monkeypatch):
        self.failing(monkeypatch, {1})
        ran = run("footroomrequantise depth=8 on-error=pass", SMALL, noise(SMALL, 3))
        assert ran.ended and len(ran.frames) == 2 and ran.warnings and not ran.errors

    @pytest.mark.parametrize("name", ["do_transform_caps", "do_set_info", "do_start"])
    def test_no_virtual_method_fails_in_silence(self, monkeypatch, name):
        def broken(*_):
            raise OSError("broken")

        inner = {"do_transform_caps": "_change", "do_set_info": "_agreed", "do_start": "_warm_ahead"}[name]
        pipeline = Gst.parse_launch("appsrc name=in format=time ! footroomrange ! appsink name=out sync=false")
        monkeypatch.setattr(Filter, inner, broken)
        with Running.of(pipeline, SMALL, "out") as running:
            running.push(noise(SMALL, 1)[0])
            assert running.pull(0.3) is None
            running.listen(20)
            assert "broken" in running.ran.errors[0]

    @staticmethod
    def failing(monkeypatch, frames):
        """Frames of these numbers, of which 0 is also the warming's, cannot be rendered."""
        whole = FrameWork.run

        def run_some(self, source, target, values, time):
            if time.frame in frames:
                raise OSError("the third frame")
            whole(self, source, target, values, time)

        monkeypatch.setattr(FrameWork, "run", run_some)


class TestStreams:
    def test_a_flush_amid_a_frame(self, monkeypatch):
        frames = noise(SMALL, 3)
        with Running("footroomrange assume=full to=narrow", SMALL) as running:
            running.push(frames[0])
            assert running.pull() is not None
            entered, go_on = self.held(monkeypatch)
            running.push(frames[1])
            assert entered.wait(60)
            flushing = threading.Thread(target=running.source.send_event, args=(Gst.Event.new_flush_start(),))
            flushing.start()
            go_on.set()
            flushing.join(60)
            assert running.source.send_event(Gst.Event.new_flush_stop(False))
            running.push(frames[2], pts=2 * SECOND // 25)
            assert same(running.pull(), narrowed(frames[2], 2))
            assert not running.close().errors

    def test_the_end_amid_a_frame_comes_after_it(self, monkeypatch):
        planes = noise(SMALL, 1)[0]
        with Running("footroomrange assume=full to=narrow", SMALL) as running:
            entered, go_on = self.held(monkeypatch)
            running.push(planes)
            assert entered.wait(60)
            running.source.emit("end-of-stream")
            go_on.set()
            assert same(running.pull(), narrowed(planes))
            running.listen(20)
            assert running.ran.ended

    def test_a_stop_amid_a_frame(self, monkeypatch):
        with Running("footroomrange assume=full to=narrow", SMALL) as running:
            entered, go_on = self.held(monkeypatch)
            running.push(noise(SMALL, 1)[0])
            assert entered.wait(60)
            stopping = threading.Thread(target=running.pipeline.set_state, args=(Gst.State.NULL,))
            stopping.start()
            go_on.set()
            stopping.join(60)
            assert not stopping.is_alive()
            running.listen()
            assert not running.ran.errors

    def test_it_starts_again_after_a_stop(self):
        planes = noise(SMALL, 1)[0]
        running = Running("footroomrange assume=full to=narrow", SMALL)
        for _ in range(2):
            running.pipeline.set_state(Gst.State.PLAYING)
            running.push(planes, pts=0)
            assert same(running.pull(), narrowed(planes))
            running.pipeline.set_state(Gst.State.NULL)

    @staticmethod
    def held(monkeypatch):
        """The next frame waits inside the effect until it is let go."""
        entered, go_on = threading.Event(), threading.Event()
        whole = FrameWork.run

        def wait(self, *args):
            entered.set()
            assert go_on.wait(60)
            whole(self, *args)

        monkeypatch.setattr(FrameWork, "run", wait)
        return entered, go_on

    @pytest.mark.parametrize("form", ["I422_10LE", "v210"])
    def test_ten_thousand_frames_in_flat_memory(self, gst, form):
        pipeline = gst.parse_launch(
            f"videotestsrc num-buffers=10000 pattern=black ! video/x-raw,format={form},width=48,height=36,framerate=25/1 ! "
            "footroomrange assume=full to=narrow ! footroomguides windows=1:1 ! footroomrequantise depth=8 ! "
            "fakesink name=out sync=false"
        )
        counts: list[tuple[int, int]] = []
        seen = 0

        def count(_pad, _info):
            nonlocal seen
            seen += 1
            if seen % 2000 == 0:
                counts.append((seen, resident()))
            return gst.PadProbeReturn.OK

        pipeline.get_by_name("out").get_static_pad("sink").add_probe(gst.PadProbeType.BUFFER, count)
        pipeline.set_state(gst.State.PLAYING)
        message = pipeline.get_bus().timed_pop_filtered(600 * SECOND, gst.MessageType.EOS | gst.MessageType.ERROR)
        pipeline.set_state(gst.State.NULL)
        assert message is not None and message.type == gst.MessageType.EOS
        assert seen == 10000
        # A frame lost in each element would be 2592 bytes of luma alone: 20 MB over the last 8,000.
        assert counts[-1][1] - counts[0][1] < 2_000_000, counts


def resident() -> int:
    """Bytes of this process in memory."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
