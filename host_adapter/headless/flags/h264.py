"""Where an H.264 sequence parameter set keeps video_full_range_flag.

Source: ITU-T H.264 7.3.2.1.1, 7.3.2.1.1.1, E.1.1.
"""

from __future__ import annotations

from .bits import BitReader, escaped_bit, may_change, unescape
from .place import Damaged

SPS_TYPES = frozenset({7, 15})
"""nal_unit_type of a sequence parameter set and of a subset one, which starts with the same fields."""

_WITH_CHROMA_FORMAT = frozenset({100, 110, 122, 244, 44, 83, 86, 118, 128, 138, 139, 134, 135})
_EXTENDED_SAR = 255


def nal_type(header: bytes) -> int:
    """nal_unit_type of a NAL unit from its first byte."""
    return header[0] & 0x1F


def full_range_bit(nal: bytes) -> int | None:
    """The bit of the NAL unit (its header included) that holds the flag.

    Returns None where the parameter set has no such field, or where changing it would break the unit's escaping.
    Raises: Damaged where the parameter set cannot be parsed.
    """
    bits = BitReader(unescape(nal), 8)
    skip_to_vui(bits)
    return changeable_bit(nal, bits)


def changeable_bit(nal: bytes, bits: BitReader) -> int | None:
    """From vui_parameters_present_flag, the same in H.264 and HEVC: the flag's bit of the NAL unit, if it may change.

    Returns None where there is no such field, or where changing it would break the unit's escaping.
    """
    bit = vui_full_range_bit(bits) if bits.flag() else None
    if bit is None:
        return None
    place = escaped_bit(nal, bit)
    return place if may_change(nal, place) else None


def vui_full_range_bit(bits: BitReader) -> int | None:
    """From the start of vui_parameters(), the same in H.264 and HEVC, to the flag; None where it is not there.

    Source: ITU-T H.264 E.1.1, H.265 E.2.1.
    """
    if bits.flag() and bits.u(8) == _EXTENDED_SAR:  # aspect_ratio_info_present_flag, aspect_ratio_idc
        bits.skip(32)
    if bits.flag():  # overscan_info_present_flag
        bits.skip(1)
    if not bits.flag():  # video_signal_type_present_flag
        return None
    bits.skip(3)  # video_format
    place = bits.position
    bits.skip(1)
    return place


def skip_to_vui(bits: BitReader) -> None:
    """From the parameter set's first field to vui_parameters_present_flag."""
    profile = bits.u(8)
    bits.skip(16)  # constraint flags, level
    bits.ue(31)  # seq_parameter_set_id
    if profile in _WITH_CHROMA_FORMAT:
        chroma_format = bits.ue(3)
        if chroma_format == 3:
            bits.skip(1)  # separate_colour_plane_flag
        bits.ue(6)
        bits.ue(6)
        bits.skip(1)  # qpprime_y_zero_transform_bypass_flag
        if bits.flag():
            for index in range(12 if chroma_format == 3 else 8):
                if bits.flag():
                    _skip_scaling_list(bits, 16 if index < 6 else 64)
    bits.ue(12)  # log2_max_frame_num_minus4
    order = bits.ue(2)  # pic_order_cnt_type
    if order == 0:
        bits.ue(12)
    elif order == 1:
        bits.skip(1)
        bits.se()
        bits.se()
        for _ in range(bits.ue(255)):
            bits.se()
    bits.ue()  # max_num_ref_frames
    bits.skip(1)
    bits.ue()  # width and height in macroblocks
    bits.ue()
    if not bits.flag():  # frame_mbs_only_flag
        bits.skip(1)
    bits.skip(1)  # direct_8x8_inference_flag
    if bits.flag():
        for _ in range(4):
            bits.ue()


def _skip_scaling_list(bits: BitReader, size: int) -> None:
    last, following = 8, 8
    for _ in range(size):
        if following:
            delta = bits.se()
            if not -128 <= delta <= 127:
                raise Damaged("an H.264 scaling list holds a step outside -128..127")
            following = (last + delta) & 0xFF
        last = following or last
