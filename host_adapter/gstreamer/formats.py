"""GStreamer's raw video formats as planes of codes: where each component lies, and which format has another depth.

Source: GStreamer's documentation of GstVideoFormat (plane order, shifts, word order).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from ...kernels.encoding import PLANE_CHANNELS, Channel, Encoding, Model, Range
from ...kernels.framing import SAMPLING_STEPS


@dataclass(frozen=True, slots=True)
class Component:
    """Samples of one channel: in which plane, from which sample on, every how many samples."""

    plane: int
    offset: int = 0
    step: int = 1


@dataclass(frozen=True, slots=True)
class Format:
    """A raw format.

    bit_shift : by which codes are shifted left in their words
    swapped : words are big-endian; all others are taken as this machine has them, which GStreamer 1.22 calls little-endian on what
        this is made for (x86, ARM)
    packing : 'planar', 'semi-planar', 'interleaved' or 'v210'
    components : in the project's order of channels; of v210, which holds three samples in a word, none
    """

    name: str
    depth: int
    model: Model
    sampling: str
    packing: str
    components: tuple[Component, ...]
    bit_shift: int = 0
    alpha: bool = False
    swapped: bool = False

    @property
    def channels(self) -> tuple[Channel, ...]:
        return PLANE_CHANNELS[self.model] + ((Channel.ALPHA,) if self.alpha else ())

    def bare(self, number: int) -> bool:
        """Whether kernels can take a channel's samples as they lie in a frame; else they are taken out and put back."""
        return self.packing != "v210" and not self.swapped and self.components[number].step == 1

    @property
    def all_bare(self) -> bool:
        return all(self.bare(number) for number in range(len(self.channels)))

    @property
    def word(self) -> str:
        """The dtype of a sample in this machine's order."""
        return "uint8" if self.depth == 8 else "uint16"

    @property
    def dtype(self) -> str:
        """The dtype of a sample as it lies."""
        return ">u2" if self.swapped else self.word

    def encoding(self, range_: Range) -> Encoding:
        """Of the words, shift included."""
        return Encoding(self.depth, range_, self.model, self.bit_shift)

    def shape(self, channel: Channel, width: int, height: int) -> tuple[int, int]:
        """Rows and columns of a channel's samples."""
        across, down = SAMPLING_STEPS[self.sampling] if channel is Channel.CHROMA else (1, 1)
        return -(-height // down), -(-width // across)


def _planar(name: str, depth: int, model: Model, sampling: str, order: str, alpha: bool = False) -> Format:
    """order : the planes' numbers in the project's order of channels."""
    return Format(name, depth, model, sampling, "planar", tuple(Component(int(at)) for at in order), alpha=alpha)


def _semi(name: str, depth: int, sampling: str, bit_shift: int = 0, first: str = "u") -> Format:
    """first : of the two kinds of chroma, the one that comes first."""
    parts = (Component(0), Component(1, int(first != "u"), 2), Component(1, int(first == "u"), 2))
    return Format(name, depth, Model.YCBCR, sampling, "semi-planar", parts, bit_shift)


def _interleaved(name: str, depth: int, order: str) -> Format:
    """order : of the samples of a pixel; x is no sample of the picture."""
    model = Model.YCBCR if "y" in order else Model.RGB
    letters = ("yuv" if model is Model.YCBCR else "rgb") + ("a" if "a" in order else "")
    parts = tuple(Component(0, order.index(letter), len(order)) for letter in letters)
    return Format(name, depth, model, "4:4:4", "interleaved", parts, alpha="a" in order, swapped=name.endswith("_BE"))


def _pairs(name: str, order: str) -> Format:
    """order : of the samples of two pixels at 4:2:2, 8 bit."""
    parts = Component(0, order.index("y"), 2), *(Component(0, order.index(letter), 4) for letter in "uv")
    return Format(name, 8, Model.YCBCR, "4:2:2", "interleaved", parts)


def _all() -> Iterable[Format]:
    for sampling, eight, more in (("4:2:0", "I420", "I420"), ("4:2:2", "Y42B", "I422"), ("4:4:4", "Y444", "Y444")):
        yield _planar(eight, 8, Model.YCBCR, sampling, "012")
        for depth in (10, 12, *((16,) if more == "Y444" else ())):
            yield _planar(f"{more}_{depth}LE", depth, Model.YCBCR, sampling, "012")
    yield _planar("YV12", 8, Model.YCBCR, "4:2:0", "021")
    yield _planar("A420", 8, Model.YCBCR, "4:2:0", "0123", True)
    for digits, sampling in (("420", "4:2:0"), ("422", "4:2:2"), ("444", "4:4:4")):
        yield _planar(f"A{digits}_10LE", 10, Model.YCBCR, sampling, "0123", True)
    yield _semi("NV12", 8, "4:2:0")
    yield _semi("NV21", 8, "4:2:0", first="v")
    yield _semi("NV16", 8, "4:2:2")
    yield _semi("NV24", 8, "4:4:4")
    for depth in (10, 12, 16):
        yield _semi(f"P0{depth}_LE" if depth != 10 else "P010_10LE", depth, "4:2:0", 16 - depth)
    yield Format("v210", 10, Model.YCBCR, "4:2:2", "v210", ())
    yield _pairs("UYVY", "uyvy")
    yield _pairs("YUY2", "yuyv")
    yield _interleaved("AYUV", 8, "ayuv")
    yield _interleaved("AYUV64", 16, "ayuv")
    # Planes lie as green, blue, red.
    yield _planar("GBR", 8, Model.RGB, "4:4:4", "201")
    yield _planar("GBRA", 8, Model.RGB, "4:4:4", "2013", True)
    for depth in (10, 12):
        yield _planar(f"GBR_{depth}LE", depth, Model.RGB, "4:4:4", "201")
        yield _planar(f"GBRA_{depth}LE", depth, Model.RGB, "4:4:4", "2013", True)
    for order in ("rgba", "argb", "bgra", "abgr"):
        yield _interleaved(order.upper(), 8, order)
    for order in ("rgba", "argb", "bgra", "abgr"):
        yield _interleaved(f"{order.upper()}64_LE", 16, order)
        yield _interleaved(f"{order.upper()}64_BE", 16, order)
    yield _interleaved("ARGB64", 16, "argb")
    for order in ("RGB", "BGR", "RGBx", "BGRx", "xRGB", "xBGR"):
        yield _interleaved(order, 8, order.lower())
    yield _planar("GRAY8", 8, Model.GRAY, "gray", "0")
    yield _planar("GRAY16_LE", 16, Model.GRAY, "gray", "0")


FORMATS = {made.name: made for made in _all()}
"""What the elements take, by GStreamer's name."""

_PACKINGS = ("planar", "semi-planar", "v210", "interleaved")
"""A change of depth stays in the source's packing where that has the depth, else it goes to another one in this order."""

DEPTHS = tuple(sorted({made.depth for made in FORMATS.values()}))
"""Bits that frames may have."""


@lru_cache(maxsize=512)
def with_depth(source: Format, depth: int) -> tuple[str, ...]:
    """Names of formats that hold the same samples at another depth, the likest first; the format's own name at its own depth."""
    if depth == source.depth:
        return (source.name,)
    packings = list(dict.fromkeys((source.packing, *_PACKINGS)))
    held = source.model, source.sampling, source.alpha
    alike = [
        each for each in FORMATS.values() if each.depth == depth and (each.model, each.sampling, each.alpha) == held
    ]
    return tuple(
        each.name
        for each in sorted(alike, key=lambda each: (packings.index(each.packing), _order(each) != _order(source)))
    )


def _order(form: Format) -> str:
    """The letters of an interleaved format's name."""
    return form.name.split("64")[0]


@lru_cache(maxsize=512)
def reached_from(target: Format, depth: int | None) -> tuple[str, ...]:
    """Names of formats whose change to `depth` (None: none) may give this one."""
    if depth is None:
        return (target.name,)
    if depth != target.depth:
        return ()
    return (
        target.name,
        *(each.name for each in FORMATS.values() if target.name in with_depth(each, depth) and each != target),
    )
