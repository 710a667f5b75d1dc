"""C++ exceptions beside GStreamer. Import this before `gi.repository.Gst`.

GStreamer brings libunwind into the process, whose functions C++ libraries that are loaded later (SRT's, those of matplotlib and
OpenImageIO) then take for their compiler's own, and abort the process at their first exception; unless those are there before.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

with suppress(OSError, AttributeError):  # another system, another compiler
    ctypes.CDLL("libgcc_s.so.1", mode=ctypes.RTLD_GLOBAL)
