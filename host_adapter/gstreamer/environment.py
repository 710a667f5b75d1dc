"""What GStreamer's own programs need to find the elements: a plugin file for each, variables, and a registry of our own.

Imports no GStreamer, so that it can say what is missing where there is none.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from . import ELEMENTS

PACKAGES = (
    "python3-venv", "python3-gi", "python3-gst-1.0", "gstreamer1.0-python3-plugin-loader", "gir1.2-gstreamer-1.0",
    "gir1.2-gst-plugins-base-1.0", "gir1.2-ges-1.0", "ges1.0-tools", "gstreamer1.0-tools", "gstreamer1.0-plugins-base",
    "gstreamer1.0-plugins-good", "gstreamer1.0-plugins-bad", "gstreamer1.0-plugins-ugly", "gstreamer1.0-libav",
)  # fmt: skip
"""Debian's packages, which Ubuntu calls the same."""

TOOL_PACKAGES = {
    "gst-launch-1.0": "gstreamer1.0-tools",
    "gst-inspect-1.0": "gstreamer1.0-tools",
    "ges-launch-1.0": "ges1.0-tools",
    "gst-play-1.0": "gstreamer1.0-plugins-base-apps",
    "gst-discoverer-1.0": "gstreamer1.0-plugins-base-apps",
}

_ELEMENT_PACKAGES = {
    "gstreamer1.0-plugins-base": ("videotestsrc", "videoconvert", "decodebin", "uridecodebin"),
    "gstreamer1.0-plugins-good": (
        "imagefreeze", "v4l2src", "matroskamux", "mp4mux", "qtmux", "udpsink", "udpsrc", "rtspsrc", "autovideosink",
    ),
    "gstreamer1.0-plugins-bad": ("srtsink", "srtsrc", "mpegtsmux", "h264parse"),
    "gstreamer1.0-plugins-ugly": ("x264enc",),
    "gstreamer1.0-libav": ("avenc_ffv1",),
}  # fmt: skip


def element_package(element: str) -> str | None:
    """The package that brings an element of a live chain; None for those of GStreamer's core and our own."""
    return next((package for package, held in _ELEMENT_PACKAGES.items() if element in held), None)


VENV_WORDS = (
    "The bindings belong to the system's own Python: /usr/bin/python3 -m venv --system-site-packages VENV, then install "
    "footroom into that"
)


@dataclass(frozen=True, slots=True)
class Environment:
    """A folder with plugin files and a registry, and the variables that make GStreamer's programs look there."""

    folder: Path
    variables: Mapping[str, str]

    @property
    def registry(self) -> Path:
        return Path(self.variables["GST_REGISTRY"])

    def whole(self) -> dict[str, str]:
        """The variables of this process with ours over them."""
        return {**os.environ, **self.variables}


def plugin_text(element: str) -> str:
    """The plugin file of an element: the loader takes one element from each file."""
    return (
        "from footroom.host_adapter.gstreamer.elements import CLASSES\n"
        f'__gstelementfactory__ = ("{element}", 0, CLASSES["{element}"])\n'
    )


def python_folder() -> Path:
    """Where the `python3` lies that has footroom: GStreamer's programs embed the first one on the path."""
    return Path(sys.executable).parent


def cache_folder() -> Path:
    """Where plugin files and registries are kept between runs."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "footroom" / "gstreamer"


def state_key() -> str:
    """Changes with whatever a scan's outcome hangs on.

    GStreamer remembers a plugin whose scan failed and does not try it again, so a change in Python, in its packages or in
    the elements' own code gets another registry.
    """
    places = [Path(sysconfig.get_path(name)) for name in ("purelib", "platlib")]
    places += [Path("/usr/lib/python3/dist-packages/gi"), *sorted(Path(__file__).parent.glob("*.py"))]
    facts = [sys.version, sys.prefix, *(f"{place} {_changed(place)}" for place in places)]
    facts += [os.environ.get(name, "") for name in ("GST_PLUGIN_PATH", "GST_PLUGIN_PATH_1_0", "GST_PLUGIN_SYSTEM_PATH")]
    return hashlib.sha256("\n".join(facts).encode()).hexdigest()[:16]


def _changed(place: Path) -> int:
    try:
        return place.stat().st_mtime_ns
    except OSError:
        return 0


def prepare(folder: Path | None = None) -> Environment:
    """Write the plugin files and work out the variables.

    folder : where; by default in the cache, by the state of things
    Raises: OSError where it cannot be written.
    """
    folder = cache_folder() / state_key() if folder is None else folder
    plugins = folder / "python"
    plugins.mkdir(parents=True, exist_ok=True)
    for element in ELEMENTS:
        _write(plugins / f"{element}.py", plugin_text(element))
    variables = {
        "PATH": _before(python_folder(), os.environ.get("PATH", os.defpath)),
        "GST_PLUGIN_PATH": _before(folder, os.environ.get("GST_PLUGIN_PATH", "")),
        "GST_REGISTRY": str(folder / "registry.bin"),
    }
    for name in ("GST_PLUGIN_PATH", "GST_REGISTRY"):
        versioned = f"{name}_1_0"  # where it is set, the plain one is not looked at
        if versioned in os.environ:
            ours = folder if name == "GST_PLUGIN_PATH" else None
            variables[versioned] = variables[name] if ours is None else _before(ours, os.environ[versioned])
    return Environment(folder, variables)


def _before(folder: Path, path: str) -> str:
    """A path variable with a folder at its front, once."""
    others = [part for part in path.split(os.pathsep) if part and part != str(folder)]
    return os.pathsep.join([str(folder), *others])


def _write(path: Path, text: str) -> None:
    """Whole or not at all: another run may be scanning the folder."""
    if path.is_file() and path.read_text(encoding="utf-8") == text:
        return
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    beside.write_text(text, encoding="utf-8")
    os.replace(beside, path)


def unfound(environment: Environment) -> list[tuple[str, str]]:
    """Elements that GStreamer's programs do not find with the variables, each with the last thing that was said of it.

    A registry that knows of a failure is removed, so that the next run tries again.
    """
    inspector = shutil.which("gst-inspect-1.0", path=environment.variables["PATH"])
    if inspector is None:
        return [(element, "gst-inspect-1.0 is not there") for element in ELEMENTS]
    missing = []
    for element in ELEMENTS:
        try:
            done = subprocess.run(
                [inspector, element], env=environment.whole(), capture_output=True, text=True, check=False, timeout=120
            )
        except subprocess.TimeoutExpired:
            missing.append((element, f"{inspector} gave no answer in 120 seconds"))
            continue
        if done.returncode:
            lines = [line.strip() for line in done.stderr.splitlines() if "Error" in line] or [done.stdout.strip()]
            missing.append((element, lines[-1] or "no answer"))
    if missing:
        environment.registry.unlink(missing_ok=True)
    return missing
