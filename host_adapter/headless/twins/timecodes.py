"""The offset between two recordings that their start timecodes say; a hint, and something to contradict."""

from __future__ import annotations

from fractions import Fraction

from .views import Side


def timecode_offset(first: Side, second: Side) -> int | None:
    """B's frame number less A's for one picture, as the start timecodes say; None where one is missing or unreadable."""
    rate = first.info.rate or second.info.rate
    if not rate:
        return None
    starts = [timecode_frames(side.timecode, rate) for side in (first, second)]
    return None if starts[0] is None or starts[1] is None else starts[0] - starts[1]


def timecode_frames(text: str | None, rate: Fraction) -> int | None:
    """Frames since midnight; a semicolon before the frames is drop-frame counting.

    Source: SMPTE ST 12-1 (from memory): two frame numbers (four at 60) are left out each minute but every tenth.
    """
    if not text:
        return None
    try:
        hours, minutes, seconds, frames = (int(part) for part in text.replace(";", ":").replace(".", ":").split(":"))
    except ValueError:
        return None
    base, drops = round(rate), ";" in text or "." in text
    if not base or frames >= base or (drops and base % 30):
        return None  # no count of this rate: drop frame is of 30 and 60
    count = ((hours * 60 + minutes) * 60 + seconds) * base + frames
    if drops:
        total = hours * 60 + minutes
        count -= base // 15 * (total - total // 10)
    return count
