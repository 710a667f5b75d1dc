"""What the history of the codes means for a recording: signs, words, losses, and what can be undone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from ...kernels.encoding import Channel, Range
from ...kernels.history import History
from ...kernels.scalings import WAYS, Scaling
from .signs import Measured, Sign

SCALED = 3.2
"""What a scaling says of the range that the codes were made for. Not enough by itself to go against a flag: a picture may have
been scaled wrongly before, and the codes of a wrong scaling are no codes of that range."""
TWICE = ("to-narrow-twice", "to-full-twice")
WORDS = {
    "to-narrow": "scaled from full to narrow",
    "to-full": "scaled from narrow to full",
    "to-narrow-twice": "scaled from full to narrow twice",
    "to-full-twice": "scaled from narrow to full twice",
    "round-trip": "scaled from full to narrow and back to full",
}


def end_of(past: History) -> Range | None:
    """The range that the last scaling made codes of; None where no scaling between the ranges is known, or one was done twice."""
    return WAYS[past.scaled][-1] if past.scaled in WAYS and past.scaled not in TWICE else None


def past_signs(measured: Measured) -> Iterator[Sign]:
    """The scaling that the comb of the counts tells of."""
    past = measured.evidence.past
    if past.found:
        end = end_of(past)
        weight = 0.0 if end is None else SCALED if end is Range.FULL else -SCALED
        yield Sign("history", weight, past_words(past))
    if past.padding is not None and past.padding.how not in WAYS:
        how = {
            "shifted": "zeros below", "repeated": "their upper bits repeated below", "scaled": "scaled as full range is",
        }[past.padding.how]  # fmt: skip
        deep = measured.evidence.depth
        yield Sign("padding", 0.0, f"only {past.padding.depth} bits are in use, brought to {deep} bits: {how}")


def past_words(past: History) -> str:
    """What happened to the codes, and how sure that is."""
    if past.scaled == "other-gain":
        gain = (
            "by a gain that is no change of range at one depth"
            if past.gain is None
            else f"by {past.gain:.4g}, which is no change of range at one depth"
        )
        return f"the codes were scaled {gain} (comb in the counts, z {past.z:.1f})"
    scaling = past.scaling
    if scaling is None:
        return f"{past.depth}-bit codes were {WORDS[past.scaled]} on their way to more bits, which keeps them all apart"
    then = ""
    if past.padding is not None and past.padding.how in WAYS:
        then = f"; after that they were {WORDS[past.padding.how]} on their way to more bits, which keeps them all apart"
    return f"the codes were {WORDS[scaling.name]} before, {_at_depths(scaling)} (comb in the counts, z {past.z:.1f}): {_gone(past)}{then}"


def _at_depths(scaling: Scaling) -> str:
    """At how many bits, and how their number changed."""
    how = "" if scaling.rounding == "rounded" else ", without rounding"
    if scaling.from_depth is None:
        return f"at {scaling.depth} bits{how}"
    if scaling.cut is None:
        return f"and brought from {scaling.from_depth} to {scaling.depth} bits in the same step{how}"
    cut = "rounded to" if scaling.cut == "rounded" else "cut off after"
    return f"at {scaling.from_depth} bits{how}, and then {cut} {scaling.depth} bits"


def _gone(past: History) -> str:
    lost = lost_before(past)
    ends = [
        f"{lost[key]} clipped {end}" for key, end in (("clipped_low", "low"), ("clipped_high", "high")) if lost[key]
    ]
    words = [f"{lost['merged']} codes merged"] if lost["merged"] else []
    if not words and not ends:
        return "no code was lost"
    of = f" of {1 << past.scaling.first_depth}" if past.scaling is not None and past.scaling.from_depth else ""
    return f"{', '.join(words + ends)}{of}, which nothing brings back"


def lost_before(past: History) -> dict[str, int]:
    """What the scalings took of luma's codes: {'merged', 'clipped_low', 'clipped_high'}; clipped if the picture reached so far.

    Counted in the codes that there were before, of `from_depth` bits where the depth changed as well.
    """
    scaling = past.scaling
    if scaling is None:
        return {"merged": 0, "clipped_low": 0, "clipped_high": 0}
    return scaling.lost(Channel.LUMA)


def undo_of(past: History) -> tuple[Range, Range] | None:
    """The change of range that takes back the last of two scalings; None where none is due."""
    if past.scaled not in TWICE:
        return None
    made = WAYS[past.scaled][-1]
    return made, Range(1 - made)


def past_json(past: History | None) -> dict[str, Any] | None:
    """The history as it leaves the program."""
    if past is None:
        return None
    padding = past.padding
    return {
        "scaled": past.scaled,
        "gain": past.gain,
        "offset": past.offset,
        "z": round(past.z, 2),
        "false_alarm": past.false_alarm,
        "depth": past.depth,
        "from_depth": past.from_depth,
        "rounding": None if past.scaling is None else past.scaling.rounding,
        "cut": None if past.scaling is None else past.scaling.cut,
        "padded": None if padding is None else {"depth": padding.depth, "how": padding.how},
    }
