"""Guides drawn into the picture: windows, grids, safe areas, in the picture's own codes."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache
from math import lcm
from typing import Any

from ...kernels.encoding import Channel, Encoding
from ...kernels.framing import SAMPLING_STEPS, Picture, place
from ..effect import Effect, Field, Image, Kind, Param, Premultiplied, Time, Values, Window
from ..wanted import read_grids, read_safes, read_windows, squeeze_of

WINDOWS = Param(
    "windows", "Windows", Kind.TEXT, "",
    "What each delivery keeps, with blanks between: 9:16 1:1@left,40,0 wide=2.39 1080x1350.", reads=read_windows,
)  # fmt: skip
GRID = Param(
    "grid", "Grid", Kind.TEXT, "",
    "thirds, diagonals or 4x2, with blanks between; @NAME to draw it in a window.", reads=read_grids, animates=False,
)  # fmt: skip
SAFE = Param(
    "safe", "Safe areas", Kind.TEXT, "",
    "action (93 %), title (90 %) after SMPTE ST 2046-1, or any per cent, with blanks between; @NAME for one in a window.",
    reads=read_safes, animates=False,
)  # fmt: skip
CENTRE = Param("centre", "Centre", Kind.BOOLEAN, False, "A cross in the middle of the picture.", animates=False)
SQUEEZE = Param(
    "squeeze", "Squeeze", Kind.NUMBER, 1.0,
    "The lens squeezes by 1.25, 1.33, 1.5, 1.8, 2 or any factor; windows are right after de-squeeze.", low=0.25, high=4.0,
    animates=False,
)  # fmt: skip
SHADE = Param("shade", "Shade", Kind.NUMBER, 0.0, "Darken what no window keeps.", low=0.0, high=100.0, unit="%")
LABEL = Param("label", "Labels", Kind.BOOLEAN, False, "Write names and sizes beside the guides.", animates=False)
EVEN = Param("even", "Even", Kind.BOOLEAN, False, "Even sizes and places, whatever the sampling.", animates=False)


def is_identity(values: Values, source: Image) -> bool:
    """Whether there is nothing to draw."""
    return not (values["windows"].strip() or values["grid"].strip() or values["safe"].strip() or values["centre"])


def render(target: Image, clips: Mapping[str, Image], values: Values, time: Time, window: Window) -> None:
    """The source with the guides blended in. Raises: ValueError for windows that do not fit the picture."""
    from ...kernels.overlay import blend
    from .shared import recode

    source = clips["source"]
    straight = source.premultiplied is Premultiplied.NO and Channel.ALPHA in source.channels
    recode(target, source, window, time, dither="none", seed=0)
    for number, (channel, sparse) in enumerate(zip(target.channels, sparse_for(target, values), strict=True)):
        (across, down), own = target.step(channel), target.samples(window, channel)
        origin = own.y0 - target.whole.y0 // down, own.x0 - target.whole.x0 // across
        # Alpha comes last among the planes, so what colours are blended over is alpha as it was, in place too.
        alpha = alpha_under(source, target, own, channel) if straight and channel is not Channel.ALPHA else None
        blend(target.view(number, own), sparse, origin=origin, alpha=alpha)


def alpha_under(source: Image, target: Image, samples: Window, channel: Channel) -> Any:
    """The source's alpha at samples of one of the target's colour planes, in the target's words."""
    from ...kernels.overlay import under_chroma
    from ...kernels.scaling import rescale

    across, down = source.step(channel)
    pixels = Window(samples.x0 * across, samples.y0 * down, samples.x1 * across, samples.y1 * down).common(source.whole)
    alpha = source.view(source.channels.index(Channel.ALPHA), pixels)
    if source.encoding != target.encoding and source.encoding is not None and target.encoding is not None:
        alpha = rescale(alpha, source.encoding, target.encoding, channel=Channel.ALPHA)
    alpha = alpha.astype(target.planes[0].dtype, copy=False)
    return under_chroma(alpha, (across, down), target.encoding.bit_shift if target.encoding else 0)


def sparse_for(image: Image, values: Values) -> tuple[Any, ...]:
    """The guides as they fall on the planes of an image; made once for every picture and set of values."""
    whole = (image.whole.x1 - image.whole.x0, image.whole.y1 - image.whole.y0)
    field = Fraction(1) if image.field is Field.FRAME else Fraction(1, 2)
    return _sparse(
        tuple(sorted(values.items())), whole, (image.scale[0], image.scale[1] * field), image.aspect, image.encoding,
        image.floating, image.channels, image.sampling, image.siting, image.matrix,
    )  # fmt: skip


@lru_cache(maxsize=16)
def _sparse(
    items: tuple[tuple[str, Any], ...],
    whole: tuple[int, int],
    scale: tuple[Fraction, Fraction],
    aspect: Fraction,
    encoding: Encoding | None,
    floating: bool,
    channels: tuple[Channel, ...],
    sampling: str,
    siting: str | None,
    matrix: Any,
) -> tuple[Any, ...]:
    from ...kernels.matrix import Matrix
    from ...kernels.overlay import Siting, sparse_planes
    from ..guides import draw

    values = dict(items)
    size = max(1, round(whole[0] / scale[0])), max(1, round(whole[1] / scale[1]))
    step = SAMPLING_STEPS[sampling]
    if values["even"]:
        step = lcm(step[0], 2), lcm(step[1], 2)
    picture = Picture(*size, aspect * squeeze_of(values["squeeze"]), step)
    drawing = draw(guides_for(values, picture), scale=scale, size=whole)
    sited = Siting.of(sampling, siting)
    return sparse_planes(drawing, encoding, channels, matrix=matrix or Matrix.BT709, siting=sited, floating=floating)


def guides_for(values: Values, picture: Picture, white: float = 1.0) -> Any:
    """The guides that the values ask for over a picture.

    Raises: ValueError for windows that do not fit, or a grid or safe area in a window that there is not.
    """
    from ..guides import Guides
    from ..placed import placed_in

    windows = tuple(place(wanted, picture) for wanted in read_windows(values["windows"]))
    names = [window.name for window in windows]
    wanted = (*read_grids(values["grid"]), *read_safes(values["safe"]))
    for each in wanted:
        if each.window is not None and each.window not in names:
            raise ValueError(f"there is no window {each.window!r} to draw in; there are {', '.join(names) or 'none'}")
    grids, safes = placed_in(wanted, windows, picture)
    return Guides(
        picture, windows, tuple(grids), tuple(safes), values["centre"], values["shade"] / 100, values["label"], white
    )


EFFECT = Effect(
    "footroom.guides",
    "Footroom guides",
    "What each delivery keeps of the picture. For looking at, not for delivery.",
    (WINDOWS, GRID, SAFE, CENTRE, SQUEEZE, SHADE, LABEL, EVEN),
    render,
    is_identity=is_identity,
)
