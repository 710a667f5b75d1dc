"""Reading movies: native planes, order, counts, flags, sampling, and what is no movie."""

from __future__ import annotations

import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from media_files import make_movie, noise, ramp

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.movie import open_movie
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.pixel_formats import UnreadableFormatError, layout, plane_views
from footroom.kernels.encoding import Model, Range

FFV1 = (
    "yuv420p", "yuv422p", "yuv444p", "yuv440p", "yuva420p", "yuva422p", "yuva444p", "yuv420p10le", "yuv422p10le",
    "yuv444p10le", "yuv440p10le", "yuva420p10le", "yuva422p10le", "yuva444p10le", "yuv420p12le", "yuv422p12le",
    "yuv444p12le", "yuva444p12le", "yuv420p14le", "yuv422p14le", "yuv420p16le", "yuv422p16le", "yuv444p16le",
    "yuva444p16le", "gray", "gray10le", "gray12le", "gray16le", "ya8", "bgr0", "bgra", "gbrp10le", "gbrp12le",
    "gbrp14le", "gbrp16le", "gbrap10le", "gbrap12le", "gbrap16le",
)  # fmt: skip
RAW = (
    "nv21", "yuyv422", "uyvy422", "rgb48le", "rgba64le", "argb", "abgr", "rgb48be", "gray16be", "yuv422p10be",
    "yuv411p",
)  # fmt: skip
LOSSLESS = [
    # encoder, pixel format, file type
    *(("ffv1", name, "mkv") for name in FFV1),
    *(("rawvideo", name, "nut") for name in RAW),
    ("rawvideo", "nv12", "mkv"),
    ("ffvhuff", "gbrp", "avi"),
    ("ffvhuff", "rgb24", "avi"),
    ("utvideo", "gbrap", "avi"),
    ("huffyuv", "bgra", "avi"),
    ("libx264", "yuv420p", "mp4"),
    ("libx264", "yuv422p10le", "mov"),
    ("libx264", "yuv444p", "mkv"),
    ("libx265", "gray10le", "mkv"),
    ("libx265", "yuv422p12le", "mp4"),
    ("libx265", "gbrp10le", "mkv"),
]


def _options(codec: str) -> dict[str, str]:
    return {"libx264": {"qp": "0"}, "libx265": {"x265-params": "lossless=1:log-level=none"}}.get(codec, {})


@pytest.mark.parametrize(("codec", "pixel_format", "suffix"), LOSSLESS, ids=str)
def test_native_planes_are_the_codes_that_were_written(
    tmp_path: Path, codec: str, pixel_format: str, suffix: str
) -> None:
    path = tmp_path / f"clip.{suffix}"
    size = (38, 22)  # rows are padded, chroma sides are odd
    little = pixel_format.removesuffix("be") + "le" if pixel_format.endswith("be") else pixel_format
    written = _raw(path, pixel_format, size) if suffix == "nut" else make_movie(
        path, codec, pixel_format, size=size, frames=3, options=_options(codec)
    )  # fmt: skip
    taken = layout(little)
    with open_movie(path) as movie:
        info = movie.info
        assert (info.depth, info.bit_shift) == (taken.depth, taken.bit_shift)
        assert (info.model, info.sampling, info.alpha) == (taken.model, taken.sampling, taken.alpha)
        assert (info.width, info.height) == size
        read = [tuple((plane >> info.bit_shift).copy() for plane in frame.planes) for frame in movie.frames()]
        channels = len(info.channels())
    assert len(read) == len(written) == 3
    for there, here in zip(written, read, strict=True):
        assert len(there) == len(here) == channels
        for old, new in zip(there, here, strict=True):
            assert new.dtype == old.dtype
            assert np.array_equal(old, new)


def _raw(path: Path, pixel_format: str, size: tuple[int, int]) -> list[tuple[np.ndarray, ...]]:
    """Raw pictures of any layout, by way of a frame that is filled by the format's own definition."""
    import av

    big = pixel_format.endswith("be")
    little = pixel_format.removesuffix("be") + "le" if big else pixel_format
    paint = noise(little, size)
    written = []
    with av.open(str(path), "w", format="nut") as output:
        stream = output.add_stream("rawvideo", 25)
        stream.width, stream.height, stream.pix_fmt = *size, pixel_format
        for index in range(3):
            planes = paint(index)
            written.append(planes)
            frame = av.VideoFrame(*size, little)
            for target, source in zip(plane_views(frame, writable=True), planes, strict=True):
                target[:] = source << layout(little).bit_shift
            if big:
                swapped = av.VideoFrame(*size, pixel_format)
                for here, there in zip(frame.planes, swapped.planes, strict=True):
                    rows = np.frombuffer(here, "<u2").reshape(here.height, -1)
                    room = np.frombuffer(there, ">u2").reshape(there.height, -1)
                    columns = min(rows.shape[1], room.shape[1])
                    room[:, :columns] = rows[:, :columns]
                frame = swapped
            frame.pts, frame.time_base = index, Fraction(1, 25)
            output.mux(stream.encode(frame))
        output.mux(stream.encode(None))
    return written


@pytest.mark.parametrize(
    ("planar", "interleaved"),
    [
        ("yuv420p10le", "p010le"), ("yuv420p16le", "p016le"), ("yuv420p12le", "p012le"), ("yuv422p10le", "p210le"),
        ("yuv422p16le", "p216le"), ("yuv444p10le", "p410le"), ("yuv420p", "nv12"), ("yuv420p", "nv21"),
        ("yuv422p", "nv16"), ("yuv444p", "nv24"), ("yuv444p", "nv42"), ("yuv422p10le", "y210le"),
        ("yuv422p12le", "y212le"), ("yuv444p12le", "xv36le"), ("yuva444p", "vuya"), ("yuva444p16le", "ayuv64le"),
        ("gbrp", "rgb24"), ("gbrap", "bgra"), ("gbrp16le", "rgb48le"), ("gbrp16le", "rgb48be"),
        ("gbrap16le", "rgba64be"),
    ],
)  # fmt: skip
def test_interleaved_layouts_against_the_librarys_own_shuffle(planar: str, interleaved: str) -> None:
    """Oracle: FFmpeg's conversion between layouts of one depth and sampling, which only moves codes."""
    import av

    size = (32, 18)
    flat = av.VideoFrame(*size, planar)
    codes = noise(planar, size)(0)
    for target, source in zip(plane_views(flat, writable=True), codes, strict=True):
        target[:] = source
    woven = flat.reformat(format=interleaved)
    shift = layout(interleaved).bit_shift
    for view, source in zip(plane_views(woven), codes, strict=True):
        assert np.array_equal(view, source << shift)


@pytest.mark.parametrize(
    ("pixel_format", "expected"),
    [
        # the byte order of a packed word, as FFmpeg's pixfmt.h states it for each name
        ("rgb24", [1, 2, 3]),
        ("bgr24", [3, 2, 1]),
        ("rgba", [1, 2, 3, 4]),
        ("argb", [2, 3, 4, 1]),
        ("bgra", [3, 2, 1, 4]),
        ("abgr", [4, 3, 2, 1]),
        ("bgr0", [3, 2, 1]),
        ("yuyv422", [1, 2, 4]),
        ("uyvy422", [2, 1, 3]),
        ("yvyu422", [1, 4, 2]),
        ("vuya", [3, 2, 1, 4]),
        ("ayuv", [2, 3, 4, 1]),
        ("uyva", [2, 1, 3, 4]),
    ],
)
def test_packed_components_lie_where_the_format_says(pixel_format: str, expected: list[int]) -> None:
    import av

    frame = av.VideoFrame(2, 1, pixel_format)
    raw = np.frombuffer(frame.planes[0], np.uint8)
    raw[:8] = np.arange(1, 9)
    assert [int(plane[0, 0]) for plane in plane_views(frame)] == expected


def test_gbr_planes_come_out_as_r_g_b() -> None:
    import av

    frame = av.VideoFrame(2, 2, "gbrp")
    for plane, code in zip(frame.planes, (20, 30, 10), strict=True):  # stored G, B, R
        np.frombuffer(plane, np.uint8)[:] = code
    assert [int(plane[0, 0]) for plane in plane_views(frame)] == [10, 20, 30]
    assert layout("gbrp").model is Model.RGB


def test_bottom_up_pictures_are_turned() -> None:
    """A negative line size means that memory holds the last row first."""
    import av

    frame = av.VideoFrame(4, 3, "gray")
    np.frombuffer(frame.planes[0], np.uint8).reshape(3, -1)[:] = np.array([[1], [2], [3]])
    graph = av.filter.Graph()
    source = graph.add_buffer(template=None, width=4, height=3, format=frame.format, time_base=Fraction(1, 25))
    flip, sink = graph.add("vflip"), graph.add("buffersink")
    source.link_to(flip)
    flip.link_to(sink)
    graph.configure()
    graph.push(frame)
    turned = graph.pull()
    assert turned.planes[0].line_size < 0
    assert plane_views(turned)[0][:, 0].tolist() == [3, 2, 1]


def test_views_share_the_decoders_memory_and_cannot_be_written() -> None:
    import av

    frame = av.VideoFrame(16, 8, "yuv420p10le")
    view = plane_views(frame)[0]
    assert np.shares_memory(view, np.frombuffer(frame.planes[0], np.uint16))
    with pytest.raises(ValueError, match="read-only"):
        view[0, 0] = 1


@pytest.mark.parametrize(
    "name", ["pal8", "bayer_rggb8", "xyz12le", "gbrpf32le", "rgb565le", "x2rgb10le", "monob", "vaapi"]
)
def test_formats_that_are_no_planes_of_codes_are_refused(name: str) -> None:
    with pytest.raises(UnreadableFormatError, match=name):
        layout(name)


def test_frames_come_in_order_once_each_with_reordered_pictures(tmp_path: Path) -> None:
    path = tmp_path / "b.mp4"
    paint = ramp("yuv420p", (64, 48))
    written = make_movie(path, "libx264", frames=40, paint=paint, options={"qp": "0", "bf": "3"})
    with open_movie(path) as movie:
        assert movie.info.frames == 40
        for _ in range(2):  # frames() can be asked again
            frames = [(frame.index, frame.planes[0].copy()) for frame in movie.frames()]
            assert [index for index, _ in frames] == list(range(40))
            assert all(np.array_equal(luma, planes[0]) for (_, luma), planes in zip(frames, written, strict=True))


@pytest.mark.parametrize("suffix", ["mp4", "mkv", "ts", "avi"])
@pytest.mark.parametrize("gop", [1, 12, 250])
def test_samples_are_spread_over_the_whole_length(tmp_path: Path, suffix: str, gop: int) -> None:
    path = tmp_path / f"long.{suffix}"
    bands = {"bf": "0"} if suffix == "avi" else {}
    written = make_movie(
        path, "libx264", frames=200, gop=gop, paint=ramp("yuv420p", (64, 48)),
        options={"qp": "0", "preset": "ultrafast", **bands},
    )  # fmt: skip
    with open_movie(path) as movie:
        sampled = [(frame.index, frame.planes[0].copy()) for frame in movie.sample(8)]
    indexes = [index for index, _ in sampled]
    assert indexes == sorted(set(indexes))
    assert 6 <= len(indexes) <= 8
    assert indexes[0] <= 2
    assert indexes[-1] >= 197
    assert max(np.diff(indexes)) < 60
    for index, luma in sampled:
        assert np.array_equal(luma, written[index][0]), f"frame {index} is another one"


def test_sampling_a_short_clip_gives_what_there_is(tmp_path: Path) -> None:
    path = tmp_path / "short.mkv"
    make_movie(path, "ffv1", frames=3)
    with open_movie(path) as movie:
        assert [frame.index for frame in movie.sample(16)] == [0, 1, 2]
        assert [frame.index for frame in movie.sample(1)] == [1]
        assert list(movie.sample(0)) == []


@pytest.mark.parametrize(
    ("codec", "pixel_format", "suffix", "container", "stream", "expressible"),
    [
        ("libx264", "yuv420p10le", "mp4", True, True, True),
        ("libx264", "yuv420p10le", "mov", False, True, True),
        ("libx264", "yuv420p10le", "ts", False, True, True),
        ("libx265", "yuv420p10le", "mp4", True, True, True),
        ("ffv1", "yuv420p10le", "mkv", True, False, True),
        ("ffv1", "yuv420p10le", "avi", False, False, False),
        ("prores_ks", "yuv422p10le", "mov", False, False, False),
        ("v210", "yuv422p10le", "mov", False, False, False),
        ("dnxhd", "yuv422p10le", "mov", True, False, True),
        ("mpeg2video", "yuv420p", "ts", False, False, False),
    ],
)
@pytest.mark.parametrize("flag", [Range.NARROW, Range.FULL])
def test_the_flag_is_the_files_and_never_the_decoders_invention(
    tmp_path: Path,
    codec: str,
    pixel_format: str,
    suffix: str,
    container: bool,
    stream: bool,
    expressible: bool,
    flag: Range,
) -> None:
    path = tmp_path / f"flag.{suffix}"
    size = (256, 128) if codec == "dnxhd" else (64, 48)
    make_movie(path, codec, pixel_format, size=size, frames=2, range=flag, colour=(9, 18, 9))
    tag = open_movie(path).info.tag
    assert tag.container is (flag if container else None)
    assert tag.stream is (flag if stream else None)
    assert tag.expressible is expressible


def test_container_and_stream_may_disagree(tmp_path: Path) -> None:
    """The box says narrow, the parameter sets say full; a conflict must not be smoothed over."""
    path = tmp_path / "conflict.mp4"
    make_movie(path, "libx264", "yuv420p", frames=3, range=Range.FULL, colour=(1, 1, 1))
    data = bytearray(path.read_bytes())
    at = data.index(b"nclx") + 4 + 6
    assert data[at] == 0x80
    data[at] = 0x00
    path.write_bytes(data)
    tag = open_movie(path).info.tag
    assert (tag.container, tag.stream) == (Range.NARROW, Range.FULL)


def test_silence_is_silence(tmp_path: Path) -> None:
    path = tmp_path / "silent.mkv"
    make_movie(path, "ffv1", "yuv420p10le", frames=2)
    info = open_movie(path).info
    assert (info.tag.container, info.tag.stream) == (None, None)
    assert (info.transfer, info.primaries, info.matrix) == (None, None, None)


def test_colour_names_are_ffmpegs(tmp_path: Path) -> None:
    path = tmp_path / "hlg.mp4"
    make_movie(path, "libx265", "yuv420p10le", frames=6, colour=(9, 18, 9))
    info = open_movie(path).info
    assert (info.primaries, info.transfer, info.matrix) == ("bt2020", "arib-std-b67", "bt2020nc")


def test_cover_art_is_not_the_picture(tmp_path: Path) -> None:
    import av

    from footroom.host_adapter.headless.movie import is_attached

    picture, cover = tmp_path / "picture.mp4", tmp_path / "cover.mp4"
    make_movie(picture, "libx264", frames=4)
    with av.open(str(tmp_path / "art.mp4"), "w") as output, av.open(str(picture)) as source:
        art = output.add_stream("mjpeg", 25)
        art.width, art.height, art.pix_fmt = 16, 16, "yuvj420p"
        art.disposition = av.stream.Disposition.attached_pic
        copied = output.add_stream_from_template(source.streams.video[0], opaque=True)
        output.mux(art.encode(av.VideoFrame(16, 16, "yuvj420p")))
        output.mux(art.encode(None))
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = copied
                output.mux(packet)
    shutil.copy(tmp_path / "art.mp4", cover)
    with av.open(str(cover)) as made:
        assert is_attached(made.streams.video[0]) or is_attached(made.streams.video[1])
    info = open_movie(cover).info
    assert (info.codec, info.width) == ("h264", 64)


def _half(path: Path, share: float = 0.6) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])


@pytest.mark.parametrize(
    ("codec", "suffix", "options"),
    [
        ("ffv1", "mkv", {}),
        ("ffv1", "avi", {}),
        ("libx264", "ts", {}),
        ("prores_ks", "mov", {"movflags": "faststart"}),
        ("libx264", "mp4", {"movflags": "faststart"}),
    ],
)
def test_a_file_cut_short_gives_its_good_frames_then_says_so(
    tmp_path: Path, codec: str, suffix: str, options: dict[str, str]
) -> None:
    path = tmp_path / f"cut.{suffix}"
    form = "yuv422p10le" if codec == "prores_ks" else "yuv420p"
    make_movie(path, codec, form, frames=24, options={"g": "4"})
    if options:
        path = _index_first(path)
    _half(path)
    good = []
    with open_movie(path) as movie, pytest.raises(Problem, match=r"cut\..*(frames|frame \d+)"):
        for frame in movie.frames():
            good.append(frame.index)
    assert good == list(range(len(good)))
    assert 4 <= len(good) < 24


def _index_first(path: Path) -> Path:
    """The same file with its index at the front, as cameras and downloads have it."""
    import av

    target = path.with_name(f"cut.{path.suffix.lstrip('.')}").with_stem("cut.front")
    with av.open(str(path)) as source, av.open(str(target), "w", options={"movflags": "faststart"}) as output:
        copied = output.add_stream_from_template(source.streams.video[0], opaque=True)
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = copied
                output.mux(packet)
    return target


def test_damage_in_the_middle_does_not_pass_in_silence(tmp_path: Path) -> None:
    path = tmp_path / "hurt.mkv"
    make_movie(path, "ffv1", "yuv420p", frames=12, options={"slicecrc": "1"})
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 64] = bytes(64)
    path.write_bytes(data)
    with open_movie(path) as movie, pytest.raises(Problem, match=r"hurt\.mkv: frame \d+ does not decode"):
        list(movie.frames())


def _write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def test_what_is_no_movie_is_told_in_one_line(tmp_path: Path) -> None:
    sound = tmp_path / "sound.wav"
    make_movie(tmp_path / "whole.mp4", "libx264", frames=8)
    whole = (tmp_path / "whole.mp4").read_bytes()
    import av

    with av.open(str(sound), "w") as output:
        stream = output.add_stream("pcm_s16le", 48000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 9600), np.int16), format="s16", layout="stereo")
        frame.sample_rate = 48000
        output.mux(stream.encode(frame))
    cases = {
        tmp_path / "absent.mov": "no such file",
        _write(tmp_path / "empty.mov", b""): "0 bytes",
        _write(tmp_path / "text.mov", b"kestrel " * 300): "no movie",
        _write(tmp_path / "notes.txt", b"scene 12A\n" * 50): "no movie",
        _write(tmp_path / "headless.mp4", whole[: whole.index(b"moov")]): "cut short",
        _write(tmp_path / "photo.jpg", b"\xff\xd8\xff\xe0" + bytes(100)): "stills of this kind",
        sound: "no movie",
    }
    for path, words in cases.items():
        with pytest.raises(Problem, match=words) as caught:
            open_recording(path)
        assert "\n" not in str(caught.value)
        assert str(caught.value).startswith(path.name)
        assert caught.value.remedy


def test_a_file_with_sound_alone_has_no_picture(tmp_path: Path) -> None:
    import av

    path = tmp_path / "sound.mov"
    with av.open(str(path), "w") as output:
        stream = output.add_stream("pcm_s16le", 48000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 9600), np.int16), format="s16", layout="stereo")
        frame.sample_rate = 48000
        output.mux(stream.encode(frame))
    with pytest.raises(Problem, match="no picture"):
        open_recording(path)


def test_originals_are_only_read(tmp_path: Path) -> None:
    path = tmp_path / "kept.mov"
    make_movie(path, "prores_ks", "yuv422p10le", frames=3)
    before = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o444)
    with open_movie(path) as movie:
        list(movie.frames())
        list(movie.sample(2))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
