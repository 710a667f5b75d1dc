"""One pass over a recording for its burn and all its crops: decoded once, every result verified by reading it back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from ....kernels.encoding import Encoding
from ....kernels.matrix import Matrix
from ..change import Kept
from ..codecs import CodecChoice, choose_codec
from ..media import Frame, Info, Plane, Recording, Written
from ..publish import lift_out, partial_of
from ..verify import verify_scaled
from ..writing import Result, transform_all
from .makers import Clock, Cutter, Desqueezed, Painter, clock_of, first_frame, written_encoding
from .outputs import Output
from .record import number
from .showing import Catcher
from .stage import Stage

Tell = Callable[[str, int, int | None], None]
"""Progress: what is done, how many frames, of how many."""


@dataclass(frozen=True, slots=True)
class Pass:
    """The recording and everything that its results share.

    out : the name that was asked for
    encoding : of the codes as they are (the person's word, else the flag); None for floating-point levels
    """

    recording: Recording
    stage: Stage
    out: Path
    encoding: Encoding | None
    matrix: Matrix

    @property
    def info(self) -> Info:
        return self.recording.info

    def _result_info(self, output: Output) -> Info:
        """The source's facts with the result's size and pixel aspect."""
        info = self.info
        if output.kind == "crop":
            assert output.delivery is not None
            (columns, rows), aspect, _ = self.stage.crop_size(output.delivery)
        else:
            columns, rows = self.stage.picture.width, self.stage.picture.height
            aspect = self.stage.picture.aspect
        container = info.container
        if info.kind == "movie" and output.path == self.out and output.path.suffix:
            container = {"m4v": "mp4", "mkv": "mkv"}.get(output.path.suffix[1:].lower(), output.path.suffix[1:].lower())
        return replace(info, width=columns, height=rows, aspect=aspect, container=container)

    def choice(self, output: Output) -> CodecChoice:
        """The codec of a result, and why."""
        info = self._result_info(output)
        return choose_codec(info, depth=info.depth or 0, remedy="rescale", codec=self.stage.request.codec)

    def make(self, outputs: list[Output], catcher: Catcher | None, tell: Tell) -> list[dict[str, Any]]:
        """Burn and crops: the source decoded once, every result verified by reading it back."""
        info, clock = self.info, self.clock()
        results: list[Result] = []
        kept: list[Kept] = []
        choices: list[CodecChoice] = []
        for output in outputs:
            choice = self.choice(output)
            keep = Kept(info.frames, lossless=choice.lossless)
            process = self._process(output, choice, clock, keep, catcher if not results else None)
            results.append(Result(partial_of(output.path), self._result_info(output), self._flagged(), choice, process))
            kept.append(keep)
            choices.append(choice)
        doing = "burn and crops" if len(outputs) > 1 else outputs[0].word
        written = transform_all(self.recording, results, progress=lambda done: tell(doing, done, info.frames))
        parts = []
        for output, result, keep, choice, one in zip(outputs, results, kept, choices, written, strict=True):
            verified = verify_scaled(
                result.target,
                keep,
                one.frames,
                result.encoding.range,
                lambda done: tell("verify", done, info.frames),
            )
            if output.single:
                lift_out(result.target)
            parts.append(self._part(output, result, choice, one, verified))
        return parts

    def clock(self) -> Clock:
        return clock_of(self.info, first_frame(self.recording))

    def _flagged(self) -> Encoding:
        """The encoding of a result with the range that its file is to say: the source's own flag, which framing leaves alone."""
        return Encoding(self.info.depth or 16, self.info.tag.trusted, self.info.model)

    def _process(
        self, output: Output, choice: CodecChoice, clock: Clock, keep: Kept, catcher: Catcher | None
    ) -> Callable[[Frame, tuple[Plane, ...]], None]:
        info, source = self.info, self.encoding
        written = written_encoding(info, source, choice)
        if output.kind == "crop":
            assert output.delivery is not None
            cutter = Cutter(self.stage, output.delivery, info)

            def fill(frame: Frame, targets: tuple[Plane, ...]) -> None:
                cutter.cut(frame.planes, targets, source, written, clock(frame))
        else:
            painter = Painter(self.stage, info, source, written, self.matrix)
            squarer = Desqueezed(self.stage, info) if self.stage.resampled else None

            def fill(frame: Frame, targets: tuple[Plane, ...]) -> None:
                planes = frame.planes if squarer is None else squarer.apply(frame.planes, source)
                painter.paint(planes, targets, clock(frame))

        def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
            if catcher is not None:
                catcher.offer(frame)
            fill(frame, targets)
            keep.add(frame, targets)

        return process

    def _part(
        self, output: Output, result: Result, choice: CodecChoice, written: Written, verified: dict[str, Any]
    ) -> dict[str, Any]:
        info = result.info
        coded = "every code kept" if written.lossless else "lossy"
        crop = output.delivery if output.kind == "crop" else None
        resampled = self.stage.resampled if crop is None else self.stage.crop_size(crop)[2]
        scaled = " resampled," if resampled else ""
        frames = f"{written.frames} frame{'s' * (written.frames != 1)}"
        return {
            "words": f"{info.width}x{info.height}{pixel_words(info.aspect)},{scaled} {frames}, written as {written.codec} ({coded})",
            "frames": written.frames,
            "output": {
                "codec": written.codec, "pixel_format": written.pixel_format, "lossless_codec": written.lossless,
                "why_this_codec": choice.why, "options": dict(choice.options), "width": info.width, "height": info.height,
                "pixel_aspect": number(info.aspect),
            },
            "carried": list(written.carried), "uncarried": list(written.uncarried), "verified": verified,
        }  # fmt: skip


def pixel_words(aspect: Fraction) -> str:
    """What a person has to know of pixels that are not square."""
    return "" if aspect == 1 else f" of pixels {float(aspect):.4g} wide, which the file says"
