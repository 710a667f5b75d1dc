"""A copy of B that holds A's codes, by the exact inverse of the map between them; with a receipt, like every mend."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.cells import through
from ....kernels.encoding import Channel, Encoding, Range
from ....kernels.occupancy import counts
from ..change import Kept
from ..codecs import CodecChoice, choose_codec, writable_depth
from ..errors import Problem
from ..flags import expressible
from ..jobs import Claims, plain_name
from ..losses import ExactMap, channel_losses, loss_lines
from ..media import Frame, Info, Plane
from ..opening import open_recording, recording_files
from ..publish import discard, partial_of, publish, sole_writer, system_problem, whole_already
from ..receipt import RECEIPT_VERSION, fingerprint, members, program_version
from ..remedies import Stopped
from ..remedy import LIFT_BITS
from ..verify import verify_scaled
from ..writing import transform
from .maps import SAME, NamedMap, back_codes, back_table
from .result import Comparison
from .views import called

Progress = Callable[[str, int, int | None], None]


def write_match(
    found: Comparison, folder: Path, *, overwrite: bool = False, progress: Progress | None = None,
    stop: Callable[[], bool] | None = None,
) -> tuple[Path, dict[str, Any]]:  # fmt: skip
    """B brought to A in the folder; the originals are only read.

    Returns: the result and its receipt. One that is whole already is left as it is.
    Raises: Problem where no exact inverse is known or nothing has to be brought, or where writing fails.
    """
    named, path = found.named, found.second.path
    if named is None:
        raise Problem(
            path,
            f"its codes are {found.words}; that has no exact inverse, so nothing was written",
            "Ask where it was exported, or grade it by eye.",
        )
    if named.relation == SAME:
        raise Problem(path, "it holds the same codes already; there is nothing to bring to the other")
    work = _Work(found, named)
    result = folder / work.name
    with sole_writer(folder):
        Claims([found.first.path, path]).claim(result, path)
        done = whole_already(result, work.settings, path, overwrite=overwrite)
        if done is not None:
            return result, done
        partial = partial_of(result)
        discard(partial)
        try:
            receipt = work.make(partial, result, progress, stop or (lambda: False))
            publish(partial, result, receipt, overwrite=overwrite)
        except (OSError, MemoryError) as error:
            raise system_problem(path, error) from None
        finally:
            discard(partial)
    return result, receipt


class _Work:
    """What is to be written, settled before a frame is read."""

    def __init__(self, found: Comparison, named: NamedMap) -> None:
        self.found, self.named = found, named
        self.info: Info = found.second.info
        self.trusted: Range = found.first.info.tag.trusted
        depth = named.depth_a
        shrinks = named.codes(Channel.LUMA)[0] > 1 << max(named.depth_b - named.depth_a, 0)
        least = max(depth, named.depth_b + (LIFT_BITS if shrinks else 0))
        self.depth = writable_depth(self.info, min(least, 16)) or least
        self.choice = self._choose()
        stem = plain_name(found.second.path) if self.info.kind == "stills" else found.second.path.stem
        self.name = stem if self.info.kind == "stills" else f"{stem}.{self.choice.container}"
        self.settings: dict[str, Any] = {
            "remedy": "match",
            "relation": named.relation,
            "twin": fingerprint(recording_files(found.first.path))["sha256"],
            "read_as": self.trusted.label,
            "depth": self.depth,
            "codec": self.choice.codec,
        }

    def _choose(self) -> CodecChoice:
        """A lossless codec, in a file that can say the range that A is read with."""
        choice = choose_codec(self.info, depth=self.depth, remedy="lift")
        silent = self.trusted is Range.FULL and self.info.kind == "movie"
        if silent and not expressible(choice.container, choice.codec):
            return choose_codec(self.info, depth=self.depth, remedy="lift", codec="ffv1")
        return choice

    def make(self, partial: Path, result: Path, progress: Progress | None, stop: Callable[[], bool]) -> dict[str, Any]:
        info, path = self.info, self.found.second.path
        target = Encoding(self.depth, self.trusted, info.model)
        source = info.encoding(info.tag.trusted)
        channels = info.channels()
        tables = {
            channel: back_table(self.named, self.trusted, self.depth, channel, info.model, info.bit_shift)
            for channel in channels
        }
        histograms: dict[Channel, npt.NDArray[np.int64]] = {}
        kept = Kept(info.frames, lossless=self.choice.lossless)

        def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
            for plane, channel, out in zip(frame.planes, channels, targets, strict=True):
                through(plane, tables[channel], out)
                if channel is not Channel.ALPHA:
                    histograms[channel] = counts(plane, source, out=histograms.get(channel))
            kept.add(frame, targets)

        with open_recording(path) as recording:
            written = transform(
                recording, partial, encoding=target, codec=self.choice, process=process,
                progress=(lambda done: progress("match", done, info.frames)) if progress else None, stop=stop,
            )  # fmt: skip
        if stop():
            raise Stopped
        verified = verify_scaled(
            partial, kept, written.frames, self.trusted,
            (lambda done: progress("verify", done, written.frames)) if progress else None,
        )  # fmt: skip
        lost = {channel.value: self._lost(histogram, channel) for channel, histogram in histograms.items()}
        words = (
            f"brought to the codes of {called(self.found.first.path, path)} by the inverse of '{self.named.relation}', "
            f"{self.named.depth_b} to {self.depth} bits, flag as there ({self.trusted.label}); written as {written.codec}"
        )
        return {
            "receipt": RECEIPT_VERSION,
            "footroom": program_version(),
            "made": datetime.now(UTC).isoformat(timespec="seconds"),
            "input": {"path": str(path), **fingerprint(recording_files(path)), "codec": info.codec,
                      "pixel_format": info.pixel_format, "width": info.width, "height": info.height},
            "twin": {"path": str(self.found.first.path), **fingerprint(recording_files(self.found.first.path))},
            "output": {
                "path": result.name, **fingerprint(members(partial)), "codec": written.codec,
                "pixel_format": written.pixel_format, "lossless_codec": written.lossless,
                "why_this_codec": self.choice.why,
            },
            "parameters": self.settings,
            "comparison": self.found.to_json(),
            "done": words,
            "lost": lost,
            "carried": list(written.carried),
            "uncarried": list(written.uncarried),
            "verified": verified,
        }  # fmt: skip

    def _lost(self, histogram: npt.NDArray[np.int64], channel: Channel) -> dict[str, Any]:
        """What the way back costs."""
        gain = float(1 / self.named.codes(channel, self.info.model)[0])
        codes = back_codes(self.named, self.trusted, self.depth, channel, self.info.model)
        return channel_losses(histogram, ExactMap(gain, codes, (1 << self.depth) - 1))


def match_lines(result: Path, receipt: dict[str, Any]) -> list[str]:
    """What was written, for a person."""
    lines = [f"{receipt['input']['path']}: {receipt['done']}", f"  -> {result}"]
    lines += [f"  lost: {line}" for line in loss_lines(receipt["lost"]) or ["nothing"]]
    lines += [f"  NOT CARRIED: {item}" for item in receipt["uncarried"]]
    return lines
