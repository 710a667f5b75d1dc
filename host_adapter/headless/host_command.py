"""`footroom host blender`: build the add-on as one file, and say what is wrong where something is."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

from rich.text import Text

from .errors import Problem
from .exits import FOUND, OK
from .terminal import console, progress_bars

_PROBE = """
import json, sys
found = {"version": None, "python": sys.version.split()[0], "register": None}
try:
    import bpy
    found["version"] = bpy.app.version_string
    from footroom.host_adapter import blender
    blender.register(); blender.unregister()
    found["register"] = "ok"
except BaseException as error:
    found["register"] = f"{type(error).__name__}: {error}"
print("FOOTROOM" + json.dumps(found))
"""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at.

    good : whether it is as it should be; None for something that does not have to be there
    """

    what: str
    good: bool | None
    words: str


def run_build(target: Path, *, platform: str, release: str, wheels: Path | None, as_json: bool) -> int:
    """Write the extension's file.

    Raises: Problem.
    """
    from ..blender.extension import BuildError, build

    if target.suffix.lower() != ".zip":
        raise Problem(target, "an extension is a .zip file", f"Name it {target.with_suffix('.zip').name}.")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with progress_bars(quiet=as_json) as bars:
            bars.add_task("fetching wheels and packing", total=None)
            build(target, platform=platform, release=release, wheels=wheels)
    except BuildError as error:
        raise Problem(None, str(error)) from None
    except OSError as error:
        raise Problem(target, f"it cannot be written ({error.strerror})", "Choose another place.") from None
    size = target.stat().st_size
    if as_json:
        print(json.dumps({"extension": str(target), "bytes": size, "platform": platform, "release": release}))
    else:
        screen = console()
        screen.print(
            Text(
                f"{target}: {size / 1e6:.0f} MB for Blender {release}{' and newer' * (release != '5.0')} on {platform}"
            ),
            soft_wrap=True,
        )
        screen.print("Install it in Blender: Preferences > Get Extensions > Install from Disk. It needs no network.")
    return OK


def run_check(*, program: str | None, as_json: bool) -> int:
    """Look at what the add-on needs; exit code 1 where something is wrong."""
    checks = list(_checks(program))
    if as_json:
        print(json.dumps({"checks": [asdict(check) for check in checks]}, ensure_ascii=False, indent=2))
    else:
        screen = console()
        for check in checks:
            mark = {True: "right", False: "WRONG", None: "-"}[check.good]
            screen.print(
                Text.assemble((f"{mark:<6}", "bold" if check.good is False else ""), f"{check.what}: {check.words}")
            )
    return FOUND if any(check.good is False for check in checks) else OK


def _checks(program: str | None) -> list[Check]:
    checks = []
    path = program or shutil.which("blender")
    module = _probe([sys.executable, "-c", _PROBE])
    if path is None:
        checks.append(Check("Blender program", None, "none on the path; name one with --program FILE"))
    else:
        found = _probe([path, "--background", "--factory-startup", "--python-expr", _PROBE])
        checks += _verdict(f"Blender program {path}", found, needs_ours=False)
    if module.get("version") is None and path is not None:
        checks.append(
            Check("Blender as a Python module (bpy)", None, "not installed in this Python; only the tests need it")
        )
    else:
        checks += _verdict("Blender as a Python module (bpy)", module, needs_ours=True)
    return checks


def _verdict(what: str, found: dict[str, str | None], *, needs_ours: bool) -> list[Check]:
    version = found.get("version")
    if version is None:
        return [Check(what, False, f"it does not start ({found.get('register') or 'no answer'})")]
    new_enough = int(version.split(".")[0]) >= 5
    words = f"{version}, Python {found.get('python')}"
    checks = [Check(what, new_enough, words if new_enough else f"{words}; the add-on needs 5.0 or newer")]
    state = found.get("register") or "no answer"
    if state == "ok":
        checks.append(Check("the add-on", True, "registers and unregisters"))
    elif needs_ours or "No module named 'footroom'" not in state:
        checks.append(Check("the add-on", False, state))
    else:
        checks.append(Check("the add-on", None, "not installed there; footroom host blender --build FILE.zip makes it"))
    return checks


def _probe(command: list[str]) -> dict[str, str | None]:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    except (OSError, subprocess.TimeoutExpired) as error:
        return {"version": None, "register": str(error)}
    for line in done.stdout.splitlines():
        if line.startswith("FOOTROOM"):
            return dict(json.loads(line.removeprefix("FOOTROOM")))
    return {"version": None, "register": (done.stderr.strip().splitlines() or ["no answer"])[-1]}
