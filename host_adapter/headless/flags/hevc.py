"""Where an HEVC sequence parameter set keeps video_full_range_flag.

Source: ITU-T H.265 7.3.2.2, 7.3.3, 7.3.4, 7.3.7, 7.4.8.
"""

from __future__ import annotations

from .bits import BitReader, unescape
from .h264 import changeable_bit
from .place import Damaged, Unsupported

SPS_TYPES = frozenset({33})

_MOST_REFERENCES = 16


def nal_type(header: bytes) -> int:
    """nal_unit_type of a NAL unit from its first byte."""
    return (header[0] >> 1) & 0x3F


def full_range_bit(nal: bytes) -> int | None:
    """The bit of the NAL unit (its header included) that holds the flag.

    Returns None where the parameter set has no such field, or where changing it would break the unit's escaping.
    Raises: Damaged where it cannot be parsed; Unsupported for a layer above the base layer (a second view, alpha).
    """
    bits = BitReader(unescape(nal))
    bits.skip(7)
    if bits.u(6):  # nuh_layer_id
        raise Unsupported("the HEVC stream has layers above the base layer")
    bits.skip(3)
    skip_to_vui(bits)
    return changeable_bit(nal, bits)


def skip_to_vui(bits: BitReader) -> None:
    """From the parameter set's first field to vui_parameters_present_flag."""
    bits.skip(4)  # sps_video_parameter_set_id
    sub_layers = bits.u(3)  # minus 1
    if sub_layers > 6:
        raise Damaged("an HEVC parameter set has more than 7 sub-layers")
    bits.skip(1)
    _skip_profile_tier_level(bits, sub_layers)
    bits.ue(15)
    if bits.ue(3) == 3:  # chroma_format_idc
        bits.skip(1)
    bits.ue()
    bits.ue()
    if bits.flag():  # conformance window
        for _ in range(4):
            bits.ue()
    bits.ue(8)  # bit depths
    bits.ue(8)
    order_bits = bits.ue(12) + 4  # log2_max_pic_order_cnt_lsb
    for _ in range(sub_layers + 1 if bits.flag() else 1):
        for _ in range(3):
            bits.ue()
    for _ in range(6):  # block sizes and transform depths
        bits.ue()
    if bits.flag() and bits.flag():  # scaling lists enabled, and present here
        _skip_scaling_lists(bits)
    bits.skip(2)
    if bits.flag():  # pcm
        bits.skip(8)
        bits.ue()
        bits.ue()
        bits.skip(1)
    sets: list[list[int]] = []
    for index in range(bits.ue(64)):
        sets.append(_reference_set(bits, sets[-1] if index else None))
    if bits.flag():  # long-term reference pictures
        for _ in range(bits.ue(32)):
            bits.skip(order_bits + 1)
    bits.skip(2)


def _skip_profile_tier_level(bits: BitReader, sub_layers: int) -> None:
    bits.skip(88 + 8)
    present = [(bits.flag(), bits.flag()) for _ in range(sub_layers)]
    if sub_layers:
        bits.skip(2 * (8 - sub_layers))
    for profile, level in present:
        bits.skip(88 * profile + 8 * level)


def _skip_scaling_lists(bits: BitReader) -> None:
    for size in range(4):
        for _ in range(0, 6, 3 if size == 3 else 1):
            if not bits.flag():
                bits.ue()
                continue
            for _ in range(min(64, 1 << (4 + (size << 1))) + (size > 1)):
                bits.se()


def _reference_set(bits: BitReader, previous: list[int] | None) -> list[int]:
    """Picture order differences of one short-term set, those before the picture first, each from near to far.

    The set's length steers the parsing of the next, so a predicted set has to be worked out, not just passed over.

    previous : the set before it, or None for the first, which cannot be predicted
    Source: ITU-T H.265 7.3.7, equations 7-61 to 7-64.
    """
    if previous is not None and bits.flag():
        sign = bits.u(1)
        shift = (1 - 2 * sign) * (bits.ue(1 << 15) + 1)
        found = []
        for difference in [*previous, 0]:
            # use_delta_flag is only there where used_by_curr_pic_flag is 0, and is 1 otherwise
            if (bits.flag() or bits.flag()) and difference + shift:
                found.append(difference + shift)
        before = sorted((difference for difference in found if difference < 0), reverse=True)
        after = sorted(difference for difference in found if difference > 0)
        if len(found) > _MOST_REFERENCES:
            raise Damaged("an HEVC parameter set names too many reference pictures")
        return before + after
    counts = bits.ue(_MOST_REFERENCES), bits.ue(_MOST_REFERENCES)
    differences = []
    for count, sign in zip(counts, (-1, 1), strict=True):
        difference = 0
        for _ in range(count):
            difference += sign * (bits.ue(1 << 15) + 1)
            bits.skip(1)
            differences.append(difference)
    return differences
