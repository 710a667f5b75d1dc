"""The real bpy, its settings in a folder of their own, and recordings for timelines."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # for media_files
os.environ["BLENDER_USER_RESOURCES"] = tempfile.mkdtemp(prefix="footroom-blender-")

if importlib.util.find_spec("bpy") is None:
    if "FOOTROOM_NEEDS_BLENDER" in os.environ:
        raise pytest.UsageError("bpy is missing: pip install -e '.[blender]' with Python 3.11")
    if "CI" in os.environ:
        # There the add-on's tests have a run of their own (.ci/run), with the variable above, that cannot skip.
        collect_ignore_glob = ["test_*.py"]


def pytest_sessionfinish() -> None:
    shutil.rmtree(os.environ["BLENDER_USER_RESOURCES"], ignore_errors=True)


FRAMES = 6
CLIPS = {
    "camera.mov": (0, {}),  # H.264, log over the full range, flagged narrow: retag
    "recorder.mov": (1, {}),  # ProRes, the same codes, no place for a flag: lift
    "quay.mkv": (3, {}),  # FFV1, full and flagged so
    "gulls.mp4": (4, {}),  # H.264 8 bit, narrow flagged full: retag
}


@pytest.fixture(scope="session")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Right and wrong recordings, made once; tests work on copies."""
    from footroom.host_adapter.headless.demo.shoot import SHOOT, write_clip

    folder = tmp_path_factory.mktemp("shoot")
    for name, (number, changes) in CLIPS.items():
        write_clip(folder / name, replace(SHOOT[number], **changes), FRAMES)
    return folder


@pytest.fixture
def rushes(shoot: Path, tmp_path: Path) -> Path:
    """A copy of the shoot that results may be laid beside."""
    return Path(shutil.copytree(shoot, tmp_path / "rushes"))


@pytest.fixture
def addon() -> Iterator[ModuleType]:
    """The add-on, registered in an empty Blender whose sequencer shows the scene."""
    import bpy

    import footroom.host_adapter.blender as made

    bpy.ops.wm.read_factory_settings(use_empty=True)
    made.register()
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = 24, 1.0
    bpy.context.workspace.sequencer_scene = scene
    scene.sequence_editor_create()
    try:
        yield made
    finally:
        made.unregister()
