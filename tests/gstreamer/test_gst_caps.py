"""Caps from one side of an element to the other, and the codes of every plane for every format, range and remedy."""

from __future__ import annotations

from fractions import Fraction

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

import numpy as np
from gst_running import Gst, Running, from_bytes, info_of, noise, run, same, shapes, to_bytes

from footroom.host_adapter.gstreamer.formats import FORMATS, with_depth
from footroom.host_adapter.gstreamer.frames import BAND
from footroom.kernels import Channel, Encoding, Model, Range, requantise, rescale

pytestmark = pytest.mark.usefixtures("gst")

SIZE = "width=52,height=38,framerate=25/1"
FULL_709, NARROW_709 = "1:3:5:1", "bt709"
"""range : matrix : transfer : primaries of BT.709; the narrow one has a name. Source: GstVideoColorimetry's documentation."""


def caps_of(form: str, colorimetry: str | None = None, size: str = SIZE) -> str:
    more = f",colorimetry={colorimetry}" if colorimetry else ""
    return f"video/x-raw,format={form},{size}{more}"


def expected(form, planes, source, target, dither="triangular", seed=0, frame=0):
    """The kernels' codes, plane by plane, wherever in its words a format keeps them."""
    made = []
    for number, (plane, channel) in enumerate(zip(planes, FORMATS[form].channels, strict=True)):
        if channel is Channel.ALPHA:
            made.append(rescale(plane, source, target, channel=channel))
        else:
            made.append(
                requantise(plane, source, target, channel=channel, dither=dither, seed=seed, frame=frame, plane=number)
            )
    return made


@pytest.mark.parametrize("form", FORMATS)
def test_planes_lie_where_gstreamer_says(form):
    """Source: GstVideoFormatInfo of the installed GStreamer."""
    taken, info = FORMATS[form], info_of(caps_of(form))
    assert (taken.depth, taken.bit_shift) == (info.finfo.depth[0], info.finfo.shift[0])
    assert len(taken.channels) == info.finfo.n_components
    assert [taken.shape(channel, info.width, info.height) for channel in taken.channels] == shapes(info)


@pytest.mark.parametrize(
    ("planar", "packed"),
    [
        ("I420_10LE", "P010_10LE"),
        ("I422_10LE", "v210"),
        ("I420", "NV12"),
        ("Y42B", "NV16"),
        ("I420_12LE", "P012_LE"),
        ("I420", "NV21"),
        ("I420", "YV12"),
        ("Y444", "NV24"),
        ("Y42B", "UYVY"),
        ("Y42B", "YUY2"),
        ("GBR", "BGRx"),
        ("GBRA", "ABGR"),
        ("RGBA64_LE", "RGBA64_BE"),
        ("ARGB64", "BGRA64_BE"),
        ("AYUV64", "AYUV64"),
    ],
)
def test_the_layouts_in_these_tests_are_gstreamers(planar, packed):
    """Oracle: GStreamer's own converter from one layout to another, which changes no code."""
    frames = noise(caps_of(planar), 1)
    ran = run(f"videoconvert dither=none ! video/x-raw,format={packed}", caps_of(planar), frames)
    assert ran.ended and same(ran.frames[0], frames[0])
    info = info_of(ran.caps[0])
    mine = from_bytes(info, to_bytes(info, frames[0]))
    assert same(mine, frames[0])


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("flag", [Range.NARROW, Range.FULL])
@pytest.mark.parametrize("remedy", ["assume=full to=narrow", "assume=narrow to=full"])
def test_every_code_of_every_format(form, flag, remedy):
    model = FORMATS[form].model
    word = {Model.RGB: ("1:1:7:1", "2:1:7:1"), Model.YCBCR: (FULL_709, "2:3:5:1"), Model.GRAY: (FULL_709, "2:3:5:1")}[
        model
    ]
    caps = caps_of(form, word[flag is Range.NARROW]) + ",pixel-aspect-ratio=4/3,interlace-mode=progressive"
    frames = noise(caps, 2)
    ran = run(f"footroomrange name=x {remedy} seed=5", caps, frames)
    assert ran.ended and not ran.errors and len(ran.frames) == 2
    source, target = (Range.FULL, Range.NARROW) if "to=narrow" in remedy else (Range.NARROW, Range.FULL)
    depth = FORMATS[form].depth
    for number, (made, planes) in enumerate(zip(ran.frames, frames, strict=True)):
        assert same(
            made,
            expected(
                form, planes, Encoding(depth, source, model), Encoding(depth, target, model), seed=5, frame=number
            ),
        )
    found = info_of(ran.caps[0]).colorimetry
    assert int(found.range) == (2 if target is Range.NARROW else 1)
    asked = info_of(caps).colorimetry
    assert (found.matrix, found.transfer, found.primaries) == (asked.matrix, asked.transfer, asked.primaries)
    assert ran.format() == form
    assert apart_from_colorimetry(ran.caps[0]) == apart_from_colorimetry(caps)


def apart_from_colorimetry(caps):
    structure = Gst.Caps.from_string(caps).get_structure(0).copy()
    structure.remove_field("colorimetry")
    return {
        structure.nth_field_name(n): str(structure.get_value(structure.nth_field_name(n)))
        for n in range(structure.n_fields())
    }


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("true_range", ["narrow", "full"])
@pytest.mark.parametrize("flag", ["narrow", "full"])
def test_a_retag_changes_the_flag_alone(form, true_range, flag):
    model = FORMATS[form].model
    middle = "1:7:1" if model is Model.RGB else "3:5:1"
    caps = caps_of(form, f"{1 if flag == 'full' else 2}:{middle}")
    frames = noise(caps, 2)
    ran = run(f"footroomrange assume={true_range} to={true_range}", caps, frames)
    assert ran.ended and all(same(made, planes) for made, planes in zip(ran.frames, frames, strict=True))
    assert int(info_of(ran.caps[0]).colorimetry.range) == (1 if true_range == "full" else 2)


@pytest.mark.parametrize(
    ("size", "chain", "out"),
    [
        (SIZE, "to=narrow", None),
        (SIZE, "assume=full to=narrow", None),
        (SIZE, "assume=narrow to=full", "1:4:16:4"),
        (SIZE, "assume=full to=full", "1:4:16:4"),
        ("width=1280,height=720,framerate=25/1", "assume=full to=full", FULL_709),
        ("width=1280,height=720,framerate=25/1", "assume=full to=narrow", None),
    ],
)
def test_an_absent_colorimetry_stays_absent_unless_it_would_be_taken_wrong(size, chain, out):
    """Below 720 lines GStreamer takes what says nothing for BT.601, else for BT.709, and for narrow (gst_video_info_set_format)."""
    ran = run(f"footroomrange {chain}", caps_of("I420_10LE", None, size), noise(caps_of("I420_10LE", None, size), 1))
    assert ran.ended and ran.colorimetry() == out


@pytest.mark.parametrize(("form", "depth"), [(form, depth) for form in FORMATS for depth in (8, 10, 12, 16)])
def test_a_change_of_depth_happens_in_the_element(form, depth):
    """Every format that GStreamer has at the other depth; where it has none, the pipeline says that it cannot be."""
    caps = caps_of(form, "1:1:7:1" if FORMATS[form].model is Model.RGB else NARROW_709)
    frames = noise(caps, 1)
    ran = run(f"footroomrequantise depth={depth} seed=2", caps, frames)
    outs = with_depth(FORMATS[form], depth)
    if not outs:
        assert ran.errors and not ran.frames
        return
    assert ran.ended, ran.errors
    assert ran.format() == outs[0]
    model = FORMATS[form].model
    range_ = Range.FULL if model is Model.RGB else Range.NARROW
    source, target = Encoding(FORMATS[form].depth, range_, model), Encoding(depth, range_, model)
    assert same(ran.frames[0], expected(form, frames[0], source, target, seed=2))
    assert info_of(ran.caps[0]).colorimetry.is_equal(info_of(caps).colorimetry)


def test_range_and_depth_in_one_step():
    caps = caps_of("I422_10LE", NARROW_709)
    frames = noise(caps, 2)
    ran = run("footroomrange assume=full to=narrow depth=8 dither=blue-noise", caps, frames)
    assert ran.ended and ran.format() == "Y42B" and ran.colorimetry() == NARROW_709
    for number, (made, planes) in enumerate(zip(ran.frames, frames, strict=True)):
        want = expected(
            "I422_10LE", planes, Encoding(10, Range.FULL), Encoding(8, Range.NARROW), "blue-noise", frame=number
        )
        assert same(made, want)


def test_the_next_element_chooses_among_formats_of_a_depth():
    caps = caps_of("v210", NARROW_709)
    frames = noise(caps, 1)
    ran = run("footroomrequantise depth=8 ! video/x-raw,format=NV16", caps, frames)
    assert ran.ended and ran.format() == "NV16"
    assert same(ran.frames[0], expected("v210", frames[0], Encoding(10, Range.NARROW), Encoding(8, Range.NARROW)))


def test_what_comes_before_is_told_what_may_come():
    """A source that can do anything is asked for a format and a range that give what the element after wants."""
    pipeline = Gst.parse_launch(
        "videotestsrc num-buffers=1 ! footroomrange to=full depth=10 ! video/x-raw,format=I422_10LE,colorimetry=1:3:5:1,"
        "width=64,height=36 ! appsink name=out sync=false"
    )
    pipeline.set_state(Gst.State.PLAYING)
    sample = pipeline.get_by_name("out").emit("try-pull-sample", 60 * Gst.SECOND)
    pipeline.set_state(Gst.State.NULL)
    assert sample is not None
    assert sample.get_caps().get_structure(0).get_string("colorimetry") == FULL_709


@pytest.mark.parametrize("said", ["bt709", "2:3:5:1", "1:3:5:1"])
@pytest.mark.parametrize("wanted", ["bt709", "2:3:5:1"])
def test_colorimetry_is_the_same_whether_named_or_in_numbers(said, wanted):
    """Caps are compared as texts, from both sides of the element."""
    caps = caps_of("I422_10LE", said)
    frames = noise(caps, 1)
    ran = run(
        f"capsfilter caps={caps} ! identity ! footroomrange assume=full to=narrow ! video/x-raw,colorimetry={wanted}",
        caps,
        frames,
    )
    assert ran.ended and ran.colorimetry() == wanted, ran.errors
    assert same(ran.frames[0], expected("I422_10LE", frames[0], Encoding(10, Range.FULL), Encoding(10, Range.NARROW)))


def test_a_range_that_the_element_does_not_make_is_refused_at_once():
    ran = run(
        f"footroomrange to=narrow ! video/x-raw,colorimetry={FULL_709}",
        caps_of("I420", NARROW_709),
        noise(caps_of("I420"), 1),
    )
    assert ran.errors and not ran.frames


@pytest.mark.parametrize("form", ["I420_10LE", "I422_10LE", "NV12", "v210", "P010_10LE", "Y444"])
@pytest.mark.parametrize("size", [(51, 37), (1, 1), (7, 5), (2, 3)])
def test_odd_sizes(form, size):
    """Chroma of an odd size reaches beyond the picture's edge by half a sample, as GStreamer lays it out."""
    caps = caps_of(form, NARROW_709, f"width={size[0]},height={size[1]},framerate=25/1")
    frames = noise(caps, 1)
    ran = run("footroomrange assume=full to=narrow", caps, frames)
    assert ran.ended, ran.errors
    depth = FORMATS[form].depth
    assert same(ran.frames[0], expected(form, frames[0], Encoding(depth, Range.FULL), Encoding(depth, Range.NARROW)))


@pytest.mark.parametrize("form", ["v210", "RGBA64_BE", "NV12", "P010_10LE", "UYVY", "BGRx"])
@pytest.mark.parametrize("dither", ["triangular", "blue-noise", "error-diffusion", "none"])
def test_frames_that_go_through_planes_band_by_band_have_no_seam(form, dither):
    """v210 and big-endian words: more rows than a band has."""
    model = FORMATS[form].model
    caps = caps_of(
        form, "1:1:7:1" if model is Model.RGB else FULL_709, f"width=26,height={2 * BAND + 5},framerate=25/1"
    )
    frames = noise(caps, 1)
    ran = run(f"footroomrange to=narrow dither={dither}", caps, frames)
    depth = FORMATS[form].depth
    full, narrow = Encoding(depth, Range.FULL, model), Encoding(depth, Range.NARROW, model)
    assert ran.ended and same(ran.frames[0], expected(form, frames[0], full, narrow, dither))


def test_fields_in_buffers_of_their_own_are_not_taken():
    caps = caps_of("I422_10LE", NARROW_709).replace("height=38", "height=40")
    caps = (
        caps.replace("video/x-raw,", "video/x-raw(format:Interlaced),")
        + ",interlace-mode=alternate,field-order=top-field-first"
    )
    ran = run("footroomrange assume=full to=narrow", caps, [])
    assert not ran.frames and not ran.errors
    with Running("footroomrange assume=full to=narrow", caps) as running:
        running.source.emit("push-buffer", Gst.Buffer.new_allocate(None, 52 * 20 * 4, None))
        assert running.pull(0.5) is None
        running.listen(20)
        assert running.ran.errors


@pytest.mark.parametrize("mode", ["interleaved", "mixed"])
def test_interlaced_frames_are_frames(mode):
    caps = caps_of("I422_10LE", NARROW_709) + f",interlace-mode={mode}"
    frames = noise(caps, 2)
    ran = run("footroomrange assume=full to=narrow", caps, frames)
    assert ran.ended and f"interlace-mode=(string){mode}" in ran.caps[0]
    assert same(
        ran.frames[1], expected("I422_10LE", frames[1], Encoding(10, Range.FULL), Encoding(10, Range.NARROW), frame=1)
    )


def test_caps_may_change_amid_a_stream():
    first, second, third = caps_of("I420_10LE", NARROW_709), caps_of("v210", FULL_709), caps_of("I420", FULL_709)
    ten, eight = (
        (Encoding(10, Range.FULL), Encoding(10, Range.NARROW)),
        (Encoding(8, Range.FULL), Encoding(8, Range.NARROW)),
    )
    with Running("footroomrange to=narrow", first) as running:
        for number, (caps, form) in enumerate(
            ((first, "I420_10LE"), (second, "v210"), (third, "I420"), (first, "I420_10LE"))
        ):
            planes = noise(caps, 1, seed=number)[0]
            running.push(planes, caps)
            made = running.pull()
            assert made is not None
            if caps == first:
                assert same(made, planes)
            else:
                assert same(made, expected(form, planes, *(eight if form == "I420" else ten), frame=number))
            assert running.ran.colorimetry(number) == NARROW_709 and running.ran.format(number) == form
        assert not running.close().errors


def test_the_matrix_and_the_siting_reach_the_guides(gst):
    from footroom.host_adapter.gstreamer.caps import signal_of
    from footroom.kernels.matrix import Matrix

    caps = caps_of("I420_10LE", "bt2020-10") + ",chroma-site=mpeg2,pixel-aspect-ratio=4/3"
    found = signal_of(gst.Caps.from_string(caps))
    assert (found.matrix, found.siting, found.aspect, found.rate) == (Matrix.BT2020, "left", Fraction(4, 3), 25)
    assert found.range is Range.NARROW and found.range_said
    assert np.dtype(found.form.word) == np.uint16
