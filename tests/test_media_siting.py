"""The place of the chroma samples comes over a mend, or is named."""

from __future__ import annotations

from pathlib import Path

import av
import pytest
from media_files import make_movie

from footroom.host_adapter.headless.codecs import choose_codec
from footroom.host_adapter.headless.flags.siting import chroma_location
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.writing import transform
from footroom.kernels import Encoding, Range


def siting(path: Path) -> int | None:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        return chroma_location(stream.codec_context.name, stream.codec_context.extradata)


def copy(frame, targets):
    for plane, target in zip(frame.planes, targets, strict=True):
        target[:] = plane


@pytest.mark.parametrize(("encoder", "params"), [("libx264", "x264-params"), ("libx265", "x265-params")])
@pytest.mark.parametrize("place", [1, 2])
@pytest.mark.parametrize("container", ["mp4", "mkv"])
def test_the_place_of_chroma_comes_over(tmp_path: Path, encoder: str, params: str, place: int, container: str) -> None:
    source = tmp_path / f"source.{container}"
    quiet = ":log-level=none" if encoder == "libx265" else ""
    make_movie(source, encoder, "yuv420p", frames=9, options={params: f"chromaloc={place}{quiet}"})
    assert siting(source) == place
    for codec in (None, "ffv1"):
        target = tmp_path / f"target_{codec}"
        with open_recording(source) as recording:
            choice = choose_codec(recording.info, depth=8, remedy="rescale", codec=codec)
            written = transform(
                recording, target, encoding=Encoding(8, Range.NARROW), codec=choice, process=copy
            )  # fmt: skip
        named = [words for words in written.uncarried if "chroma samples" in words]
        if codec is None:
            assert siting(target) == place
            assert not named
        else:
            assert len(named) == 1


def test_what_is_not_said_is_nothing(tmp_path: Path) -> None:
    source = tmp_path / "source.mp4"
    make_movie(source, "libx264", "yuv420p", frames=3)
    assert siting(source) in (None, 0)
    assert chroma_location("prores", b"") is None
    assert chroma_location("h264", b"\1rubbish") is None
