"""Decode, change, encode: the function that makes new recordings out of an old one, all in one pass over it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...kernels.encoding import Encoding
from .carry import SharedPacket
from .codecs import CodecChoice
from .errors import Problem
from .media import Frame, Info, Plane, Recording, Written
from .movie import DecodeWatch, Movie
from .movie_writer import Made, MovieWriter, fresh_frame
from .pipeline import run_pipeline
from .stills import Stills

Process = Callable[[Frame, tuple[Plane, ...]], None]


@dataclass(frozen=True, slots=True)
class Result:
    """One recording that a pass over the source makes.

    target : a path that nothing else uses, of any name: a file for a movie, a folder for stills; the caller renames it
    info : the source's with the result's width, height and aspect (dataclasses.replace)
    encoding : of the result; its range becomes the result's flag
    codec : from choose_codec, asked with this info
    process : fills the target planes (fresh, of the result's size and depth) from a frame's
    """

    target: Path
    info: Info
    encoding: Encoding
    codec: CodecChoice
    process: Process


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
    """Every frame of `source`, once and in order, through `process` into a new recording of its size at `target`.

    The arguments are those of Result and of transform_all, and so are the errors.
    """
    result = Result(target, source.info, encoding, codec, process)
    return transform_all(source, [result], progress=progress, threads=threads, stop=stop)[0]


def transform_all(
    source: Recording,
    results: Sequence[Result],
    *,
    progress: Callable[[int], None] | None = None,
    threads: int = 1,
    stop: Callable[[], bool] | None = None,
) -> list[Written]:
    """Every frame of `source`, decoded once and in order, through each result's process into its own new recording.

    progress : told the number of frames written
    threads : frames that may be worked on at the same time; above 1 every process must be safe to call from several
        threads, and calls begin in the order of the frames but may overlap. One frame's processes run one after another.
    stop : asked after every frame; True ends the job, removes all targets and returns what had been done so far

    Sound, timecode, chapters and tags go into every result. Whatever ends it early, all targets are removed and no
    thread is left.

    Raises: Problem for a source that is damaged or cut short, an encoder or file type that refuses, or a frame lost on
    the way; OSError where the disk refuses; ValueError for no result or two of one target; whatever a process raises.
    """
    if not results or len({result.target for result in results}) != len(results):
        raise ValueError(f"results must be one or more of different targets, got {[str(r.target) for r in results]}")
    whole = False
    try:
        if isinstance(source, Movie):
            written, whole = _MoviePass(source, results, progress, stop).run(threads)
        elif isinstance(source, Stills):
            from .stills_writer import StillsPass

            written, whole = StillsPass(source, results, progress, stop).run(threads)
        else:
            raise ValueError(f"source must come from open_recording, got {type(source).__name__}")
    finally:
        if not whole:
            for result in results:
                discard(result.target)
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
    packets: list[SharedPacket] = field(default_factory=list)
    made: list[Made] = field(default_factory=list)
    interlaced: bool = False
    first: Any = None


class _MoviePass:
    """One pass over a movie; `writers` stand beside `results`, made when the first frame is there."""

    def __init__(
        self,
        movie: Movie,
        results: Sequence[Result],
        progress: Callable[[int], None] | None,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.movie, self.results, self.progress, self.stop = movie, results, progress, stop
        self.writers: list[MovieWriter] = []
        self.frames = 0
        self.stopped = False

    def run(self, threads: int) -> tuple[list[Written], bool]:
        """What was written, and False where it was stopped before the end."""
        movie = self.movie
        self.container, self.stream = movie.open()
        finished = False
        try:
            run_pipeline(self._read, self._work, self._write, workers=max(threads, 1))
            if self.stopped:
                return self._so_far(), False
            if not self.frames:
                raise Problem(movie.path, "no frame of the picture could be decoded", "Check that it plays.")
            for writer in self.writers:
                writer.finish()
            finished = True
        finally:
            if not finished:
                for writer in self.writers:
                    writer.abandon()
            self.container.close()
        expected = movie.info.frames
        if expected is not None and self.frames != expected:
            raise Problem(movie.path, f"{self.frames} frames decoded of {expected}", "Copy it again from the card.")
        return [writer.written() for writer in self.writers], True

    def _so_far(self) -> list[Written]:
        codecs = [result.codec for result in self.results]
        return [Written(self.frames, each.codec, each.pixel_format, each.lossless, (), ()) for each in codecs]

    def _read(self) -> Iterator[_Item]:
        movie, stream = self.movie, self.stream
        watch = DecodeWatch(movie.path, movie.info, stream)
        others = [each for each in self.container.streams if each.index != stream.index and each.type != "attachment"]
        waiting: list[SharedPacket] = []
        for packet in self.container.demux([stream, *others]):
            if packet.stream.index != stream.index:
                waiting.append(SharedPacket(packet))
                continue
            for native in watch.decode(packet):
                yield _Item(Frame(watch.decoded - 1, movie.views(native), native), waiting)
                waiting = []
        watch.finish()
        yield _Item(None, waiting)

    def _work(self, item: _Item) -> _Item:
        frame = item.frame
        if frame is None:
            return item
        for result in self.results:
            made = fresh_frame(result.codec, result.info, frame.native)
            result.process(frame, made.planes)
            item.made.append(made)
        item.interlaced = frame.native.interlaced_frame
        item.first = frame.native if frame.index == 0 else None
        item.frame = None  # the decoder gets its picture back as early as can be
        return item

    def _write(self, item: _Item) -> bool:
        if item.first is not None:
            self._make_writers(item.first)
        for writer in self.writers:
            writer.carry(item.packets)
        if item.made:
            for writer, made in zip(self.writers, item.made, strict=True):
                writer.write(made, item.interlaced)
            self.frames += 1
            if self.progress:
                self.progress(self.frames)
        self.stopped = self.stop is not None and self.stop()
        return not self.stopped

    def _make_writers(self, first: Any) -> None:
        for result in self.results:
            self.writers.append(
                MovieWriter(
                    result.info, self.container, self.stream, first, result.target,
                    encoding=result.encoding, choice=result.codec,
                )
            )  # fmt: skip
