"""The plan: what the survey proposes is what mend reads back; every wrong line is refused by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.plan import Order, check_order, read_plan, write_plan
from footroom.kernels import Range


def record(path: Path, **changes):
    base = {
        "path": str(path),
        "tag": {"container": None, "stream": "narrow", "expressible": True},
        "finding": "full",
        "confidence": 0.973,
        "why": ["codes go down to 12 in every frame", 'a name with "quotes" and\na line end'],
        "remedy": "retag",
        "proposal": {"from": "full", "to": "full"},
        "price": {"merged": 0, "missing": 0},
        "profile": "log",
        "settle": None,
    }
    return base | changes


def test_what_is_proposed_is_what_is_read(tmp_path):
    plan = tmp_path / "plan.toml"
    clips = [tmp_path / "card 1" / "kestrel.mov", tmp_path / "[odd] #name = 'x'.mov"]
    lifted = record(clips[1], remedy="lift", proposal={"from": "full", "to": "narrow", "depth": 12})
    assert write_plan(plan, [record(clips[0]), lifted]) == 2
    first, second = read_plan(plan)
    assert first == Order(clips[0], "retag", Range.FULL, Range.FULL, profile="log")
    assert (second.path, second.remedy, second.source, second.target, second.depth) == (
        clips[1],
        "lift",
        Range.FULL,
        Range.NARROW,
        12,
    )
    assert "codes go down to 12" in plan.read_text()


def test_a_plan_is_never_overwritten_unasked(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text("somebody's edits")
    with pytest.raises(Problem, match="--overwrite"):
        write_plan(plan, [record(tmp_path / "a.mov")])
    assert plan.read_text() == "somebody's edits"
    write_plan(plan, [record(tmp_path / "a.mov")], overwrite=True)
    assert len(read_plan(plan)) == 1


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("remedy = 'polish'", "remedy = 'polish'"),
        ("remedy = 'lift'\nfrom = 'full'\nto = 'wide'", "to = 'wide'"),
        ("remedy = 'lift'\nto = 'narrow'", "what the codes are now"),
        ("remedy = 'rescale'\nfrom = 'full'", "range to go to"),
        ("remedy = 'retag'", "the flag that the copy"),
        ("remedy = 'none'\ndepth = 7", "depth = 7"),
        ("remedy = 'none'\ndepth = true", "depth = True"),
        ("remedy = 'none'\nseed = -1", "seed = -1"),
        ("remedy = 'none'\ndither = 'noise'", "dither = 'noise'"),
        ("remedy = 'none'\nrange = 'full'", "unknown key 'range'"),
        ("remedy = 'none'\ncodec = 4", "codec = 4"),
        ("", "no remedy"),
    ],
)
def test_a_wrong_line_is_refused_by_name(tmp_path, line, words):
    plan = tmp_path / "plan.toml"
    plan.write_text(f"version = 1\n[[recording]]\npath = 'kestrel.mov'\n{line}\n")
    with pytest.raises(Problem) as caught:
        read_plan(plan)
    assert words in str(caught.value)
    assert "kestrel.mov" in str(caught.value)
    assert "plan.toml" in str(caught.value)


@pytest.mark.parametrize(
    "text", ["version = 1", "version = 2\n[[recording]]\n", "[[recording", "\x00", "recording = 3\nversion = 1"]
)
def test_what_is_no_plan_is_refused(tmp_path, text):
    plan = tmp_path / "plan.toml"
    plan.write_text(text)
    with pytest.raises(Problem, match=r"plan\.toml"):
        read_plan(plan)


def test_an_absent_plan_is_refused(tmp_path):
    with pytest.raises(Problem, match="no such plan"):
        read_plan(tmp_path / "plan.toml")


def test_an_order_without_a_range_is_refused():
    with pytest.raises(Problem, match="--to"):
        check_order(Order(Path("a.mov"), "retag"))
