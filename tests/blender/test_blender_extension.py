"""The extension as a person installs it: built by one command, judged by Blender's own validator, installed with no network."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from footroom.host_adapter.blender.extension import RELEASES, build, fetch

bpy = pytest.importorskip("bpy", reason="bpy is not installed: pip install -e '.[blender]' with Python 3.11")

INSTALL = """
import sys
sys.meta_path[:] = [each for each in sys.meta_path if "editable" not in getattr(each, "__module__", str(each))]
sys.modules.pop("footroom", None)
import bpy
try:
    import footroom.host_adapter
    sys.exit("footroom is there before the extension is")
except ImportError:
    pass
bpy.context.preferences.extensions.repos.new(name="local", module="footroom_local", custom_directory=sys.argv[2])
bpy.ops.extensions.package_install_files(filepath=sys.argv[1], repo="footroom_local", enable_on_install=True)
assert "bl_ext.footroom_local.footroom" in bpy.context.preferences.addons.keys()
import footroom.host_adapter.lettering as lettering
assert "extensions" in lettering.__file__, lettering.__file__
assert lettering.lettering("9:16", 20, edge=1).core.max() > 0.9 and "extensions" in str(lettering.font_file())
from footroom.kernels import Encoding, Range, rescale, Channel
import numpy
full, narrow = Encoding(10, Range.FULL), Encoding(10, Range.NARROW)
assert rescale(numpy.array([[1023]], numpy.uint16), full, narrow, channel=Channel.LUMA)[0, 0] == 940
assert bpy.ops.footroom.survey.idname() == "FOOTROOM_OT_survey" and hasattr(bpy.types, "FOOTROOM_OT_survey")
print("INSTALLED")
"""


@pytest.fixture(scope="module")
def extension(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("extension")
    release = next(
        name for name, held in RELEASES.items() if held.python == f"{sys.version_info[0]}.{sys.version_info[1]}"
    )
    wheels = fetch(folder / "wheels", "linux-x64", release)
    return build(folder / "footroom.zip", release=release, wheels=wheels)


def test_blenders_own_validator_accepts_it(extension):
    cli = Path(bpy.utils.resource_path("LOCAL")) / "scripts/addons_core/bl_pkg/cli/blender_ext.py"
    done = subprocess.run(
        [sys.executable, str(cli), "validate", str(extension)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "ERROR" not in done.stdout and "WARN" not in done.stdout, done.stdout


def test_it_holds_what_it_needs_and_no_numpy(extension):
    with zipfile.ZipFile(extension) as archive:
        names = archive.namelist()
    assert {"__init__.py", "blender_manifest.toml", "LICENSE"} <= set(names)
    wheels = [name for name in names if name.startswith("wheels/")]
    assert any(name.startswith("wheels/footroom-") for name in wheels)
    assert any(name.startswith("wheels/numba-") for name in wheels)
    assert not any(name.startswith("wheels/numpy-") for name in wheels)


def test_it_installs_and_runs_where_footroom_is_not(extension, tmp_path):
    environment = os.environ | {"BLENDER_USER_RESOURCES": str(tmp_path / "user")}
    done = subprocess.run(
        [sys.executable, "-c", INSTALL, str(extension), str(tmp_path / "repo")], capture_output=True, text=True, check=False,
        env=environment,
    )  # fmt: skip
    assert "INSTALLED" in done.stdout, done.stdout + done.stderr
