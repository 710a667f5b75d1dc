"""What the elements need and what is there, each thing with words that say what to install."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from . import ELEMENTS
from .environment import PACKAGES, TOOL_PACKAGES, VENV_WORDS, prepare, unfound

OLDEST = (1, 22)
"""The version that everything here was tried with; older ones lack what the compositor needs for more than 8 bits."""

NEEDED = {"avenc_ffv1": "gstreamer1.0-libav", "matroskamux": "gstreamer1.0-plugins-good"}
WANTED = {
    "autovideosink": ("a window", "gstreamer1.0-plugins-good"),
    "x264enc": ("H.264 for files and networks", "gstreamer1.0-plugins-ugly"),
    "srtsink": ("SRT", "gstreamer1.0-plugins-bad"),
    "rtspsrc": ("RTSP", "gstreamer1.0-plugins-good"),
    "v4l2src": ("capture devices", "gstreamer1.0-plugins-good"),
}

Fact = tuple[str, bool | None, str]
"""What, whether it is as it should be (None: it need not be there), and words."""

_PROBE = """
import json, sys
found = {}
try:
    import gi
    found["gi"] = gi.__version__
    gi.require_version("Gst", "1.0")
    from gi.repository import Gst
    Gst.init(None)
    found["gst"] = list(Gst.version())[:3]
    loader = Gst.Registry.get().find_plugin("python")
    found["loader"] = loader.get_filename() if loader else None
    found["factories"] = [name for name in sys.argv[1:] if Gst.ElementFactory.find(name)]
    gi.require_version("GstVideo", "1.0")
    from gi.repository import GstVideo
    found["video"] = True
    try:
        gi.require_version("GES", "1.0")
        from gi.repository import GES
        found["ges"] = list(GES.version())[:3] if GES.init() else None
    except (ValueError, ImportError) as error:
        found["ges"] = None
    from footroom.host_adapter import gstreamer
    gstreamer.register()
    found["register"] = "ok"
except BaseException as error:
    found["error"] = f"{type(error).__name__}: {error}"
print("FOOTROOM" + json.dumps(found))
"""


def check() -> list[Fact]:
    """Look at everything, the elements in a fresh private registry."""
    found = _probe()
    if "gi" not in found:  # the rest could not be seen from this Python, whether it is there or not
        return [_bindings(found), *_tools(), ("everything else", None, "seen once the bindings are there")]
    facts = [_bindings(found), _version(found), _editing(found), _loader(found), *_tools()]
    if "gst" in found:
        facts += _factories(found)
    facts.append(_registering(found))
    facts += _scan()
    return facts


def apt_words() -> str:
    """One command that brings all of it."""
    return f"apt-get install {' '.join(PACKAGES)}"


def _probe() -> dict[str, Any]:
    command = [sys.executable, "-c", _PROBE, *NEEDED, *WANTED]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    except (OSError, subprocess.TimeoutExpired) as error:
        return {"error": str(error)}
    for line in done.stdout.splitlines():
        if line.startswith("FOOTROOM"):
            return dict(json.loads(line.removeprefix("FOOTROOM")))
    return {"error": (done.stderr.strip().splitlines() or ["no answer"])[-1]}


def _bindings(found: dict[str, Any]) -> Fact:
    what = "Python's bindings (gi)"
    here = f"Python {sys.version.split()[0]} in {sys.prefix}"
    if "gi" not in found:
        return what, False, f"not in {here}: apt-get install python3-gi python3-gst-1.0. {VENV_WORDS}"
    return what, True, f"{found['gi']}, {here}"


def _version(found: dict[str, Any]) -> Fact:
    version = found.get("gst")
    if version is None:
        words = "not found: apt-get install gir1.2-gstreamer-1.0 gir1.2-gst-plugins-base-1.0 gstreamer1.0-plugins-base"
        return "GStreamer", False, words
    words = ".".join(map(str, version))
    if tuple(version[:2]) < OLDEST:
        return "GStreamer", False, f"{words}; the elements need {OLDEST[0]}.{OLDEST[1]} or newer"
    return "GStreamer", True, words


def _editing(found: dict[str, Any]) -> Fact:
    if found.get("ges"):
        return "Editing Services", True, ".".join(map(str, found["ges"]))
    return (
        "Editing Services",
        False,
        "not found, footroom timeline needs them: apt-get install gir1.2-ges-1.0 ges1.0-tools",
    )


def _loader(found: dict[str, Any]) -> Fact:
    what = "loader of Python elements"
    path = found.get("loader")
    if not path:
        return what, False, "not found: apt-get install gstreamer1.0-python3-plugin-loader"
    ours = f"libpython{sys.version_info[0]}.{sys.version_info[1]}"
    try:
        linked = ours.encode() in Path(path).read_bytes()
    except OSError as error:
        return what, False, f"{path} cannot be read ({error.strerror})"
    if not linked:
        return what, False, f"{path} belongs to another Python than this one ({ours}). {VENV_WORDS}"
    return what, True, path


def _tools() -> list[Fact]:
    facts: list[Fact] = []
    for tool in ("gst-launch-1.0", "gst-inspect-1.0", "ges-launch-1.0"):
        path = shutil.which(tool)
        facts.append((tool, path is not None, path or f"not found: apt-get install {TOOL_PACKAGES[tool]}"))
    return facts


def _factories(found: dict[str, Any]) -> list[Fact]:
    facts: list[Fact] = []
    for name, package in NEEDED.items():
        there = name in found["factories"]
        facts.append((name, there, "there" if there else f"not found: apt-get install {package}"))
    for name, (use, package) in WANTED.items():
        there = name in found["factories"]
        words = f"there, for {use}" if there else f"not found; for {use}: apt-get install {package}"
        facts.append((name, True if there else None, words))
    return facts


def _registering(found: dict[str, Any]) -> Fact:
    if found.get("register") == "ok":
        return "elements in a Python program", True, "registered"
    return "elements in a Python program", False, found.get("error", "no answer")


def _scan() -> list[Fact]:
    with tempfile.TemporaryDirectory(prefix="footroom-gstreamer-") as folder:
        missing = dict(unfound(prepare(Path(folder))))
    where = "found by GStreamer's own programs"
    return [(name, name not in missing, missing.get(name) or where) for name in ELEMENTS]
