"""Changing the flag in a copy: one bit or a few bytes, all else as it was."""

from __future__ import annotations

import os
import shutil
import zlib
from bisect import bisect_left, insort
from collections.abc import Iterable
from pathlib import Path

from ....kernels.encoding import Range
from ..errors import Problem
from .find import layout_of
from .place import Checksum, Layout

Change = tuple[int, int, int, str]
"""Byte in the file, its value before, its value after, and what stands there."""

_ZEROS = bytes(1 << 20)


def copy_whole(source: Path, target: Path) -> None:
    """A byte-for-byte copy, shared with the original on disc where the file system can, else in pieces.

    Raises: Problem where the target exists or cannot be written.
    """
    try:
        with source.open("rb") as reader, target.open("xb") as writer:
            size = os.fstat(reader.fileno()).st_size
            done = _copy_in_kernel(reader.fileno(), writer.fileno(), size)
            reader.seek(done)
            writer.seek(done)
            shutil.copyfileobj(reader, writer, 1 << 20)
    except FileExistsError as error:
        raise Problem(target, "there is a file of that name already", "Remove it or choose another name.") from error
    except OSError as error:
        target.unlink(missing_ok=True)
        raise Problem(
            target, f"the copy could not be written ({error.strerror or error})", "Check space and permissions."
        ) from error


def _copy_in_kernel(reader: int, writer: int, size: int) -> int:
    """Copies without passing through this process where the system offers that; returns how far it came."""
    done = 0
    if not hasattr(os, "copy_file_range"):
        return done
    try:
        while done < size:
            count = os.copy_file_range(reader, writer, min(size - done, 1 << 30), done, done)
            if not count:
                break
            done += count
    except OSError:
        return 0  # other file systems refuse; the copy starts again by hand
    return done


def changes_for(path: Path, layout: Layout, range_: Range) -> tuple[Change, ...]:
    """The bytes that have to change for every site to state the range, in the order of the file, checksums included."""
    with path.open("rb", buffering=0) as file:

        def byte(offset: int) -> int:
            file.seek(offset)
            return file.read(1)[0]

        after: dict[int, tuple[int, int, str]] = {}
        for site in layout.sites:
            old, new, _ = after.get(site.offset) or (value := byte(site.offset), value, "")
            after[site.offset] = old, site.put(new, range_), site.what
        after = {offset: change for offset, change in after.items() if change[0] != change[1]}
        places = sorted(after)
        for checksum in layout.checksums:
            inside = places[bisect_left(places, checksum.start) : bisect_left(places, checksum.end)]
            difference = checksum_difference(
                checksum, {offset: after[offset][0] ^ after[offset][1] for offset in inside}
            )
            for index, bits in enumerate(difference.to_bytes(4, "little")):
                if bits:
                    old = byte(checksum.offset + index)
                    after[checksum.offset + index] = old, old ^ bits, "CRC-32 over it"
                    insort(places, checksum.offset + index)  # a checksum around this one covers it
    return tuple((offset, *after[offset]) for offset in sorted(after))


def checksum_difference(checksum: Checksum, flips: dict[int, int]) -> int:
    """What a CRC-32 has to be xored with when bytes it covers are.

    A CRC is linear, so the answer does not depend on the bytes; a checksum that was wrong stays wrong by as much, and
    flipping back restores it exactly.

    flips : byte in the file -> the bits that change there
    """
    inside = sorted(offset for offset in flips if checksum.start <= offset < checksum.end)
    if not inside:
        return 0
    plain = changed = 0
    position = inside[0]  # zeros in front of the first change alter both alike
    for offset in inside:
        gap = offset - position
        plain = _crc_zeros(plain, gap + 1)
        changed = zlib.crc32(bytes([flips[offset]]), _crc_zeros(changed, gap))
        position = offset + 1
    tail = checksum.end - position
    return _crc_zeros(plain, tail) ^ _crc_zeros(changed, tail)


def _crc_zeros(start: int, count: int) -> int:
    while count > 0:
        piece = min(count, len(_ZEROS))
        start = zlib.crc32(_ZEROS[:piece] if piece < len(_ZEROS) else _ZEROS, start)
        count -= piece
    return start


def apply(path: Path, changes: Iterable[Change]) -> None:
    """Writes the changed bytes and has them on disc before it returns.

    Raises: Problem where a byte is not what it was when the changes were worked out.
    """
    with path.open("r+b", buffering=0) as file:
        for offset, old, new, what in changes:
            file.seek(offset)
            if file.read(1) != bytes([old]):
                raise Problem(path, f"byte {offset} ({what}) changed while it was being copied", "Try again.")
            file.seek(offset)
            file.write(bytes([new]))
        os.fsync(file.fileno())


def patch(source: Path, target: Path, layout: Layout, range_: Range) -> tuple[Change, ...]:
    """Copies the file, changes the flag in the copy, and reads the copy back.

    Raises: Problem; the target is gone then.
    """
    changes = changes_for(source, layout, range_)
    copy_whole(source, target)
    try:
        apply(target, changes)
        verify(target, layout, range_)
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    return changes


def verify(target: Path, layout: Layout, range_: Range) -> None:
    """Walks through the result anew: the same places, every one stating the range.

    Raises: Problem
    """
    result = layout_of(target)
    if result != layout:
        raise Problem(
            target, "the patched copy does not read like the original", "Report this file; the original is untouched."
        )
    with target.open("rb", buffering=0) as file:
        for site in result.sites:
            file.seek(site.offset)
            if site.value(file.read(1)[0]) is not range_:
                raise Problem(target, f"the {site.what} does not state the range after the patch", "Report this file.")
