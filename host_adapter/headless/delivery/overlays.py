"""The overlay by itself: a still, or a movie with alpha where a window moves."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from ....kernels.overlay import premultiplied
from ..errors import Problem
from ..media import Recording
from ..movie import Movie
from ..overlay_writer import STILLS, OverlayMovie, write_overlay_still
from .makers import drawn
from .outputs import OVERLAY_MOVIES, Output
from .passes import pixel_words
from .stage import Stage
from .timecode import start_timecode


def write_overlay(
    target: Path,
    output: Output,
    stage: Stage,
    recording: Recording | None,
    *,
    frames: int | None,
    rate: Fraction | None,
    seconds: Fraction | None,
    tell: Callable[[str, int, int | None], None],
) -> dict[str, Any]:
    """Write one overlay; what it is follows from its suffix.

    frames, rate, seconds : its length as a movie; as the recording's where there is one
    Raises: Problem for a movie of no length.
    """
    picture = stage.picture
    if target.suffix.lower() in STILLS:
        still = premultiplied(drawn(stage, only=output.delivery))
        write_overlay_still(target, still[..., :3], still[..., 3], aspect=picture.aspect)
        kind = "premultiplied" if target.suffix.lower() == ".exr" else "straight"
        return {
            "words": f"{picture.width}x{picture.height}{pixel_words(picture.aspect)}, {kind} alpha",
            "output": {"width": picture.width, "height": picture.height, "alpha": kind},
        }
    info = None if recording is None else recording.info
    rate = rate or (info.rate if info is not None else None) or Fraction(25)
    count = _length(stage, output, recording, frames, rate, seconds)
    codec = OVERLAY_MOVIES[target.suffix.lower()]
    timecode = start_timecode(recording)
    moving = stage.request.moving if output.delivery is None else output.delivery.path is not None
    with OverlayMovie(
        target, picture.width, picture.height, rate, aspect=picture.aspect, timecode=timecode, codec=codec
    ) as movie:
        if moving:
            last: tuple[Any, Any] | None = None
            for number in range(count):
                time = Fraction(number) / rate
                key = stage.guides(time, output.delivery)
                if last is None or last[0] != key:
                    last = key, premultiplied(drawn(stage, time, output.delivery))
                movie.write(last[1][..., :3], last[1][..., 3])
                tell(output.word, number + 1, count)
        else:
            still = premultiplied(drawn(stage, only=output.delivery))
            movie.write(still[..., :3], still[..., 3], times=count)
    shape = f"{picture.width}x{picture.height}{pixel_words(picture.aspect)}"
    return {
        "words": f"{shape}, {count} frames at {float(rate):.5g} a second, {codec} with straight alpha",
        "output": {
            "width": picture.width, "height": picture.height, "alpha": "straight", "codec": codec,
            "frames": count, "rate": str(rate), "timecode": timecode,
        },
        "uncarried": _uneven(recording),
    }  # fmt: skip


def _length(
    stage: Stage,
    output: Output,
    recording: Recording | None,
    frames: int | None,
    rate: Fraction,
    seconds: Fraction | None,
) -> int:
    """Frames of the movie: as many as the recording has, or the seconds asked for, or until the last key."""
    if recording is not None:
        return frames if frames is not None else sum(1 for _ in recording.frames())
    if seconds is None:
        ends = [delivery.path.keys[-1].time for delivery in stage.request.deliveries if delivery.path is not None]
        seconds = max(ends, default=Fraction(0))
        if not seconds:
            raise Problem(output.path, "an overlay movie needs a length", "Give --seconds 10, or name a recording.")
    return max(1, round(seconds * rate))


def _uneven(recording: Recording | None) -> list[str]:
    """A word where the recording's frames do not come at an even rate, which the overlay's do."""
    if not isinstance(recording, Movie):
        return []
    container, stream = recording.open()
    with container:
        times = sorted(packet.pts for packet in container.demux(stream) if packet.pts is not None)
    steps = {later - earlier for earlier, later in pairwise(times)}
    if not steps or max(steps) - min(steps) <= 1:
        return []
    return [
        "uneven frame times of the recording; the overlay's frames come at an even rate, so it drifts off where they do not"
    ]
