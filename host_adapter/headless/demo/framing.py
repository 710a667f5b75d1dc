"""The demo's last part: one finished recording framed for three deliveries."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..delivery.files import read_deliveries
from ..delivery.job import Job, Made
from ..delivery.request import Request
from ..terminal import progress_bars

DELIVERIES = """\
# What goes out, and what each keeps of the picture. footroom frame makes all of it with one command.

[delivery.story]
window = "9:16@centre,-160,0"   # upright, moved 160 pixels to the left, to the ferry
size = "1080x1920"
safe = ["title"]

[delivery.square]
window = "1:1@centre,-120,0"

[delivery.wide]
window = "2.39"
"""

FRAMED = "finished/A002_harbour_camera.mp4"
KINDS = ("burn", "crop", "sheet")
SHADE = 0.5


def frame_demo(out: Path, *, quiet: bool) -> tuple[str, list[Made]]:
    """Write the deliveries file and make burn, crops and sheet. Returns the command that does the same, and what was made."""
    file, source, folder = out / "deliveries.toml", out / "rushes" / FRAMED, out / "framed"
    file.write_text(DELIVERIES, encoding="utf-8")
    folder.mkdir(exist_ok=True)
    request = Request(read_deliveries(file), shade=SHADE, labels=True)
    kinds = " ".join(f"--as {kind}" for kind in KINDS)
    command = f"footroom frame {source} --deliveries {file} {kinds} --label --shade {SHADE * 100:.0f} --out {folder}"
    with progress_bars(quiet=quiet) as bars:
        task = bars.add_task("framing", total=None)

        def show(doing: str, done: int, total: int | None) -> None:
            bars.update(task, description=doing, completed=done, total=total)

        return command, Job(request, source, folder, KINDS, from_file=True, progress=show).run()


def made_json(made: list[Made]) -> list[dict[str, Any]]:
    """What was made, as `footroom demo --json` prints it."""
    return [{"as": each.output.kind, "path": str(each.output.path), "words": each.words} for each in made]
