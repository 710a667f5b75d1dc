"""Frames' numbers, which key noise, from their time: the same however a frame is come to."""

from __future__ import annotations

from fractions import Fraction

SECOND = 10**9
"""GStreamer counts nanoseconds."""

_UNTIMED = Fraction(1000)
"""Noise changes so many times a second where the caps say no rate."""


def frame_number(seconds: Fraction, rate: Fraction, clipped: Fraction | None) -> int:
    """The number of the frame at a time in the stream, as near as a stamp's rounding allows.

    rate : frames a second, 0 where it varies
    clipped : of a frame that begins where its segment does, how long it lasts in seconds: of the frame that a seek falls into,
        decoders clip what lies before, and only its end is where it was
    """
    rate = rate or _UNTIMED
    at = seconds * rate
    if clipped is not None:
        end = at + clipped * rate
        if end - at < 1 and abs(end - _nearest(end)) < Fraction(1, 8):
            return max(0, _nearest(end) - 1)
    return _nearest(at)


def _nearest(value: Fraction) -> int:
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)
