"""Decode, change, encode: the one function that makes a new recording out of an old one."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...kernels.encoding import Encoding
from .codecs import CodecChoice
from .errors import Problem
from .media import Frame, Plane, Recording, Written
from .movie import DecodeWatch, Movie
from .movie_writer import Made, MovieWriter, fresh_frame
from .pipeline import run_pipeline
from .stills import Stills

Process = Callable[[Frame, tuple[Plane, ...]], None]


def transform(
    source: Recording,
    target: Path,
    *,
    encoding: Encoding,
    codec: CodecChoice,
    process: Process,
    progress: Callable[[int], None] | None = None,
    threads: int = 1,
    stop: Callable[[], bool] | None = None,
) -> Written:
    """Every frame of `source`, once and in order, through `process` into a new recording at `target`.

    target : a path that nothing else uses, of any name: a file for a movie, a folder for stills; the caller renames it
    encoding : of the result; its range becomes the result's flag
    codec : from choose_codec
    process : fills the target planes (fresh, the result's own depth) from a frame's; called in the order of the frames
    progress : told the number of frames written
    threads : frames that may be in `process` at the same time; above 1 it must be safe to call from several threads,
        and calls begin in the order of the frames but may overlap
    stop : asked after every frame; True ends the job, removes `target` and returns what had been done so far

    Whatever ends it early, `target` is removed and no thread is left.

    Raises: Problem for a source that is damaged or cut short, an encoder or file type that refuses, or a frame lost on
    the way; OSError where the disk refuses; whatever `process` raises.
    """
    whole = False
    try:
        if isinstance(source, Movie):
            written, whole = _transform_movie(source, target, encoding, codec, process, progress, threads, stop)
        elif isinstance(source, Stills):
            from .stills_writer import transform_stills

            written, whole = transform_stills(source, target, codec, process, progress, threads, stop)
        else:
            raise ValueError(f"source must come from open_recording, got {type(source).__name__}")
    finally:
        if not whole:
            discard(target)
    return written


def discard(target: Path) -> None:
    """Remove an unfinished result."""
    if target.is_dir() and not target.is_symlink():
        shutil.rmtree(target, ignore_errors=True)
    else:
        target.unlink(missing_ok=True)


@dataclass(slots=True)
class _Item:
    """A decoded picture, and the other streams' packets that came before it."""

    frame: Frame | None
    packets: list[Any] = field(default_factory=list)
    made: Made | None = None
    interlaced: bool = False
    first: Any = None


def _transform_movie(
    movie: Movie,
    target: Path,
    encoding: Encoding,
    choice: CodecChoice,
    process: Process,
    progress: Callable[[int], None] | None,
    threads: int,
    stop: Callable[[], bool] | None,
) -> tuple[Written, bool]:
    container, stream = movie.open()
    writer: MovieWriter | None = None
    stopped = False

    def read() -> Iterator[_Item]:
        watch = DecodeWatch(movie.path, movie.info, stream)
        others = [each for each in container.streams if each.index != stream.index and each.type != "attachment"]
        waiting: list[Any] = []
        for packet in container.demux([stream, *others]):
            if packet.stream.index != stream.index:
                waiting.append(packet)
                continue
            for native in watch.decode(packet):
                yield _Item(Frame(watch.decoded - 1, movie.views(native), native), waiting)
                waiting = []
        watch.finish()
        yield _Item(None, waiting)

    def work(item: _Item) -> _Item:
        frame = item.frame
        if frame is None:
            return item
        item.made = fresh_frame(choice, frame.native)
        process(frame, item.made.planes)
        item.interlaced = frame.native.interlaced_frame
        item.first = frame.native if frame.index == 0 else None
        item.frame = None  # the decoder gets its picture back as early as can be
        return item

    def write(item: _Item) -> bool:
        nonlocal writer, stopped
        if item.first is not None:
            writer = MovieWriter(movie.info, container, stream, item.first, target, encoding=encoding, choice=choice)
        assert writer is not None
        writer.carry(item.packets)
        if item.made is not None:
            writer.write(item.made, item.interlaced)
            if progress:
                progress(writer.frames)
        stopped = stop is not None and stop()
        return not stopped

    finished = False
    try:
        run_pipeline(read, work, write, workers=max(threads, 1))
        if writer is None:
            if stopped:
                return Written(0, choice.codec, choice.pixel_format, choice.lossless, (), ()), False
            raise Problem(movie.path, "no frame of the picture could be decoded", "Check that it plays.")
        if stopped:
            return Written(writer.frames, choice.codec, choice.pixel_format, choice.lossless, (), ()), False
        writer.finish()
        finished = True
    finally:
        if writer is not None and not finished:
            writer.abandon()
        container.close()
    expected = movie.info.frames
    if expected is not None and writer.frames != expected:
        raise Problem(movie.path, f"{writer.frames} frames decoded of {expected}", "Copy it again from the card.")
    return writer.written(), True
