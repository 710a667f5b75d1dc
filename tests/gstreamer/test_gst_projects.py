"""Properties in project files of the Editing Services, which are read before any type of ours is known to the process."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("gi", reason="GStreamer for Python is not installed")

import gst_running  # noqa: F401  (initialises GStreamer, or skips)

from footroom.host_adapter.gstreamer.environment import prepare

pytestmark = pytest.mark.usefixtures("gst")

SAVE = """
import sys
import gi
gi.require_version("Gst", "1.0")
gi.require_version("GES", "1.0")
import footroom.host_adapter.gstreamer as adapter
adapter.register()
from gi.repository import GES, Gst
GES.init()
timeline = GES.Timeline.new_audio_video()
layer = timeline.append_layer()
clip = layer.add_asset(GES.Asset.request(GES.TestClip, None), 0, 0, Gst.SECOND, GES.TrackType.VIDEO)
effect = GES.Effect.new("footroomrange assume=full to=narrow dither=blue-noise")
assert clip.add(effect)
assert effect.set_child_property("depth", "12") and effect.set_child_property("to", "full")
guides = GES.Effect.new('footroomguides windows="9:16 wide=2.39" shade=12.5')
assert clip.add(guides) and guides.set_child_property("on-error", "pass")
assert timeline.save_to_uri(sys.argv[1], None, True)
"""
LOAD = """
import sys
import gi
gi.require_version("Gst", "1.0")
gi.require_version("GES", "1.0")
from gi.repository import GES, GLib, Gst
Gst.init(None)
GES.init()
assert "footroom.host_adapter" not in sys.modules, "nothing may be registered before the file is read"
project = GES.Project.new(sys.argv[1])
loop = GLib.MainLoop()
project.connect("loaded", lambda *_: loop.quit())
timeline = project.extract()
GLib.timeout_add_seconds(30, loop.quit)
loop.run()
for layer in timeline.get_layers():
    for clip in layer.get_clips():
        for effect in clip.get_top_effects():
            for name in sys.argv[2:]:
                if effect.lookup_child(name)[0]:
                    value = effect.get_child_property(name)[1]
                    print(name, getattr(value, "value_nick", value))
"""


def python(script: str, *args: str, env: dict[str, str]) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", script, *args], env=env, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split("\n")


def test_choices_numbers_and_texts_come_back(tmp_path: Path):
    """The file holds a choice's number; the process that reads it knows the elements from their plugin files alone."""
    path = tmp_path / "edit.xges"
    python(SAVE, path.as_uri(), env=dict(os.environ))
    assert "FootroomRange::depth=(int)12" in path.read_text()
    names = ("assume", "to", "dither", "depth", "windows", "shade", "on-error")
    lines = python(LOAD, path.as_uri(), *names, env=prepare(tmp_path / "plugins").whole())
    assert {"assume full", "to full", "dither blue-noise", "depth 12", "windows 9:16 wide=2.39", "shade 12.5"} <= set(
        lines
    )
    assert lines.count("on-error pass") == 1 and lines.count("on-error stop") == 1


def test_tools_list_the_words(tmp_path: Path):
    environment = prepare(tmp_path / "plugins")
    done = subprocess.run(
        ["gst-inspect-1.0", "footroomrange"],
        env=environment.whole(),
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    for word in (
        "(1): narrow           - Narrow",
        "(2): full             - Full",
        "(10): 10",
        "blue-noise       - Blue noise",
    ):
        assert word in done.stdout, word
    assert "CRITICAL" not in done.stderr and "Traceback" not in done.stderr
