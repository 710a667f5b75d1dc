"""One pass, several results: each of its own size, pixel aspect and coding, and everything else in every one."""

from __future__ import annotations

import struct
import threading
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from media_files import make_movie, make_stills, ramp

from footroom.host_adapter.headless.carry import SharedPacket
from footroom.host_adapter.headless.codecs import choose_codec
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.media import Frame, Info, Plane
from footroom.host_adapter.headless.movie import Movie, open_movie
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.sidefacts import turn
from footroom.host_adapter.headless.writing import Result, transform_all
from footroom.kernels.encoding import Encoding, Range

Process = Callable[[Frame, tuple[Plane, ...]], None]


def cropping(info: Info, x: int, y: int) -> Process:
    """Copies the window whose first luma pixel is (x, y); the target's planes say how large it is."""
    whole = {"4:2:0": (2, 2), "4:2:2": (2, 1)}.get(info.sampling, (1, 1))

    def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
        for index, (plane, target) in enumerate(zip(frame.planes, targets, strict=True)):
            across, down = whole if index in {1, 2} else (1, 1)
            rows, columns = target.shape
            target[:] = plane[y // down : y // down + rows, x // across : x // across + columns]

    return process


def window(
    info: Info,
    target: Path,
    box: tuple[int, int, int, int],
    *,
    codec: str | None = None,
    aspect: Fraction | None = None,
) -> Result:
    """A crop x, y, width, height of the source."""
    x, y, width, height = box
    made = replace(info, width=width, height=height, aspect=info.aspect if aspect is None else aspect)
    choice = choose_codec(made, depth=info.depth or 10, remedy="rescale", codec=codec)
    encoding = Encoding(info.depth or 10, Range.NARROW, info.model)
    return Result(target, made, encoding, choice, cropping(info, x, y))


def pictures(path: Path) -> list[tuple[np.ndarray, ...]]:
    with open_recording(path) as recording:
        return [tuple(plane.copy() for plane in frame.planes) for frame in recording.frames()]


def sound(path: Path) -> list[list[tuple[Fraction, bytes]]]:
    """Time in seconds since the first picture and payload of every packet of every audio stream."""
    with av.open(str(path)) as container:
        found: dict[int, list[tuple[Fraction, bytes]]] = {stream.index: [] for stream in container.streams.audio}
        picture = container.streams.video[0]
        start = None
        for packet in container.demux(picture, *container.streams.audio):
            if packet.size and packet.pts is not None:
                time = packet.pts * packet.time_base
                if packet.stream.index == picture.index:
                    start = time if start is None else min(start, time)
                else:
                    found[packet.stream.index].append((time, bytes(packet)))
    assert start is not None
    return [[(time - start, data) for time, data in packets] for packets in found.values()]


def test_one_decode_feeds_crops_of_several_sizes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "clip.mkv"
    frames = make_movie(path, "ffv1", "yuv420p10le", size=(64, 48), frames=9)
    views = Movie.views
    decoded: list[object] = []
    monkeypatch.setattr(Movie, "views", lambda self, native: decoded.append(native) or views(self, native))
    boxes = {
        "tall.mkv": (10, 0, 28, 48),
        "wide.mkv": (0, 6, 64, 20),
        "dot.mkv": (62, 46, 2, 2),
        "all.mkv": (0, 0, 64, 48),
    }
    told: list[int] = []
    with open_movie(path) as movie:
        results = [window(movie.info, tmp_path / name, box) for name, box in boxes.items()]
        written = transform_all(movie, results, progress=told.append, threads=2)
    assert len(decoded) == 9
    assert told == list(range(1, 10))
    assert [each.frames for each in written] == [9] * 4
    assert all(each.uncarried == () and each.lossless for each in written)
    for name, (x, y, width, height) in boxes.items():
        assert (open_movie(tmp_path / name).info.width, open_movie(tmp_path / name).info.height) == (width, height)
        for there, here in zip(frames, pictures(tmp_path / name), strict=True):
            assert np.array_equal(there[0][y : y + height, x : x + width], here[0])
            for at in (1, 2):
                cut = there[at][y // 2 : (y + height) // 2, x // 2 : (x + width) // 2]
                assert np.array_equal(cut, here[at])


def test_sound_and_all_else_in_every_result(tmp_path: Path) -> None:
    """The same packets go into three files, two of other time bases than the source's."""
    path = tmp_path / "shoot.mov"
    make_movie(
        path, "prores_ks", "yuv422p10le", frames=25, audio=("aac", "pcm_s24le"), timecode="10:59:58:12",
        chapters=((0, 0.5, "slate"), (0.5, 1, "take")), metadata={"title": "Kestrel", "com.example.scene": "12A"},
        paint=ramp("yuv422p10le", (64, 48)),
    )  # fmt: skip
    targets = [tmp_path / name for name in ("a.mov", "b.mkv", "c.mov")]
    codecs = (None, "ffv1", "h264")
    with open_movie(path) as movie:
        results = [
            window(movie.info, target, (16, 0, 32, 48), codec=codec)
            for target, codec in zip(targets, codecs, strict=True)
        ]
        written = transform_all(movie, results)
    source = sound(path)
    assert [len(each) for each in source] == [len(sound(targets[0])[0]), len(sound(targets[0])[1])]
    for target, said in zip(targets, written, strict=True):
        assert said.uncarried == ()
        assert "timecode 10:59:58:12" in said.carried
        with av.open(str(target)) as made:
            assert [stream.codec_context.name for stream in made.streams.audio] == ["aac", "pcm_s24le"]
            assert len(made.chapters()) == 2
            tags = {key.lower(): value for key, value in made.metadata.items()}
            assert (tags["title"], tags["com.example.scene"]) == ("Kestrel", "12A")
        for old, new in zip(source, sound(target), strict=True):
            assert b"".join(data for _, data in old) == b"".join(data for _, data in new)
        for (old_time, old_data), (new_time, new_data) in zip(source[0], sound(target)[0], strict=True):
            assert old_data == new_data
            assert abs(old_time - new_time) <= Fraction(1, 1000)  # Matroska counts milliseconds
    assert sound(targets[0]) == source == sound(targets[2])


def test_sound_that_must_be_coded_anew_is_decoded_once(tmp_path: Path) -> None:
    """Matroska has no big-endian 32-bit sound: it is decoded, and each result's encoder gets every sample."""
    path = tmp_path / "big.mov"
    make_movie(path, "prores_ks", "yuv422p10le", frames=10, audio=("pcm_s32be",), paint=ramp("yuv422p10le", (64, 48)))
    targets = [tmp_path / name for name in ("a.mov", "b.mkv", "c.mkv")]  # a plain copy first: it must not disturb
    with open_movie(path) as movie:
        codecs = (None, "ffv1", "ffv1")
        transform_all(
            movie,
            [window(movie.info, to, (0, 0, 32, 32), codec=name) for to, name in zip(targets, codecs, strict=True)],
        )

    def samples(of: Path) -> tuple[np.ndarray, list[float | None]]:
        with av.open(str(of)) as container:
            frames = list(container.decode(audio=0))
        return np.concatenate([frame.to_ndarray() for frame in frames], axis=1), [frames[0].time, frames[-1].time]

    expected, _ = samples(path)
    for target in targets:
        assert np.array_equal(samples(target)[0], expected)
    assert samples(targets[1])[1] == samples(targets[2])[1]


def test_a_shared_packet_comes_to_everyone_as_it_came(tmp_path: Path) -> None:
    path = tmp_path / "clip.mov"
    make_movie(path, "prores_ks", "yuv422p10le", frames=5, audio=("pcm_s16le",), paint=ramp("yuv422p10le", (64, 48)))
    with av.open(str(path)) as source, av.open(str(tmp_path / "x.mkv"), "w") as output:
        copy = output.add_stream_from_template(source.streams.audio[0], opaque=True)
        packet = [each for each in source.demux(audio=0) if each.size][2]
        times = packet.time_base, packet.pts, packet.dts, packet.duration
        shared = SharedPacket(packet)
        for _ in range(2):
            fresh = shared.fresh()
            assert (fresh.time_base, fresh.pts, fresh.dts, fresh.duration) == times
            assert fresh.stream is source.streams.audio[0]
            fresh.stream = copy
            output.mux(fresh)
            assert (fresh.time_base, fresh.pts) != times[:2]  # Matroska's milliseconds
        (frame,) = shared.decoded()
        seen = frame.time_base, frame.pts
        frame.time_base, frame.pts = Fraction(1, 1000), 7
        (again,) = shared.decoded()
        assert again is frame and (again.time_base, again.pts) == seen


@pytest.mark.parametrize(("codec", "suffix"), [("ffv1", "mkv"), ("h264", "mp4"), ("h264", "mkv"), ("prores", "mov")])
@pytest.mark.parametrize(
    ("before", "after"), [(Fraction(2), Fraction(1)), (None, Fraction(4, 3)), (Fraction(4, 3), None)]
)
def test_the_results_own_pixel_aspect_is_written(
    tmp_path: Path, codec: str, suffix: str, before: Fraction | None, after: Fraction | None
) -> None:
    path = tmp_path / "clip.mov"
    make_movie(path, "prores_ks", "yuv422p10le", frames=3, aspect=before, paint=ramp("yuv422p10le", (64, 48)))
    with open_movie(path) as movie:
        info = movie.info
        assert info.aspect == (before or 1)
        result = window(info, tmp_path / "made", (0, 0, 48, 32), codec=codec, aspect=after)
        result = replace(result, codec=replace(result.codec, container=suffix))
        (written,) = transform_all(movie, [result])
    with av.open(str(tmp_path / "made")) as made:
        assert (made.streams.video[0].sample_aspect_ratio or 1) == (info.aspect if after is None else after)
    assert written.uncarried == ()


@pytest.mark.parametrize(
    ("matrix", "turned"),
    [
        ((65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30), 0),
        ((0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30), 90),
        ((-65536, 0, 0, 0, -65536, 0, 0, 0, 1 << 30), 180),
        ((0, -65536, 0, 65536, 0, 0, 0, 0, 1 << 30), 270),
    ],
)
def test_the_turn_agrees_with_the_library(tmp_path: Path, matrix: tuple[int, ...], turned: int) -> None:
    """Source: FFmpeg's av_display_rotation_get, anticlockwise degrees, as PyAV hands it on."""
    path = tmp_path / "phone.mov"
    make_movie(path, "libx264", frames=2, matrix=matrix)
    info = open_movie(path).info
    assert info.turned == turned
    with av.open(str(path)) as container:
        assert (-next(container.decode(video=0)).rotation) % 360 == turned
    with open_movie(path) as movie:
        transform_all(movie, [window(info, tmp_path / "made.mov", (0, 0, 32, 48))])
    assert open_movie(tmp_path / "made.mov").info.turned == turned


def test_mirrors_and_odd_angles() -> None:
    one = 65536
    assert turn(None) == 0
    assert turn((-one, 0, 0, 0, one, 0, 0, 0, 1 << 30)) == 0  # left to right
    assert turn((one, 0, 0, 0, -one, 0, 0, 0, 1 << 30)) == 180  # upside down is that, turned by half
    assert turn((0, one, 0, one, 0, 0, 0, 0, 1 << 30)) == 270  # rows for columns
    assert turn((46341, 46341, 0, -46341, 46341, 0, 0, 0, 1 << 30)) == 0  # 45 degrees
    assert turn((one, one, 0, 0, one, 0, 0, 0, 1 << 30)) == 0  # a shear
    assert turn((0,) * 9) == 0
    assert turn((3, one, 0, -one, -2, 0, 0, 0, 1 << 30)) == 90  # rounded by whoever wrote it


@pytest.mark.parametrize("order", ["tff", "bff", None])
def test_fields_are_told(tmp_path: Path, order: str | None) -> None:
    path = tmp_path / "clip.mov"
    make_movie(path, "prores_ks", "yuv422p10le", frames=2, field_order=order, paint=ramp("yuv422p10le", (64, 48)))
    assert open_movie(path).info.interlaced is (order is not None)


@pytest.mark.parametrize("kind", ["dpx", "tif", "png", "exr"])
def test_several_folders_of_stills(tmp_path: Path, kind: str) -> None:
    depth: Any = {"dpx": 10, "exr": "half"}.get(kind, 16)
    attributes = {"PixelAspectRatio": 2.0, "Software": "kestrel"}
    frames = make_stills(tmp_path / "in", kind, depth, attributes=attributes)
    with open_recording(tmp_path / "in" / f"shot.####.{kind}") as recording:
        info = recording.info
        assert info.aspect == 2
        boxes = {"tall": (3, 1, 11, 23), "dot": (31, 23, 1, 1), "all": (0, 0, 32, 24)}
        results = [
            window(info, tmp_path / name, box, aspect=Fraction(1) if name == "tall" else None)
            for name, box in boxes.items()
        ]
        written = transform_all(recording, results, threads=2)
    for (name, (x, y, width, height)), said in zip(boxes.items(), written, strict=True):
        with open_recording(tmp_path / name / f"shot.####.{kind}") as made:
            assert (made.info.width, made.info.height, made.info.frames) == (width, height, 4)
            assert made.info.aspect == (1 if name == "tall" else 2)
            assert made.info.depth == info.depth
        for there, here in zip(frames, pictures(tmp_path / name), strict=True):
            for at, plane in enumerate(here):
                assert np.array_equal(there[y : y + height, x : x + width, at], plane)
        assert said.frames == 4
        assert [words for words in said.uncarried if "Software" not in words] == []


def test_a_cropped_still_has_windows_of_its_own(tmp_path: Path) -> None:
    """OpenEXR with a data window off the origin inside a larger display window, in tiles, with a depth channel."""
    folder = tmp_path / "in"
    folder.mkdir()
    pixels = np.random.default_rng(3).random((48, 64, 4), np.float32)
    spec = oiio.ImageSpec(64, 48, 4, "float")
    spec.channelnames = ("R", "G", "B", "Z")
    spec.x, spec.y, spec.full_x, spec.full_y, spec.full_width, spec.full_height = 7, -5, 0, 0, 100, 60
    spec.tile_width = spec.tile_height = 16
    for number in (1, 2):
        output = oiio.ImageOutput.create(str(folder / f"shot.{number:04d}.exr"))
        assert output.open(str(folder / f"shot.{number:04d}.exr"), spec) and output.write_image(pixels)
        output.close()
    with open_recording(folder / "shot.####.exr") as recording:
        results = [window(recording.info, tmp_path / "cut", (8, 4, 20, 30))]
        results.append(window(recording.info, tmp_path / "same", (0, 0, 64, 48)))
        cut, same = transform_all(recording, results)
    back = oiio.ImageInput.open(str(tmp_path / "cut" / "shot.0001.exr"))
    made = back.spec()
    assert (made.x, made.y, made.width, made.height) == (0, 0, 20, 30)
    assert (made.full_x, made.full_y, made.full_width, made.full_height) == (0, 0, 20, 30)
    assert tuple(made.channelnames) == ("R", "G", "B")
    assert np.array_equal(back.read_image("float"), pixels[4:34, 8:28, :3])
    assert "channel Z" in cut.uncarried
    whole = oiio.ImageInput.open(str(tmp_path / "same" / "shot.0002.exr"))
    kept = whole.spec()
    assert (kept.x, kept.y, kept.full_width, kept.full_height) == (7, -5, 100, 60)
    assert np.array_equal(whole.read_image("float"), pixels)
    assert "channel Z" not in same.uncarried


@pytest.mark.parametrize("stills", [False, True])
@pytest.mark.parametrize("way", ["raises", "stops", "interrupts"])
def test_whatever_ends_it_early_all_targets_go(tmp_path: Path, stills: bool, way: str) -> None:
    if stills:
        make_stills(tmp_path / "in", "dpx", 10, frames=8)
        path = tmp_path / "in" / "shot.####.dpx"
    else:
        path = tmp_path / "in.mkv"
        make_movie(path, "ffv1", "yuv420p10le", size=(32, 24), frames=8, audio=("pcm_s16le",))
    before = threading.active_count()
    done: list[int] = []

    def tell(count: int) -> None:
        done.append(count)
        if way == "interrupts" and count == 3:
            raise KeyboardInterrupt

    def broken(frame: Frame, _: tuple[Plane, ...]) -> None:
        if way == "raises" and frame.index == 3:
            raise ZeroDivisionError

    with open_recording(path) as recording:
        results = [window(recording.info, tmp_path / name, (0, 0, 16, 16)) for name in ("a", "b", "c")]
        results[1] = replace(results[1], process=broken)
        stop = (lambda: len(done) >= 5) if way == "stops" else None
        if way == "stops":
            assert [each.frames for each in transform_all(recording, results, progress=tell, stop=stop)] == [5, 5, 5]
        else:
            with pytest.raises(ZeroDivisionError if way == "raises" else KeyboardInterrupt):
                transform_all(recording, results, progress=tell, threads=2)
    assert [each.name for each in tmp_path.iterdir()] == [path.name if not stills else "in"]
    assert threading.active_count() == before


def test_a_coding_that_refuses_takes_all_results_along(tmp_path: Path) -> None:
    path = tmp_path / "in.mkv"
    make_movie(path, "ffv1", "yuv420p", size=(32, 24), frames=3)
    with open_movie(path) as movie:
        good, bad = (window(movie.info, tmp_path / name, (0, 0, 16, 16)) for name in ("a", "b"))
        odd = replace(bad.codec, encoder="libx264", codec="h264", options={})
        refused = replace(bad, info=replace(bad.info, width=5, height=5), codec=odd, process=lambda frame, made: None)
        with pytest.raises(Problem, match=r"libx264 in mkv refused"):
            transform_all(movie, [good, refused])
        with pytest.raises(ValueError, match="different targets"):
            transform_all(movie, [good, good])
        with pytest.raises(ValueError, match="results must be one or more"):
            transform_all(movie, [])
    assert [each.name for each in tmp_path.iterdir()] == ["in.mkv"]


@pytest.mark.parametrize("size", [(1, 1), (2, 2), (3, 5), (16, 16), (33, 2)], ids=str)
@pytest.mark.parametrize(("codec", "form", "suffix"), [
    ("libx264", "yuv420p", "mp4"), ("libx265", "yuv420p10le", "mp4"), ("dnxhd", "yuv422p10le", "mov"),
    ("prores_ks", "yuv422p10le", "mov"), ("ffv1", "gbrp10le", "mkv"), ("libsvtav1", "yuv420p10le", "mkv"),
    ("mpeg2video", "yuv420p", "ts"), ("mjpeg", "yuvj420p", "mov"), ("v210", "yuv422p10le", "mov"),
])  # fmt: skip
def test_tiny_and_odd_results_are_written_or_refused_in_words(
    tmp_path: Path, codec: str, form: str, suffix: str, size: tuple[int, int]
) -> None:
    path = tmp_path / f"in.{suffix}"
    make_movie(path, codec, form, size=(256, 128), frames=12, paint=ramp(form, (256, 128)))
    with open_movie(path) as movie:
        result = window(movie.info, tmp_path / "made", (0, 0, *size))
        target = tmp_path / f"made.{result.codec.container}"
        source = [tuple(plane.copy() for plane in frame.planes) for frame in movie.frames()]
        (written,) = transform_all(movie, [replace(result, target=target)])
        assert (open_movie(target).info.width, open_movie(target).info.height) == size
        made = pictures(target)
    assert written.frames == len(made) == 12
    if written.lossless:
        for there, here in zip(source, made, strict=True):
            for old, new in zip(there, here, strict=True):
                assert np.array_equal(old[: new.shape[0], : new.shape[1]], new)


def test_a_display_matrix_stays_as_it_was_on_every_result(tmp_path: Path) -> None:
    path = tmp_path / "phone.mov"
    matrix = (0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30)
    make_movie(path, "libx264", frames=12, matrix=matrix)
    with open_movie(path) as movie:
        names = [tmp_path / "a.mov", tmp_path / "b.mov"]
        written = transform_all(movie, [window(movie.info, name, (0, 0, 32, 48)) for name in names])
    for name, said in zip(names, written, strict=True):
        assert "rotation" in said.carried
        with av.open(str(name)) as made:
            side = next(made.decode(video=0)).side_data
            raw = next(bytes(each) for each in side if each.type.name == "DISPLAYMATRIX")
            assert struct.unpack("9i", raw)[:6] == matrix[:6]


@pytest.mark.parametrize("audio", [(), ("aac",), ("pcm_s16le", "pcm_s16le", "pcm_s16le")], ids=len)
@pytest.mark.parametrize("metadata", [{}, {"title": "Kestrel"}, {"title": "Kestrel", "comment": "x" * 60}], ids=len)
def test_a_pixel_aspect_goes_into_any_matroska_header(
    tmp_path: Path, audio: tuple[str, ...], metadata: dict[str, str]
) -> None:
    """The track may come out shorter than the muxer left it, and the parts before it lie where one byte still says so."""
    path = tmp_path / "clip.mov"
    make_movie(
        path, "prores_ks", "yuv422p10le", frames=2, audio=audio, metadata=metadata, timecode="10:00:00:00",
        paint=ramp("yuv422p10le", (64, 48)),
    )  # fmt: skip
    for aspect in (Fraction(2), Fraction(1215, 1024)):
        with open_movie(path) as movie:
            result = window(movie.info, tmp_path / "made.mkv", (0, 0, 32, 48), codec="ffv1", aspect=aspect)
            (written,) = transform_all(movie, [result])
        assert written.uncarried == ()
        assert open_movie(tmp_path / "made.mkv").info.aspect == aspect
        assert len(pictures(tmp_path / "made.mkv")) == 2
