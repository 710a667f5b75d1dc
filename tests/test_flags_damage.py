"""Broken, cut-off and foreign files: one clear error each, and nothing left behind."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from flag_files import encode
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.flags import can_retag, find_sites, retag
from footroom.host_adapter.headless.flags.find import layout_of
from footroom.kernels.encoding import Range

REPEATED = {"x264-params": "repeat-headers=1:keyint=2"}
EBML = b"\x1a\x45\xdf\xa3\x80\x18\x53\x80\x67\xff"
KINDS = {
    "mp4": ("libx264", REPEATED, {}),
    "fragmented.mp4": ("libx264", REPEATED, {"movflags": "frag_keyframe+empty_moov"}),
    "mov": ("libx265", {"x265-params": "log-level=none:pools=1"}, {}),
    "mkv": ("libx264", REPEATED, {}),
    "vp9.webm": ("libvpx-vp9", {"g": "2"}, {}),
    "av1.mp4": ("libsvtav1", {"preset": "12"}, {}),
    "mxf": ("libx264", {"g": "2"}, {}),
    "ts": ("libx264", {"g": "2"}, {}),
}  # fmt: skip


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """One whole file of each kind."""
    folder = tmp_path_factory.mktemp("damage")
    return {
        kind: encode(folder / f"a.{kind}", codec, Range.FULL, options=options, muxer=muxer, frames=4).read_bytes()
        for kind, (codec, options, muxer) in KINDS.items()
    }


def attempt(path: Path, target: Path) -> None:
    """Nothing but Problem may come out, and a failed retag leaves nothing."""
    can_retag(path)
    try:
        retag(path, target, Range.NARROW, method="patch")
    except Problem:
        assert not target.exists()
    target.unlink(missing_ok=True)


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_that_was_cut_off_is_refused(sound: dict[str, bytes], tmp_path: Path, kind: str) -> None:
    whole = sound[kind]
    path = tmp_path / f"cut.{kind}"
    for kept in (0.2, 0.5, 0.9, 0.999):
        path.write_bytes(whole[: int(len(whole) * kept)])
        with pytest.raises(Problem, match=r"cut off|damaged|contradict|ends"):
            find_sites(path)
        assert can_retag(path).method is None
        with pytest.raises(Problem):
            retag(path, tmp_path / "target", Range.NARROW)
        assert not (tmp_path / "target").exists()


@pytest.mark.parametrize("content", [b"", b"\0", b"no video at all, just words\n" * 50, b"\0" * 4096, b"\xff" * 4096])
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.mxf"])
def test_what_is_no_media_is_a_problem(tmp_path: Path, content: bytes, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(Problem, match=name):
        find_sites(path)
    assert can_retag(path).method is None
    with pytest.raises(Problem):
        retag(path, tmp_path / "target", Range.FULL)
    assert not (tmp_path / "target").exists()


def test_a_file_that_is_not_there_or_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.mp4", tmp_path):
        with pytest.raises(Problem, match="cannot be read"):
            find_sites(path)
        with pytest.raises(Problem, match="cannot be read"):
            can_retag(path)


BOX = struct.Struct(">I4s")
ABSURD = {
    "box of 2^63 bytes": BOX.pack(16, b"ftyp") + b"isom\0\0\0\0" + BOX.pack(1, b"moov") + b"\x7f" + b"\xff" * 7,
    "box smaller than its header": BOX.pack(16, b"ftyp") + b"isom\0\0\0\0" + BOX.pack(4, b"moov") + bytes(16),
    "wide box smaller than its header": BOX.pack(1, b"ftyp") + (3).to_bytes(8, "big") + bytes(32),
    "boxes without end": BOX.pack(0, b"moov") + BOX.pack(0, b"trak") * 40,
    "table of 2^32 entries": BOX.pack(8 + 8 + 8, b"moov") + BOX.pack(16, b"trak") + b"\xff" * 8,
    "element of unknown size in itself": EBML + b"\x16\x54\xae\x6b\xff" * 60,
    "element of 2^56 bytes": EBML + b"\x16\x54\xae\x6b\x01" + b"\xff" * 6 + b"\xfe" + b"\xae\x80",
    "element without a header": EBML + bytes(100),
    "segment without tracks": b"\x1a\x45\xdf\xa3\x80\x18\x53\x80\x67\x80",
    "unit of 2^63 bytes": bytes.fromhex("060e2b34020501010d01020101020400") + b"\x88\x7f" + b"\xff" * 7,
    "unit with a length of lengths": bytes.fromhex("060e2b34020501010d01020101020400") + b"\xff" + b"\xff" * 40,
    "stream without tables": (b"\x47\x1f\xff\x10" + b"\xff" * 184) * 20,
    "packets with a stuffing that is too long": (b"\x47\x40\0\x30\xff" + b"\xff" * 183) * 20,
}  # fmt: skip


@pytest.mark.parametrize("name", ABSURD)
def test_absurd_sizes_are_problems(tmp_path: Path, name: str) -> None:
    path = tmp_path / "absurd"
    path.write_bytes(ABSURD[name])
    with pytest.raises(Problem):
        layout_of(path)
    attempt(path, tmp_path / "target")


def test_a_table_that_announces_more_than_there_is(sound: dict[str, bytes], tmp_path: Path) -> None:
    for kind in (b"stsz", b"stsc", b"stco", b"stsd"):
        data = bytearray(sound["mp4"])
        at = data.index(kind) + (12 if kind == b"stsz" else 8)
        data[at : at + 4] = b"\xff\xff\xff\xf0"
        path = tmp_path / "a.mp4"
        path.write_bytes(data)
        with pytest.raises(Problem):
            find_sites(path)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_random_damage_raises_nothing_but_a_problem(
    sound: dict[str, bytes], tmp_path: Path, kind: str, data: st.DataObject
) -> None:
    content = bytearray(sound[kind])
    near_end = st.integers(max(0, len(content) - 3000), len(content) - 1)
    anywhere = st.integers(0, len(content) - 1)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.one_of(st.integers(0, 800), near_end, anywhere))
        content[at % len(content)] = data.draw(
            st.sampled_from([0, 1, 0x7F, 0x80, 0xFF, data.draw(st.integers(0, 255))])
        )
    path = tmp_path / f"damaged.{kind}"
    path.write_bytes(content)
    try:
        sites = find_sites(path)
    except Problem:
        return
    assert all(0 <= site.offset < len(content) for site in sites)
    attempt(path, tmp_path / f"target.{kind}")
