"""What every recording looks like to the rest of the house, movie or numbered stills alike."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Protocol

import numpy.typing as npt

from ...kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model, Range

Plane = npt.NDArray[Any]
"""uint8, uint16, float16 or float32 [rows, columns]; a view where the library allows one."""


@dataclass(frozen=True, slots=True)
class Tag:
    """What the file says of its range.

    container : as the container says it, or None where it is silent
    stream : as the coded stream says it, or None where it is silent
    expressible : True where this file type has a place for the flag that readers honour
    """

    container: Range | None
    stream: Range | None
    expressible: bool

    @property
    def trusted(self) -> Range:
        """What an editor takes it for: the stream's word, else the container's, else narrow (common practice)."""
        return next((said for said in (self.stream, self.container) if said is not None), Range.NARROW)


@dataclass(frozen=True, slots=True)
class Info:
    """The facts of a recording's picture.

    path : the file, or the pattern `name.####.ext` of a sequence
    kind : 'movie' | 'stills'
    container : 'mp4' | 'mov' | 'mkv' | 'mxf' | 'avi' | 'ts' | … ; for stills the file type, 'dpx' | 'tiff' | 'png' | 'exr'
    codec : FFmpeg's name of the codec ('h264', 'prores', …); for stills the file type again
    frames : frames in the recording; None where the file does not say and counting them would take a whole read
    depth : bits of a code; None for floating-point stills
    sampling : '4:2:0' | '4:2:2' | '4:4:4' | '4:1:1' | '4:4:0' | 'gray'
    transfer, primaries, matrix : H.273 names in FFmpeg's spelling ('arib-std-b67'), or None where unspecified
    aspect : width of a recorded pixel over its height; 1 where the file is silent
    turned : clockwise degrees by which players turn the picture on show: 0, 90, 180 or 270 (see sidefacts.turn)
    interlaced : True where the first frame or the stream says that a frame is two fields
    siting : where chroma samples lie, a word of flags.siting.SITINGS, or None where unsaid ('left' by common practice)
    """

    path: Path
    kind: str
    container: str
    codec: str
    profile: str | None
    width: int
    height: int
    frames: int | None
    rate: Fraction | None
    depth: int | None
    model: Model
    sampling: str
    alpha: bool
    pixel_format: str
    bit_shift: int
    tag: Tag
    transfer: str | None
    primaries: str | None
    matrix: str | None
    aspect: Fraction = Fraction(1)
    turned: int = 0
    interlaced: bool = False
    siting: str | None = None

    def encoding(self, range_: Range) -> Encoding:
        """The encoding of its integer planes under the given range.

        Raises: ValueError for floating-point stills.
        """
        if self.depth is None:
            raise ValueError(f"{self.path.name} holds floating-point levels, not codes")
        return Encoding(self.depth, range_, self.model, self.bit_shift)

    def channels(self) -> tuple[Channel, ...]:
        """The channel of each plane that a frame hands over, alpha last."""
        return PLANE_CHANNELS[self.model] + ((Channel.ALPHA,) if self.alpha else ())


@dataclass(slots=True)
class Frame:
    """One decoded picture.

    index : frame number from 0
    planes : Plane [rows, columns] in the order of Info.channels(); read-only by contract (the decoder may still refer to them)
    native : the library's own frame, kept alive for as long as the planes are in use
    """

    index: int
    planes: tuple[Plane, ...]
    native: Any


class Recording(Protocol):
    """An open movie or sequence. A context manager; the file is open for reading only."""

    info: Info

    def frames(self) -> Iterator[Frame]:
        """All frames from the first to the last, once each."""
        ...

    def sample(self, count: int) -> Iterator[Frame]:
        """At most `count` frames, spread evenly across the whole length, in order."""
        ...

    def close(self) -> None: ...

    def __enter__(self) -> Recording: ...

    def __exit__(self, *_: object) -> None: ...


@dataclass(frozen=True, slots=True)
class Written:
    """What a writer did.

    frames : pictures written
    codec, pixel_format : what was written
    lossless : True where decoding gives back the very codes that were handed in
    carried : what came over besides the picture, in words ('2 audio streams', 'timecode 10:00:00:00')
    uncarried : what could not be, in words
    """

    frames: int
    codec: str
    pixel_format: str
    lossless: bool
    carried: tuple[str, ...]
    uncarried: tuple[str, ...]
