"""Reports for the tests: small real recordings, one with a name that would run if a page let it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from media_files import make_movie

from footroom.host_adapter.headless.demo.shoot import SHOOT, write_clip
from footroom.host_adapter.headless.mend_command import run_mend
from footroom.host_adapter.headless.report.compare_page import compare_page
from footroom.host_adapter.headless.report.render import write_report
from footroom.host_adapter.headless.report.trial_page import trial_page
from footroom.host_adapter.headless.survey_command import run_survey
from footroom.host_adapter.headless.trial.material import gradients
from footroom.host_adapter.headless.trial.result import Trial
from footroom.host_adapter.headless.trial.running import try_material
from footroom.host_adapter.headless.twins.comparing import compare
from footroom.host_adapter.headless.twins.result import Comparison
from footroom.kernels import Range

HOSTILE = "<img src=x onerror=alert(1)>\" '&amp;{{7*7}}\u202e\n.mov"
"""Markup, a quote to leave an attribute by, a template's marks, a turn of direction and a line's end."""
SIZE = (192, 108)


def log_over_full(index: int) -> tuple[np.ndarray, ...]:
    """A scene whose darkest and brightest areas lie outside narrow's limits."""
    y, x = np.mgrid[: SIZE[1], : SIZE[0]]
    luma = 20 + 990 * (0.5 - 0.5 * np.cos(np.pi * (x + index) / SIZE[0])) * (0.4 + 0.6 * y / SIZE[1])
    luma[:, : SIZE[0] // 4] = 20
    luma[: SIZE[1] // 3, -SIZE[0] // 4 :] = 1010
    cb = 512 + 60 * np.sin(x[:, ::2] / 30)
    return tuple(np.rint(plane).astype(np.uint16) for plane in (luma, cb, 1024 - cb))


def recordings(folder: Path, names: tuple[str, ...] = (HOSTILE, "kestrel.mov", "quay.mkv")) -> Path:
    """Recordings with full codes: flagged narrow, the last flagged full."""
    folder.mkdir(parents=True)
    for name in names:
        flag = Range.FULL if name == names[-1] else Range.NARROW
        plain = folder / f"made{Path(name).suffix}"
        metadata = {"title": "<script>document.title = 'ran'</script>"}
        make_movie(plain, "libx264", "yuv422p10le", size=SIZE, frames=4, range=flag, paint=log_over_full, metadata=metadata,
                   options={"crf": "10"})  # fmt: skip
        plain.rename(folder / name)
    return folder


def survey_report(rushes: Path, page: Path) -> int:
    """`footroom survey --report`."""
    return run_survey(
        (rushes,), frames=4, curve=None, profile=None, plan=None, report=page, overwrite=False, as_json=True
    )


def mend_report(rushes: Path, out: Path, page: Path, remedy: str = "retag") -> int:
    """`footroom mend --report`."""
    retag = remedy == "retag"
    return run_mend(
        (rushes,), out=out, plan=None, remedy=remedy, source=None if retag else "full", target="full" if retag else "narrow",
        dither=None, seed=0, depth=None, codec=None, profile=None, even_so=True, jobs=1, report=page, overwrite=False,
        as_json=True,
    )  # fmt: skip


def compare_report(folder: Path, page: Path) -> Comparison:
    """The page of a comparison of the demo's twice recorded take."""
    twins = []
    for clip in SHOOT[:2]:
        twins.append(folder / Path(clip.name).name)
        write_clip(twins[-1], clip, 8)
    found = compare(*twins)
    write_report(compare_page(found), page)
    return found


def trial_report(page: Path, codec: str | None = "h264") -> Trial:
    """The page of a trial of one gradient."""
    found = try_material(gradients(frames=2, depth=8)[0], codec=codec, quality=None)
    write_report(trial_page([found]), page)
    return found
