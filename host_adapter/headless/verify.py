"""Is a written result whole and right? It is read back before anybody sees it."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.encoding import Range
from .change import Kept, plane_sum
from .errors import Problem
from .media import Frame
from .opening import open_recording

MEAN_LIMIT, RMS_LIMIT = 0.01, 0.05
"""Largest mean and rms difference, in units of M, between the kernel's codes and a lossy codec's. A wrong range moves
the mean by .06 M at black; coding at the qualities the writer uses stays far below both."""


def verify_scaled(
    result: Path, kept: Kept, frames: int, target: Range, progress: Callable[[int], None] | None = None
) -> dict[str, Any]:
    """Decode the whole result and hold it against what the kernel made.

    Returns the receipt's 'verified' part. Raises: Problem naming what does not agree.
    """
    found = 0
    worst = 0
    means: list[float] = []
    squares: list[float] = []
    with open_recording(result) as recording:
        info = recording.info
        if info.tag.expressible and info.tag.trusted is not target:
            raise Problem(result, f"the written flag reads back as {info.tag.trusted.label}, not {target.label}")
        for frame in recording.frames():
            found += 1
            if kept.lossless:
                _same_codes(result, frame, kept)
            elif frame.index in kept.frames:
                for made, read in zip(kept.frames[frame.index], frame.planes, strict=True):
                    difference = read.astype(np.int32) - made.astype(np.int32)
                    worst = max(worst, int(np.abs(difference).max()))
                    means.append(float(difference.mean()))
                    squares.append(float(np.mean(np.square(difference, dtype=np.float64))))
            if progress:
                progress(found)
        top = (1 << info.depth) - 1 if info.depth else 1
    if found != frames:
        raise Problem(result, f"{found} frames read back of {frames} written")
    report: dict[str, Any] = {
        "frames": found,
        "flag": target.label if info.tag.expressible else None,
        "flag_expressible": info.tag.expressible,
    }
    if kept.lossless:
        return report | {"codes": "every code of every frame equals the kernel's"}
    mean, rms = max(map(abs, means), default=0.0), math.sqrt(max(squares, default=0.0))
    if mean > MEAN_LIMIT * top or rms > RMS_LIMIT * top:
        raise Problem(
            result,
            f"the encoder changed the codes too much (mean {mean:.2f}, rms {rms:.2f} of {top})",
            "Choose a lossless codec: --codec ffv1.",
        )
    return report | {
        "frames_compared": len(kept.frames),
        "coding_error_codes": {"mean": round(mean, 4), "rms": round(rms, 4), "largest": worst},
    }


def _same_codes(result: Path, frame: Frame, kept: Kept) -> None:
    sums = tuple(plane_sum(plane) for plane in frame.planes)
    if frame.index >= len(kept.sums) or sums != kept.sums[frame.index]:
        raise Problem(result, f"frame {frame.index} does not read back as the kernel made it")


def verify_retagged(source: Path, result: Path, target: Range, samples: int = 4) -> dict[str, Any]:
    """Same pictures, other flag: decode the same few frames of both and compare every code.

    Raises: Problem naming what does not agree.
    """
    with open_recording(source) as before, open_recording(result) as after:
        said = [tag for tag in (after.info.tag.container, after.info.tag.stream) if tag is not None]
        if not said or any(tag is not target for tag in said):
            words = ", ".join(tag.label for tag in said) or "nothing"
            raise Problem(result, f"the flag reads back as {words}, not {target.label}")
        if before.info.frames is not None and before.info.frames != after.info.frames:
            raise Problem(result, f"{after.info.frames} frames in the copy, {before.info.frames} in the original")
        compared = 0
        for old, new in zip(before.sample(samples), after.sample(samples), strict=True):
            same = len(old.planes) == len(new.planes) and all(map(np.array_equal, old.planes, new.planes))
            if not same or old.index != new.index:
                raise Problem(result, f"frame {old.index} of the copy does not decode as in the original")
            compared += 1
        return {
            "frames": after.info.frames,
            "flag": target.label,
            "flag_expressible": True,
            "frames_compared": compared,
            "codes": "every code of the compared frames equals the original's",
        }
