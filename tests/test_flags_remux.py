"""Files without room for the flag: a new file, the same coded pictures, and all that was beside them."""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from flag_files import LIBRARY, decoded, encode, ffprobe_range, read_flags

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.flags import can_retag, retag
from footroom.host_adapter.headless.flags import remux as remux_module
from footroom.host_adapter.headless.flags.nal import annexb_units, without_parameter_sets
from footroom.kernels.encoding import Range

X265 = {"x265-params": "log-level=none:pools=1"}
CHAPTERS = """;FFMETADATA1
[CHAPTER]
TIMEBASE=1/1000
START=0
END=400
title=slate
[CHAPTER]
TIMEBASE=1/1000
START=400
END=1000
title=take
"""
TAGS = [
    *("-metadata", "title=Kestrel", "-metadata", "creation_time=2024-05-06T07:08:09Z"),
    *("-metadata", "reel=A001", "-metadata", "com.example.note=hello"),
    *("-metadata:s:a:0", "language=ger", "-metadata:s:a:1", "language=fra"),
    *("-metadata:s:v:0", "language=eng", "-metadata:s:v:0", "rotate=90"),
]


@pytest.fixture(scope="session")
def rushes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One recording in three containers: B pictures, no flag, two sounds, timecode, chapters, dates, own tags, rotated.

    Made by the ffmpeg program that the system has, not by the library under test.
    """
    folder = tmp_path_factory.mktemp("rushes")
    chapters = folder / "chapters.txt"
    chapters.write_text(CHAPTERS)
    first = folder / "first.mov"
    run = ["ffmpeg", "-v", "error", "-y"]
    inputs: list[str] = []
    for pattern in ("testsrc2=s=128x72:r=25:d=1", "sine=440:d=1", "sine=880:d=1"):
        inputs += ["-f", "lavfi", "-i", pattern]
    subprocess.run([*run, *inputs, "-map", "0", "-map", "1", "-map", "2", "-c:v", "libx264", "-bf", "2", "-g", "10",
                    "-pix_fmt", "yuv420p", "-aspect", "2.35", "-c:a", "aac", str(first)], check=True)  # fmt: skip
    files = {}
    for suffix in ("mov", "mp4", "mkv"):
        path = folder / f"kestrel.{suffix}"
        subprocess.run(
            [*run, "-i", str(first), "-i", str(chapters), "-map", "0:v", "-map", "0:a", "-map_chapters", "1",
             "-c", "copy", *TAGS, "-timecode", "10:11:12:13", "-movflags", "use_metadata_tags", str(path)],
            check=True,
        )  # fmt: skip
        files[suffix] = path
    return files


def facts(path: Path) -> dict[str, object]:
    """All that has to come over."""
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        streams = [s for s in container.streams if s.type != "data"]
        tags = {key.lower(): value for key, value in container.metadata.items()}
        return {
            "types": [stream.type for stream in streams],
            "languages": [stream.language for stream in streams],
            "dispositions": [int(stream.disposition) for stream in streams],
            "timecode": {**tags, **{key.lower(): value for key, value in video.metadata.items()}}.get("timecode"),
            "tags": {key: tags.get(key) for key in ("title", "creation_time", "reel", "com.example.note")},
            "chapters": [(c["start"] * c["time_base"], c["metadata"]["title"]) for c in container.chapters()],
            "aspect": video.sample_aspect_ratio,
            "rate": video.average_rate,
            "rotation": next(container.decode(video)).rotation,
            "data": [stream.type for stream in container.streams].count("data"),
        }


def packets(path: Path, kind: str) -> list[list[tuple[object, ...]]]:
    """Every packet of every stream of a kind: times in seconds, and its bytes without parameter sets."""
    streams = []
    with av.open(str(path)) as container:
        wanted = [s for s in container.streams if s.type == kind]
        found: dict[int, list[tuple[object, ...]]] = {stream.index: [] for stream in wanted}
        for packet in container.demux(wanted):  # without a seek, which would leave out what lies before 0
            if packet.dts is None:
                continue
            stream, content = packet.stream, bytes(packet)
            extradata = bytes(stream.codec_context.extradata or b"")
            body = without_parameter_sets("h264", content, extradata) if kind == "video" else [content]
            base = stream.time_base
            found[stream.index].append((packet.pts * base, packet.dts * base, packet.is_keyframe, body))
        streams += found.values()
    return streams


@pytest.mark.parametrize("range_", list(Range))
@pytest.mark.parametrize("suffix", ["mov", "mp4", "mkv"])
def test_everything_comes_over(rushes: dict[str, Path], tmp_path: Path, suffix: str, range_: Range) -> None:
    path, target = rushes[suffix], tmp_path / f"target.{suffix}"
    whole = path.read_bytes()
    way = can_retag(path)
    assert way.method == "remux"
    assert "no usable range field" in way.reason
    done = retag(path, target, range_)
    assert done.method == "remux"
    assert done.changed == ((-1, remux_module.SILENT, int(range_), "the stream's range"),)
    assert path.read_bytes() == whole
    assert read_flags(target) == (LIBRARY[range_],) * 2
    assert ffprobe_range(target) == {Range.NARROW: "tv", Range.FULL: "pc"}[range_]
    assert facts(target) == facts(path)
    assert suffix == "mkv" or facts(path)["rotation"] == 90
    assert facts(path)["timecode"] == "10:11:12:13"
    assert packets(target, "audio") == packets(path, "audio")
    assert packets(target, "video") == packets(path, "video")
    assert decoded(target) == decoded(path)
    left_behind = [each for each in done.uncarried if "encoder" not in each.lower() and "'tapt'" not in each]
    assert left_behind == []
    assert "2 audio streams" in done.carried
    assert "2 chapters" in done.carried
    assert can_retag(target).method == "patch"


@pytest.mark.parametrize("name", ["a.mp4", "a.mov"])
def test_sound_that_is_primed_before_the_first_picture_comes_over(tmp_path: Path, name: str) -> None:
    """An AAC encoder's first packet lies before 0, behind an edit list; pictures without B-frames begin at 0."""
    path, target = tmp_path / name, tmp_path / f"full_{name}"
    with av.open(str(path), "w") as container:
        video, sound = container.add_stream("libx264", rate=25, options={"bf": "0"}), container.add_stream("aac", 48000)
        video.width, video.height, video.pix_fmt = 96, 64, "yuv420p"
        sound.layout = "stereo"
        wave = np.sin(np.arange(48000) / 20).astype(np.float32) / 5
        samples = av.AudioFrame.from_ndarray(np.stack((wave, wave)), format="fltp", layout="stereo")
        samples.rate, samples.pts, samples.time_base = 48000, 0, Fraction(1, 48000)
        for index in range(25):
            frame = av.VideoFrame(96, 64, "yuv420p")
            for plane in frame.planes:
                np.frombuffer(plane, np.uint8)[:] = 60 + index
            frame.pts, frame.time_base = index, Fraction(1, 25)
            container.mux(video.encode(frame))
        container.mux([*video.encode(), *sound.encode(samples), *sound.encode()])
    assert packets(path, "audio")[0][0][0] == Fraction(-1024, 48000)  # the frame length of AAC, ISO/IEC 14496-3
    done = retag(path, target, Range.FULL)
    assert (done.method, done.carried) == ("remux", ("1 audio stream",))
    assert packets(target, "audio") == packets(path, "audio")
    assert packets(target, "video") == packets(path, "video")
    assert decoded(target) == decoded(path) and read_flags(target) == (2, 2)


@pytest.mark.parametrize(
    ("name", "codec", "pixels", "options"),
    [
        ("a.mov", "libx264", "yuv422p10le", {}),
        ("a.mkv", "libx264", "yuv420p", {"x264-params": "repeat-headers=1:keyint=2"}),
        ("a.mkv", "ffv1", "yuv422p10le", {}),
    ],
)
def test_a_file_that_says_nothing_comes_to_say_it(
    tmp_path: Path, name: str, codec: str, pixels: str, options: dict[str, str]
) -> None:
    path = encode(tmp_path / name, codec, None, pixels=pixels, described=False, options=options)
    assert can_retag(path).method == "remux"
    for range_ in Range:
        target = tmp_path / f"{range_.label}_{name}"
        assert retag(path, target, range_).method == "remux"
        assert read_flags(target) == (LIBRARY[range_],) * 2
        assert decoded(target) == decoded(path)
        assert retag(target, tmp_path / f"back_{target.name}", Range(1 - range_)).method == "patch"


@pytest.mark.parametrize(
    ("name", "codec", "pixels", "options", "size"),
    [
        ("a.mov", "libx265", "yuv422p10le", X265, (96, 64)),
        ("a.mp4", "libsvtav1", "yuv420p", {"preset": "12"}, (96, 64)),
        ("a.mp4", "libvpx-vp9", "yuv420p", {}, (96, 64)),
        ("a.webm", "libvpx-vp9", "yuv420p", {}, (96, 64)),
        ("a.mov", "dnxhd", "yuv422p10le", {"profile": "dnxhr_hqx"}, (256, 128)),
    ],
)
def test_a_remux_can_be_insisted_on(
    tmp_path: Path, name: str, codec: str, pixels: str, options: dict[str, str], size: tuple[int, int]
) -> None:
    path = encode(tmp_path / name, codec, Range.NARROW, pixels=pixels, options=options, size=size)
    target = tmp_path / f"full_{name}"
    done = retag(path, target, Range.FULL, method="remux")
    assert (done.method, done.changed[0][1:3]) == ("remux", (0, 1))
    assert read_flags(target) == (2, 2)
    assert decoded(target) == decoded(path)


def test_a_patch_can_be_insisted_on_and_is_refused_where_there_is_no_room(
    rushes: dict[str, Path], tmp_path: Path
) -> None:
    with pytest.raises(Problem, match="no usable range field"):
        retag(rushes["mov"], tmp_path / "a.mov", Range.FULL, method="patch")
    assert not (tmp_path / "a.mov").exists()
    with pytest.raises(ValueError, match="'sorcery'"):
        retag(rushes["mov"], tmp_path / "a.mov", Range.FULL, method="sorcery")


def test_a_result_that_differs_is_thrown_away(
    rushes: dict[str, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = remux_module._packets

    def short(*arguments: object) -> object:
        for count, pair in enumerate(whole(*arguments)):
            if count != 40:
                yield pair

    monkeypatch.setattr(remux_module, "_packets", short)
    with pytest.raises(Problem):
        retag(rushes["mov"], tmp_path / "a.mov", Range.FULL)
    assert not (tmp_path / "a.mov").exists()


def test_units_between_start_codes() -> None:
    # ITU-T H.264 annex B: zeros before a start code belong to no unit
    assert list(annexb_units(b"\0\0\0\1\x67\1\2\0\0\0\1\x68\3\0\0\1\x65\4")) == [b"\x67\1\2", b"\x68\3", b"\x65\4"]
