"""Compiled kernels are kept where there is a place, and run where there is none."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import footroom.kernels

PROGRAM = """
import numpy as np
from footroom.kernels import Channel, Encoding, Range, rescale
from footroom.kernels import scaling
codes = np.arange(1024, dtype=np.uint16)[None]
out = rescale(codes, Encoding(10, Range.FULL), Encoding(10, Range.NARROW), channel=Channel.LUMA)
assert (out[0, 0], out[0, -1]) == (64, 940)
loop = scaling._form(Encoding(10, Range.FULL), Encoding(10, Range.NARROW), Channel.LUMA, False).loop
stats = [each.stats for each in loop.compilations()]
print(sum(sum(each.cache_hits.values()) for each in stats))
"""


def run(package: Path, **environment: str) -> str:
    inherited = {key: value for key, value in os.environ.items() if not key.startswith(("NUMBA_", "XDG_"))}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        env={**inherited, "PYTHONPATH": str(package), "PYTHONDONTWRITEBYTECODE": "1", **environment},
        cwd=package,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def sealed_package(tmp_path: Path) -> Path:
    """A copy of the kernels whose folder takes no cache: a plain file lies where the cache's folder would be made.

    Permissions would not do: the superuser, as whom tests run in containers, may write anywhere.
    """
    home = tmp_path / "site"
    target = home / "footroom" / "kernels"
    shutil.copytree(Path(footroom.kernels.__file__).parent, target, ignore=shutil.ignore_patterns("__pycache__"))
    (target / "__pycache__").write_text("sealed")
    return home


def test_a_read_only_package_keeps_its_cache_elsewhere(tmp_path):
    package = sealed_package(tmp_path)
    cache = tmp_path / "cache"
    assert run(package, NUMBA_CACHE_DIR=str(cache)) == "0"
    assert list(cache.rglob("*.nbi"))
    assert run(package, NUMBA_CACHE_DIR=str(cache)) == "1"


def test_a_read_only_package_uses_the_persons_own_cache(tmp_path):
    package = sealed_package(tmp_path)
    places = {"HOME": str(tmp_path / "home"), "XDG_CACHE_HOME": str(tmp_path / "home" / "cache")}
    (tmp_path / "home").mkdir()
    assert run(package, **places) == "0"
    assert run(package, **places) == "1"


def test_without_any_place_for_a_cache_it_still_runs(tmp_path):
    package = sealed_package(tmp_path)
    nowhere = "/dev/null/nowhere"
    assert run(package, HOME=nowhere, XDG_CACHE_HOME=nowhere) == "0"
    assert run(package, HOME=nowhere, XDG_CACHE_HOME=nowhere) == "0"
