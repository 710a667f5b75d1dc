"""What a log curve's black says about the range: the floor of the picture cannot lie far under it."""

from __future__ import annotations

from collections.abc import Iterator

from ...kernels.tally import share_below
from .curves import CurveBlack
from .signs import AREA, STEADY, Measured, Sign

SLIGHT = 0.15
"""Part of the way from a curve's black in narrow to its black in full within which nothing is made of a low floor."""

IF_IT_IS_THAT_CURVE = 2.0
"""Most that a low floor weighs where a picture without the curve would have it too: under what calls a flag wrong."""

NEAR = 5.0
"""In 8-bit codes: a curve's black in full as near as this to narrow black is where finished pictures have theirs."""


def curve_signs(m: Measured, black: CurveBlack, *, certain: bool = False) -> Iterator[Sign]:
    """Signs from where the picture's floor, its flat frames and its pile of darkest areas lie beside the curve's black.

    certain : it is known that this recording is in the curve, not only that the card has recordings that are
    A curve defined on codes gives full away (its black would be lower than the makers' own code), but the makers' own
    code only speaks for narrow moderately: some makers set the full flag on it.
    """
    gap = black.narrow - black.full
    if abs(black.narrow - m.black) < m.unit:
        yield Sign("curve", 0.0, f"{black.key} puts black at the range's own black, so it adds nothing")
        return
    tolerance = max(float(m.unit), 1.0)
    narrow_codes = [code for code in (black.narrow, black.rescaled) if code is not None]
    yield from _capped(m, black, tolerance)

    depth = (black.narrow - m.floor - 0.5 * m.noise) / m.unit
    share = share_below(m.blocks, black.narrow - SLIGHT * gap)
    if share >= AREA and depth > SLIGHT * gap / m.unit:
        yield from _below(m, black, depth, tolerance, certain)
        return
    for code in narrow_codes:
        if m.pile(code, tolerance):
            yield from _at(m, black, code, tolerance)
            return
    if black.narrow < m.floor <= black.narrow + 0.5 * gap:
        yield Sign(
            "curve's black", -0.7,
            f"the picture's floor, code {m.floor}, is a little over the black of {black.key} in narrow "
            f"({black.narrow:.0f}; full {black.full:.0f})",
        )  # fmt: skip
    elif m.floor > black.narrow:
        yield Sign(
            "curve's black", 0.0,
            f"nothing in the picture is dark enough to tell: its floor is {m.floor}, {black.key} has black at "
            f"{black.narrow:.0f} in narrow and {black.full:.0f} in full",
        )  # fmt: skip


def _capped(m: Measured, black: CurveBlack, tolerance: float) -> Iterator[Sign]:
    """Flat frames at the curve's black."""

    def at(code: float) -> list[int]:
        return [look.index for look in m.flat if abs(look.median - code) <= tolerance]

    if found := at(black.full):
        yield Sign(
            "curve's black", 4.5, f"frame {found[0]} is flat at code {black.full:.0f}: the black of {black.key} in full"
        )
    if black.rescaled is not None and (found := at(black.rescaled)):
        yield Sign(
            "curve's black", -4.0,
            f"frame {found[0]} is flat at code {black.rescaled:.0f}: the black of {black.key} scaled to narrow",
        )  # fmt: skip
    if found := at(black.narrow):
        words = f"frame {found[0]} is flat at code {black.narrow:.0f}: the black of {black.key} "
        if black.code_numbered:
            words += "as its maker numbers it, which is narrow unless the maker sets the full flag on it"
        else:
            words += "in narrow"
        yield Sign("curve's black", -2.0 if black.code_numbered else -4.0, words)


def _below(m: Measured, black: CurveBlack, depth: float, tolerance: float, certain: bool) -> Iterator[Sign]:
    """Areas well under the curve's black in narrow."""
    frames = m.frames_with(lambda look: look.floor < black.narrow - SLIGHT * (black.narrow - black.full))
    weight = min(0.8 * depth * min(frames / STEADY, 1.0), 6.0)
    lowest = black.full - max(2.0 * m.unit, 0.35 * (black.narrow - black.full))
    words = (
        f"the picture goes down to code {m.floor}: darker than {black.key} has black in narrow ({black.narrow:.0f}), "
        f"but not than in full ({black.full:.0f})"
    )
    if m.floor < lowest:
        weight *= 0.3
        words = (
            f"the picture goes down to code {m.floor}, darker than {black.key} has black in either range "
            f"({black.narrow:.0f} narrow, {black.full:.0f} full): is it that curve?"
        )
    elif m.pile(black.full, tolerance / 2, noisy=True) and (certain or abs(black.full - m.black) > NEAR * m.unit):
        weight = min(weight + 1.0, 6.0)
        words += ", where the darkest areas pile up"
    elif m.floor >= m.black - 2 * m.unit and not certain:
        # A finished picture in narrow is as dark as this too, and --curve may have been said of a whole card.
        weight = min(weight, IF_IT_IS_THAT_CURVE)
        words += "; a finished picture in narrow is as dark, so this holds only if it is that curve"
    yield Sign("curve's black", weight, words)


def _at(m: Measured, black: CurveBlack, code: float, tolerance: float) -> Iterator[Sign]:
    """The darkest areas pile up at the curve's black in narrow."""
    scaled = black.rescaled is not None and code == black.rescaled
    weight = -1.4 if black.code_numbered and not scaled else -1.6
    words = f"the darkest areas pile up at code {code:.0f}, the black of {black.key} "
    if scaled:
        words += "scaled to narrow"
    elif black.code_numbered:
        words += (
            "as its maker numbers it: that is narrow, unless the maker sets the full flag on it, as some do whose "
            "transforms divide the code by the last one"
        )
    else:
        words += f"in narrow (in full it is {black.full:.0f})"
    yield Sign("curve's black", weight, words)
