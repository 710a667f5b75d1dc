"""Which codec a result is written in: the source's own where it serves, a lossless one named otherwise."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from footroom.host_adapter.headless.codecs import choose_codec, writable_depth
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.media import Info, Tag
from footroom.kernels.encoding import Model


def info(codec: str, container: str, depth: int = 10, sampling: str = "4:2:2", **more: object) -> Info:
    plain = Info(
        path=Path(f"clip.{container}"), kind="movie", container=container, codec=codec, profile=None, width=256,
        height=128, frames=10, rate=Fraction(25), depth=depth, model=Model.YCBCR, sampling=sampling, alpha=False,
        pixel_format="", bit_shift=0, tag=Tag(None, None, False), transfer=None, primaries=None, matrix=None,
    )  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("codec", "container", "depth", "sampling", "rescaled", "lifted"),
    [
        ("h264", "mp4", 8, "4:2:0", ("h264", "mp4"), ("h264", "mp4")),
        ("h264", "mov", 10, "4:2:2", ("h264", "mov"), ("ffv1", "mkv")),
        ("h264", "avi", 8, "4:2:0", ("h264", "mp4"), ("h264", "mp4")),
        ("hevc", "mp4", 10, "4:2:0", ("hevc", "mp4"), ("hevc", "mp4")),
        ("hevc", "mkv", 12, "4:4:4", ("hevc", "mkv"), ("ffv1", "mkv")),
        ("prores", "mov", 10, "4:2:2", ("prores", "mov"), ("ffv1", "mkv")),
        ("prores", "mov", 12, "4:4:4", ("ffv1", "mkv"), ("ffv1", "mkv")),
        ("dnxhd", "mov", 10, "4:2:2", ("dnxhd", "mov"), ("ffv1", "mkv")),
        ("dnxhd", "mxf", 10, "4:2:2", ("dnxhd", "mxf"), ("ffv1", "mkv")),
        ("dnxhd", "mov", 12, "4:2:2", ("ffv1", "mkv"), ("ffv1", "mkv")),
        ("ffv1", "mkv", 10, "4:2:2", ("ffv1", "mkv"), ("ffv1", "mkv")),
        ("ffv1", "avi", 10, "4:2:2", ("ffv1", "mkv"), ("ffv1", "mkv")),
        ("utvideo", "avi", 8, "4:2:0", ("ffv1", "mkv"), ("ffv1", "mkv")),
        ("vp9", "webm", 8, "4:2:0", ("vp9", "webm"), ("ffv1", "mkv")),
        ("av1", "mp4", 10, "4:2:0", ("av1", "mp4"), ("ffv1", "mkv")),
    ],
)
def test_own_codec_where_it_serves_else_lossless(
    codec: str, container: str, depth: int, sampling: str, rescaled: tuple[str, str], lifted: tuple[str, str]
) -> None:
    about = info(codec, container, depth, sampling)
    same = choose_codec(about, depth=depth, remedy="rescale")
    assert (same.codec, same.container) == rescaled
    deeper = choose_codec(about, depth=depth + 2, remedy="lift")
    assert (deeper.codec, deeper.container) == lifted
    assert deeper.lossless
    for choice in (same, deeper):
        assert choice.why
        if choice.container != container:
            assert container in choice.why


def test_a_persons_word_is_taken_or_refused_with_a_list() -> None:
    about = info("prores", "mov")
    assert choose_codec(about, depth=10, remedy="rescale", codec="DNxHR").codec == "dnxhd"
    assert choose_codec(about, depth=12, remedy="lift", codec="hevc").lossless
    with pytest.raises(Problem, match=r"no codec 'kestrel' to write. Available: av1, avc, cfhd, dnxhd"):
        choose_codec(about, depth=10, remedy="rescale", codec="kestrel")
    with pytest.raises(Problem, match=r"prores cannot be written as ycbcr 4:2:2 12 bit. These can: hevc, ffv1"):
        choose_codec(about, depth=12, remedy="lift", codec="prores")


def test_odd_sizes_go_to_a_codec_that_takes_them() -> None:
    odd = info("h264", "mp4", 8, "4:2:0", width=255, height=127)
    choice = choose_codec(odd, depth=8, remedy="rescale")
    assert (choice.codec, choice.container) == ("ffv1", "mkv")
    assert "h264 refuses a picture of 255x127" in choice.why
    with pytest.raises(Problem, match="h264 refuses a picture of 255x127"):
        choose_codec(odd, depth=8, remedy="rescale", codec="h264")


def test_depths_that_no_encoder_writes_come_with_advice() -> None:
    camcorder = info("dvvideo", "avi", 8, "4:1:1", width=720, height=480)
    assert choose_codec(camcorder, depth=8, remedy="rescale").pixel_format == "yuv411p"
    with pytest.raises(Problem, match=r"4:1:1 10 bit\). Use --remedy rescale"):
        choose_codec(camcorder, depth=10, remedy="lift")
    with pytest.raises(Problem, match=r"with alpha 14 bit\). Use --depth 16"):
        choose_codec(info("prores", "mov", 12, "4:4:4", alpha=True), depth=14, remedy="lift")


def test_alpha_is_kept() -> None:
    choice = choose_codec(info("prores", "mov", 12, "4:4:4", alpha=True), depth=12, remedy="rescale")
    assert (choice.codec, choice.pixel_format) == ("ffv1", "yuva444p12le")


def test_prores_keeps_its_flavour() -> None:
    choice = choose_codec(info("prores", "mov", profile="LT"), depth=10, remedy="rescale")
    assert choice.options["profile"] == "lt"
    assert "cannot say its range" in choice.why


def test_writable_depths() -> None:
    assert writable_depth(info("prores", "mov", 12, "4:4:4", alpha=True), 14) == 16
    assert writable_depth(info("prores", "mov"), 12) == 12
    tiff = info("tiff", "tiff", 8, "4:4:4", kind="stills", model=Model.RGB)
    assert writable_depth(tiff, 10) == 16
    assert writable_depth(tiff, 17) is None


def test_a_remedy_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ValueError, match="remedy must be 'rescale' or 'lift', got 'retag'"):
        choose_codec(info("h264", "mp4"), depth=8, remedy="retag")
