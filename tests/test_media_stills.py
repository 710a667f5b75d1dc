"""Numbered stills: every code of every depth back, headers kept, gaps and strangers named."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from media_files import make_stills

from footroom.host_adapter.headless.codecs import choose_codec
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.media import Frame, Info, Plane, Written
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.stills import pack, unpack
from footroom.host_adapter.headless.writing import transform
from footroom.kernels.encoding import Channel, Encoding, Model, Range

KINDS = [("dpx", 8), ("dpx", 10), ("dpx", 12), ("dpx", 16), ("tif", 8), ("tif", 16), ("png", 8), ("png", 16)]


def planes_of(path: Path) -> tuple[Info, list[list[np.ndarray]]]:
    with open_recording(path) as recording:
        return recording.info, [[plane.copy() for plane in frame.planes] for frame in recording.frames()]


def same(path: Path, target: Path, depth: int | None = None) -> Written:
    """Transform that leaves the codes alone, shifted up where the target is deeper."""
    with open_recording(path) as recording:
        info = recording.info
        wanted = depth or info.depth or 10
        shift = wanted - (info.depth or wanted)

        def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
            for plane, made in zip(frame.planes, targets, strict=True):
                made[:] = plane if info.depth is None else plane.astype(np.uint32) << shift

        choice = choose_codec(info, depth=wanted, remedy="lift" if shift else "rescale")
        encoding = Encoding(wanted, Range.NARROW, info.model)
        return transform(recording, target, encoding=encoding, codec=choice, process=process)


@pytest.mark.parametrize("depth", [9, 10, 12, 14, 16])
def test_every_code_survives_the_librarys_packing(depth: int) -> None:
    """Source: hosts' measured formula (v (2^n - 1) + 32767) // 65535, recomputed with whole numbers for every code."""
    last = (1 << depth) - 1
    codes = np.arange(last + 1, dtype=np.uint16).reshape(1, -1, 1)
    words = pack(codes, depth)
    assert [int(word) for word in words.ravel()] == [
        (2 * code * 65535 + last) // (2 * last) for code in range(last + 1)
    ]
    assert np.array_equal(unpack(words, depth), codes)


@pytest.mark.parametrize(("kind", "depth"), KINDS, ids=str)
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_codes_as_stored_in_and_out(tmp_path: Path, kind: str, depth: int, channels: int) -> None:
    made = make_stills(tmp_path / "in", kind, depth, channels=channels)
    pattern = tmp_path / "in" / f"shot.####.{kind}"
    info, read = planes_of(pattern)
    assert (info.depth, info.frames, info.width, info.height) == (depth, 4, 32, 24)
    assert info.model is (Model.GRAY if channels == 1 else Model.RGB)
    assert info.alpha == (channels == 4)
    for there, here in zip(made, read, strict=True):
        for at, plane in enumerate(here):
            assert np.array_equal(there[:, :, at], plane)
    written = same(pattern, tmp_path / "out")
    assert (written.frames, written.lossless) == (4, True)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [f"shot.{n:04d}.{kind}" for n in range(1, 5)]
    _, again = planes_of(tmp_path / "out")
    assert all(np.array_equal(a, b) for x, y in zip(read, again, strict=True) for a, b in zip(x, y, strict=True))


@pytest.mark.parametrize("depth", ["half", "float"])
@pytest.mark.parametrize("channels", [3, 4])
def test_floating_point_levels_in_and_out(tmp_path: Path, depth: str, channels: int) -> None:
    """Levels under 0 and over 1 included: they are the point of such files."""
    made = make_stills(tmp_path / "in", "exr", depth, channels=channels)
    info, read = planes_of(tmp_path / "in" / "shot.0001.exr")
    assert info.depth is None
    assert read[0][0].dtype == (np.float16 if depth == "half" else np.float32)
    assert min(plane.min() for frame in read for plane in frame) < 0
    same(tmp_path / "in" / "shot.####.exr", tmp_path / "out")
    _, again = planes_of(tmp_path / "out")
    for there, here in zip(made, again, strict=True):
        for at, plane in enumerate(here):
            assert np.array_equal(there[:, :, at], plane)


@pytest.mark.parametrize(("kind", "depth", "deeper"), [("dpx", 10, 12), ("dpx", 8, 10), ("tif", 8, 16), ("png", 8, 16)])
def test_a_lift_into_deeper_stills(tmp_path: Path, kind: str, depth: int, deeper: int) -> None:
    made = make_stills(tmp_path / "in", kind, depth)
    same(tmp_path / "in" / f"shot.####.{kind}", tmp_path / "out", deeper)
    info, read = planes_of(tmp_path / "out")
    assert info.depth == deeper
    for there, here in zip(made, read, strict=True):
        assert np.array_equal(there[:, :, 1].astype(np.uint32) << (deeper - depth), here[1])


def test_colour_is_never_multiplied_by_alpha(tmp_path: Path) -> None:
    """A transparent pixel keeps the code of its colour."""

    def codes(index: int) -> np.ndarray:
        return np.full((4, 4, 4), (200, 100, 50, 0), np.uint8)

    for kind in ("png", "tif"):
        make_stills(tmp_path / kind, kind, 8, channels=4, codes=codes)
        _, read = planes_of(tmp_path / kind)
        assert [int(plane[0, 0]) for plane in read[0]] == [200, 100, 50, 0]
        same(tmp_path / kind, tmp_path / f"{kind}_out")
        _, again = planes_of(tmp_path / f"{kind}_out")
        assert [int(plane[0, 0]) for plane in again[0]] == [200, 100, 50, 0]


def attributes(path: Path) -> dict[str, Any]:
    source = oiio.ImageInput.open(str(path))
    return {each.name: each.value for each in source.spec().extra_attribs}


@pytest.mark.parametrize(
    ("kind", "depth", "header"),
    [
        (
            "dpx",
            10,
            {
                "dpx:FrameRate": 24.0,
                "dpx:Transfer": "Printing density",
                "PixelAspectRatio": 2.0,
                "dpx:SlateInfo": "12A",
            },
        ),
        ("exr", "half", {"FramesPerSecond": 24.0, "PixelAspectRatio": 2.0, "scene": "12A", "compression": "piz"}),
        ("tif", 16, {"ImageDescription": "scene 12A", "Artist": "Kestrel", "compression": "lzw"}),
    ],
)
def test_the_header_comes_over(tmp_path: Path, kind: str, depth: Any, header: dict[str, Any]) -> None:
    make_stills(tmp_path / "in", kind, depth, attributes=header)
    written = same(tmp_path / "in" / f"shot.####.{kind}", tmp_path / "out")
    before, after = (
        attributes(tmp_path / "in" / f"shot.0002.{kind}"),
        attributes(tmp_path / "out" / f"shot.0002.{kind}"),
    )
    for key, value in header.items():
        assert before[key] == value
        assert after[key] == value
    assert written.uncarried == ()


def test_timecode_and_rate_of_a_scan(tmp_path: Path) -> None:
    code = oiio.TypeDesc(oiio.BASETYPE.UINT, oiio.AGGREGATE.SCALAR, oiio.VECSEMANTICS.TIMECODE, 2)
    header = {"smpte:TimeCode": (code, (0x10595812, 0)), "dpx:FrameRate": 23.976}
    make_stills(tmp_path / "in", "dpx", 10, attributes=header)
    pattern = tmp_path / "in" / "shot.####.dpx"
    first = attributes(tmp_path / "in" / "shot.0001.dpx")
    assert "smpte:TimeCode" in first
    info, _ = planes_of(pattern)
    assert info.rate == Fraction(24000, 1001)
    same(pattern, tmp_path / "out")
    assert attributes(tmp_path / "out" / "shot.0001.dpx")["smpte:TimeCode"] == first["smpte:TimeCode"]


def test_sampling_includes_both_ends(tmp_path: Path) -> None:
    make_stills(tmp_path, "dpx", 10, frames=10, first=1001)
    with open_recording(tmp_path / "shot.%04d.dpx") as recording:
        assert [frame.index for frame in recording.sample(4)] == [0, 3, 6, 9]
        assert [frame.index for frame in recording.frames()] == list(range(10))
        assert recording.info.channels() == (Channel.RED, Channel.GREEN, Channel.BLUE)


def test_planes_cannot_be_written(tmp_path: Path) -> None:
    make_stills(tmp_path, "tif", 16)
    with open_recording(tmp_path) as recording:
        frame = next(iter(recording.frames()))
        with pytest.raises(ValueError, match="read-only"):
            frame.planes[0][0, 0] = 1


def test_gaps_are_named(tmp_path: Path) -> None:
    make_stills(tmp_path, "dpx", 10, frames=8)
    for number in (3, 4, 6):
        (tmp_path / f"shot.{number:04d}.dpx").unlink()
    with pytest.raises(Problem, match=r"shot\.####\.dpx: numbers 3, 4, 6 are missing between 1 and 8"):
        open_recording(tmp_path / "shot.0001.dpx")


def test_a_stranger_in_the_sequence_is_named(tmp_path: Path) -> None:
    make_stills(tmp_path, "tif", 16, frames=3)
    make_stills(tmp_path, "tif", 16, frames=1, first=2, size=(16, 24))
    with open_recording(tmp_path) as recording, pytest.raises(Problem, match=r"shot\.0002\.tif: this still is 16x24"):
        list(recording.frames())


def test_a_damaged_still_is_named_and_nothing_is_left(tmp_path: Path) -> None:
    make_stills(tmp_path / "in", "dpx", 10, frames=3)
    hurt = tmp_path / "in" / "shot.0002.dpx"
    hurt.write_bytes(hurt.read_bytes()[:2500])
    with pytest.raises(Problem, match=r"shot\.0002\.dpx: this still is cut short"):
        same(tmp_path / "in" / "shot.####.dpx", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_what_is_no_readable_still(tmp_path: Path) -> None:
    (tmp_path / "false.0001.dpx").write_bytes(b"kestrel" * 400)
    with pytest.raises(Problem, match="cannot be read"):
        open_recording(tmp_path / "false.0001.dpx")
    with pytest.raises(Problem, match="no file matches"):
        open_recording(tmp_path / "absent.####.exr")
    with pytest.raises(Problem, match="no such file"):
        open_recording(tmp_path / "absent.tif")
    make_stills(tmp_path / "two", "exr", "half", channels=2)
    with pytest.raises(Problem, match="channels"):
        open_recording(tmp_path / "two")


def test_depths_that_a_file_type_lacks_are_refused_with_advice(tmp_path: Path) -> None:
    make_stills(tmp_path, "tif", 8)
    info = open_recording(tmp_path).info
    with pytest.raises(Problem, match=r"TIFF stills hold 8 or 16 bits, not 10\. Use --depth 16"):
        choose_codec(info, depth=10, remedy="lift")
    with pytest.raises(Problem, match="not written as 'mov'"):
        choose_codec(info, depth=8, remedy="rescale", codec="mov")
