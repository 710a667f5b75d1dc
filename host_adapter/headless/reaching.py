"""Single frames of a movie by number, for hosts that ask for them one by one, mostly onwards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av.error

from .errors import Problem
from .media import Frame
from .movie import Movie, open_movie

FAR = 48
"""Frames ahead up to which decoding on beats a seek."""


class Reach:
    """A movie whose frames are asked for by number. The next one costs one decode; one far ahead or before costs a seek.

    Numbers are those of movie.frames(). A seek counts only where the frame that comes has the very time of its number; where it has
    not, or the container has no times, the file is read from its beginning. Close it after use.

    Raises: Problem, as open_movie does.
    """

    def __init__(self, path: Path | str) -> None:
        self.movie: Movie = open_movie(path)
        self.info = self.movie.info
        self._frames: Iterator[Frame] | None = None
        self._container: Any = None
        self._held: Frame | None = None
        self._times: list[int] | None = None
        self._seekable = True

    def count(self) -> int | None:
        """Pictures that the file holds, by its index or else by all of its packets; None where they carry no times."""
        container, stream = self.movie.open()
        with container:
            try:
                self._times = _times(container, stream)
            except (av.error.FFmpegError, _UnevenError):
                return None
        return len(self._times)

    def at(self, index: int) -> Frame:
        """The frame of a number from 0.

        Raises: Problem where the movie has none, or it does not decode.
        """
        if index < 0:
            raise ValueError(f"index must be 0 or more, got {index}")
        held = self._held
        if held is not None and held.index == index:
            return held
        behind = held is None or self._frames is None or index < held.index
        far = index - (0 if behind or held is None else held.index) > FAR
        sought = far and self._seekable and self._seek(index)
        if behind and not sought:
            self._restart()
        try:
            return self._forward(index)
        except _UnevenError:
            self._seekable = False
            self._restart()
            return self._forward(index)

    def _restart(self) -> None:
        self.close()
        self._frames = self.movie.frames()

    def _forward(self, index: int) -> Frame:
        assert self._frames is not None
        if self._held is not None and self._held.index == index:
            return self._held
        last = None if self._held is None else self._held.index
        for frame in self._frames:
            self._held, last = frame, frame.index
            if frame.index == index:
                return frame
        self.close()
        raise Problem(
            self.movie.path, f"there is no frame {index}; the last one is {last}", "Shorten the strip, or relink it."
        )

    def _seek(self, index: int) -> bool:
        """Whether a seek brought the very frame; what was open before stays so where it did not."""
        container, stream = self.movie.open()
        try:
            if self._times is None:
                self._times = _times(container, stream)
            if index >= len(self._times):
                raise _UnevenError
            goal = self._times[index]
            container.seek(goal, stream=stream, backward=True)
            natives = _natives(container, stream)
            native = next(native for native in natives if native.pts is None or native.pts >= goal)
            if native.pts != goal:
                raise _UnevenError
            frame = Frame(index, self.movie.views(native), native)
        except (av.error.FFmpegError, StopIteration, _UnevenError):
            container.close()
            self._seekable = False
            return False
        self.close()
        self._held, self._container = frame, container
        self._frames = self._on(natives, index, self._times)
        return True

    def _on(self, natives: Iterator[Any], index: int, times: list[int]) -> Iterator[Frame]:
        """Frames after a sought one; where a time is not the expected one, numbers are no longer those of movie.frames()."""
        for native in natives:
            index += 1
            if index >= len(times) or native.pts != times[index]:
                raise _UnevenError
            yield Frame(index, self.movie.views(native), native)

    def close(self) -> None:
        """Let go of the file; the next frame opens it again."""
        self._frames = self._held = None  # movie.frames() closes its own container with the generator
        if self._container is not None:
            self._container.close()
            self._container = None


class _UnevenError(Exception):
    """A time does not lead to the frame that it should."""


def _times(container: Any, stream: Any) -> list[int]:
    """The time of every frame in the order of showing: from the file's index where it lists each, else from every packet.

    Raises: _UnevenError where packets carry none.
    """
    entries = stream.index_entries
    if stream.frames and len(entries) == stream.frames and all(each.is_keyframe for each in entries):
        return sorted(each.timestamp for each in entries if not each.is_discard)
    times = []
    for packet in container.demux(stream):
        if packet.size and not packet.is_discard:
            if packet.pts is None:
                raise _UnevenError
            times.append(packet.pts)
    return sorted(times)


def _natives(container: Any, stream: Any) -> Iterator[Any]:
    for packet in container.demux(stream):
        yield from packet.decode()
