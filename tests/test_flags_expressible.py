"""The table of what file types can say, measured again."""

from __future__ import annotations

from pathlib import Path

import pytest
from flag_files import LIBRARY, encode, read_flags

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.flags import EXPRESSIBLE, can_retag, expressible, place_of, retag
from footroom.kernels.encoding import Range

ENCODERS = {
    "h264": ("libx264", "yuv420p", {}),
    "hevc": ("libx265", "yuv420p", {"x265-params": "log-level=none:pools=1"}),
    "av1": ("libsvtav1", "yuv420p", {"preset": "12"}),
    "vp9": ("libvpx-vp9", "yuv420p", {}),
    "ffv1": ("ffv1", "yuv420p", {}),
    "dnxhd": ("dnxhd", "yuv422p10le", {"profile": "dnxhr_hqx"}),
    "prores": ("prores_ks", "yuv422p10le", {}),
    "v210": ("v210", "yuv422p10le", {}),
    "cfhd": ("cfhd", "yuv422p10le", {}),
    "mpeg2video": ("mpeg2video", "yuv420p", {}),
    "mjpeg": ("mjpeg", "yuv420p", {"strict": "unofficial"}),
}
FILES = [
    (container, place.codec)
    for place in EXPRESSIBLE
    for container in place.containers
    if place.codec in ENCODERS and (container, place.codec) != ("mpg", "mpeg2video")
]


@pytest.mark.parametrize(("container", "codec"), FILES)
def test_what_is_said_to_survive_survives_and_the_rest_does_not(tmp_path: Path, container: str, codec: str) -> None:
    encoder, pixels, options = ENCODERS[codec]
    survived = []
    for range_ in Range:
        path = tmp_path / f"{range_.label}.{container}"
        encode(path, encoder, range_, pixels=pixels, options=options, size=(256, 128), frames=6)
        survived.append(read_flags(path)[1] == LIBRARY[range_])
    assert all(survived) is expressible(container, codec)


@pytest.mark.parametrize(("container", "codec"), FILES)
def test_the_table_and_the_patch_agree(tmp_path: Path, container: str, codec: str) -> None:
    encoder, pixels, options = ENCODERS[codec]
    path = tmp_path / f"full.{container}"
    encode(path, encoder, Range.FULL, pixels=pixels, options=options, size=(256, 128), frames=6)
    place = place_of(container, codec)
    assert place is not None
    way = can_retag(path)
    assert (way.method == "patch") is place.patched
    if not place.survives:
        assert way.method is None
        assert "no place" in way.reason
        with pytest.raises(Problem, match="rescale or lift"):
            retag(path, tmp_path / "target", Range.NARROW)


@pytest.mark.parametrize("suffix", ["tiff", "png", "dpx", "exr"])
def test_stills_say_no_range(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"a.{suffix}"
    encode(
        path,
        suffix,
        None,
        pixels="gbrpf32le" if suffix == "exr" else "rgb24",
        frames=1,
        format_="image2",
        muxer={"update": "1"},
    )
    assert not expressible(suffix, suffix)
    with pytest.raises(Problem, match="no place"):
        retag(path, tmp_path / "target", Range.NARROW)


def test_what_was_never_measured_cannot_say_it() -> None:
    assert not expressible("wtv", "h264")
    assert not expressible("avi", "ffv1")
    assert expressible("MOV", "h264")
