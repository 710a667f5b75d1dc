"""What is refused until the person says 'even so', because it cannot be taken back."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ...kernels.encoding import Range
from ...kernels.scalings import WAYS
from .errors import Problem
from .media import Info
from .past import WORDS as HISTORIES
from .plan import Order
from .receipt import read_receipt, receipt_path
from .remedy import FINISHED
from .survey import TOLD_BY_TRANSFER

CONFIDENT = 0.9
SCALING = ("lift", "rescale", "undo")
"""Remedies that make other codes."""


def profile_of(order: Order, info: Info) -> str | None:
    """'log' | 'display' | 'hlg' | 'pq', as the person said or the stream says; None where neither does."""
    return order.profile or TOLD_BY_TRANSFER.get(info.transfer or "")


def guard_profile(order: Order, info: Info) -> None:
    """Refuse to scale a finished picture to narrow on a guess.

    Raises: Problem.
    """
    profile = profile_of(order, info)
    scaling_down = order.remedy in ("lift", "rescale") and order.source is Range.FULL and order.target is Range.NARROW
    if scaling_down and profile in FINISHED and not order.even_so:
        raise Problem(
            order.path,
            f"this recording is {FINISHED[profile]}; scaled to narrow it stays flat for good if it only looked contrasty",
            "Retag it if its codes are full (--remedy retag --to full), or add --even-so if you know they are.",
        )


def guard_history(order: Order) -> None:
    """Refuse to scale one of our own results a second time the same way.

    Raises: Problem.
    """
    if order.remedy not in SCALING or order.even_so:
        return
    receipt = read_receipt(receipt_path(order.path))
    done = (receipt or {}).get("parameters", {})
    wanted = order.settings()
    same_end = "undo" in (done.get("remedy"), order.remedy) or done.get("to") == wanted["to"]  # an undo's end is a flag
    if done.get("remedy") in SCALING and done.get("from") == wanted["from"] and same_end:
        how = (
            "the scaling was taken back" if done["remedy"] == "undo" else f"it went from {done['from']} to {done['to']}"
        )
        raise Problem(
            order.path, f"its receipt says that {how} already", "Mend the original instead, or add --even-so."
        )


def _history(record: dict[str, Any]) -> str:
    """What a survey's record says the codes went through."""
    return str((record.get("history") or {}).get("scaled", "none-found"))


def settled(order: Order, record: dict[str, Any]) -> Order:
    """An undo's order with the flag that the history asks for, where the person named none.

    record : the survey's record of the recording
    Raises: Problem where the history does not say, and none was named.
    """
    if order.remedy != "undo" or order.target is not None:
        return order
    ways = WAYS.get(_history(record))
    if ways is None:
        raise Problem(
            order.path,
            "its counts do not show what it was before, so the flag that the copy needs is not known",
            "Say it: --to narrow or --to full (in a plan: to = …).",
        )
    return replace(order, target=ways[-2])  # the range that the codes had before the last step


def guard_evidence(order: Order, record: dict[str, Any]) -> None:
    """Refuse to scale from a range that the codes plainly contradict, and to take back a scaling that the counts do not show.

    record : the survey's record of the recording
    Raises: Problem.
    """
    if order.remedy == "undo" and not order.even_so and order.source is not None:
        _guard_undo(order, order.source, _history(record))
    found = record["finding"]
    if order.even_so or order.source is None or found == "undetermined" or found == order.source.label:
        return
    if record["confidence"] >= CONFIDENT:
        raise Problem(
            order.path,
            f"you say its codes are {order.source.label}, but the survey finds {found} "
            f"(confidence {record['confidence']:.2f}: {record['why'][0]})",
            "Look at it again with footroom survey, or add --even-so if you know better.",
        )


def _guard_undo(order: Order, made: Range, scaled: str) -> None:
    ways = WAYS.get(scaled)
    if ways is None or ways[-1] is not made:
        found = "no change of range before" if ways is None else f"that they were {HISTORIES[scaled]}"
        raise Problem(
            order.path,
            f"you say that its codes were scaled to {made.label}, but their counts show {found}",
            "Lossy coding may have worn that away: add --even-so if you know it was.",
        )
    if order.target is not None and order.target is not ways[-2]:
        raise Problem(
            order.path,
            f"its codes were {HISTORIES[scaled]}: with the last step taken back they are {ways[-2].label}, and you ask for the flag "
            f"{order.target.label}",
            f"Say --to {ways[-2].label}, or leave --to out.",
        )
