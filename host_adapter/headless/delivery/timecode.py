"""The timecode of a frame: that of the recording's first, counted on."""

from __future__ import annotations

import re
from fractions import Fraction

from ..media import Recording
from ..movie import Movie
from ..sidefacts import file_facts

_WRITTEN = re.compile(r"(\d\d):([0-5]\d):([0-5]\d)([:;.])(\d\d)")


def start_timecode(recording: Recording | None) -> str | None:
    """What the first frame of a movie is called; None where the file does not say."""
    if not isinstance(recording, Movie):
        return None
    container, stream = recording.open()
    with container:
        return file_facts(container, stream).timecode


def counted_on(start: str | None, frames: int, rate: Fraction | None) -> str | None:
    """The timecode so many frames later, from 0 again after a day; None where there is none, or it cannot be counted.

    rate : frames a second. Drop frame (';') leaves out as many numbers a minute as bring 30 or 60 to the rate, 2 or 4, but none in
        each tenth minute. Source: SMPTE ST 12-1 (from memory).

    >>> counted_on("10:00:59;28", 2, Fraction(30000, 1001))
    '10:01:00;02'
    """
    found = _WRITTEN.fullmatch(start or "")
    if not found or not rate:
        return None
    hours, minutes, seconds, count = (int(found[group]) for group in (1, 2, 3, 5))
    nominal, drops = round(rate), found[4] != ":"
    if not nominal or count >= nominal or (drops and nominal % 30):
        return None
    dropped = nominal // 15 if drops else 0
    minute = 60 * hours + minutes
    number = (60 * minute + seconds) * nominal + count - dropped * (minute - minute // 10) + frames
    ten = 600 * nominal - 9 * dropped
    tens, rest = divmod(number % (144 * ten), ten)
    if dropped and rest >= 60 * nominal:
        rest += dropped * ((rest - 60 * nominal) // (60 * nominal - dropped) + 1)
    seconds, count = divmod(600 * nominal * tens + rest, nominal)
    return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}{found[4]}{count:02}"
