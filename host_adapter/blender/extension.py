# SPDX-License-Identifier: GPL-3.0-or-later
"""The add-on as an extension that installs from one file without a network: manifest, our own code, and the wheels it needs.

Runs outside Blender. Wheels come from the package index that pip is set up for, once, while building.
"""

from __future__ import annotations

import base64
import hashlib
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Release:
    """Blenders that have one Python, whose wheels no other can load.

    first : the first of them; before : the first that has another Python, None where there is none yet
    python : theirs; numpy : what wheels must agree with
    """

    first: str
    before: str | None
    python: str
    numpy: str


RELEASES = {"5.0": Release("5.0.0", "5.1.0", "3.11", "numpy<2"), "5.1": Release("5.1.0", None, "3.13", "numpy>=2")}
"""By the first two numbers of the first Blender; '5.1' is for 5.1 and newer."""

NEEDED = ("numba", "av", "openimageio", "pillow", "tomlkit", "colour-science")
"""What the add-on's headless code imports; pip adds what these need."""

HOSTS_OWN = ("numpy",)
"""Comes with Blender, so no wheel of it is bundled; the others must agree with its version."""

PLATFORMS = {
    "linux-x64": ("manylinux_2_28_x86_64", "manylinux_2_27_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64"),
    "windows-x64": ("win_amd64",),
    "macos-arm64": ("macosx_11_0_arm64", "macosx_12_0_arm64", "macosx_14_0_arm64"),
}
"""Blender's names of platforms, and pip's."""

_INIT = """\
# SPDX-License-Identifier: GPL-3.0-or-later
\"\"\"Footroom: what the codes of recordings are, mended inside the timeline; and guides for every delivery.\"\"\"

from footroom.host_adapter.blender import register, unregister

__all__ = ["register", "unregister"]
"""


class BuildError(Exception):
    """The extension cannot be built; the message says why and what to do."""


def build(target: Path, *, platform: str = "linux-x64", release: str = "5.0", wheels: Path | None = None) -> Path:
    """Write the extension.

    target : the zip file; replaced where it exists
    platform : a key of PLATFORMS; release : of RELEASES
    wheels : a folder of wheels fetched before; None fetches them

    Raises: BuildError.
    """
    if release not in RELEASES:
        raise BuildError(f"there is no release {release!r}; there are {', '.join(RELEASES)}")
    if platform not in PLATFORMS:
        raise BuildError(f"there is no platform {platform!r}; there are {', '.join(PLATFORMS)}")
    with tempfile.TemporaryDirectory() as scratch:
        folder = wheels or fetch(Path(scratch) / "wheels", platform, release)
        bundled = sorted(path for path in folder.glob("*.whl") if not path.name.lower().startswith(HOSTS_OWN))
        missing = [name for name in NEEDED if not any(_is(path, name) for path in bundled)]
        if missing:
            raise BuildError(f"{folder} lacks wheels of {', '.join(missing)}")
        own = own_wheel(Path(scratch))
        partial = target.with_name(f".{target.name}.partial")
        try:
            with zipfile.ZipFile(partial, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr("__init__.py", _INIT)
                archive.writestr("blender_manifest.toml", manifest([own, *bundled], platform, release))
                archive.write(Path(__file__).with_name("LICENSE"), "LICENSE")
                for path in (own, *bundled):
                    archive.write(path, f"wheels/{path.name}", zipfile.ZIP_STORED)
            partial.replace(target)
        finally:
            partial.unlink(missing_ok=True)
    return target


def _is(path: Path, name: str) -> bool:
    return path.name.split("-", 1)[0].lower().replace("_", "-") == name


def fetch(folder: Path, platform: str, release: str) -> Path:
    """The wheels for Blender's Python, by pip.

    Raises: BuildError with pip's last words.
    """
    folder.mkdir(parents=True, exist_ok=True)
    python, numpy = RELEASES[release].python, RELEASES[release].numpy
    command = [
        sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--dest", str(folder),
        "--only-binary=:all:", "--python-version", python, "--implementation", "cp", "--abi", f"cp{python.replace('.', '')}",
        "--abi", "abi3", "--abi", "none", *(word for tag in PLATFORMS[platform] for word in ("--platform", tag)),
        *(name for name in NEEDED if name != "av"), "av<19", numpy,
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["pip said nothing"])[-1]
        raise BuildError(f"pip could not fetch the wheels ({last}); check the network, or give --wheels FOLDER")
    return folder


def own_wheel(folder: Path) -> Path:
    """footroom itself as a wheel, made from the code that runs now, with the font of labels in it."""
    name = f"footroom-{version('footroom')}"
    path = folder / f"{name}-py3-none-any.whl"
    records: list[str] = []
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as wheel:
        for inside, data in (*_own_files(), *_dist_info(name)):
            wheel.writestr(inside, data)
            digest = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
            records.append(f"{inside},sha256={digest},{len(data)}")
        records.append(f"{name}.dist-info/RECORD,,")
        wheel.writestr(f"{name}.dist-info/RECORD", "\n".join(records) + "\n")
    return path


def _own_files() -> Iterable[tuple[str, bytes]]:
    for part in ("kernels", "host_adapter"):
        spec = find_spec(f"footroom.{part}")
        if spec is None or spec.origin is None:
            raise BuildError(f"footroom.{part} is not installed")
        root = Path(spec.origin).parent
        for file in sorted(root.rglob("*")):
            if file.suffix in {".py", ".bin", ".toml"} or file.name == "LICENSE":
                yield f"footroom/{part}/{file.relative_to(root).as_posix()}", file.read_bytes()
    from footroom.host_adapter.lettering import font_file

    for bold in (False, True):
        font = font_file(bold=bold)
        yield f"footroom/host_adapter/fonts/{font.name}", font.read_bytes()
    licence = font.with_name("LICENSE_DEJAVU")
    if licence.exists():
        yield f"footroom/host_adapter/fonts/{licence.name}", licence.read_bytes()


def _dist_info(name: str) -> Iterable[tuple[str, bytes]]:
    metadata = f"Metadata-Version: 2.1\nName: footroom\nVersion: {version('footroom')}\nLicense: Apache-2.0\n"
    yield f"{name}.dist-info/METADATA", metadata.encode()
    yield (
        f"{name}.dist-info/WHEEL",
        b"Wheel-Version: 1.0\nGenerator: footroom\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    )


def manifest(wheels: Iterable[Path], platform: str, release: str = "5.0") -> str:
    """blender_manifest.toml. Source: Blender's extension schema 1.0.0."""
    made_for = RELEASES[release]
    before = "" if made_for.before is None else f'blender_version_max = "{made_for.before}"\n'
    listed = "".join(f'  "./wheels/{path.name}",\n' for path in wheels)
    return f"""\
schema_version = "1.0.0"
id = "footroom"
version = "{version("footroom")}"
name = "Footroom"
tagline = "Mend code ranges in the timeline; draw delivery guides"
maintainer = "The footroom developers"
type = "add-on"
tags = ["Sequencer", "Compositing"]
blender_version_min = "{made_for.first}"
{before}license = ["SPDX:GPL-3.0-or-later", "SPDX:Apache-2.0"]
platforms = ["{platform}"]
wheels = [
{listed}]

[permissions]
files = "Read recordings, write corrected copies beside them"
"""
