"""GStreamer elements made from the effects: `register()` makes them known to this process, and nothing is imported before.

import footroom.host_adapter.gstreamer as footroom_gstreamer

footroom_gstreamer.register()
Gst.parse_launch("… ! footroomrange assume=full to=narrow ! footroomguides windows=9:16 ! …")
"""

from __future__ import annotations

ELEMENTS = {
    "footroomrange": "range", "footroomrequantise": "requantise", "footroomguides": "guides", "footroomexposure": "exposure",
    "footroomscopes": "scopes",
}  # fmt: skip
"""Elements by name, and the effect that each runs. Project files hold these names: they stay."""


def register() -> None:
    """Make the elements known to this process; GStreamer is initialised where it is not yet. Again does nothing.

    Raises: ImportError where GStreamer for Python is not installed; RuntimeError where an element is refused, or frames are not
    laid out in memory as this code takes them.
    """
    from .elements import register_elements

    register_elements()
