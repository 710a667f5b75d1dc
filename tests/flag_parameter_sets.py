"""Parameter sets written bit by bit from the standards' syntax tables, for tests of the code that reads them.

Sources: ITU-T H.264 7.3.2.1.1 and E.1.1; ITU-T H.265 7.3.2.2, 7.3.3, 7.3.4, 7.3.7 and E.2.1 (from memory), checked against
libavcodec's parser by the tests that use them.
"""

from __future__ import annotations

import random


class BitWriter:
    """Collects bits, the most significant first."""

    def __init__(self) -> None:
        self.bits: list[int] = []

    def u(self, count: int, value: int) -> None:
        """An unsigned number of `count` bits."""
        self.bits += [value >> shift & 1 for shift in range(count - 1, -1, -1)]

    def ue(self, value: int) -> None:
        """Exp-Golomb, unsigned."""
        length = (value + 1).bit_length()
        self.u(2 * length - 1, value + 1)

    def se(self, value: int) -> None:
        """Exp-Golomb, signed."""
        self.ue(2 * value - 1 if value > 0 else -2 * value)

    def escaped(self) -> bytes:
        """Stop bit, alignment, emulation prevention."""
        bits = [*self.bits, 1]
        bits += [0] * (-len(bits) % 8)
        raw = bytes(int("".join(map(str, bits[at : at + 8])), 2) for at in range(0, len(bits), 8))
        out = bytearray()
        zeros = 0
        for byte in raw:
            if zeros >= 2 and byte <= 3:
                out.append(3)
                zeros = 0
            out.append(byte)
            zeros = zeros + 1 if byte == 0 else 0
        return bytes(out)


def _vui(w: BitWriter, rng: random.Random, range_: int | None) -> None:
    w.u(1, 1)  # vui_parameters_present_flag
    if rng.random() < 0.5:
        w.u(1, 1)
        if rng.random() < 0.5:
            w.u(8, 255)
            w.u(16, rng.randrange(1, 300))
            w.u(16, rng.randrange(1, 300))
        else:
            w.u(8, rng.randrange(0, 17))
    else:
        w.u(1, 0)
    if rng.random() < 0.5:
        w.u(1, 1)
        w.u(1, rng.randrange(2))
    else:
        w.u(1, 0)
    if range_ is None:
        w.u(1, 0)
    else:
        w.u(1, 1)
        w.u(3, 5)
        w.u(1, range_)
        if rng.random() < 0.5:
            w.u(1, 1)
            w.u(24, 0x010101)
        else:
            w.u(1, 0)


def h264_sps(seed: int, range_: int | None) -> bytes:
    """A random sequence parameter set; range_ 0, 1 or None (no field)."""
    rng = random.Random(seed)
    w = BitWriter()
    w.u(8, 0x67)
    profile = rng.choice([66, 77, 88, 100, 110, 122, 244, 44])
    w.u(8, profile)
    w.u(8, 0)
    w.u(8, 40)
    w.ue(0)
    if profile in (100, 110, 122, 244, 44):
        chroma = rng.choice([0, 1, 2, 3])
        w.ue(chroma)
        if chroma == 3:
            w.u(1, 0)
        w.ue(depth := rng.choice([0, 2]))
        w.ue(depth)
        w.u(1, 0)
        if rng.random() < 0.5:
            w.u(1, 1)
            for index in range(12 if chroma == 3 else 8):
                if rng.random() < 0.5:
                    w.u(1, 0)
                    continue
                w.u(1, 1)
                _h264_list(w, rng, 16 if index < 6 else 64)
        else:
            w.u(1, 0)
    w.ue(rng.randrange(13))
    order = rng.randrange(3)
    w.ue(order)
    if order == 0:
        w.ue(rng.randrange(13))
    elif order == 1:
        w.u(1, 0)
        w.se(rng.randrange(-50, 50))
        w.se(rng.randrange(-50, 50))
        count = rng.randrange(6)
        w.ue(count)
        for _ in range(count):
            w.se(rng.randrange(-5000, 5000))
    w.ue(rng.randrange(1, 17))
    w.u(1, 0)
    w.ue(119)
    frame_only = rng.randrange(2)
    w.ue(67 if frame_only else 33)
    w.u(1, frame_only)
    if not frame_only:
        w.u(1, rng.randrange(2))
    w.u(1, 1)
    if rng.random() < 0.5:
        w.u(1, 1)
        for _ in range(4):
            w.ue(rng.randrange(5))
    else:
        w.u(1, 0)
    if range_ is None and rng.random() < 0.5:
        w.u(1, 0)
        return w.escaped()
    _vui(w, rng, range_)
    w.u(3, 0)  # chroma location, timing, nal hrd
    w.u(3, 0)  # vcl hrd, pic_struct, bitstream restriction
    return w.escaped()


def _h264_list(w: BitWriter, rng: random.Random, size: int) -> None:
    last = following = 8
    for position in range(size):
        if following:
            wanted = rng.randrange(1, 256) if position == 0 or rng.random() < 0.9 else 0
            delta = (wanted - last + 128) % 256 - 128
            w.se(delta)
            following = (last + delta) % 256
        last = following or last


def hevc_sps(seed: int, range_: int | None) -> bytes:
    """A random sequence parameter set; range_ 0, 1 or None (no field)."""
    rng = random.Random(seed)
    w = BitWriter()
    w.u(16, 0x4201)
    w.u(4, 0)
    sub_layers = rng.choice([0, 0, 0, 1, 2, 3])
    w.u(3, sub_layers)
    w.u(1, 1)
    _profile_tier_level(w, rng, sub_layers)
    w.ue(0)
    chroma = rng.choice([1, 2, 3])
    w.ue(chroma)
    if chroma == 3:
        w.u(1, 0)
    w.ue(1920)
    w.ue(1080)
    if rng.random() < 0.5:
        w.u(1, 1)
        for _ in range(4):
            w.ue(rng.randrange(5))
    else:
        w.u(1, 0)
    w.ue(depth := rng.choice([0, 2, 4]))
    w.ue(depth)
    order_bits = rng.randrange(4, 17)
    w.ue(order_bits - 4)
    w.u(1, every := rng.randrange(2))
    for _ in range(sub_layers + 1 if every else 1):
        for value in (15, 2, 0):
            w.ue(value)
    for value in (0, 3, 0, 3, 1, 1):
        w.ue(value)
    if rng.random() < 0.5:
        w.u(1, 1)
        if rng.random() < 0.7:
            w.u(1, 1)
            _hevc_lists(w, rng, chroma)
        else:
            w.u(1, 0)
    else:
        w.u(1, 0)
    w.u(2, rng.randrange(4))
    if rng.random() < 0.3:
        w.u(1, 1)
        w.u(8, 0x77)
        w.ue(0)
        w.ue(1)
        w.u(1, 0)
    else:
        w.u(1, 0)
    _reference_sets(w, rng)
    if rng.random() < 0.4:
        w.u(1, 1)
        count = rng.randrange(5)
        w.ue(count)
        for _ in range(count):
            w.u(order_bits, rng.randrange(1 << order_bits))
            w.u(1, 1)
    else:
        w.u(1, 0)
    w.u(2, rng.randrange(4))
    if range_ is None and rng.random() < 0.5:
        w.u(1, 0)
    else:
        _vui(w, rng, range_)
        w.u(1, 0)  # chroma location
        w.u(3, 0)  # neutral chroma, field sequence, frame and field info
        w.u(4, 0)  # default display window, timing, bitstream restriction … all absent
        w.bits.pop()
    w.u(1, 0)  # sps_extension_present_flag
    return w.escaped()


def _profile_tier_level(w: BitWriter, rng: random.Random, sub_layers: int) -> None:
    def profile() -> None:
        w.u(8, 4)
        w.u(32, 0x08000000)
        w.u(4, 0b1001)
        w.u(43, 0)
        w.u(1, 0)

    profile()
    w.u(8, 120)
    present = [(rng.randrange(2), rng.randrange(2)) for _ in range(sub_layers)]
    for pair in present:
        w.u(1, pair[0])
        w.u(1, pair[1])
    if sub_layers:
        w.u(2 * (8 - sub_layers), 0)
    for has_profile, has_level in present:
        if has_profile:
            profile()
        if has_level:
            w.u(8, 90)


def _hevc_lists(w: BitWriter, rng: random.Random, chroma: int) -> None:
    for size in range(4):
        for matrix in range(0, 6, 3 if size == 3 else 1):
            if rng.random() < 0.5:
                w.u(1, 0)
                w.ue(rng.randrange(matrix // 3 + 1) if size == 3 else rng.randrange(matrix + 1))
                continue
            w.u(1, 1)
            if size > 1:
                w.se(rng.randrange(-7, 100))
            for _ in range(min(64, 1 << (4 + (size << 1)))):
                w.se(rng.randrange(-8, 8))


def _reference_sets(w: BitWriter, rng: random.Random) -> None:
    count = rng.choice([0, 1, 2, 5, 12, 30])
    w.ue(count)
    previous: list[int] = []
    for index in range(count):
        if index and rng.random() < 0.6:
            previous = _predicted_set(w, rng, previous)
            continue
        if index:
            w.u(1, 0)
        before = sorted(rng.sample(range(1, 40), rng.randrange(5)))
        after = sorted(rng.sample(range(1, 40), rng.randrange(5)))
        w.ue(len(before))
        w.ue(len(after))
        for half in (before, after):
            last = 0
            for distance in half:
                w.ue(distance - last - 1)
                w.u(1, rng.randrange(2))
                last = distance
        previous = [-distance for distance in before] + after


def _predicted_set(w: BitWriter, rng: random.Random, previous: list[int]) -> list[int]:
    """Equation by equation as in 7.4.8 (7-61, 7-62), not as the code under test does it."""
    shift = rng.choice([-3, -2, -1, 1, 2, 3])
    w.u(1, 1)
    w.u(1, int(shift < 0))
    w.ue(abs(shift) - 1)
    use: list[bool] = []
    room = 15
    for _ in range(len(previous) + 1):
        used = rng.random() < 0.6 and room > 0
        w.u(1, int(used))
        kept = used
        if not used:
            kept = rng.random() < 0.5 and room > 0
            w.u(1, int(kept))
        use.append(kept)
        room -= kept
    negative = [value for value in previous if value < 0]
    positive = [value for value in previous if value > 0]
    before: list[int] = []
    for index in range(len(positive) - 1, -1, -1):
        moved = positive[index] + shift
        if moved < 0 and use[len(negative) + index]:
            before.append(moved)
    if shift < 0 and use[len(previous)]:
        before.append(shift)
    for index, value in enumerate(negative):
        if value + shift < 0 and use[index]:
            before.append(value + shift)
    after: list[int] = []
    for index in range(len(negative) - 1, -1, -1):
        moved = negative[index] + shift
        if moved > 0 and use[index]:
            after.append(moved)
    if shift > 0 and use[len(previous)]:
        after.append(shift)
    for index, value in enumerate(positive):
        if value + shift > 0 and use[len(negative) + index]:
            after.append(value + shift)
    return before + after


def hevc_vps(sub_layers: int) -> bytes:
    """The video parameter set that libavcodec's parser wants to see before a sequence parameter set."""
    w = BitWriter()
    w.u(16, 0x4001)
    w.u(4, 0)
    w.u(2, 3)
    w.u(6, 0)
    w.u(3, sub_layers)
    w.u(1, 1)
    w.u(16, 0xFFFF)
    _profile_tier_level(w, random.Random(0), sub_layers)
    w.u(1, 0)
    for value in (15, 2, 0):
        w.ue(value)
    w.u(6, 0)
    w.ue(0)
    w.u(2, 0)
    return w.escaped()


def hevc_sub_layers(sps: bytes) -> int:
    """sps_max_sub_layers_minus1 of a set that hevc_sps made."""
    return sps[2] >> 1 & 7
