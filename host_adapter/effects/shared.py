"""Parameters that more than one effect has, and planes through kernels."""

from __future__ import annotations

from ...kernels.encoding import Channel, Encoding
from ..effect import Choice, Image, Kind, Param, Time, Window

DITHER_LABELS = {
    "none": "None",
    "rectangular": "Rectangular",
    "triangular": "Triangular",
    "blue-noise": "Blue noise",
    "error-diffusion": "Error diffusion",
}

DITHER = Param(
    "dither",
    "Dither",
    Kind.CHOICE,
    "triangular",
    "How the rounding error is spread. None leaves spikes and bands; triangular hides them in even noise.",
    choices=tuple(Choice(value, label) for value, label in DITHER_LABELS.items()),
    animates=False,
)
SEED = Param(
    "seed", "Seed", Kind.INTEGER, 0, "The same seed gives the same codes.", low=0, high=2**31 - 1, animates=False
)
DEPTH = Param(
    "depth",
    "Depth",
    Kind.CHOICE,
    "same",
    "Bits of the result's codes.",
    choices=(Choice("same", "As the source"), *(Choice(str(bits), f"{bits} bit") for bits in range(8, 17))),
    unit="bit",
    animates=False,
)


def recode(
    target: Image, source: Image, window: Window, time: Time, *, dither: str, seed: int, assume: Encoding | None = None
) -> None:
    """Codes of the source into codes of the target under a window; noise keyed by absolute place, frame and plane.

    assume : the source's encoding where it is another than the image says
    """
    from ...kernels.dither import Dither, requantise
    from ...kernels.scaling import rescale

    encoding, written = source.encoding if assume is None else assume, target.encoding
    for number, channel in enumerate(source.channels):
        own = target.samples(window, channel)
        plane, out = source.view(number, own), target.view(number, own)
        if encoding is None or written is None:
            out[...] = plane  # levels are what they are
        elif plane.dtype.kind == "f" or channel is Channel.ALPHA:
            rescale(plane, encoding, written, channel=channel, out=out)
        else:
            requantise(
                plane, encoding, written, channel=channel, dither=Dither(dither), seed=seed, frame=time.frame,
                plane=number, origin=(own.y0, own.x0), out=out,
            )  # fmt: skip
