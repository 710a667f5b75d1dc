"""Subtitles and cover art come over a transform, or are named; what a receipt says was carried is in the file."""

from __future__ import annotations

import subprocess
from pathlib import Path

import av
import pytest

from footroom.host_adapter.headless.codecs import choose_codec
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.writing import transform
from footroom.kernels import Encoding, Range

SUBTITLE = "1\n00:00:00,000 --> 00:00:00,400\nThe Kestrel leaves the quay.\n\n"


@pytest.fixture(scope="module", params=["mkv", "mp4"])
def movie(request, tmp_path_factory) -> Path:
    """Made by the ffmpeg program, which writes subtitles and cover art as editors do."""
    folder = tmp_path_factory.mktemp("extras")
    (folder / "a.srt").write_text(SUBTITLE)
    picture = ["-f", "lavfi", "-i", "testsrc2=s=160x90:r=25:d=0.5"]
    run = ["ffmpeg", "-v", "error", "-nostdin"]
    subprocess.run([*run, *picture, "-frames:v", "1", str(folder / "cover.png")], check=True)
    path = folder / f"extras.{request.param}"
    both = [
        *run,
        *picture,
        "-i",
        str(folder / "a.srt"),
        "-map",
        "0",
        "-map",
        "1",
        "-c:v",
        "libx264",
        "-pix_fmt",
        "yuv420p",
    ]
    if request.param == "mkv":
        both += ["-c:s", "srt", "-metadata:s:s", "language=nld", "-attach", str(folder / "cover.png")]
        both += ["-metadata:s:t", "mimetype=image/png"]
    else:
        both[both.index("-map") : both.index("-map")] = ["-i", str(folder / "cover.png")]
        both += [
            "-map",
            "2",
            "-c:v:1",
            "png",
            "-pix_fmt:v:1",
            "rgb24",
            "-disposition:v:1",
            "attached_pic",
            "-c:s",
            "mov_text",
        ]
    subprocess.run([*both, str(path)], check=True)
    return path


def test_what_is_said_to_be_carried_is_there(movie: Path, tmp_path: Path) -> None:
    def copy(frame, targets):
        for plane, target in zip(frame.planes, targets, strict=True):
            target[:] = plane

    with open_recording(movie) as recording:
        choice = choose_codec(recording.info, depth=8, remedy="rescale")
        target = tmp_path / "target"
        written = transform(recording, target, encoding=Encoding(8, Range.NARROW), codec=choice, process=copy)
    with av.open(str(target)) as container:
        kinds = [stream.type for stream in container.streams]
        attached = av.stream.Disposition.attached_pic
        covers = [stream for stream in container.streams.video if stream.disposition & attached]
        covers += [stream for stream in container.streams if stream.type == "attachment"]
        texts = [bytes(packet) for packet in container.demux(subtitles=0) if packet.size]
    assert kinds.count("subtitle") == 1
    assert any(b"Kestrel" in text for text in texts)
    assert any("subtitles" in words for words in written.carried)
    said = any("cover art" in words for words in written.carried)
    named = any("cover art" in words for words in written.uncarried)
    assert said is bool(covers)
    assert said is not named
