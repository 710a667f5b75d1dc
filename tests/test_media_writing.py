"""Transforming movies: every frame once, every code as handed in, and everything else carried or named."""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from media_files import make_movie, ramp

from footroom.host_adapter.headless.codecs import choose_codec
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.media import Frame, Plane, Written
from footroom.host_adapter.headless.movie import open_movie
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.writing import transform
from footroom.kernels.encoding import Encoding, Range

Process = Callable[[Frame, tuple[Plane, ...]], None]


def copying(shift: int, source_shift: int = 0) -> Process:
    """Fills the target with the source's codes, moved up into the deeper encoding."""

    def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
        for plane, target in zip(frame.planes, targets, strict=True):
            target[:] = (plane.astype(np.uint32) >> source_shift) << shift

    return process


def mended(
    path: Path, remedy: str = "rescale", *, codec: str | None = None, flag: Range = Range.NARROW, **more: Any
) -> tuple[Path, Written]:
    """The file made by transform under its final name."""
    with open_recording(path) as recording:
        info = recording.info
        assert info.depth is not None
        depth = info.depth + (2 if remedy == "lift" else 0)
        choice = choose_codec(info, depth=depth, remedy=remedy, codec=codec)
        target = path.parent / f".{path.stem}.partial"
        written = transform(
            recording, target, encoding=Encoding(depth, flag, info.model), codec=choice,
            process=more.pop("process", copying(depth - info.depth, info.bit_shift)), **more,
        )  # fmt: skip
        result = path.parent / f"{path.stem}_{remedy}.{choice.container}"
        target.rename(result)
    return result, written


def codes(path: Path) -> list[tuple[np.ndarray, ...]]:
    with open_movie(path) as movie:
        return [tuple(plane.copy() for plane in frame.planes) for frame in movie.frames()]


CODECS = [
    ("libx264", "yuv420p", "mp4"),
    ("libx264", "yuv422p10le", "mov"),
    ("libx265", "yuv420p10le", "mp4"),
    ("prores_ks", "yuv422p10le", "mov"),
    ("dnxhd", "yuv422p10le", "mov"),
    ("dnxhd", "yuv422p10le", "mxf"),
    ("ffv1", "yuv420p10le", "mkv"),
    ("ffv1", "yuva444p10le", "mkv"),
    ("ffv1", "gbrp10le", "mkv"),
    ("ffv1", "gray12le", "mkv"),
    ("ffv1", "bgra", "mkv"),
    ("v210", "yuv422p10le", "mov"),
    ("cfhd", "yuv422p10le", "mov"),
    ("mjpeg", "yuvj420p", "avi"),
    ("mpeg2video", "yuv420p", "ts"),
    ("libvpx-vp9", "yuv420p", "webm"),
    ("libsvtav1", "yuv420p10le", "mkv"),
    ("rawvideo", "nv12", "mkv"),
]


@pytest.mark.parametrize(("codec", "pixel_format", "suffix"), CODECS, ids=str)
@pytest.mark.parametrize("remedy", ["rescale", "lift"])
def test_every_frame_once_and_every_code_as_handed_in(
    tmp_path: Path, codec: str, pixel_format: str, suffix: str, remedy: str
) -> None:
    path = tmp_path / f"clip.{suffix}"
    size = (256, 128)
    make_movie(path, codec, pixel_format, size=size, frames=7, paint=ramp(pixel_format, size))
    info = open_movie(path).info
    handed: list[tuple[np.ndarray, ...]] = []
    add = 2 if remedy == "lift" else 0

    def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
        copying(add, info.bit_shift)(frame, targets)
        handed.append(tuple(target.copy() for target in targets))

    result, written = mended(path, remedy, process=process)
    read = codes(result)
    assert len(read) == len(handed) == written.frames == 7
    after = open_movie(result).info
    assert info.depth is not None
    assert after.depth == info.depth + add
    assert (after.model, after.sampling, after.alpha) == (info.model, info.sampling, info.alpha)
    for there, here in zip(handed, read, strict=True):
        for old, new in zip(there, here, strict=True):
            error = np.abs(old.astype(int) - new.astype(int))
            if written.lossless:
                assert not error.any()
            else:
                # near-transparent: well under one 8-bit code on average
                assert error.mean() < 0.4 * (1 << (after.depth - 8))
    if remedy == "lift":
        assert written.lossless
    if after.tag.expressible:
        assert after.tag.trusted is Range.NARROW


@pytest.mark.parametrize(
    ("codec", "suffix", "colour"),
    [
        ("libx264", "mp4", (1, 1, 1)),
        ("libx265", "mkv", (9, 18, 9)),
        ("ffv1", "mkv", (9, 16, 9)),
        ("dnxhd", "mov", (1, 1, 1)),
    ],
)
@pytest.mark.parametrize("flag", list(Range))
def test_flag_and_colour_names_are_written(
    tmp_path: Path, codec: str, suffix: str, colour: tuple[int, int, int], flag: Range
) -> None:
    path = tmp_path / f"clip.{suffix}"
    form = "yuv422p10le" if codec == "dnxhd" else "yuv420p10le"
    make_movie(path, codec, form, size=(256, 128), frames=2, colour=colour, range=Range.NARROW)
    before = open_movie(path).info
    result, _ = mended(path, flag=flag)
    after = open_movie(result).info
    assert after.tag.trusted is flag
    assert {after.tag.container, after.tag.stream} <= {flag, None}
    assert (after.primaries, after.transfer, after.matrix) == (before.primaries, before.transfer, before.matrix)


def payloads(path: Path, kind: str = "audio") -> list[list[str]]:
    """Hash of every packet of every stream of a kind."""
    with av.open(str(path)) as container:
        streams = [stream for stream in container.streams if stream.type == kind]
        found: dict[int, list[str]] = {stream.index: [] for stream in streams}
        for packet in container.demux(streams) if streams else ():
            if packet.size:
                found[packet.stream.index].append(hashlib.sha256(bytes(packet)).hexdigest())
    return list(found.values())


def audio_bytes(path: Path) -> list[bytes]:
    """All payload of every audio stream; packets may be cut differently by another muxer."""
    with av.open(str(path)) as container:
        parts: dict[int, bytes] = {stream.index: b"" for stream in container.streams.audio}
        for packet in container.demux(audio=list(range(len(container.streams.audio)))):
            if packet.size:
                parts[packet.stream.index] += bytes(packet)
    return list(parts.values())


@pytest.mark.parametrize("remedy", ["rescale", "lift"])
def test_everything_beside_the_picture_comes_over(tmp_path: Path, remedy: str) -> None:
    path = tmp_path / "shoot.mov"
    make_movie(
        path, "prores_ks", "yuv422p10le", frames=50, audio=("pcm_s24le", "aac"), timecode="10:59:58:12",
        chapters=((0, 1, "slate"), (1, 2, "take")), aspect=Fraction(4, 3),
        metadata={"title": "Kestrel", "creation_time": "2026-03-01T10:11:12.000000Z", "com.example.scene": "12A"},
        matrix=(0, 65536, 0, -65536, 0, 0, 0, 0, 1 << 30), paint=ramp("yuv422p10le", (64, 48)),
    )  # fmt: skip
    result, written = mended(path, remedy)
    assert result.suffix == (".mov" if remedy == "rescale" else ".mkv")
    with av.open(str(path)) as old, av.open(str(result)) as new:
        assert [stream.codec_context.name for stream in new.streams.audio] == ["pcm_s24le", "aac"]
        assert [stream.language for stream in new.streams.audio] == ["fra", "fra"]
        assert [stream.disposition for stream in new.streams.audio] == [
            stream.disposition for stream in old.streams.audio
        ]
        tags = {key.lower(): value for key, value in new.metadata.items()}
        assert tags["title"] == "Kestrel"
        assert tags["com.example.scene"] == "12A"
        assert tags["creation_time"].startswith("2026-03-01T10:11:12")
        assert [
            (chapter["start"] * chapter["time_base"], chapter["metadata"]["title"]) for chapter in new.chapters()
        ] == [
            (0, "slate"),
            (1, "take"),
        ]
        picture = new.streams.video[0]
        assert picture.sample_aspect_ratio == Fraction(4, 3)
        assert next(new.decode(picture)).rotation == -90
        found = {key.lower(): value for stream in new.streams for key, value in stream.metadata.items()}
        assert found["timecode"] == "10:59:58:12"
        assert picture.average_rate == 25
    assert audio_bytes(result) == audio_bytes(path)
    assert payloads(result)[1] == payloads(path)[1]
    assert written.uncarried == ()
    words = " ".join(written.carried)
    for word in ("pcm_s24le", "aac", "10:59:58:12", "2 chapters", "pixel aspect 4/3", "rotation", "title"):
        assert word in words


@pytest.mark.parametrize(("timecode", "rate"), [("01:00:00;02", Fraction(30000, 1001)), ("23:59:59:23", Fraction(24))])
def test_timecode_keeps_its_drop_frames(tmp_path: Path, timecode: str, rate: Fraction) -> None:
    path = tmp_path / "clip.mov"
    make_movie(path, "libx264", frames=4, rate=rate, timecode=timecode)
    result, written = mended(path)
    with av.open(str(result)) as new:
        assert new.streams.video[0].metadata["timecode"] == timecode
        assert new.streams.video[0].average_rate == rate
        assert len(new.streams.data) == 1
    assert f"timecode {timecode}" in written.carried


@pytest.mark.parametrize("codec", ["libx264", "ffv1"])
def test_uneven_frame_times_stay_as_they_are(tmp_path: Path, codec: str) -> None:
    times = [0, 40, 80, 200, 220, 400, 410, 500]
    path = tmp_path / ("clip.mkv" if codec == "ffv1" else "clip.mp4")
    make_movie(path, codec, times=times, time_base=Fraction(1, 1000), rate=25)
    result, _ = mended(path)

    def stamps(of: Path) -> list[Fraction]:
        with av.open(str(of)) as container:
            return [frame.pts * frame.time_base for frame in container.decode(video=0)]

    assert stamps(result) == stamps(path)
    with open_movie(path) as before, open_movie(result) as after:
        assert [frame.index for frame in after.sample(4)] == [frame.index for frame in before.sample(4)]


def test_sound_that_starts_later_still_starts_later(tmp_path: Path) -> None:
    path = tmp_path / "late.mov"
    make_movie(path, "libx264", frames=25, audio=("pcm_s16le",), audio_start=Fraction(1, 5))
    result, _ = mended(path)

    def offset(of: Path) -> Fraction:
        with av.open(str(of)) as container:
            sound, picture = container.streams.audio[0], container.streams.video[0]
            first_sound = next(packet.pts for packet in container.demux(sound) if packet.pts is not None)
            container.seek(0)
            first_picture = next(container.decode(picture)).pts
            return first_sound * sound.time_base - first_picture * picture.time_base

    assert offset(path) == Fraction(1, 5)
    assert offset(result) == Fraction(1, 5)


@pytest.mark.parametrize(
    ("codec", "suffix"), [("libx264", "mov"), ("prores_ks", "mov"), ("ffv1", "mkv"), ("mpeg2video", "ts")]
)
@pytest.mark.parametrize("order", ["tff", "bff"])
def test_fields_keep_their_order(tmp_path: Path, codec: str, suffix: str, order: str) -> None:
    path = tmp_path / f"fields.{suffix}"
    form = "yuv422p10le" if codec == "prores_ks" else "yuv420p"
    make_movie(path, codec, form, frames=6, field_order=order, paint=ramp(form, (64, 48)))

    def fields(of: Path) -> tuple[int, bool]:
        with av.open(str(of)) as container:
            picture = container.streams.video[0]
            frame = next(container.decode(picture))
            return picture.codec_context.field_order, frame.interlaced_frame

    before = fields(path)
    assert before[0] in {2, 3, 4, 5}
    result, written = mended(path)
    shown_first = {2: "tff", 5: "tff", 3: "bff", 4: "bff"}
    assert shown_first[fields(result)[0]] == shown_first[before[0]]
    if before[1] and codec != "ffv1":
        assert fields(result)[1]
    assert f"field order {shown_first[before[0]]}" in written.carried


HDR = (
    "master-display=G(8500,39850)B(6550,2300)R(35400,14600)WP(15635,16450)L(10000000,1):max-cll=1000,400:log-level=none"
)


def side_data(path: Path) -> dict[str, bytes]:
    with av.open(str(path)) as container:
        return {each.type.name: bytes(each) for each in next(container.decode(video=0)).side_data}


@pytest.mark.parametrize("codec", [None, "h264", "av1"])
def test_mastering_and_light_levels_come_over(tmp_path: Path, codec: str | None) -> None:
    path = tmp_path / "hdr.mp4"
    make_movie(
        path, "libx265", "yuv420p10le", size=(128, 96), frames=3, colour=(9, 16, 9), options={"x265-params": HDR}
    )
    result, written = mended(path, codec=codec)
    before, after = side_data(path), side_data(result)
    assert after["CONTENT_LIGHT_LEVEL"] == before["CONTENT_LIGHT_LEVEL"]
    assert np.frombuffer(after["CONTENT_LIGHT_LEVEL"], np.uint32).tolist() == [1000, 400]
    assert "mastering display metadata" in written.carried
    assert "content light levels" in written.carried
    assert written.uncarried == ()


@pytest.mark.parametrize(
    ("size", "aspect"),
    [
        ((64, 48), Fraction(4, 3)),
        ((720, 576), Fraction(16, 15)),
        ((70, 50), Fraction(1331, 1000)),
        ((64, 48), Fraction(2)),
    ],
)
@pytest.mark.parametrize("codec", ["ffv1", "av1"])
def test_pixel_aspect_lives_in_matroska_too(
    tmp_path: Path, size: tuple[int, int], aspect: Fraction, codec: str
) -> None:
    """The muxer drops it; the header is completed by hand, and the library must still read every frame."""
    path = tmp_path / "wide.mkv"
    make_movie(path, "libx264", size=size, frames=3, aspect=aspect, paint=ramp("yuv420p", size))
    result, written = mended(path, codec=codec)
    assert result.suffix == ".mkv"
    with av.open(str(result)) as container:
        assert container.streams.video[0].sample_aspect_ratio == aspect
        assert len(list(container.decode(video=0))) == 3
        container.seek(0)
    assert f"pixel aspect {aspect}" in written.carried
    assert written.uncarried == ()


def test_hdr_and_aspect_together_in_ffv1(tmp_path: Path) -> None:
    path = tmp_path / "hdr.mkv"
    make_movie(
        path, "libx265", "yuv420p10le", size=(128, 96), frames=3, colour=(9, 16, 9), aspect=Fraction(4, 3),
        options={"x265-params": HDR},
    )  # fmt: skip
    result, written = mended(path, "rescale", codec="ffv1")
    before, after = side_data(path), side_data(result)
    assert after["CONTENT_LIGHT_LEVEL"] == before["CONTENT_LIGHT_LEVEL"]
    assert {"mastering display metadata", "content light levels", "pixel aspect 4/3"} <= set(written.carried)
    assert written.uncarried == ()
    assert open_movie(result).info.transfer == "smpte2084"


def test_what_cannot_be_carried_is_named(tmp_path: Path) -> None:
    """MPEG-TS has no chapters and no free tags, MPEG-2 no mastering display."""
    plain = tmp_path / "plain.mp4"
    make_movie(
        plain, "libx265", "yuv420p", size=(128, 96), frames=3, options={"x265-params": HDR}, aspect=Fraction(4, 3),
        paint=ramp("yuv420p", (128, 96)), chapters=((0, 0.1, "slate"),), timecode="01:00:00:00",
        metadata={"com.example.scene": "12A"},
    )  # fmt: skip
    with open_recording(plain) as recording:
        choice = replace(choose_codec(recording.info, depth=8, remedy="rescale", codec="mpeg2"), container="ts")
        written = transform(
            recording, tmp_path / "x.ts", encoding=Encoding(8, Range.NARROW), codec=choice, process=copying(0)
        )  # fmt: skip
    named = " | ".join(written.uncarried)
    for word in ("mastering display", "content light", "1 chapter", "tag com.example.scene", "timecode 01:00:00:00"):
        assert word in named
    assert "pixel aspect 4/3" in written.carried


def test_camera_data_streams_are_carried_or_named(tmp_path: Path) -> None:
    """A TS with a private data stream: MPEG-TS takes it, and a mended MP4 would have to name it."""
    path = tmp_path / "gyro.ts"
    plain = tmp_path / "plain.ts"
    make_movie(plain, "libx264", frames=10, audio=("mp2",))
    with av.open(str(plain)) as source, av.open(str(path), "w", format="mpegts") as output:
        copies = {stream.index: output.add_stream_from_template(stream, opaque=True) for stream in source.streams}
        gyro = output.add_data_stream("klv")
        gyro.time_base = Fraction(1, 90000)
        for packet in source.demux():
            if packet.size:
                packet.stream = copies[packet.stream.index]
                output.mux(packet)
        for index in range(5):
            packet = av.Packet(b"kestrel gyro %d" % index)
            packet.stream, packet.pts, packet.dts, packet.time_base = (
                gyro,
                index * 7200 + 126000,
                index * 7200 + 126000,
                (Fraction(1, 90000)),
            )
            output.mux(packet)
    with av.open(str(path)) as made:
        assert len(made.streams.data) == 1
    result, written = mended(path)
    with av.open(str(result)) as new:
        kept = len(new.streams.data)
    named = any("data stream" in words for words in written.uncarried)
    assert kept + named == 1
    if kept:
        assert payloads(result, "data") == payloads(path, "data")
    lifted, written = mended(path, "lift", codec="ffv1")
    with av.open(str(lifted)) as new:
        assert len(new.streams.data) + any("klv" in words for words in written.uncarried) == 1


def test_sound_that_the_file_type_cannot_hold_is_kept_sample_for_sample(tmp_path: Path) -> None:
    path = tmp_path / "big.mov"
    make_movie(path, "prores_ks", "yuv422p10le", frames=10, audio=("pcm_s32be",), paint=ramp("yuv422p10le", (64, 48)))
    result, written = mended(path, "lift")

    def samples(of: Path) -> np.ndarray:
        with av.open(str(of)) as container:
            return np.concatenate([frame.to_ndarray() for frame in container.decode(audio=0)], axis=1)

    assert result.suffix == ".mkv"
    assert np.array_equal(samples(result), samples(path))
    assert any("audio stream 1" in words for words in written.carried)


def test_subtitles_cover_and_second_pictures_are_carried_or_named(tmp_path: Path) -> None:
    first, second, path = tmp_path / "first.mp4", tmp_path / "second.mp4", tmp_path / "multi.mp4"
    make_movie(first, "libx264", frames=6, size=(64, 48))
    make_movie(second, "libx264", frames=6, size=(32, 32))
    with (
        av.open(str(first)) as one,
        av.open(str(second)) as two,
        av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as output,
    ):
        streams = [output.add_stream_from_template(each.streams.video[0], opaque=True) for each in (one, two)]
        streams[1].disposition = 0
        for source, copied in zip((one, two), streams, strict=True):
            for packet in source.demux(video=0):
                if packet.size:
                    packet.stream = copied
                    output.mux(packet)
    result, written = mended(path)
    assert payloads(result, "video")[1] == payloads(path, "video")[1]
    assert any("second picture stream" in words for words in written.carried)


def test_a_damaged_source_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "cut.mkv"
    make_movie(path, "ffv1", frames=24)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    before = threading.active_count()
    with pytest.raises(Problem, match=r"cut\.mkv"):
        mended(path)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["cut.mkv"]
    assert threading.active_count() == before


@pytest.mark.parametrize("at", [0, 3, 19])
def test_a_failing_kernel_ends_everything(tmp_path: Path, at: int) -> None:
    path = tmp_path / "clip.mkv"
    make_movie(path, "ffv1", frames=20)

    def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
        if frame.index == at:
            raise ZeroDivisionError("kernel")

    before = threading.active_count()
    with pytest.raises(ZeroDivisionError, match="kernel"):
        mended(path, process=process)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["clip.mkv"]
    assert threading.active_count() == before


def test_stop_and_interrupt_leave_no_thread_and_no_file(tmp_path: Path) -> None:
    path = tmp_path / "clip.mkv"
    make_movie(path, "ffv1", frames=30)
    before = threading.active_count()
    done: list[int] = []
    with open_movie(path) as movie:
        choice = choose_codec(movie.info, depth=8, remedy="rescale")
        target = tmp_path / "stopped.partial"
        encoding = Encoding(8, Range.NARROW)
        written = transform(
            movie, target, encoding=encoding, codec=choice, process=copying(0), progress=done.append,
            stop=lambda: len(done) >= 5,
        )  # fmt: skip
        assert written.frames == 5
        assert not target.exists()

        def interrupt(count: int) -> None:
            if count == 3:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            transform(movie, target, encoding=encoding, codec=choice, process=copying(0), progress=interrupt)
    assert not target.exists()
    time.sleep(0.01)
    assert threading.active_count() == before


def test_progress_counts_every_frame(tmp_path: Path) -> None:
    path = tmp_path / "clip.mkv"
    make_movie(path, "ffv1", frames=9)
    told: list[int] = []
    mended(path, progress=told.append)
    assert told == list(range(1, 10))


def test_several_workers_give_the_same_file(tmp_path: Path) -> None:
    path = tmp_path / "clip.mkv"
    make_movie(path, "ffv1", frames=20)
    one, _ = mended(path)
    single = codes(one)
    many, _ = mended(path, threads=3)
    assert all(
        np.array_equal(a, b) for x, y in zip(single, codes(many), strict=True) for a, b in zip(x, y, strict=True)
    )


def test_the_source_is_only_read(tmp_path: Path) -> None:
    path = tmp_path / "kept.mp4"
    make_movie(path, "libx264", frames=5, audio=("aac",))
    before = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o444)
    mended(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


MEMORY = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from test_media_writing import mended
mended(Path(sys.argv[1]))
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


def test_a_long_clip_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    import subprocess
    import sys

    peaks = []
    for frames in (60, 1200):
        path = tmp_path / f"clip{frames}.mkv"
        make_movie(
            path, "ffv1", size=(320, 240), frames=frames, audio=("pcm_s16le",),
            paint=ramp("yuv420p", (320, 240)), options={"g": "1"},
        )  # fmt: skip
        run = subprocess.run(
            [sys.executable, "-c", MEMORY, str(path), str(Path(__file__).parent)],
            capture_output=True,
            text=True,
            check=True,
        )
        peaks.append(int(run.stdout.split()[-1]) / 1024)
    # 1200 frames decoded are 132 MiB; the long clip may differ by no more than a few frames' worth
    assert peaks[1] < peaks[0] + 12, peaks
