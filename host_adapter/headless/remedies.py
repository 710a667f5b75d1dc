"""The remedies as work on one open recording: retag; lift or rescale; and undo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...kernels.dither import Dither
from ...kernels.encoding import Channel, Encoding, Range
from .change import Change, Kept
from .codecs import CodecChoice, choose_codec, writable_depth
from .errors import Problem
from .flags import expressible, retag
from .jobs import plain_name
from .losses import ExactMap, Losses, exact_maps
from .media import Frame, Info, Plane, Recording
from .plan import Order
from .remedy import LIFT_BITS
from .undoing import TakenBack, taken_back_maps
from .verify import verify_retagged, verify_scaled
from .writing import transform

Progress = Callable[[str, int, int | None], None]
"""Called with (what is being done, frames done, frames in all or None)."""
Stopping = Callable[[], bool]


class Stopped(Exception):  # noqa: N818  (a wish, no error)
    """The person asked to stop."""


DEEPER = ("lift", "undo")
"""Remedies that take two more bits, so that no code is lost."""


def work_for(order: Order, info: Info) -> Retag | Scale:
    """The work that an order asks for.

    Raises: Problem where it cannot be done with this recording.
    """
    if order.remedy == "retag":
        return Retag(order, info)
    return Undo(order, info) if order.remedy == "undo" else Scale(order, info)


class Retag:
    """Only the flag changes."""

    def __init__(self, order: Order, info: Info) -> None:
        assert order.target is not None
        self.order, self.target = order, order.target
        if info.kind == "stills":
            raise Problem(
                order.path,
                f"{info.container} stills have no place for a range flag",
                "Use --remedy lift or rescale, or tell the editor by hand.",
            )
        self.name = order.path.name
        # The rest of an order does not bear on a retag, so it must not make a whole result look like another's.
        self.settings = replace(order, source=None, dither=None, seed=0, depth=None, codec=None).settings()

    def make(self, recording: Recording, partial: Path, stopped: Stopping, progress: Progress | None) -> dict[str, Any]:
        if progress:
            progress("retag", 0, 1)
        done = retag(self.order.path, partial, self.target)
        if stopped():
            raise Stopped
        verified = verify_retagged(self.order.path, partial, self.target)
        if progress:
            progress("retag", 1, 1)
        count = len(done.changed)
        how = f"{count} byte{'s' * (count != 1)} patched" if done.method == "patch" else "streams copied, flag set anew"
        return {
            "words": f"flag set to {self.target.label}, {how}; no coded picture touched",
            "output": {"method": done.method},
            "lost": {"codes": "nothing: the coded pictures are the original's"},
            "carried": list(done.carried),
            "uncarried": list(done.uncarried),
            "changed_bytes": [
                {"offset": offset, "old": old, "new": new, "what": what} for offset, old, new, what in done.changed
            ],
            "verified": verified,
        }


class Scale:
    """Lift or rescale: decode, kernel, encode."""

    def __init__(self, order: Order, info: Info) -> None:
        assert order.source is not None and order.target is not None
        self.order, self.info = order, info
        depth = info.depth or order.depth
        if depth is None:
            raise Problem(
                order.path,
                "its pixels are floating-point levels; a range of codes needs a depth",
                "Say which depth the levels stand for: --depth 10 (level = code / 1023).",
            )
        deeper = order.remedy in DEEPER
        least = depth + LIFT_BITS if deeper else depth
        wanted = order.depth or writable_depth(info, least) or least
        if deeper and wanted < depth + LIFT_BITS and info.depth is not None:
            which = "a lift" if order.remedy == "lift" else "an undo"
            raise Problem(
                order.path,
                f"{which} from {depth} bits needs at least {depth + LIFT_BITS} bits to be reversible, not {wanted}",
                "Use --remedy rescale, or another --depth.",
            )
        if wanted > 16:
            raise Problem(order.path, f"no deeper encoding than {depth} bits can be written", "Use --remedy rescale.")
        self.source = Encoding(depth, order.source, info.model, info.bit_shift)
        self.dither = Dither(order.dither or ("none" if deeper else "triangular"))
        self.choice = self._choose(info, wanted, order.target)
        self.target = Encoding(wanted, order.target, info.model)
        stem = plain_name(order.path) if info.kind == "stills" else order.path.stem
        self.name = stem if info.kind == "stills" else f"{stem}.{self.choice.container}"
        self.settings = replace(order, dither=self.dither.value, depth=wanted, codec=self.choice.codec).settings()
        self.channels = info.channels()

    def _choose(self, info: Info, depth: int, target: Range) -> CodecChoice:
        """The codec; where full codes would lie in a file that cannot say so, one that can."""
        order = self.order
        coding = "lift" if order.remedy in DEEPER else "rescale"
        choice = choose_codec(info, depth=depth, remedy=coding, codec=order.codec)
        silent = target is Range.FULL and info.kind == "movie" and not expressible(choice.container, choice.codec)
        if not silent:
            return choice
        if order.codec is not None:
            raise Problem(
                order.path,
                f"{choice.codec} in {choice.container} cannot say 'full'; readers would take it for narrow",
                "Use --codec ffv1, or --to narrow.",
            )
        return choose_codec(info, depth=depth, remedy=coding, codec="ffv1")

    def _change(self, info: Info) -> Change | TakenBack:
        return Change(self.source, self.target, info, self.dither, self.order.seed)

    def _maps(self) -> dict[Channel, ExactMap]:
        return exact_maps(self.source, self.target, self.channels)

    def _words(self) -> str:
        dither = "" if self.dither is Dither.NONE else f", {self.dither.value} dither"
        return f"{self.source.range.label} to {self.target.range.label}, {self.source.depth} to {self.target.depth} bits{dither}"

    def make(self, recording: Recording, partial: Path, stopped: Stopping, progress: Progress | None) -> dict[str, Any]:
        info = recording.info
        change = self._change(info)
        kept = Kept(info.frames, lossless=self.choice.lossless)
        losses = Losses(self.source, self._maps(), self.channels)

        def process(frame: Frame, targets: tuple[Plane, ...]) -> None:
            change.apply(frame, targets)
            kept.add(frame, targets)
            if info.depth is not None:
                losses.add(frame)

        written = transform(
            recording,
            partial,
            encoding=self.target,
            codec=self.choice,
            process=process,
            progress=(lambda done: progress(self.order.remedy, done, info.frames)) if progress else None,
            stop=stopped,
        )
        if stopped():
            raise Stopped
        verified = verify_scaled(
            partial,
            kept,
            written.frames,
            self.target.range,
            (lambda done: progress("verify", done, written.frames)) if progress else None,
        )
        lossless = "every code kept" if written.lossless else "lossy"
        return {
            "words": f"{self._words()}; written as {written.codec} ({lossless})",
            "output": {
                "codec": written.codec,
                "pixel_format": written.pixel_format,
                "lossless_codec": written.lossless,
                "why_this_codec": self.choice.why,
                "options": dict(self.choice.options),
            },
            "lost": losses.report(),
            "carried": list(written.carried),
            "uncarried": list(written.uncarried),
            "verified": verified,
        }


class Undo(Scale):
    """One scaling taken back: the codes as they were before it, in two more bits, under the flag that they then need."""

    def __init__(self, order: Order, info: Info) -> None:
        if info.depth is None:
            raise Problem(
                order.path,
                "its pixels are floating-point levels, which were never merged",
                "Use --remedy lift with the ranges the other way round.",
            )
        if order.dither not in (None, "none"):
            raise Problem(
                order.path, "an undo keeps every code apart, so there is nothing to dither", "Leave --dither out."
            )
        super().__init__(order, info)
        self._taken_back = taken_back_maps(self.source, self.target, self.channels)

    def _change(self, info: Info) -> TakenBack:
        return TakenBack(self._taken_back, self.channels, self.source, self.target)

    def _maps(self) -> dict[Channel, ExactMap]:
        return self._taken_back

    def _words(self) -> str:
        flag = self.target.range.label
        said = (
            f"flagged {flag}"
            if self.info.kind == "movie"
            else f"its codes are {flag}, which stills cannot say: tell the editor"
        )
        return f"the scaling to {self.source.range.label} taken back, {self.source.depth} to {self.target.depth} bits, {said}"
