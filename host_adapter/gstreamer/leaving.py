"""Pipelines that are still playing when Python goes: they are stopped first.

A streaming thread that is inside one of our elements when the interpreter is taken down takes the process with it (a segmentation
fault, seen with 1.22.0 and Python 3.11).
"""

from __future__ import annotations

import atexit
from typing import Any

from gi.repository import Gst

_running: set[Any] = set()


def started(element: Any) -> None:
    """The element has begun; until it stops, it is known here."""
    _running.add(element)


def stopped(element: Any) -> None:
    """The element has stopped."""
    _running.discard(element)


def stop_all() -> None:
    """Stop every pipeline that holds an element which has begun; files are not ended properly by this."""
    while _running:
        whole = _running.pop()
        while (parent := whole.get_parent()) is not None:
            whole = parent
        whole.set_state(Gst.State.NULL)


atexit.register(stop_all)
