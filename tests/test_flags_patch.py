"""Changing the flag in a copy: what changes, what does not, and the way back."""

from __future__ import annotations

import shutil
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from flag_files import LIBRARY, decoded, differing, encode, ffprobe_range, read_flags

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.flags import Site, can_retag, find_sites, retag
from footroom.host_adapter.headless.flags.find import layout_of
from footroom.host_adapter.headless.flags.patch import checksum_difference
from footroom.host_adapter.headless.flags.place import Checksum
from footroom.kernels.encoding import Range

X265 = {"x265-params": "log-level=none:pools=1"}
FAST = {"preset": "12"}
DNX = {"profile": "dnxhr_hqx"}
KINDS: dict[str, tuple[str, str, dict[str, str], set[str]]] = {
    # file -> encoder, pixel format, options, beginnings of the names of the places that must be found
    "h264.mp4": ("libx264", "yuv420p", {}, {"H.264 SPS in the avcC", "colr"}),
    "h264.mov": ("libx264", "yuv422p10le", {}, {"H.264 SPS in the avcC"}),
    "h264.mkv": ("libx264", "yuv420p", {}, {"H.264 SPS in CodecPrivate", "Matroska"}),
    "h264.ts": ("libx264", "yuv420p", {"g": "2"}, {"H.264 SPS among"}),
    "h264.m2ts": ("libx264", "yuv420p", {"g": "2"}, {"H.264 SPS among"}),
    "h264.mxf": ("libx264", "yuv420p", {"g": "2"}, {"H.264 SPS among", "picture descriptor's black"}),
    "hevc.mp4": ("libx265", "yuv420p10le", X265, {"HEVC SPS in the hvcC", "colr"}),
    "hevc.mov": ("libx265", "yuv422p12le", X265, {"HEVC SPS in the hvcC"}),
    "hevc.mkv": ("libx265", "yuv420p", X265, {"HEVC SPS in CodecPrivate", "Matroska"}),
    "hevc.ts": ("libx265", "yuv420p", X265, {"HEVC SPS among"}),
    "av1.mp4": ("libsvtav1", "yuv420p", FAST, {"AV1 sequence header in the av1C", "colr", "AV1 sequence header among"}),
    "av1.mkv": ("libsvtav1", "yuv420p10le", FAST, {"AV1 sequence header in CodecPrivate", "Matroska"}),
    "av1.webm": ("libsvtav1", "yuv420p", FAST, {"AV1 sequence header among", "Matroska"}),
    "vp9.mp4": ("libvpx-vp9", "yuv420p", {"g": "2"}, {"VP9", "vpcC", "colr"}),
    "vp9.mkv": ("libvpx-vp9", "yuv444p", {"g": "2"}, {"VP9", "Matroska"}),
    "vp9.webm": ("libvpx-vp9", "yuv420p", {"g": "2"}, {"VP9", "Matroska"}),
    "ffv1.mkv": ("ffv1", "yuv422p10le", {}, {"Matroska"}),
    "ffv1.mp4": ("ffv1", "yuv420p", {}, {"colr"}),
    "dnx.mov": ("dnxhd", "yuv422p10le", DNX, {"ACLR"}),
    "dnx.mxf": ("dnxhd", "yuv422p10le", DNX, {"picture descriptor's black", "picture descriptor's white"}),
}  # fmt: skip


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Range], Path]:
    """Gives the encoded file of one kind and range, made once."""
    folder = tmp_path_factory.mktemp("flags")

    def make(name: str, range_: Range) -> Path:
        path = folder / f"{range_.label}_{name}"
        if not path.exists():
            codec, pixels, options, _ = KINDS[name]
            size = (256, 128) if codec == "dnxhd" else (96, 64)
            encode(path, codec, range_, pixels=pixels, options=options, size=size)
        return path

    return make


@pytest.mark.parametrize("range_", list(Range))
@pytest.mark.parametrize("name", KINDS)
def test_retag_changes_the_flag_alone_and_back(
    made: Callable[[str, Range], Path], tmp_path: Path, name: str, range_: Range
) -> None:
    path, other = made(name, range_), Range(1 - range_)
    whole = path.read_bytes()
    assert can_retag(path).method == "patch"
    sites = find_sites(path)
    assert all(any(site.what.startswith(start) for site in sites) for start in KINDS[name][3])
    assert {site.value(whole[site.offset]) for site in sites} == {range_}
    there, back = tmp_path / f"there_{name}", tmp_path / f"back_{name}"

    done = retag(path, there, other)

    assert done.method == "patch"
    assert done.uncarried == ()
    assert path.read_bytes() == whole
    assert read_flags(path) == (LIBRARY[range_],) * 2
    assert read_flags(there) == (LIBRARY[other],) * 2
    assert differing(path, there) == [offset for offset, *_ in done.changed]
    after = there.read_bytes()
    assert all(whole[offset] == old and after[offset] == new for offset, old, new, _ in done.changed)
    assert decoded(there) == decoded(path)
    assert retag(there, back, range_).method == "patch"
    assert back.read_bytes() == whole


@pytest.mark.parametrize("name", ["h264.mp4", "h264.mov", "hevc.mkv", "hevc.mov", "ffv1.mkv", "h264.ts", "dnx.mov"])
def test_an_outside_reader_sees_the_new_flag(made: Callable[[str, Range], Path], tmp_path: Path, name: str) -> None:
    # Debian's ffprobe, another build and version of the library
    path, target = made(name, Range.NARROW), tmp_path / name
    retag(path, target, Range.FULL)
    assert (ffprobe_range(path), ffprobe_range(target)) == ("tv", "pc")


def test_a_flag_that_is_right_already_gives_the_same_file(made: Callable[[str, Range], Path], tmp_path: Path) -> None:
    path = made("h264.mp4", Range.FULL)
    done = retag(path, tmp_path / "a.mp4", Range.FULL)
    assert done.changed == ()
    assert (tmp_path / "a.mp4").read_bytes() == path.read_bytes()


@pytest.mark.parametrize("name", ["a.mp4", "a.mov", "a.mkv", "a.ts"])
@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_parameter_sets_that_are_repeated_among_the_pictures(tmp_path: Path, codec: str, name: str) -> None:
    option = {"x264-params": "repeat-headers=1:keyint=2"} if codec == "libx264" else {
        "x265-params": "repeat-headers=1:keyint=2:log-level=none:pools=1"
    }  # fmt: skip
    path = encode(tmp_path / name, codec, Range.NARROW, options=option)
    inside = [site for site in find_sites(path) if "among the pictures" in site.what]
    assert len(inside) == 3  # six pictures, a key picture every two
    target = tmp_path / f"full_{name}"
    retag(path, target, Range.FULL)
    assert read_flags(target) == (2, 2)
    assert decoded(target) == decoded(path)
    changed = target.read_bytes()
    assert {site.value(changed[site.offset]) for site in inside} == {Range.FULL}


@pytest.mark.parametrize(
    "flags",
    [
        "frag_keyframe+empty_moov",
        "frag_keyframe+empty_moov+default_base_moof",
        "frag_every_frame",
        "frag_keyframe+separate_moof",
        "faststart",
    ],
)
def test_fragments_and_other_layouts(tmp_path: Path, flags: str) -> None:
    options = {"x264-params": "repeat-headers=1:keyint=2"}
    path = encode(tmp_path / "a.mp4", "libx264", Range.NARROW, options=options, muxer={"movflags": flags})
    assert sum("among the pictures" in site.what for site in find_sites(path)) == 3
    retag(path, tmp_path / "b.mp4", Range.FULL)
    assert read_flags(tmp_path / "b.mp4") == (2, 2)
    assert decoded(tmp_path / "b.mp4") == decoded(path)


@pytest.mark.parametrize("muxer", [{"live": "1"}, {"cluster_time_limit": "60"}])
def test_matroska_written_live_or_in_many_clusters(tmp_path: Path, muxer: dict[str, str]) -> None:
    options = {"x264-params": "repeat-headers=1:keyint=2"}
    path = encode(tmp_path / "a.mkv", "libx264", Range.NARROW, options=options, muxer=muxer)
    assert sum("among the pictures" in site.what for site in find_sites(path)) == 3
    retag(path, tmp_path / "b.mkv", Range.FULL)
    assert read_flags(tmp_path / "b.mkv") == (2, 2)
    assert decoded(tmp_path / "b.mkv") == decoded(path)


def test_sound_beside_the_pictures_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    subprocess.run(
        ["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=96x64:d=1", "-f", "lavfi", "-i", "sine=d=1", "-c:v",
         "libx264", "-color_range", "tv", "-colorspace", "bt709", "-timecode", "01:02:03:04", str(path)], check=True
    )  # fmt: skip
    retag(path, tmp_path / "b.mov", Range.FULL)
    assert ffprobe_range(tmp_path / "b.mov") == "pc"
    assert len(differing(path, tmp_path / "b.mov")) == 1


def test_places_that_disagree_come_to_agree(made: Callable[[str, Range], Path], tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    shutil.copy(made("h264.mp4", Range.NARROW), path)
    colr = next(site for site in find_sites(path) if site.what.startswith("colr"))
    data = bytearray(path.read_bytes())
    data[colr.offset] = colr.put(data[colr.offset], Range.FULL)
    path.write_bytes(data)
    done = retag(path, tmp_path / "b.mp4", Range.FULL)
    assert [what for *_, what in done.changed] == ["H.264 SPS in the avcC box"]
    assert read_flags(tmp_path / "b.mp4") == (2, 2)


@pytest.mark.parametrize("name", ["h264.mkv", "vp9.mkv", "av1.mkv", "ffv1.mkv"])
def test_matroska_checksums_hold_after_the_patch(made: Callable[[str, Range], Path], tmp_path: Path, name: str) -> None:
    # RFC 8794 11.3.1: CRC-32 of the rest of the parent element, stored with the low byte first
    target = tmp_path / name
    retag(made(name, Range.NARROW), target, Range.FULL)
    data = target.read_bytes()
    checksums = layout_of(target).checksums
    assert checksums
    for each in checksums:
        assert int.from_bytes(data[each.offset : each.offset + 4], "little") == zlib.crc32(data[each.start : each.end])


def test_the_difference_of_a_checksum_is_that_of_the_whole_computation() -> None:
    before = bytes(range(256)) * 20
    after = bytearray(before)
    flips = {1010: 1, 1011: 0x80, 5000: 0xFF}
    for offset, bits in flips.items():
        after[offset - 1000] ^= bits
    difference = checksum_difference(Checksum(0, 1000, 1000 + len(before)), flips)
    assert zlib.crc32(before) ^ difference == zlib.crc32(after)
    assert checksum_difference(Checksum(0, 6000, 9000), flips) == zlib.crc32(b"") == 0


def test_a_target_that_exists_is_not_touched(made: Callable[[str, Range], Path], tmp_path: Path) -> None:
    target = tmp_path / "b.mp4"
    target.write_text("mine")
    with pytest.raises(Problem, match="already"):
        retag(made("h264.mp4", Range.NARROW), target, Range.FULL)
    assert target.read_text() == "mine"


def test_a_target_in_no_folder_is_a_problem(made: Callable[[str, Range], Path], tmp_path: Path) -> None:
    with pytest.raises(Problem, match="could not be written"):
        retag(made("h264.mp4", Range.NARROW), tmp_path / "nowhere" / "b.mp4", Range.FULL)


def test_a_site_states_and_takes_a_range() -> None:
    site = Site(0, 0x04, 0, 4, "here")
    assert (site.value(0xFB), site.value(0xFF)) == (Range.NARROW, Range.FULL)
    assert (site.put(0xFF, Range.NARROW), site.put(0x00, Range.FULL)) == (0xFB, 0x04)
    assert Site(0, 0xFF, 1, 2, "Range element").value(0) is None
