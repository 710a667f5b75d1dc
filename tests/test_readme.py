"""The README's promises that a test can hold: its table of flags, its commands, its links."""

from __future__ import annotations

import re
from pathlib import Path

import click

from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.delivery.files import read_deliveries, read_path
from footroom.host_adapter.headless.demo.framing import DELIVERIES
from footroom.host_adapter.headless.flags import EXPRESSIBLE

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
NAMES = {
    "h264": "H.264", "hevc": "HEVC", "av1": "AV1", "vp9": "VP9", "ffv1": "FFV1", "dnxhd": "DNxHR, DNxHD", "mjpeg": "MJPEG",
    "prores": "ProRes", "v210": "v210", "cfhd": "CFHD", "mpeg2video": "MPEG-2", "dpx": "DPX", "tiff": "TIFF", "exr": "EXR",
    "png": "PNG",
}  # fmt: skip


def flag_rows() -> list[str]:
    """The table as the code has it; the README holds these very lines."""
    rows = []
    for place in EXPRESSIBLE:
        can = "yes" if place.survives else "**no**"
        retag = "patched in place" if place.patched else "no" if place.survives else ""
        rows.append(f"| {NAMES[place.codec]} | {', '.join(place.containers)} | {place.stored} | {can} | {retag} |")
    return rows


def test_the_table_of_flags_is_the_codes_own():
    missing = [row for row in flag_rows() if row not in README]
    assert not missing, "\n".join(missing)


def test_every_option_it_names_exists():
    """Each line against its own sub-command: `table zones --cube` stood there, which other tables have."""
    wrong, read = [], set()
    for line in re.findall(r"footroom [a-z][^\n`]*", "\n".join(re.findall(r"```\w*\n(.*?)```", README, re.DOTALL))):
        words = line.partition("#")[0].split()[1:]
        command: click.Command = footroom
        while isinstance(command, click.Group) and words and words[0] in command.commands:
            command = command.commands[words.pop(0)]
        if command is footroom:
            continue  # its name in somebody's sentence
        known = {name for each in command.params for name in (*each.opts, *each.secondary_opts)} | {"--help"}
        wrong += [line for word in words if word.startswith("--") and word.partition("=")[0] not in known]
        read.add(command.name)
    assert wrong == []
    assert read >= {"survey", "mend", "frame", "compare", "expose", "scope", "zones", "adapt", "check", "trial"}


def test_its_links_lead_to_files():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        if "://" not in target:
            assert (ROOT / target).exists(), target


def test_its_deliveries_and_paths_are_read_as_they_stand(tmp_path):
    """Every TOML block of the framing part is a whole file of the name in its first line; they once contradicted each other."""
    part = README[README.index("## Frame every delivery") : README.index("## Inside Blender")]
    blocks = dict(re.findall(r"```toml\n# (\w+\.toml)\n(.*?)```", part, re.DOTALL))
    assert part.count("```toml") == len(blocks) == 3
    for name, text in blocks.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    assert [each.name for each in read_deliveries(tmp_path / "deliveries.toml")] == ["story", "square", "wide"]
    (story,) = read_deliveries(tmp_path / "moving.toml")
    assert story.path is not None and story.path.zooms and story.size == (1080, 1920)
    assert len(read_path(tmp_path / "moves.toml").keys) == 2


def test_the_deliveries_that_it_shows_are_the_demos():
    shown = README[README.index("# deliveries.toml\n") :]
    rows = [line.split("#")[0].split() for line in shown[: shown.index("```")].splitlines()]
    demo = [line.split("#")[0].split() for line in DELIVERIES.splitlines()]
    assert [row for row in rows if row] == [row for row in demo if row]
