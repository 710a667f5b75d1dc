"""Bits of a coded header, counted so that a flag's place in the file can be told."""

from __future__ import annotations

from bisect import bisect_left

from .place import Damaged


class BitReader:
    """Reads from the most significant bit on.

    data : the bytes; position : the next bit, from 0
    Raises (every method): Damaged where the data end first.
    """

    __slots__ = ("_bits", "_data", "position")

    def __init__(self, data: bytes, position: int = 0) -> None:
        self._data = data
        self._bits = len(data) * 8
        self.position = position

    def u(self, count: int) -> int:
        """An unsigned number of `count` bits."""
        start, end = self.position, self.position + count
        if end > self._bits:
            raise Damaged("a header ends early")
        self.position = end
        if not count:
            return 0
        whole = int.from_bytes(self._data[start >> 3 : (end + 7) >> 3], "big")
        return (whole >> (-end & 7)) & ((1 << count) - 1)

    def flag(self) -> bool:
        """One bit."""
        return bool(self.u(1))

    def skip(self, count: int) -> None:
        """Passes over bits."""
        self.u(count)

    def ue(self, most: int = (1 << 32) - 2) -> int:
        """An unsigned Exp-Golomb number. Source: ITU-T H.264 9.1, H.265 9.2.

        Raises: Damaged also where it exceeds `most`.
        """
        zeros = 0
        while not self.u(1):
            zeros += 1
            if zeros > 32:
                raise Damaged("a header holds a number that is too long")
        value = (1 << zeros) - 1 + self.u(zeros)
        if value > most:
            raise Damaged(f"a header holds {value} where {most} is the most")
        return value

    def se(self) -> int:
        """A signed Exp-Golomb number. Source: ITU-T H.264 9.1.1."""
        code = self.ue()
        return (code + 1) // 2 if code & 1 else -(code // 2)

    def uvlc(self) -> int:
        """AV1's variable-length number. Source: AV1 specification 4.10.3."""
        zeros = 0
        while not self.u(1):
            zeros += 1
        return (1 << 32) - 1 if zeros >= 32 else (1 << zeros) - 1 + self.u(zeros)


def emulation_bytes(nal: bytes) -> list[int]:
    """Indices of the bytes 3 that follow two zeros and stand for nothing. Source: ITU-T H.264 7.3.1, H.265 7.3.1.1."""
    found = []
    index = nal.find(b"\0\0\3")
    while index >= 0:
        found.append(index + 2)
        index = nal.find(b"\0\0\3", index + 3)
    return found


def unescape(nal: bytes) -> bytes:
    """The payload without the emulation-prevention bytes."""
    pieces, start = [], 0
    for index in emulation_bytes(nal):
        pieces.append(nal[start:index])
        start = index + 1
    pieces.append(nal[start:])
    return b"".join(pieces)


def escaped_bit(nal: bytes, bit: int) -> int:
    """Where a bit of the payload stands in the NAL unit with its emulation-prevention bytes."""
    removed = [index - count for count, index in enumerate(emulation_bytes(nal))]
    # A byte of the payload at or after the place where a byte was taken out stands that much further on.
    return bit + 8 * bisect_left(removed, (bit >> 3) + 1)


def may_change(nal: bytes, bit: int) -> bool:
    """True where both values of a bit leave the NAL unit's escaping as it is.

    A changed byte could make two zeros in front of a small one, which a reader takes for a start code, or take the
    zeros away from an emulation-prevention byte, which a reader then takes for payload.
    """
    mask = 0x80 >> (bit & 7)
    clear, set_ = bytearray(nal), bytearray(nal)
    clear[bit >> 3] &= ~mask & 0xFF
    set_[bit >> 3] |= mask
    if emulation_bytes(bytes(clear)) != emulation_bytes(bytes(set_)):
        return False
    first = max(0, (bit >> 3) - 2)  # no pattern that the byte takes part in starts earlier, or later than at the byte
    starts = range(first, (bit >> 3) + 1)
    return all(_is_code(clear, start) == _is_code(set_, start) for start in starts)


def _is_code(nal: bytearray, start: int) -> bool:
    """Whether three bytes are ones that must not occur in a NAL unit."""
    three = nal[start : start + 3]
    return len(three) == 3 and not three[0] and not three[1] and three[2] < 3
