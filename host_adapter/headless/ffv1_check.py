"""FFV1's own checksums, held against the packets: the decoder hides a damaged slice behind the picture before it.

Source (from memory): RFC 9043, slice footer: 24-bit slice size, 8-bit error status, 32-bit CRC; the CRC over a whole
slice with its footer is zero (polynomial 0x04C11DB7, most significant bit first, initial value 0).
"""

from __future__ import annotations

import zlib

_FOOTER = 8
_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def remainder(data: bytes) -> int:
    """The CRC of RFC 9043, bits mirrored: zero for a whole slice. Mirroring the bytes turns zlib's CRC into it."""
    return zlib.crc32(data.translate(_MIRRORED), 0xFFFFFFFF) ^ 0xFFFFFFFF


def slices(packet: bytes) -> list[bytes] | None:
    """The slices of a coded picture with their footers, or None where it has no footers of that kind."""
    found = []
    end = len(packet)
    while end > 0:
        if end < _FOOTER:
            return None
        size = int.from_bytes(packet[end - _FOOTER : end - _FOOTER + 3]) + _FOOTER
        if size > end:
            return None
        found.append(packet[end - size : end])
        end -= size
    return found[::-1]


class SliceWatch:
    """Checks every packet of one stream; a stream whose first packet has no checksums is let pass."""

    def __init__(self) -> None:
        self._checked: bool | None = None

    def whole(self, packet: bytes) -> bool:
        """False where a slice's checksum does not hold."""
        if self._checked is False:
            return True
        parts = slices(packet)
        good = parts is not None and not any(remainder(part) for part in parts)
        if self._checked is None:
            self._checked = good
            return True
        return good
