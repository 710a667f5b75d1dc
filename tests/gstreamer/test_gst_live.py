"""A live source through elements whose kernels nobody has compiled yet, in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

pytestmark = pytest.mark.usefixtures("gst")

FRAMES = 90
SCRIPT = """
import json, sys, time
import footroom.host_adapter.gstreamer as adapter

adapter.register()
from gi.repository import Gst

pipeline = Gst.parse_launch(
    "videotestsrc is-live=true num-buffers={frames} ! video/x-raw,format={form},width=320,height=180,framerate=60/1,"
    "colorimetry=bt709 ! footroomrange assume=full to=narrow dither={dither} ! footroomguides windows=\\"9:16 1:1\\" grid=thirds ! "
    "fakesink name=out sync=true qos=true max-lateness=200000000"
)
begun = time.monotonic()
pipeline.set_state(Gst.State.PLAYING)
ready = time.monotonic() - begun
bus, lost, end = pipeline.get_bus(), 0, None
while end is None:
    message = bus.timed_pop_filtered(60 * Gst.SECOND, Gst.MessageType.EOS | Gst.MessageType.ERROR | Gst.MessageType.QOS)
    if message is None or message.type == Gst.MessageType.ERROR:
        end = "no end" if message is None else message.parse_error()[0].message
    elif message.type == Gst.MessageType.EOS:
        end = "end"
    else:
        lost += 1
stats = pipeline.get_by_name("out").get_property("stats")
pipeline.set_state(Gst.State.NULL)
print(json.dumps({{"end": end, "lost": lost, "ready": ready, "rendered": stats.get_uint64("rendered")[1],
                  "dropped": stats.get_uint64("dropped")[1]}}))
"""


@pytest.mark.parametrize(("form", "dither"), [("I422_10LE", "triangular"), ("v210", "blue-noise")])
def test_no_frame_is_dropped_at_the_start(tmp_path, form, dither):
    """With an empty cache of kernels: compiling takes seconds, a frame 17 ms, and the sink drops what is 200 ms late."""
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT.format(frames=FRAMES, form=form, dither=dither)],
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}, capture_output=True, text=True, check=False, timeout=240,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["end"], found["lost"], found["dropped"], found["rendered"]) == ("end", 0, 0, FRAMES), found
    assert found["ready"] > 1  # there was something to compile, and it was compiled before the source began
