"""The real GStreamer with the elements registered in this process."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # for media_files, effect_conformance


def _missing() -> bool:
    if importlib.util.find_spec("gi") is None:
        return True
    import gi

    try:
        gi.require_version("Gst", "1.0")
        gi.require_version("GstVideo", "1.0")
    except ValueError:
        return True
    return False


import footroom.host_adapter.gstreamer.unwinding  # noqa: E402, F401  (before anything loads GStreamer)

if _missing():
    if "FOOTROOM_NEEDS_GSTREAMER" in os.environ:
        raise pytest.UsageError("GStreamer for Python is missing: see DEVELOPERS.md")
    if "CI" in os.environ:
        # There these tests have a run of their own (.ci/run), with the variable above, that cannot skip.
        collect_ignore_glob = ["test_*.py"]


@pytest.fixture(scope="session")
def gst() -> Any:
    """The Gst module, elements registered."""
    pytest.importorskip("gi", reason="GStreamer for Python is not installed")
    import footroom.host_adapter.gstreamer as adapter

    adapter.register()
    from gi.repository import Gst

    return Gst
