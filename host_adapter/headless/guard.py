"""What is refused until the person says 'even so', because it cannot be taken back."""

from __future__ import annotations

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
    if done.get("remedy") == "undo" == order.remedy:
        raise Problem(
            order.path,
            "its receipt says that a scaling was taken back already",
            "Mend the original instead, or add --even-so.",
        )
    if (
        done.get("remedy") in ("lift", "rescale")
        and order.remedy != "undo"
        and all(done.get(key) == wanted[key] for key in ("from", "to"))
    ):
        raise Problem(
            order.path,
            f"its receipt says that it went from {wanted['from']} to {wanted['to']} already",
            "Mend the original instead, or add --even-so.",
        )


def guard_evidence(order: Order, record: dict[str, Any]) -> None:
    """Refuse to scale from a range that the codes plainly contradict, and to take back a scaling that the counts do not show.

    record : the survey's record of the recording
    Raises: Problem.
    """
    if order.remedy == "undo" and not order.even_so and order.source is not None:
        _guard_undo(order, order.source, (record.get("history") or {}).get("scaled", "none-found"))
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
    if ways is not None and ways[-1] is made:
        return
    found = "no change of range before" if ways is None else f"that they were {HISTORIES[scaled]}"
    raise Problem(
        order.path,
        f"you say that its codes were scaled to {made.label}, but their counts show {found}",
        "Lossy coding may have worn that away: add --even-so if you know it was.",
    )
