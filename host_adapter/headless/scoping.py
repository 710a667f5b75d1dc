"""Scopes of recordings: the takes that are measured, one frame of each as a picture, or all frames as a movie."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image as Pillow

from ...kernels.coding import code_levels
from ...kernels.encoding import Encoding, Model, Range
from ...kernels.matrix import Matrix
from ..scopes.measure import Measured, measure
from ..scopes.page import Page, Shown
from ..scopes.scales import encoding_words
from .delivery.makers import Clock, clock_of, first_frame
from .delivery.showing import Catcher, Caught
from .errors import Problem
from .host import image_of
from .media import Frame, Info, Plane, Recording
from .movie import Movie
from .pipeline import run_pipeline
from .reaching import Reach
from .scope_movie import DrawnMovie
from .survey import trusted_range
from .viewing import chroma_place, matrix_of

WORKERS = 2
"""Frames that are measured at the same time."""


@dataclass(slots=True)
class Take:
    """A recording that scopes are made of.

    encoding : of its codes, as a person says or as it is flagged
    """

    recording: Recording
    encoding: Encoding
    matrix: Matrix
    clock: Clock = field(init=False)

    def __post_init__(self) -> None:
        self.clock = clock_of(self.info, first_frame(self.recording))

    @property
    def info(self) -> Info:
        return self.recording.info

    @property
    def shown(self) -> Shown:
        title = f"{self.info.path.name}, {encoding_words(self.encoding)}"
        return Shown(replace(self.encoding, bit_shift=0), self.info.model, self.matrix, title)

    def caught(self, at: Fraction | None) -> Caught:
        """The frame of a moment in seconds, the middle one where none is named.

        Raises: Problem where there is none.
        """
        try:
            return self._reached(at) or Catcher(self.recording, self.clock, at).get()
        except Problem as problem:
            raise Problem(problem.path, problem.found, problem.remedy.replace("--at", "--frame")) from None

    def _reached(self, at: Fraction | None) -> Caught | None:
        """The frame of a moment by its number, which in a long movie of an even rate is found without reading all before it."""
        info = self.info
        if at is None or not isinstance(self.recording, Movie) or not info.rate or info.frames is None:
            return None
        number = floor(at * info.rate)
        if number >= info.frames:
            return None
        reach = Reach(info.path)
        try:
            frame = reach.at(number)
            time = self.clock(frame)
            if not time <= at < time + 1 / info.rate:
                return None
            return Caught(tuple(plane.copy() for plane in frame.planes), time, frame.index)
        finally:
            reach.close()

    def measured(self, planes: tuple[Plane, ...], page: Page, number: int) -> Measured:
        """Counts of one of its frames, the right way up, for a page that it is the recording of that number of."""
        info, place = self.info, chroma_place(self.info.siting)
        if info.turned:
            info, planes, place = upright(info, planes, place)
        image = image_of(info, planes, self.encoding, self.matrix)
        wanted = page.wanted(number)
        own = tuple(name for name in OWN if name in wanted.channels)
        wanted = replace(wanted, histograms=tuple(dict.fromkeys((*wanted.histograms, *own))))
        return measure(image, self.encoding, wanted, place)


OWN = ("Y'", "Cb", "Cr", "R'", "G'", "B'")
"""Channels in the order in which they are told of."""


def take_of(recording: Recording, assume: Range | None) -> Take:
    """A recording with what its codes are.

    Raises: Problem for floating-point stills, or a matrix that has no weights.
    """
    info = recording.info
    if info.depth is None:
        raise Problem(
            info.path,
            "it holds floating-point levels, and scopes show codes",
            "Write it to a file of codes first, such as a 16-bit TIFF, and look at that.",
        )
    range_ = trusted_range(info) if assume is None else assume
    return Take(recording, info.encoding(range_), matrix_of(info))


def upright(
    info: Info, planes: tuple[Plane, ...], place: tuple[int, int]
) -> tuple[Info, tuple[Plane, ...], tuple[int, int]]:
    """A frame turned as players turn it, with the facts that turn with it; a sampling that has no name when turned stays.

    place : of chroma samples, across and down
    """
    turns = info.turned // 90
    samplings = {"4:2:2": "4:4:0", "4:4:0": "4:2:2"}
    if turns % 2 and info.sampling == "4:1:1":
        return info, planes, place
    for _ in range(turns):
        place = 2 - place[1], place[0]
    sampling = samplings.get(info.sampling, info.sampling) if turns % 2 else info.sampling
    made = tuple(np.ascontiguousarray(np.rot90(plane, -turns)) for plane in planes)
    return replace(info, sampling=sampling), made, place


def note_of(info: Info, index: int, time: Fraction) -> str:
    """Which frame it is; nothing for a still."""
    if info.frames == 1:
        return ""
    minutes, seconds = divmod(float(time), 60)
    return f"frame {index} at {int(minutes)}:{seconds:05.2f}"


def page_of(takes: Sequence[Take], kind: str, size: tuple[int, int], curve: Mapping[str, float], *, over: bool) -> Page:
    """Raises: Problem for a scope that a gray picture has not."""
    try:
        return Page(kind, size, [take.shown for take in takes], curve=curve, over=over)
    except ValueError as error:
        raise Problem(takes[0].info.path, str(error), "Choose another --kind.") from None


def write_picture(path: Path, page: Page, takes: Sequence[Take], at: Fraction | None, kind: str) -> dict[str, Any]:
    """One frame of every take on a page. Returns what a receipt says of it.

    kind : Pillow's name of the file type

    Raises: Problem where there is no such frame.
    """
    caught = [take.caught(at) for take in takes]
    measured = [
        take.measured(frame.planes, page, number)
        for number, (take, frame) in enumerate(zip(takes, caught, strict=True))
    ]
    notes = [note_of(take.info, frame.index, frame.time) for take, frame in zip(takes, caught, strict=True)]
    canvas = page.draw(measured, notes)
    Pillow.fromarray(_eight_bits(canvas)).save(path, format=kind)
    codes = [codes_of(each) for each in measured]
    return {
        "words": "; ".join(f"{take.info.path.name}{', ' * bool(note)}{note}" for take, note in zip(takes, notes, strict=True)),
        "output": {"frames": [frame.index for frame in caught], "seconds": [round(float(frame.time), 4) for frame in caught]},
        "codes": codes,
    }  # fmt: skip


def codes_of(measured: Measured) -> dict[str, dict[str, int]]:
    """Lowest and highest code of every channel that was counted."""
    found = {}
    for name in OWN:
        counted = measured.histograms.get(name)
        if counted is not None and counted.any():
            held = np.flatnonzero(counted)
            found[name] = {"lowest": int(held[0]), "highest": int(held[-1])}
    return found


def _eight_bits(canvas: Any) -> Any:
    planes = [np.empty(canvas.shape[:2], np.uint8) for _ in range(3)]
    code_levels(canvas, Encoding(8, Range.FULL, Model.RGB), planes)
    return np.stack(planes, -1)


@dataclass(slots=True)
class _Item:
    """Frames that are shown together, from `time` on."""

    time: Fraction
    frames: tuple[Frame, ...]
    made: Any = None


def write_movie(
    path: Path, page: Page, takes: Sequence[Take], tell: Callable[[str, int, int | None], None]
) -> dict[str, Any]:
    """Every frame of the first take on a page, with what the other one shows at the same time. Returns what a receipt says.

    It ends with the shorter one.

    Raises: Problem for a recording that is damaged, or where the encoder refuses; nothing is left then.
    """
    first = takes[0]
    movie = DrawnMovie(path, page.size, first.info.rate or Fraction(25))
    done = 0

    def work(item: _Item) -> _Item:
        measured = [
            take.measured(frame.planes, page, number)
            for number, (take, frame) in enumerate(zip(takes, item.frames, strict=True))
        ]
        notes = [
            note_of(take.info, frame.index, take.clock(frame)) for take, frame in zip(takes, item.frames, strict=True)
        ]
        item.made = movie.coded(page.draw(measured, notes))
        item.frames = ()
        return item

    def write(item: _Item) -> bool:
        nonlocal done
        movie.write(item.made, item.time)
        done += 1
        tell("draw", done, first.info.frames)
        return True

    with movie:
        run_pipeline(lambda: _together(takes), work, write, workers=WORKERS)
        if not done:
            raise Problem(first.info.path, "no frame of it can be decoded", "Copy it again from the card.")
        expected = first.info.frames
        if len(takes) == 1 and expected is not None and done != expected:
            raise Problem(first.info.path, f"{done} frames decoded of {expected}", "Copy it again from the card.")
    tell("verify", 0, None)
    verified = movie.verify()
    coded = "every code kept" if movie.form.lossless else "lossy"
    return {
        "words": f"{page.size[0]}x{page.size[1]}, {done} frame{'s' * (done != 1)}, written as {movie.form.label} ({coded})",
        "output": {"codec": movie.form.label, "pixel_format": movie.form.pixel_format, "options": dict(movie.form.options)},
        "frames": done,
        "verified": verified,
    }  # fmt: skip


def _together(takes: Sequence[Take]) -> Iterator[_Item]:
    """Frames of the first take, each with the one that the other shows then."""
    first = takes[0]
    if len(takes) == 1:
        for frame in first.recording.frames():
            yield _Item(first.clock(frame), (frame,))
        return
    other = takes[1]
    behind = other.recording.frames()
    held = next(behind, None)
    if held is None:
        return
    ahead = next(behind, None)
    length = 1 / (other.info.rate or Fraction(25))
    for frame in first.recording.frames():
        time = first.clock(frame)
        while ahead is not None and other.clock(ahead) <= time:
            held, ahead = ahead, next(behind, None)
        if ahead is None and time >= other.clock(held) + length:
            return
        yield _Item(time, (frame, held))
