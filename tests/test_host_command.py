"""`footroom host`: what is wrong is said, and footroom's own wheel holds all that it needs."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile

import pytest
from click.testing import CliRunner

from footroom.host_adapter.blender import extension
from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem


def run(*arguments):
    return CliRunner().invoke(footroom, ["host", "blender", *map(str, arguments)])


def test_one_of_build_and_check_is_said():
    for arguments in ((), ("--build", "x.zip", "--check")):
        done = run(*arguments)
        assert done.exit_code == 2 and "--build FILE.zip or --check" in done.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(("--build", "x.tar"), "x.zip"), (("--build", "x.zip", "--wheels", "."), "lacks wheels of numba")],
)
def test_a_mistake_is_said_and_leaves_nothing(tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    done = run(*arguments)
    assert isinstance(done.exception, Problem) and words in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_check_says_what_does_not_start(tmp_path):
    fake = tmp_path / "blender"
    fake.write_text("#!/bin/sh\necho no display >&2\nexit 1\n")
    fake.chmod(0o755)
    done = run("--check", "--json", "--program", fake)
    checks = json.loads(done.output)["checks"]
    wrong = [check for check in checks if check["good"] is False]
    assert done.exit_code == 1 and len(wrong) == 1 and "no display" in wrong[0]["words"]


def test_an_old_blender_is_told_from_a_new_one(tmp_path):
    fake = tmp_path / "blender"
    fake.write_text('#!/bin/sh\necho \'FOOTROOM{"version": "4.2.1", "python": "3.11", "register": "ok"}\'\n')
    fake.chmod(0o755)
    done = run("--check", "--program", fake)
    assert done.exit_code == 1 and "needs 5.0 or newer" in done.output


def test_our_own_wheel_installs_and_works(tmp_path):
    """Installed by pip into an empty folder, as an extension's wheels are."""
    wheel = extension.own_wheel(tmp_path)
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    assert "footroom/host_adapter/fonts/DejaVuSans-Bold.ttf" in names and "footroom/kernels/blue_noise.bin" in names
    target = tmp_path / "site"
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", target, wheel]
    subprocess.run(command, check=True)
    code = (
        "import sys; sys.meta_path[:] = [e for e in sys.meta_path if 'editable' not in getattr(e, '__module__', str(e))]\n"
        f"sys.path.insert(0, {str(target)!r}); sys.modules.pop('footroom', None)\n"
        "import footroom.host_adapter.lettering as l; print(l.font_file())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert str(target) in done.stdout, done.stderr
