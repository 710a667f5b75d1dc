"""Two recordings brought together: which frames and which parts of the picture belong to each other, or that none do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from ....kernels.aligning import Place, likeness, refine, sample
from ....kernels.cells import cell_means
from ....kernels.searching import TURNS, find_window
from ....kernels.timing import Timing, lead, time_offset
from ..errors import Problem
from .timecodes import timecode_offset
from .views import Reel, Side, called, pictures

STRETCHES = (240, 1500, 9000, 1 << 30)
"""Frames looked at first, then, and at most, until the pictures are found to belong together."""
SURE = 5.0
"""Standard errors by which an offset in time must beat every other to count as found."""
ALIKE, ALIKE_SMALL = 0.55, 0.6
"""Correlation of detail from which pictures show one scene: at the fine size, and in the small pictures. Other scenes
stay under .2; a twin through a heavy codec or at half size stays above .8."""
MOVING = 0.04
"""A cell moves where it changes from frame to frame by this share of the picture's own spread."""
TAKE = 0.96
"""Correlation of the movement from which two recordings are of one take, where at least a thousandth of it moves: twins have
.997 and more, takes of one scene with the same waves and another ferry .92."""
PAIRS, DRIFTING, LOOKS = 8, 16, 5
"""Pairs of frames that the lines are fitted to; pairs beside them that tell luma's gain where few are fit for more; and pairs
over the whole length to see what is left in."""


@dataclass(frozen=True, slots=True)
class Together:
    """How two recordings belong together.

    offset : B's frame number less A's for one picture; determined : whether the pictures tell it
    lead : how many standard errors it is ahead of any other offset; overlap : frames that both have
    by_timecode : the offset that the timecodes say, None where they say none
    place : where A's picture lies in B's
    alike : correlation of detail, once brought together
    numbers : A's frames to compare, ascending; fitted : which of them, by place, a line is fitted to (see _numbers)
    drifting : which more of them tell luma's gain, each with an offset of its own
    """

    offset: int
    determined: bool
    lead: float
    overlap: int
    by_timecode: int | None
    place: Place
    alike: float
    numbers: tuple[int, ...]
    fitted: tuple[int, ...]
    drifting: tuple[int, ...]


def bring_together(first: Side, second: Side, progress: Callable[[str, int], None] | None = None) -> Together:
    """Time and place of A in B, and which frames to compare.

    Raises: Problem where the rates differ or nothing belongs together.
    """
    _same_rate(first, second)
    hint = timecode_offset(first, second)
    reels = [Reel(side, _told(progress, word)) for side, word in ((first, "A"), (second, "B"))]
    found = None
    for stretch in STRETCHES:
        small = reels[0].upto(stretch), reels[1].upto(stretch)
        found = _whole(small) or _window(first, second, small, hint)
        if found or all(reel.ended for reel in reels):
            break
    if found is None:
        raise _unrelated(first, second)
    place, timing = found
    determined = bool(timing.lead >= SURE)
    offset = timing.offset if determined else _as_good(small, place, timing, hint)
    overlap = _overlap(small, offset)
    _one_take(first, second, small, place, offset)
    fit, drift = _numbers(reels, offset, overlap)
    looks = [max(0, -offset) + at for at in _spread(overlap, LOOKS)]
    numbers = sorted({*fit, *drift, *looks})
    fitted, drifting = (tuple(numbers.index(number) for number in some) for some in (fit, drift))
    chosen = fit[:: max(len(fit) // 3, 1)]
    seen_a, seen_b = pictures(first, chosen), pictures(second, [number + offset for number in chosen])
    place = refine(seen_a, seen_b, place)
    alike = _alike(seen_a, seen_b, place)
    if alike < ALIKE:
        raise _unrelated(first, second)
    return Together(
        offset, determined, float(timing.lead), overlap, hint, place, alike, tuple(numbers), fitted, drifting
    )


def _as_good(small: tuple[Any, Any], place: Place, timing: Timing, hint: int | None) -> int:
    """The offset to pair frames by where no offset stands out: the timecodes', else none, if as good as the best."""
    moved = _placed(small[1], place)
    part = _seen(moved)
    for guess in (hint, 0):
        if guess is None or _overlap(small, guess) <= 0:
            continue
        if part is None or lead(small[0][part], moved[part], timing.offset, guess) < SURE:
            return guess
    return timing.offset


def _numbers(reels: list[Reel], offset: int, overlap: int) -> tuple[list[int], list[int]]:
    """A's frames to compare, spread over what both have: those coded by themselves in both, else in one, else any; and,
    where it is one, some of the others.

    Frames that are predicted from others drift: rounding in prediction lifts codes by up to half an 8-bit code. Their luma
    is as steep as the others'; faint colour they wear more.
    """
    begin = max(0, -offset)
    a, b = reels[0].whole[begin : begin + overlap], reels[1].whole[begin + offset : begin + offset + overlap]
    ranks = np.array([int(one) + int(two) for one, two in zip(a, b, strict=True)])
    best = np.flatnonzero(ranks == ranks.max())
    fit = [begin + int(best[at]) for at in _spread(len(best), PAIRS)]
    rest = np.flatnonzero(ranks < 1) if ranks.max() == 1 else np.zeros(0, np.int64)
    return fit, [begin + int(rest[at]) for at in _spread(len(rest), DRIFTING)]


def _spread(length: int, most: int) -> list[int]:
    """At most so many places from the first to the last of a length."""
    return [int(at) for at in np.unique(np.linspace(0, length - 1, min(most, length)).round().astype(int))]


def _told(progress: Callable[[str, int], None] | None, word: str) -> Callable[[int], None] | None:
    return None if progress is None else lambda done: progress(word, done)


def _same_rate(first: Side, second: Side) -> None:
    one, other = first.info.rate, second.info.rate
    if one and other and abs(one / other - 1) > Fraction(1, 2000):
        raise Problem(
            second.path,
            f"it runs at {float(other):.6g} frames a second, {called(first.path, second.path)} at {float(one):.6g}; "
            "twins are compared frame by frame",
            "Compare recordings of one rate, or one frame of each as a still.",
        )


def _unrelated(first: Side, second: Side) -> Problem:
    return Problem(
        second.path,
        f"nothing in it was found to belong to {called(first.path, second.path)}: not the whole picture, nor mirrored, nor a part of it",
        "Check that both are of one take; a graded or re-framed copy may differ too much.",
    )


def _overlap(small: tuple[Any, Any], offset: int) -> int:
    return min(len(small[0]), len(small[1]) - offset) - max(0, -offset)


def _whole(small: tuple[Any, Any]) -> tuple[Place, Timing] | None:
    """The whole picture, as it is or mirrored, where the small pictures are alike."""
    for mirrored, flipped in TURNS:
        place = Place(float(mirrored), float(flipped), float(not mirrored), float(not flipped))
        timing = time_offset(small[0], _turned(small[1], mirrored, flipped), _least(small))
        if _small_likeness(small, place, timing.offset) >= ALIKE_SMALL:
            return place, timing
    return None


def _least(small: tuple[Any, Any]) -> int:
    shorter = min(map(len, small))
    return min(shorter, max(3, shorter // 5))


def _turned(pictures: Any, mirrored: bool, flipped: bool) -> Any:
    return pictures[:, :: -1 if flipped else 1, :: -1 if mirrored else 1]


def _pairs(small: tuple[Any, Any], offset: int, most: int = 12) -> tuple[Any, Any]:
    begin, overlap = max(0, -offset), _overlap(small, offset)
    at = np.unique(np.linspace(begin, begin + overlap - 1, min(most, overlap)).round().astype(int))
    return small[0][at], small[1][at + offset]


def _small_likeness(small: tuple[Any, Any], place: Place, offset: int) -> float:
    one, two = _pairs(small, offset)
    return likeness(one.astype(np.float64), _placed(two, place))


def _placed(pictures: Any, place: Place) -> npt.NDArray[np.float64]:
    """B's small pictures on A's cells; NaN outside."""
    rows, columns = pictures.shape[1:]
    shares = np.linspace(0, 1, columns + 1), np.linspace(0, 1, rows + 1)
    return np.stack([sample(each, place, shares, ((columns, 0), (rows, 0))) for each in pictures])


def _window(first: Side, second: Side, small: tuple[Any, Any], hint: int | None) -> tuple[Place, Timing] | None:
    """One picture as a part of the other: looked for in frames that may belong together by timecode, start or brightness."""
    traces = [pictures.mean(axis=(1, 2))[:, None, None] for pictures in small]
    by_light = time_offset(traces[0], traces[1], _least(small)).offset if min(map(len, small)) > 8 else 0
    for guess in dict.fromkeys(each for each in (hint, 0, by_light) if each is not None):
        overlap = _overlap(small, guess)
        if overlap <= 0:
            continue
        at = max(0, -guess) + overlap // 2
        seen_a, seen_b = pictures(first, [at]), pictures(second, [at + guess])
        place, score = find_window(_square(first, seen_a[0]), _square(second, seen_b[0]))
        if score < ALIKE:
            continue
        place = refine(seen_a, seen_b, place)
        if _alike(seen_a, seen_b, place) < ALIKE:
            continue
        return place, _timed(small, place, guess)
    return None


def _square(side: Side, picture: Any, long: int = 160) -> npt.NDArray[np.float64]:
    """A picture in square cells as it is displayed, its longer side 160 of them."""
    rows, columns = picture.shape
    width = columns * float(side.info.aspect)
    scale = long / max(width, rows)
    edges = (
        np.linspace(0, columns, max(round(width * scale), 8) + 1),
        np.linspace(0, rows, max(round(rows * scale), 8) + 1),
    )
    return cell_means(picture, *edges) / side.words


def _timed(small: tuple[Any, Any], place: Place, guess: int) -> Timing:
    """The offset in time by the part that both show; the guess where that part is too small in the small pictures."""
    moved = _placed(small[1], place)
    part = _seen(moved)
    if part is None:
        return Timing(guess, 0.0, 0.0, _overlap(small, guess))
    return time_offset(small[0][part], moved[part], _least(small))


def _seen(moved: npt.NDArray[np.float64]) -> tuple[slice, slice, slice] | None:
    """The part of the small pictures that both show; None where it is too small to say anything."""
    seen = np.isfinite(moved[0])
    rows, columns = np.flatnonzero(seen.any(1)), np.flatnonzero(seen.any(0))
    if len(rows) < 6 or len(columns) < 6:
        return None
    return slice(None), slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _one_take(first: Side, second: Side, small: tuple[Any, Any], place: Place, offset: int) -> None:
    """What moves must move alike; two takes of one scene share what stands still.

    Raises: Problem.
    """
    overlap = _overlap(small, offset)
    if overlap < 3:
        return
    begin = max(0, -offset)
    a = small[0][begin : begin + overlap].astype(np.float64)
    b = _placed(small[1][begin + offset : begin + offset + overlap], place)
    changes = [np.diff(each, axis=0) / np.nanstd(each) for each in (a, b)]
    with np.errstate(invalid="ignore"):
        moving = np.isfinite(changes[1]) & ((np.abs(changes[0]) > MOVING) | (np.abs(changes[1]) > MOVING))
    if moving.mean() < 1e-3 or moving.sum() < 40:
        return
    one, two = changes[0][moving], changes[1][moving]
    if float((one * two).sum() / np.sqrt(np.square(one).sum() * np.square(two).sum())) < TAKE:
        raise Problem(
            second.path,
            f"it shows the scene of {called(first.path, second.path)}, but what moves there moves otherwise: another take, or another time",
            "Compare recordings of one take.",
        )


def _alike(first: Any, second: Any, place: Place) -> float:
    """Correlation of detail at a size where noise and coding hardly matter."""
    columns = max(min(first[0].shape[1], second[0].shape[1]) // 4, 32)
    rows = max(round(columns * first[0].shape[0] / first[0].shape[1]), 8)
    shares = np.linspace(0, 1, columns + 1), np.linspace(0, 1, rows + 1)

    def stack(planes: Any, where: Place) -> npt.NDArray[np.float64]:
        return np.stack([sample(each, where, shares, ((each.shape[1], 0), (each.shape[0], 0))) for each in planes])

    return likeness(stack(first, Place()), stack(second, place))
