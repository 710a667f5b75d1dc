"""Where the flag stands in a parameter set, over many settings; the outside reader is libavcodec's metadata filter."""

from __future__ import annotations

from pathlib import Path

import av
import pytest
from flag_files import encode, metadata_filter, start_coded
from flag_parameter_sets import h264_sps, hevc_sps, hevc_sub_layers, hevc_vps
from hypothesis import given, settings
from hypothesis import strategies as st

from footroom.host_adapter.headless.flags import av1, h264, hevc, vp9
from footroom.host_adapter.headless.flags.bits import BitReader, emulation_bytes, escaped_bit, may_change, unescape
from footroom.host_adapter.headless.flags.nal import annexb_units, configuration
from footroom.host_adapter.headless.flags.place import Damaged
from footroom.kernels.encoding import Range

READERS = {"h264": h264.full_range_bit, "hevc": hevc.full_range_bit}
CODES = (b"\0\0\0", b"\0\0\1", b"\0\0\2")
MAKERS = {"h264": h264_sps, "hevc": hevc_sps}


def flipped(data: bytes, bit: int) -> bytes:
    out = bytearray(data)
    out[bit >> 3] ^= 0x80 >> (bit & 7)
    return bytes(out)


def oracle(codec: str, nal: bytes, range_: Range) -> bytes:
    before = (hevc_vps(hevc_sub_layers(nal)),) if codec == "hevc" else ()
    return list(annexb_units(metadata_filter(codec, start_coded(*before, nal), range_)))[-1]


@pytest.mark.parametrize("codec", ["h264", "hevc"])
@settings(max_examples=250, deadline=None)
@given(seed=st.integers(0, 1 << 40))
def test_flipping_the_found_bit_gives_what_the_metadata_filter_gives(codec: str, seed: int) -> None:
    nal = MAKERS[codec](seed, 0)
    bit = READERS[codec](nal)
    if bit is None:  # the flip would alter the escaping; the filter's answer then has another length or other escapes
        assert emulation_bytes(oracle(codec, nal, Range.FULL)) != emulation_bytes(nal)
        return
    assert flipped(nal, bit) == oracle(codec, nal, Range.FULL)
    assert READERS[codec](flipped(nal, bit)) == bit


@pytest.mark.parametrize("codec", ["h264", "hevc"])
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 1 << 40))
def test_a_set_without_the_field_has_no_bit(codec: str, seed: int) -> None:
    assert READERS[codec](MAKERS[codec](seed, None)) is None


@pytest.mark.parametrize("codec", ["h264", "hevc"])
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 1 << 40), data=st.data())
def test_a_set_cut_short_is_damaged_not_a_crash(codec: str, seed: int, data: st.DataObject) -> None:
    nal = MAKERS[codec](seed, 0)
    bit = READERS[codec](nal)
    if bit is not None:
        with pytest.raises(Damaged):
            READERS[codec](nal[: data.draw(st.integers(0, bit >> 3))])


@settings(max_examples=300, deadline=None)
@given(nal=st.lists(st.sampled_from([0, 0, 0, 1, 2, 3, 3, 4, 7, 128]), min_size=4, max_size=24), data=st.data())
def test_a_change_that_is_allowed_alters_one_bit_of_the_payload(nal: list[int], data: st.DataObject) -> None:
    bit = data.draw(st.integers(0, len(nal) * 8 - 1))
    plain = bytes(nal)
    changed = flipped(plain, bit)
    if may_change(plain, bit):
        assert emulation_bytes(plain) == emulation_bytes(changed)
        first, second = (int.from_bytes(unescape(each), "big") for each in (plain, changed))
        assert (first ^ second).bit_count() <= 1
        forbidden = [[at for at in range(len(nal)) if each[at : at + 3] in CODES] for each in (plain, changed)]
        assert forbidden[0] == forbidden[1]


@pytest.mark.parametrize(
    ("nal", "bit"),
    [
        (b"\x67\0\0\4\x80", 3 * 8 + 5),  # 4 -> 0: three zeros
        (b"\x67\0\0\3\1\x80", 1 * 8),  # 0 -> 128: the 3 would turn into payload
        (b"\x67\0\1\2\x80", 2 * 8 + 7),  # 1 -> 0: two zeros before a 2
    ],
)
def test_a_change_that_would_break_the_escaping_is_refused(nal: bytes, bit: int) -> None:
    # ITU-T H.264 7.4.1: within a NAL unit 00 00 00, 00 00 01, 00 00 02 must not occur
    assert not may_change(nal, bit)


@given(payload=st.lists(st.sampled_from([0, 0, 0, 1, 2, 3, 4, 255]), max_size=30))
def test_a_payload_bit_is_found_behind_the_escapes(payload: list[int]) -> None:
    nal = bytearray()
    places = []
    zeros = 0
    for byte in payload:
        if zeros >= 2 and byte <= 3:
            nal.append(3)
            zeros = 0
        places.append(len(nal))
        nal.append(byte)
        zeros = zeros + 1 if byte == 0 else 0
    assert unescape(bytes(nal)) == bytes(payload)
    assert [escaped_bit(bytes(nal), index * 8 + 5) for index in range(len(payload))] == [at * 8 + 5 for at in places]


X264 = {
    "plain": ("yuv420p", {}),
    "baseline": ("yuv420p", {"profile": "baseline"}),
    "high 10": ("yuv420p10le", {}),
    "high 4:2:2": ("yuv422p10le", {}),
    "high 4:4:4": ("yuv444p", {"crf": "20"}),
    "lossless": ("yuv444p10le", {"qp": "0"}),
    "gray": ("gray", {}),
    "interlaced": ("yuv420p", {"x264-params": "tff=1"}),
    "scaling matrices": ("yuv420p", {"x264-params": "cqm=jvt"}),
    "hrd": ("yuv420p", {"x264-params": "nal-hrd=vbr:vbv-maxrate=500:vbv-bufsize=500"}),
    "overscan": ("yuv420p", {"x264-params": "overscan=show:videoformat=pal"}),
    "intra": ("yuv422p10le", {"g": "1"}),
}
X265 = {
    "plain": ("yuv420p", "")
    , "main 10": ("yuv420p10le", ""),
    "main 12": ("yuv420p12le", ""),
    "4:2:2 10": ("yuv422p10le", ""),
    "4:4:4 12": ("yuv444p12le", ""),
    "gray": ("gray", ""),
    "reference sets": ("yuv420p", "opt-rps=1:multi-pass-opt-rps=1:bframes=8:ref=5:b-pyramid=1"),
    "scaling lists": ("yuv420p", "scaling-list=default"),
    "hrd": ("yuv420p", "hrd=1:vbv-maxrate=500:vbv-bufsize=500"),
    "layers in time": ("yuv420p", "temporal-layers=3:bframes=4"),
    "lossless": ("yuv444p", "lossless=1:amp=1:rect=1"),
    "overscan": ("yuv420p", "overscan=crop:videoformat=ntsc:sar=2"),
}  # fmt: skip


def sets_of(path: Path) -> list[bytes]:
    """The parameter sets of a file's decoder configuration, in start-code form or not."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        codec = stream.codec_context.codec.canonical_name
        return [nal for _, nal in configuration(codec, bytes(stream.codec_context.extradata))[1]]


@pytest.mark.parametrize("range_", list(Range))
@pytest.mark.parametrize("size", [(96, 64), (90, 56)])
@pytest.mark.parametrize("name", X264)
def test_h264_encoder_settings(tmp_path: Path, name: str, size: tuple[int, int], range_: Range) -> None:
    pixels, options = X264[name]
    path = encode(tmp_path / "a.mp4", "libx264", range_, pixels=pixels, options=options, size=size, frames=2)
    nals = sets_of(path)
    other = Range(1 - range_)
    again = list(annexb_units(metadata_filter("h264", start_coded(*nals), other)))
    checked = 0
    for nal, expected in zip(nals, again, strict=True):
        if h264.nal_type(nal) in h264.SPS_TYPES:
            bit = h264.full_range_bit(nal)
            assert bit is not None
            assert flipped(nal, bit) == expected
            checked += 1
    assert checked == 1


@pytest.mark.parametrize("range_", list(Range))
@pytest.mark.parametrize("name", X265)
def test_hevc_encoder_settings(tmp_path: Path, name: str, range_: Range) -> None:
    pixels, options = X265[name]
    options = "log-level=none:pools=1" + (":" + options if options else "")
    path = encode(
        tmp_path / "a.mp4", "libx265", range_, pixels=pixels, options={"x265-params": options}, size=(90, 66), frames=3
    )
    nals = [nal for nal in sets_of(path) if hevc.nal_type(nal) in (32, 33, 34)]
    again = list(annexb_units(metadata_filter("hevc", start_coded(*nals), Range(1 - range_))))
    checked = 0
    for nal, expected in zip(nals, again, strict=True):
        if hevc.nal_type(nal) in hevc.SPS_TYPES:
            bit = hevc.full_range_bit(nal)
            assert bit is not None
            assert flipped(nal, bit) == expected
            checked += 1
    assert checked == 1


def test_numbers_of_the_standards() -> None:
    # ITU-T H.264 table 9-2 and 9-3: code words of ue(v) and se(v)
    words = {"1": 0, "010": 1, "011": 2, "00100": 3, "00111": 6, "0001000": 7}
    for word, value in words.items():
        data = int(word.ljust(16, "0"), 2).to_bytes(2, "big")
        assert BitReader(data).ue() == value
    for word, value in {"1": 0, "010": 1, "011": -1, "00100": 2, "00101": -2}.items():
        assert BitReader(int(word.ljust(16, "0"), 2).to_bytes(2, "big")).se() == value


def test_av1_without_a_field_for_it() -> None:
    # AV1 specification 5.5.2: with primaries 1, transfer 13, matrix 0 (sRGB), color_range is inferred and not sent
    def header(primaries: int, transfer: int, matrix: int) -> bytes:
        bits = "001" + "0" + "1" + "00000"  # profile 1, still_picture 0, reduced header, level
        bits += "0011" + "0011" + "1111" + "1111" + "000" + "000"
        bits += "0" + "1" + f"{primaries:08b}{transfer:08b}{matrix:08b}" + "1" + "0000"
        bits = bits.ljust(-(-len(bits) // 8) * 8, "0")
        return int(bits, 2).to_bytes(len(bits) // 8, "big")

    assert av1.color_range_bit(header(1, 13, 0)) is None
    assert av1.color_range_bit(header(1, 13, 1)) is not None


def test_vp9_frames_that_repeat_no_flag() -> None:
    # VP9 specification 6.2: show_existing_frame, and an inter frame that is shown
    assert vp9.color_range_bit(bytes([0b10001000])) is None
    assert vp9.color_range_bit(bytes([0b10000110])) is None
    with pytest.raises(Damaged):
        vp9.color_range_bit(bytes([0b00000000]))
    with pytest.raises(Damaged):  # a key frame without its sync code
        vp9.color_range_bit(bytes([0b10000010, 1, 2, 3, 4, 5]))
