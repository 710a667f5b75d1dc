"""Reading a file at any place, in pieces of bounded size."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType

from .place import Damaged

MOST_AT_ONCE = 1 << 26
"""Bytes of the largest piece read at once; tables of a day-long recording stay below it."""


class Source:
    """A file open for reading only.

    Raises: OSError where it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb", buffering=0)
        self.size = os.fstat(self._file.fileno()).st_size

    def read(self, offset: int, count: int, what: str = "a header") -> bytes:
        """Exactly `count` bytes from `offset` on.

        Raises: Damaged naming `what` where the file ends before, or the piece is absurdly large.
        """
        if count < 0 or count > MOST_AT_ONCE:
            raise Damaged(f"{what} at byte {offset} claims to be {count} bytes long")
        if offset + count > self.size:
            raise Damaged(f"the file ends inside {what} at byte {offset}; it is cut off or damaged")
        data = self.peek(offset, count)
        if len(data) != count:
            raise Damaged(f"the file could not be read at byte {offset}")
        return data

    def peek(self, offset: int, count: int) -> bytes:
        """At most `count` bytes, fewer at the end of the file."""
        self._file.seek(offset)
        pieces = []
        while count > 0 and (piece := self._file.read(count)):
            pieces.append(piece)
            count -= len(piece)
        return b"".join(pieces)

    def close(self) -> None:
        self._file.close()

    def __enter__(self) -> Source:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
