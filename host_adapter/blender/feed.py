# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames of a strip's recording, read by us, as pictures of Blender's: which frame, and into what buffer."""

from __future__ import annotations

from math import fmod
from pathlib import Path
from typing import Any

import bpy

from footroom.kernels.encoding import Model, Range

from . import code_values, versions


class Unfed(Exception):  # noqa: N818  (an answer, not a failure of the program)
    """Why a strip cannot be fed, in words."""


def path_of(strip: Any) -> Path:
    """The file that a movie strip names, absolute. Raises: Unfed where it names none that can be found."""
    written = str(strip.filepath)
    if not written:
        raise Unfed("it names no file")
    if written.startswith("//") and not bpy.data.filepath:
        raise Unfed("its path is relative to a blend file that has not been saved: save it first")
    return Path(bpy.path.abspath(written, library=strip.id_data.library))


def covers(strip: Any, frame: int) -> bool:
    """Whether a strip shows at a frame of the timeline."""
    return versions.shows_from(strip) <= frame < versions.shows_to(strip)


def source_frame(strip: Any, frame: int) -> int:
    """The recording's frame, from 0, that a strip shows at a frame of the timeline.

    As Blender 5.0.1 was seen to count: trims and hard trims, held ends, reverse, then strobe.
    """
    last = versions.content_length(strip) - 1
    index = min(max(round(frame - versions.content_start(strip)), 0), last)
    if strip.use_reverse_frames:
        index = last - index
    if strip.strobe > 1:
        index -= int(fmod(index, strip.strobe))
    return index + versions.trimmed_hard(strip)


def hindrance(strip: Any, scene: Any) -> str:
    """Why a strip's picture could not be fed as it stands in the timeline, or nothing."""
    if strip.type != "MOVIE":
        return "only a movie strip can be fed"
    if len(strip.retiming_keys):
        return "its speed has been changed by retiming, which cannot be followed; mend the file and relink it (Mend)"
    for other in versions.every_strip(scene):
        if other.type == "SPEED" and getattr(other, "input_1", None) == strip:
            return f"the speed effect {other.name} asks for other frames than its own; mend the file instead (Mend)"
    if strip.use_deinterlace or strip.color_saturation != 1 or strip.color_multiply != 1:
        return "Deinterlace, Saturation and Multiply would be lost; set them back, or use an adjustment strip for them"
    if getattr(strip, "stream_index", 0):
        return "it shows another picture stream than the first"
    return ""


class Feed:
    """A recording open for a strip, and the buffer that its frames go through. Raises: Problem, Unfed."""

    def __init__(self, path: Path) -> None:
        from footroom.host_adapter.headless.reaching import Reach

        self.path = path
        self.stamp = stamp_of(path)
        self.reach = Reach(path)
        info = self.reach.info
        if info.alpha or info.depth is None:
            raise Unfed("recordings with alpha or floating-point levels are not fed")
        if info.turned:
            raise Unfed("it is turned by its file, as phones do; mend the file instead (Mend)")
        self.size = info.width, info.height
        self._pixels: Any = None

    def picture(self, index: int, range_: Range) -> Any:
        """R'G'B'A levels of a frame, float32 [rows, columns, 4], rows from the bottom; valid until the next call."""
        import numpy as np

        if self._pixels is None:
            self._pixels = np.empty((self.size[1], self.size[0], 4), np.float32)
        code_values.fill(self._pixels, self.reach.at(index), self.reach.info, range_)
        return self._pixels

    def close(self) -> None:
        """Let go of the file and the buffer."""
        self.reach.close()
        self._pixels = None


def stamp_of(path: Path) -> tuple[float, int]:
    """What changes with a file. Raises: Unfed where it is not there."""
    try:
        found = path.stat()
    except OSError:
        raise Unfed(f"{path.name} is not there ({path.parent})") from None
    return found.st_mtime, found.st_size


def needs_feeding(info: Any, range_: Range) -> str:
    """Why feeding would bring nothing, or nothing."""
    if info.model is Model.RGB and range_ is Range.FULL:
        return "Blender reads R'G'B' as full already"
    if code_values.read_as(info) is range_:
        return f"Blender reads it as {range_.label} already"
    return ""


def pour(image: Any, pixels: Any) -> None:
    """Put a buffer into an image of Blender's: one copy."""
    image.pixels.foreach_set(pixels.reshape(-1))
    image.update_tag()


def black(image: Any) -> None:
    """What shows that nothing could be read."""
    import numpy as np

    columns, rows = image.size
    pixels = np.zeros((rows, columns, 4), np.float32)
    pixels[..., 3] = 1
    pour(image, pixels)
