"""An effect over a whole recording into a new one of the same size, depth and flag, verified by reading it back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...kernels.encoding import Encoding
from ...kernels.matrix import Matrix
from ..effect import Effect
from .change import Kept
from .codecs import CodecChoice, choose_codec
from .delivery.makers import copy_codes, written_encoding
from .delivery.outputs import suffix_of
from .errors import Problem
from .host import render
from .media import Frame, Info, Plane, Recording
from .publish import lift_out
from .verify import verify_scaled
from .writing import Result, transform_all

Tell = Callable[[str, int, int | None], None]
"""Progress: what is done, how many frames, of how many."""


def choice_for(info: Info, out: Path, codec: str | None) -> CodecChoice:
    """The codec of a result called `out`: the source's own where it can be written.

    Raises: Problem where the name's extension is not that of the file type.
    """
    container = info.container
    if info.kind == "movie" and out.suffix:
        container = {"m4v": "mp4"}.get(out.suffix[1:].lower(), out.suffix[1:].lower())
    choice = choose_codec(replace(info, container=container), depth=info.depth or 0, remedy="rescale", codec=codec)
    suffix = suffix_of(choice, info)
    if suffix and out.suffix.lower() != suffix:
        raise Problem(
            out, f"{choice.codec} is written to {choice.container} here ({choice.why})",
            f"Name it {out.with_suffix(suffix).name}, or choose another --codec.",
        )  # fmt: skip
    return choice


def apply_effect(
    recording: Recording,
    effect: Effect,
    values: Mapping[str, Any],
    target: Path,
    choice: CodecChoice,
    matrix: Matrix,
    tell: Tell,
) -> dict[str, Any]:
    """Every frame through the effect. Returns what a receipt says of it: 'words', 'output', 'carried', 'uncarried', 'verified'.

    target : a hidden name that nothing else uses
    The codes are taken as flagged; an effect's own `assume` says otherwise.

    Raises: Problem, as writing and reading do; ValueError, as the effect does.
    """
    info = recording.info
    source = None if info.depth is None else info.encoding(info.tag.trusted)
    written = written_encoding(info, source, choice)
    keep = Kept(info.frames, lossless=choice.lossless)

    def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
        planes = targets
        if source != written:  # the same codes in other words
            planes = tuple(plane.copy() for plane in frame.planes)
        render(effect, info, frame, planes, source, source, values, matrix)
        if planes is not targets:
            for plane, out, channel in zip(planes, targets, info.channels(), strict=True):
                copy_codes(plane, out, channel, source, written)
        keep.add(frame, targets)

    flagged = Encoding(info.depth or 16, info.tag.trusted, info.model)
    result = Result(target, info, flagged, choice, process)
    (one,) = transform_all(recording, [result], progress=lambda done: tell("draw", done, info.frames))
    verified = verify_scaled(target, keep, one.frames, flagged.range, lambda done: tell("verify", done, info.frames))
    if info.kind == "stills" and info.frames == 1:
        lift_out(target)
    coded = "every code kept" if one.lossless else "lossy"
    frames = f"{one.frames} frame{'s' * (one.frames != 1)}"
    return {
        "words": f"{info.width}x{info.height}, {frames}, written as {one.codec} ({coded})",
        "frames": one.frames,
        "output": {
            "codec": one.codec, "pixel_format": one.pixel_format, "lossless_codec": one.lossless, "why_this_codec": choice.why,
            "options": dict(choice.options),
        },
        "carried": list(one.carried), "uncarried": list(one.uncarried), "verified": verified,
    }  # fmt: skip
