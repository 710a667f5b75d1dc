"""The sheet: one frame with all windows drawn, and beside it what each of them keeps."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from ....kernels.encoding import Encoding, Model, Range
from ....kernels.matrix import Matrix
from ....kernels.overlay import blend, sparse_planes
from ...guides import draw
from ..errors import Problem
from ..media import Frame, Info, Plane, Recording
from ..movie import Movie
from ..reaching import Reach
from ..sheet import Crop, draw_sheet
from ..viewing import Shown, as_shown, in_proportion
from .makers import Clock
from .stage import Stage, common_report
from .timecode import counted_on

SHEET_WIDTH = 1900
"""Columns that a frame has on a sheet, about; guides are drawn so much thicker on a larger one that they stay in sight."""

AFFORDABLE = 10**9
"""Pixels that are decoded at most on the way to the middle frame of a recording: seconds."""

SMALL = 1 << 28
"""Bytes of a movie up to which all of its packets may be counted: seconds too."""

SHOWN = Encoding(8, Range.FULL, Model.RGB)


@dataclass(frozen=True, slots=True)
class Caught:
    """One frame kept for showing: its planes, copied, and its time in seconds."""

    planes: tuple[Plane, ...]
    time: Fraction
    index: int


class Catcher:
    """Keeps the frame of one moment out of a pass over a recording, or fetches it where there was no pass.

    moment : seconds; the frame that is on screen then. None for the middle one, or where that is far to decode, one towards it
    """

    def __init__(self, recording: Recording, clock: Clock, moment: Fraction | None) -> None:
        self.recording, self.clock, self.moment = recording, clock, moment
        self.caught: Caught | None = None
        self._done = False
        frames = recording.info.frames
        self.index = None if frames is None else frames // 2

    def offer(self, frame: Frame) -> None:
        """Look at a frame of a pass; frames come in order."""
        if self._done:
            return
        if self.moment is None:
            if frame.index == self.index:
                self._keep(frame)
                self._done = True
        elif self.caught is None or self.clock(frame) <= self.moment:
            self._keep(frame)
        else:
            self._done = True

    def _keep(self, frame: Frame) -> None:
        self.caught = Caught(tuple(plane.copy() for plane in frame.planes), self.clock(frame), frame.index)

    def get(self) -> Caught:
        """The frame.

        Raises: Problem where no frame decodes, or the recording ends before the moment.
        """
        if self.caught is None:
            self._fetch()
        if self.caught is None:
            raise Problem(self.recording.info.path, "no frame of it can be decoded", "Copy it again from the card.")
        length = 1 / (self.recording.info.rate or Fraction(25))
        if self.moment is not None and not self._done and self.moment >= self.caught.time + length:
            words = f"it ends before {float(self.moment):g} seconds"
            raise Problem(self.recording.info.path, words, "Choose an earlier --at.")
        return self.caught

    def _fetch(self) -> None:
        """Without a pass, or where the header promised more frames than came."""
        if self.moment is None:
            if not self._reach_middle():
                landed = list(self.recording.sample(3))  # in long groups of pictures it may land far from the middle
                if landed:
                    self._keep(landed[len(landed) // 2])
            return
        for frame in self.recording.frames():
            self.offer(frame)
            if self._done:
                break

    def _reach_middle(self) -> bool:
        """Whether the very middle of a movie could be fetched at little cost."""
        recording, info = self.recording, self.recording.info
        frames = AFFORDABLE // (info.width * info.height)
        if not isinstance(recording, Movie) or (self.index or 0) > frames or recording.path.stat().st_size > SMALL:
            return False
        with closing(Reach(recording.path)) as reach:
            count = reach.count()
            if not count or count // 2 > frames:
                return False
            try:
                self._keep(reach.at(count // 2))
            except Problem:  # it is damaged on the way there
                return False
        return True


def write_sheet(
    target: Path, stage: Stage, info: Info, caught: Caught, encoding: Encoding | None, matrix: Matrix, start: str | None
) -> dict[str, Any]:
    """Draw the sheet of a frame.

    start : timecode of the recording's first frame; None where it has none
    Raises: Problem where it cannot be written.
    """
    shown = as_shown(caught.planes, encoding, matrix=matrix, sampling=info.sampling, siting=info.siting)
    picture = stage.picture
    if stage.resampled:
        shown = np.asarray(Image.fromarray(shown).resize((picture.width, picture.height), Image.Resampling.LANCZOS))
    crops = []
    for delivery in stage.request.deliveries:
        window = stage.window(delivery, caught.time)
        x, y, columns, rows = window.rect.pixels()
        cut = in_proportion(np.ascontiguousarray(shown[y : y + rows, x : x + columns]), picture.aspect)
        crops.append(Crop(delivery.name, f"{columns} × {rows}, keeps {float(window.kept * 100):.1f} %", cut))
    timecode = counted_on(start, round(caught.time * (info.rate or 0)), info.rate)
    moment = f"frame {caught.index} at {_clock_words(caught.time)}{f', timecode {timecode}' if timecode else ''}"
    frame = in_proportion(_with_guides(shown, stage, caught.time), picture.aspect)
    draw_sheet(
        target,
        title=info.path.name,
        frame=frame,
        frame_note=_frame_note(stage, info, moment),
        crops=crops,
        notes=[*map(_sentence, stage.notes), *_notes(stage, caught.time)],
    )
    return {
        "words": f"{moment}, {len(crops)} crop{'s' * (len(crops) != 1)}",
        "output": {"frame": caught.index, "seconds": round(float(caught.time), 4), "timecode": timecode},
    }


def _with_guides(shown: Shown, stage: Stage, time: Fraction) -> Shown:
    displayed = stage.picture.width * float(stage.picture.aspect)
    guides = replace(stage.guides(time, labels=True), weight=max(1.0, displayed / SHEET_WIDTH), white=1.0, moving=False)
    try:
        drawing = draw(guides)
    except ValueError:  # no room for labels in a picture this small; the sheet names its crops all the same
        drawing = draw(replace(guides, labels=False))
    planes = [np.ascontiguousarray(shown[..., number]) for number in range(3)]
    for plane, sparse in zip(planes, sparse_planes(drawing, SHOWN, SHOWN.channels()), strict=True):
        blend(plane, sparse)
    return np.stack(planes, axis=-1)


def _frame_note(stage: Stage, info: Info, moment: str) -> str:
    source = stage.source
    words = f"{source.width} × {source.height}"
    if source.aspect != 1:
        words += f", shown {float(source.ratio):.3f}:1 (pixels {float(source.aspect):.4g} wide)"
    return words if info.frames == 1 else f"{words}, {moment}"


def _clock_words(time: Fraction) -> str:
    minutes, seconds = divmod(float(time), 60)
    return f"{int(minutes)}:{seconds:05.2f}"


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _notes(stage: Stage, time: Fraction) -> list[str]:
    notes = []
    common = common_report(stage, time)
    if common is not None:
        words = f"{common['width']} × {common['height']} at {common['x']}, {common['y']}"
        notes.append(f"Common area: {words}, {common['kept_percent']:.1f} % of the picture.")
    elif len(stage.request.deliveries) > 1:
        notes.append(f"The windows have no area in common{' in this frame' * stage.request.moving}.")
    sized = [each for each in stage.request.deliveries if each.size is not None]
    if sized:
        words = ", ".join(f"{each.name} at {each.size[0]} × {each.size[1]}" for each in sized if each.size)
        notes.append(f"Delivered scaled: {words}.")
    if stage.request.moving:
        notes.append("Windows that move, and the common area with them, are shown where they are in this frame.")
    return notes
