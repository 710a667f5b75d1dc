"""Overlays with alpha, read back by other libraries: values, straight or premultiplied, flags, and whole or absent."""

from __future__ import annotations

import errno
import io
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt
import OpenImageIO as oiio  # noqa: N813
import pytest
import tifffile

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.movie import open_movie
from footroom.host_adapter.headless.overlay_writer import OverlayMovie, write_overlay_still
from footroom.host_adapter.headless.pixel_formats import plane_views
from footroom.host_adapter.headless.stills_writer import raise_disk_error
from footroom.kernels.encoding import Channel, Encoding, Range, round_half_away
from footroom.kernels.matrix import Matrix

Floats = npt.NDArray[np.float32]


def overlay(size: tuple[int, int] = (48, 32), seed: int = 1) -> tuple[Floats, Floats]:
    """Premultiplied colour and alpha: nothing, full coverage, every coverage between, and hints of it."""
    random = np.random.default_rng(seed)
    columns, rows = size
    alpha = random.random((rows, columns)).astype(np.float32)
    alpha[: rows // 4] = 0
    alpha[rows // 4 : rows // 2] = 1
    alpha[-1] = 1e-6  # under half a 16-bit code
    rgb = (random.random((rows, columns, 3)) * alpha[..., None]).astype(np.float32)
    return rgb, alpha


def smooth(size: tuple[int, int]) -> tuple[Floats, Floats]:
    """A soft disc of one colour: what a lossy coding is made for."""
    columns, rows = size
    y, x = np.mgrid[:rows, :columns]
    far = np.hypot(x - columns / 2, y - rows / 2) / (min(size) / 2)
    alpha = np.clip(1.4 - 1.4 * far, 0, 1).astype(np.float32)
    colour = np.array([0.9, 0.5, 0.2], np.float32)
    return alpha[..., None] * colour, alpha


def exact_straight(rgb: Floats, alpha: Floats, last: int) -> list[list[list[int]]]:
    """Codes [rows][columns][R, G, B, A] in whole-number arithmetic."""
    made = []
    for y in range(alpha.shape[0]):
        row = []
        for x in range(alpha.shape[1]):
            a = Fraction(float(alpha[y, x]))
            cover = round_half_away(a * last)
            colour = [Fraction(float(rgb[y, x, at])) / a if cover else Fraction(0) for at in range(3)]
            row.append(
                [*(round_half_away(min(max(value, Fraction(0)), Fraction(1)) * last) for value in colour), cover]
            )
        made.append(row)
    return made


def decoded(path: Path) -> tuple[Any, ...]:
    """Planes as FFmpeg decodes them (R, G, B, A or Y, Cb, Cr, A)."""
    with av.open(str(path)) as container:
        return tuple(plane.copy() for plane in plane_views(next(container.decode(video=0))))


@pytest.mark.parametrize("suffix", [".png", ".tif", ".tiff", ".PNG"])
def test_stills_of_codes_are_straight_and_exact(tmp_path: Path, suffix: str) -> None:
    """PNG read by FFmpeg, TIFF by tifffile; both hand over what is stored. PNG (W3C) 6.2: alpha is not premultiplied."""
    rgb, alpha = overlay()
    path = tmp_path / f".guides.partial{suffix}"
    write_overlay_still(path, rgb, alpha)
    if suffix.lower() == ".png":
        with av.open(str(path)) as container:
            frame = next(container.decode(video=0))
        assert frame.format.name == "rgba64be"
        read = frame.to_ndarray().astype(np.uint16)
    else:
        with tifffile.TiffFile(path) as file:
            page = file.pages[0]
            assert [int(each) for each in page.extrasamples] == [2]  # unassociated, TIFF 6.0 section 18
            read = page.asarray()
    assert read.dtype == np.uint16
    assert read.tolist() == exact_straight(rgb, alpha, 65535)
    assert not read[:8].any() and not read[-1].any()
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


def test_openexr_is_premultiplied(tmp_path: Path) -> None:
    """Read by FFmpeg, whose decoder hands over the stored values as float32."""
    rgb, alpha = overlay()
    path = tmp_path / "guides.exr"
    write_overlay_still(path, rgb, alpha)
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
    assert frame.format.name in {"gbrapf16le", "gbrapf32le"}
    kind = np.float16 if "f16" in frame.format.name else np.float32
    green, blue, red, cover = (
        np.frombuffer(plane, kind).reshape(frame.height, -1)[:, : frame.width] for plane in frame.planes
    )
    expected = rgb.astype(np.float16), alpha.astype(np.float16)
    assert np.array_equal(np.stack([red, green, blue], -1), np.where(expected[1][..., None] == 0, 0, expected[0]))
    assert np.array_equal(cover, expected[1])
    spec = oiio.ImageInput.open(str(path)).spec()
    assert (tuple(spec.channelnames), spec.alpha_channel, str(spec.format)) == (("R", "G", "B", "A"), 3, "half")


@pytest.mark.parametrize("suffix", [".png", ".tif", ".exr"])
def test_the_convention_that_readers_assume_gives_the_premultiplied_picture_back(tmp_path: Path, suffix: str) -> None:
    """OpenImageIO hands over premultiplied levels by default, whatever the file's own convention."""
    rgb, alpha = overlay()
    path = tmp_path / f"guides{suffix}"
    write_overlay_still(path, rgb, alpha)
    read = oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT)
    step = 2.0**-11 if suffix == ".exr" else 1 / 65535
    # half a step in alpha, half in colour, half again where the library multiplies
    assert np.abs(read[:-1, :, :3] - rgb[:-1]).max() <= step * 1.5
    assert np.abs(read[..., 3] - alpha).max() <= step


@pytest.mark.parametrize("suffix", [".png", ".tif", ".exr"])
@pytest.mark.parametrize("aspect", [Fraction(1), Fraction(4, 3), Fraction(2), Fraction(10, 11)])
def test_stills_say_their_pixel_aspect(tmp_path: Path, suffix: str, aspect: Fraction) -> None:
    path = tmp_path / f"guides{suffix}"
    write_overlay_still(path, *overlay(), aspect=aspect)
    said = oiio.ImageInput.open(str(path)).spec().get_float_attribute("PixelAspectRatio", 1.0)
    assert abs(said - float(aspect)) < 1e-6


def test_a_still_that_cannot_be_written(tmp_path: Path) -> None:
    rgb, alpha = overlay()
    with pytest.raises(Problem, match=r"guides\.jpg: an overlay is not written as \.jpg.*\.png, \.tif, \.tiff, \.exr"):
        write_overlay_still(tmp_path / "guides.jpg", rgb, alpha)
    with pytest.raises(Problem, match="a file without a suffix"):
        write_overlay_still(tmp_path / "guides", rgb, alpha)
    with pytest.raises(OSError, match="nowhere"):
        write_overlay_still(tmp_path / "nowhere" / "guides.png", rgb, alpha)
    with pytest.raises(ValueError, match=r"rgb and alpha must be \[32, 48, 3\]"):
        write_overlay_still(tmp_path / "guides.png", rgb[:, :-1], alpha)
    assert list(tmp_path.iterdir()) == []


def test_a_lossless_movie_is_exact_full_and_straight(tmp_path: Path) -> None:
    path = tmp_path / ".guides.partial"
    pictures = [overlay(seed=seed) for seed in range(3)]
    with OverlayMovie(
        path, 48, 32, Fraction(24000, 1001), codec="ffv1", aspect=Fraction(4, 3), timecode="10:00:00:00"
    ) as movie:
        for rgb, alpha in pictures:
            movie.write(rgb, alpha)
        movie.write(*pictures[0], times=2)
        assert movie.suffix == ".mkv"
    with open_movie(path) as made:
        info = made.info
        assert (info.codec, info.pixel_format, info.alpha, info.depth) == ("ffv1", "gbrap16le", True, 16)
        assert (info.tag.trusted, info.aspect, info.rate) == (Range.FULL, Fraction(4, 3), Fraction(24000, 1001))
        frames = [[plane.copy() for plane in frame.planes] for frame in made.frames()]
    assert len(frames) == 5
    for planes, (rgb, alpha) in zip(frames, [*pictures, pictures[0], pictures[0]], strict=True):
        assert np.stack(planes, -1).tolist() == exact_straight(rgb, alpha, 65535)
    with av.open(str(path)) as container:
        tags = {key.lower(): value for key, value in container.streams.video[0].metadata.items()}
        assert tags["timecode"] == "10:00:00:00"


@pytest.mark.parametrize(("matrix", "coefficients", "number"), [
    ("bt709", Matrix.BT709, 1), ("bt2020nc", Matrix.BT2020, 9), ("smpte170m", Matrix.BT601, 6),
    ("bt470bg", Matrix.BT601, 5),
])  # fmt: skip
def test_prores_is_narrow_straight_and_near(tmp_path: Path, matrix: str, coefficients: Matrix, number: int) -> None:
    """The planes against the standards' equations in Fractions; ProRes is decoded at 12 bits."""
    size = 96, 64
    path = tmp_path / "guides.mov"
    rgb, alpha = smooth(size)
    with OverlayMovie(path, *size, Fraction(25), matrix=matrix, timecode="09:58:00:00", aspect=Fraction(2)) as movie:
        for _ in range(3):
            movie.write(rgb, alpha)
        assert movie.suffix == ".mov"
    with open_movie(path) as made:
        info = made.info
        assert (info.codec, info.profile, info.alpha, info.frames) == ("prores", "4444", True, 3)
        assert (info.tag.trusted, info.matrix, info.aspect) == (Range.NARROW, matrix, 2)
        frames = [[plane.copy() for plane in frame.planes] for frame in made.frames()]
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
        assert (int(frame.colorspace), int(frame.color_range)) == (number, 1)
        assert container.streams.video[0].codec_tag == "ap4h"
        assert container.streams.video[0].metadata["timecode"] == "09:58:00:00"
    assert info.depth == 12
    encoding = Encoding(12, Range.NARROW)
    signal = coefficients.ycbcr((Fraction(9, 10), Fraction(1, 2), Fraction(1, 5)))
    channels = Channel.LUMA, Channel.CHROMA, Channel.CHROMA
    inside, outside = alpha > 0.2, np.hypot(*(np.mgrid[:64, :96] - np.array([32, 48])[:, None, None])) > 45
    for planes in frames:
        for plane, level, channel in zip(planes, signal, channels, strict=False):
            # half an input code of 10 bits is two of 12, the rest is the coding's own loss at the disc's rim
            there = abs(plane[inside].astype(int) - encoding.code(level, channel))
            assert there.mean() <= 4 and there.max() <= 16
            assert abs(plane[outside].astype(int) - encoding.zero(channel)).max() <= 8
        assert np.abs(planes[3] / 4095 - alpha).max() <= 0.5 / 1023 + 1 / 4095


@pytest.mark.parametrize("codec", ["prores", "ffv1"])
@pytest.mark.parametrize(("given", "said"), [
    ({}, ("bt709", "bt709")), ({"matrix": "bt2020nc"}, (None, None)),
    ({"matrix": "bt2020nc", "transfer": "smpte2084", "primaries": "bt2020"}, ("smpte2084", "bt2020")),
])  # fmt: skip
def test_the_movie_is_tagged_as_told(tmp_path: Path, codec: str, given: dict[str, str], said: tuple[str, str]) -> None:
    with OverlayMovie(tmp_path / "guides", 48, 32, Fraction(25), codec=codec, **given) as movie:  # type: ignore[arg-type]
        movie.write(*overlay())
    info = open_movie(tmp_path / "guides").info
    assert (info.transfer, info.primaries) == said
    assert info.matrix == ("gbr" if codec == "ffv1" else given.get("matrix", "bt709"))


@pytest.mark.parametrize("codec", ["prores", "ffv1"])
def test_composited_by_hand_it_is_the_premultiplied_picture_over_the_other(tmp_path: Path, codec: str) -> None:
    """Straight: under * (1 - alpha) + colour * alpha must equal under * (1 - alpha) + premultiplied colour."""
    size = 96, 64
    path = tmp_path / "guides"
    rgb, alpha = smooth(size)
    with OverlayMovie(path, *size, Fraction(25), codec=codec) as movie:
        movie.write(rgb, alpha)
    planes = decoded(path)
    cover = planes[3] / (65535 if codec == "ffv1" else 4095)
    if codec == "ffv1":
        colour = np.stack([plane / 65535 for plane in planes[:3]], -1)
    else:
        encoding = Encoding(12, Range.NARROW)
        kinds = Channel.LUMA, Channel.CHROMA, Channel.CHROMA
        luma, blue, red = (
            (plane.astype(float) - encoding.zero(kind)) / encoding.span(kind)
            for plane, kind in zip(planes, kinds, strict=False)
        )
        # BT.709-6 items 3.2 and 3.3, inverted
        colour = np.stack(
            [luma + 1.5748 * red, luma - 0.1873243 * blue - 0.4681243 * red, luma + 1.8556 * blue], axis=-1
        )
    under = 0.4
    mixed = under * (1 - cover[..., None]) + colour * cover[..., None]
    wanted = under * (1 - alpha[..., None]) + rgb
    assert np.abs(mixed - wanted).max() < (2e-5 if codec == "ffv1" else 5e-3)


@pytest.mark.parametrize("codec", ["prores", "ffv1"])
@pytest.mark.parametrize("size", [(1, 1), (2, 2), (17, 9), (1080, 1920), (2048, 1080)], ids=str)
def test_any_size_is_written(tmp_path: Path, codec: str, size: tuple[int, int]) -> None:
    path = tmp_path / "guides"
    alpha = np.full((size[1], size[0]), 0.5, np.float32)
    with OverlayMovie(path, *size, Fraction(30000, 1001), codec=codec) as movie:
        movie.write(np.repeat(alpha[..., None], 3, axis=2), alpha)
    planes = decoded(path)
    assert planes[0].shape == (size[1], size[0])
    assert abs(planes[3] / (65535 if codec == "ffv1" else 4095) - 0.5).max() < 1e-3


def test_whole_or_absent(tmp_path: Path) -> None:
    path = tmp_path / "guides.mov"
    rgb, alpha = overlay()

    def opened(**more: Any) -> OverlayMovie:
        return OverlayMovie(path, 48, 32, Fraction(25), **more)

    for failure in (ZeroDivisionError, KeyboardInterrupt):
        with pytest.raises(failure), opened() as movie:
            movie.write(rgb, alpha)
            raise failure
        assert not path.exists()
    with pytest.raises(Problem, match="no frames"), opened():
        pass
    with pytest.raises(ValueError, match=r"got \(31, 48, 3\)"), opened() as movie:
        movie.write(rgb[:-1], alpha[:-1])
    with pytest.raises(Problem, match=r"guides\.mov: the timecode 'soon' is no HH:MM:SS:FF"):
        opened(timecode="soon")
    with pytest.raises(Problem, match=r"prores_ks in mov refused 0x32 at 25"), OverlayMovie(path, 0, 32, Fraction(25)):
        pass
    with pytest.raises(ValueError, match="codec must be one of prores, ffv1, got 'gif'"):
        opened(codec="gif")
    with pytest.raises(ValueError, match=r"matrix must be one of .* got 'ictcp'"):
        opened(matrix="ictcp")
    with pytest.raises(OSError, match="nowhere"), OverlayMovie(tmp_path / "nowhere" / "x", 48, 32, Fraction(25)):
        pass
    assert list(tmp_path.iterdir()) == []


def test_asking_a_full_disk_leaves_nothing_there(tmp_path, monkeypatch):
    """The few bytes that tell whether the disk is to blame stayed behind on it, under a hidden name."""

    class Full(io.FileIO):
        def write(self, _data):
            raise OSError(errno.ENOSPC, "No space left on device")

    def opened(path, mode):
        return Full(path, mode)

    monkeypatch.setattr(Path, "open", opened)
    with pytest.raises(OSError, match="No space"):
        raise_disk_error(tmp_path / "guides.exr")
    assert list(tmp_path.iterdir()) == []
