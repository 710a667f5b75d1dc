"""GStreamer's own converters beside the elements: they must leave range, matrix and model to us."""

from __future__ import annotations

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

from gst_running import info_of, noise, run, same
from timelines import FULL, NARROW, narrowed

from footroom.kernels import Channel, Range, requantise

pytestmark = pytest.mark.usefixtures("gst")
CHANNELS = (Channel.LUMA, Channel.CHROMA, Channel.CHROMA)


def caps(colorimetry: str, size: str = "width=64,height=48") -> str:
    return f"video/x-raw,format=I422_10LE,{size},framerate=25/1,colorimetry={colorimetry}"


def fulled(planes):
    return [
        requantise(plane, NARROW, FULL, channel=channel, dither="triangular", frame=0, plane=number)
        for number, (plane, channel) in enumerate(zip(planes, CHANNELS, strict=True))
    ]


@pytest.mark.parametrize("size", ["width=64,height=48", "width=64,height=720"])
@pytest.mark.parametrize("after", ["identity", "videoconvert", "avenc_ffv1 ! avdec_ffv1"])
def test_a_converter_before_leaves_the_change_to_us(size, after):
    """As one stands before every effect of a timeline. It went to R'G'B', the only model with no more than one colorimetry on offer."""
    frames = noise(caps("bt709", size), 1)
    ran = run(
        f"videoconvert ! footroomrange assume=narrow to=full ! {after} ! video/x-raw,format=I422_10LE",
        caps("bt709", size),
        frames,
    )
    assert ran.ended, ran.errors
    assert same(ran.frames[0], fulled(frames[0]))
    assert int(info_of(ran.caps[0]).colorimetry.range) == 1


def test_full_without_a_matrix_is_full():
    """What Matroska's range alone becomes, 1:0:0:0: GStreamer takes it for saying nothing, and so for narrow."""
    frames = noise(caps("1:0:0:0"), 1)
    ran = run("footroomrange to=narrow", caps("1:0:0:0"), frames)
    assert ran.ended, ran.errors
    assert same(ran.frames[0], narrowed(frames)[0])
    ran = run("footroomrange assume=full to=full", caps("1:0:0:0"), frames)
    assert ran.ended, ran.errors
    assert same(ran.frames[0], frames[0])
    assert int(info_of(ran.caps[0]).colorimetry.range) == 1, "said so that the next element takes it for full too"


def test_the_flag_is_read_from_the_caps_own_words(gst):
    from footroom.host_adapter.gstreamer.caps import signal_of

    for words, expected in (
        ("1:0:0:0", Range.FULL),
        ("2:0:0:0", Range.NARROW),
        ("1:3:5:1", Range.FULL),
        ("0:3:5:1", Range.NARROW),
    ):
        assert signal_of(gst.Caps.from_string(caps(words))).range is expected, words
