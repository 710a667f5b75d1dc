"""Exceptions in virtual methods become errors on the bus: PyGObject prints them and returns 0, which is 'fine' to GStreamer."""

from __future__ import annotations

import functools
import traceback
from collections.abc import Callable
from typing import Any

from gi.repository import GLib, Gst


def guarded(failure: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """A virtual method that posts an element error with the reason, and returns `failure` (or what it returns) when it raises."""

    def wrap(method: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(method)
        def safe(element: Any, *args: Any) -> Any:
            try:
                return method(element, *args)
            except Exception as reason:
                post_error(element, reason)
                return failure() if callable(failure) else failure

        return safe

    return wrap


def post_error(element: Any, reason: Exception) -> None:
    """An ERROR message: a ValueError's own words where the user can mend it, else with the kind of exception before them."""
    element.post_message(Gst.Message.new_error(element, _error(reason), _debug(reason)))


def post_warning(element: Any, reason: Exception) -> None:
    """A WARNING message with the reason."""
    element.post_message(Gst.Message.new_warning(element, _error(reason), _debug(reason)))


def _error(reason: Exception) -> Any:
    words = str(reason) if isinstance(reason, ValueError) else f"{type(reason).__name__}: {reason}"
    wrong = isinstance(reason, ValueError)
    code = Gst.StreamError.FORMAT if wrong else Gst.StreamError.FAILED
    return GLib.Error.new_literal(Gst.StreamError.quark(), words, int(code))


def _debug(reason: Exception) -> str:
    """Where it happened; nothing for what a user can mend, which tools would print as well."""
    return "" if isinstance(reason, ValueError) else "".join(traceback.format_exception(reason))
