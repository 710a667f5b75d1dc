"""Which range effect a clip of a timeline needs, and which format holds every clip. Imports no GStreamer."""

from __future__ import annotations

from dataclasses import dataclass

from ...kernels.encoding import Encoding, Model, Range

ELEMENT = "footroomrange"
FORMATS = {
    "4:2:0": {8: "I420", 10: "I420_10LE", 12: "I420_12LE"},
    "4:2:2": {8: "Y42B", 10: "I422_10LE", 12: "I422_12LE"},
    "4:4:4": {8: "Y444", 10: "Y444_10LE", 12: "Y444_12LE"},
}
"""Formats that the compositor and FFV1 both take, by sampling and depth."""
_DENSER = ("4:2:0", "4:2:2", "4:4:4")
_LIKE = {"4:1:1": "4:2:2", "4:4:0": "4:4:4", "gray": "4:2:0"}


@dataclass(frozen=True, slots=True)
class Source:
    """What is known of a file that clips show.

    codes : the range that its codes have, None where it is left to the framework
    trusted : what its flag says; unsaid : it has none
    """

    depth: int | None
    model: Model
    sampling: str
    codes: Range | None
    trusted: Range
    unsaid: bool = False


@dataclass(frozen=True, slots=True)
class Signal:
    """What a timeline's picture track is pinned to."""

    format: str
    colorimetry: str
    encoding: Encoding


def format_for(sources: list[Source]) -> str:
    """The format that holds every clip: the deepest, and the densest chroma; 10-bit 4:2:2 where nothing is known."""
    depth = max((source.depth or 16 for source in sources), default=10)
    dense = max((_DENSER.index(_LIKE.get(source.sampling, source.sampling)) for source in sources), default=1)
    return FORMATS[_DENSER[dense]][8 if depth <= 8 else 10 if depth <= 10 else 12]


def description_for(source: Source, signal: Signal, dither: str, seed: int) -> str | None:
    """The range effect that brings a file's codes to the timeline's, or None where it needs none.

    A right recording needs one too where the timeline's encoding is another: the framework's own change of range or depth gives
    wrong codes. So does one that says no range: for the framework that is a range of its own.
    """
    if (
        source.codes is None
        or source.depth is None
        or (source.model is Model.RGB) != (signal.encoding.model is Model.RGB)
    ):
        return None
    encoding = signal.encoding
    if (
        source.codes is encoding.range
        and source.codes is source.trusted
        and not source.unsaid
        and source.depth == encoding.depth
    ):
        return None
    words = [ELEMENT, f"assume={source.codes.label}", f"to={encoding.range.label}", f"dither={dither}"]
    if source.depth != encoding.depth:
        words.append(f"depth={encoding.depth}")
    if seed:
        words.append(f"seed={seed}")
    return " ".join(words)
