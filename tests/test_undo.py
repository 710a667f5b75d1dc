"""Undo: one scaling taken back, exactly, under the flag that the codes then need."""

from __future__ import annotations

import json
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from reference import round_half_away
from test_history_survey import movie

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.guard import guard_evidence, settled
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.headless.plan import Order, read_plan
from footroom.host_adapter.headless.undoing import taken_back_maps
from footroom.kernels import Channel, Encoding, Range

FULL, NARROW = Range.FULL, Range.NARROW


def _expanded(code: int, depth: int, *, chroma: bool) -> Fraction:
    """The code before a scaling to narrow, unrounded. Source: BT.709-6 item 4.6 and H.273 8.3, as in check value B."""
    k, most = 1 << depth - 8, (1 << depth) - 1
    if chroma:
        return Fraction((code - 128 * k) * most, 224 * k) + (1 << depth - 1)
    return Fraction((code - 16 * k) * most, 219 * k)


def _compressed(code: int, depth: int, *, chroma: bool) -> Fraction:
    k, most = 1 << depth - 8, (1 << depth) - 1
    if chroma:
        return Fraction((code - (1 << depth - 1)) * 224 * k, most) + 128 * k
    return Fraction(code * 219 * k, most) + 16 * k


def _deeper(code: Fraction, depth: int, more: int, flag: Range, *, chroma: bool) -> Fraction:
    """More bits: narrow codes are shifted, full ones spread from 0 to M; full chroma about its neutral code (check value A)."""
    if flag is NARROW:
        return code * (1 << more)
    gain = Fraction((1 << depth + more) - 1, (1 << depth) - 1)
    if chroma:
        return (code - (1 << depth - 1)) * gain + (1 << depth + more - 1)
    return code * gain


@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA])
@pytest.mark.parametrize("flag", Range)
@pytest.mark.parametrize("made", Range)
@pytest.mark.parametrize("depth", [8, 10, 12])
def test_every_code_is_the_exact_one(depth, made, flag, channel):
    chroma = channel is Channel.CHROMA
    maps = taken_back_maps(Encoding(depth, made), Encoding(depth + 2, flag), (channel,))
    before = _expanded if made is NARROW else _compressed
    wanted = [
        round_half_away(_deeper(before(code, depth, chroma=chroma), depth, 2, flag, chroma=chroma))
        for code in range(1 << depth)
    ]
    assert maps[channel].codes.tolist() == wanted


@pytest.mark.parametrize("depth", [8, 10, 12])
def test_what_was_scaled_twice_becomes_what_it_was_after_once(depth):
    """Within what the second rounding took: half a code, times 4 and the slope. Its white is white; as full codes it would be past it."""
    once = [round_half_away(_compressed(code, depth, chroma=False)) for code in range(1 << depth)]
    twice = [round_half_away(_compressed(code, depth, chroma=False)) for code in once]
    back = taken_back_maps(Encoding(depth, NARROW), Encoding(depth + 2, NARROW), (Channel.LUMA,))[Channel.LUMA].codes
    slope = float(_expanded(1, depth, chroma=False) - _expanded(0, depth, chroma=False))
    off = np.abs(back[twice] - 4 * np.array(once))
    assert off.max() <= 0.5 * 4 * slope + 0.5
    assert len(set(back.tolist())) == 1 << depth
    assert abs(back[twice[-1]] - (235 << depth - 6)) <= off.max()
    lifted = taken_back_maps(Encoding(depth, NARROW), Encoding(depth + 2, FULL), (Channel.LUMA,))[Channel.LUMA].codes
    assert lifted[twice[-1]] - back[twice[-1]] >= (
        2 if depth < 12 else 1
    )  # what a lift with its flag changed leaves wrong


def test_alpha_keeps_its_level():
    maps = taken_back_maps(Encoding(10, NARROW), Encoding(12, NARROW), (Channel.ALPHA,))
    assert maps[Channel.ALPHA].codes[[0, 1023]].tolist() == [0, 4095]


def footroom(*arguments: object, code: int = 0):
    command = [sys.executable, "-m", "footroom.host_adapter.headless", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done


def planes_of(path: Path):
    with open_recording(path) as recording:
        return recording.info, [tuple(plane.copy() for plane in frame.planes) for frame in recording.frames()]


@pytest.fixture(scope="module")
def twice(tmp_path_factory) -> Path:
    return movie(tmp_path_factory.mktemp("twice") / "ferry.mkv", "to-narrow-twice", NARROW)


def test_one_command_takes_the_second_scaling_back(twice, tmp_path):
    before = twice.read_bytes()
    done = json.loads(
        footroom("mend", twice, "--remedy", "undo", "--from", "narrow", "--out", tmp_path, "--json").stdout
    )
    result = done["results"][0]
    assert result["state"] == "written" and "taken back" in result["words"]
    info, made = planes_of(Path(result["output"]))
    source, given = planes_of(twice)
    assert (info.depth, info.tag.trusted) == (source.depth + 2, NARROW)
    maps = taken_back_maps(source.encoding(NARROW), info.encoding(NARROW), source.channels())
    for new, old in zip(made, given, strict=True):
        for plane, was, channel in zip(new, old, source.channels(), strict=True):
            assert np.array_equal(plane, np.clip(maps[channel].codes, 0, 4095)[was])
    receipt = json.loads(Path(f"{result['output']}.receipt.json").read_text())
    assert receipt["lost"]["luma"]["codes_merged"] == 0
    assert (receipt["parameters"]["remedy"], receipt["parameters"]["to"]) == ("undo", "narrow")
    assert twice.read_bytes() == before
    again = footroom("mend", result["output"], "--remedy", "undo", "--from", "narrow", "--out", tmp_path / "b", code=2)
    assert "taken back already" in again.stderr


def test_a_plan_can_ask_for_it(twice, tmp_path):
    plan = tmp_path / "plan.toml"
    footroom("survey", twice, "--plan", plan)
    text = plan.read_text()
    assert "--remedy undo --from narrow" in text
    plan.write_text(text.replace('remedy = "ask"', 'from = "narrow"\nto = "narrow"\nremedy = "undo"'))
    assert read_plan(plan)[0].remedy == "undo"
    footroom("mend", "--plan", plan, "--out", tmp_path / "out")
    assert planes_of(next((tmp_path / "out").rglob("*.mkv")))[0].depth == 12


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--dither", "triangular", "--from", "narrow"], "nothing to dither"),
        (["--depth", "10", "--from", "narrow"], "at least 12 bits"),
        (["--from", "full"], "scaled from full to narrow twice"),
        ([], "needs to know what the codes are now"),
    ],
)
def test_what_does_not_fit_is_refused(twice, tmp_path, more, words):
    done = footroom("mend", twice, "--remedy", "undo", *more, "--out", tmp_path / "out", code=2)
    assert words in done.stderr
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_a_scaling_that_the_counts_do_not_show_is_not_taken_back_on_a_word():
    record = {"finding": "undetermined", "confidence": 0.0, "why": [], "history": {"scaled": "none-found"}}
    order = Order(Path("kestrel.mov"), "undo", NARROW, NARROW)
    with pytest.raises(Problem, match="no change of range before"):
        guard_evidence(order, record)
    guard_evidence(Order(Path("kestrel.mov"), "undo", NARROW, NARROW, even_so=True), record)
    guard_evidence(order, {**record, "history": {"scaled": "to-narrow-twice"}})


@pytest.mark.parametrize(
    ("scaled", "made", "flag"),
    [
        ("to-narrow", NARROW, FULL), ("to-full", FULL, NARROW), ("to-narrow-twice", NARROW, NARROW),
        ("to-full-twice", FULL, FULL), ("round-trip", FULL, NARROW),
    ],
)  # fmt: skip
def test_the_flag_is_that_of_the_codes_before_the_step(scaled, made, flag):
    """Worked out by hand: full codes scaled once to narrow are full again when that is taken back; scaled twice, still narrow."""
    record = {"finding": "undetermined", "confidence": 0.0, "why": [], "history": {"scaled": scaled}}
    assert settled(Order(Path("a.mov"), "undo", made), record).target is flag
    guard_evidence(Order(Path("a.mov"), "undo", made), record)
    guard_evidence(Order(Path("a.mov"), "undo", made, flag), record)
    with pytest.raises(Problem, match=f"Say --to {flag.label}"):
        guard_evidence(Order(Path("a.mov"), "undo", made, Range(1 - flag)), record)


def test_what_is_not_seen_needs_its_flag_said():
    record = {"finding": "undetermined", "confidence": 0.0, "why": [], "history": {"scaled": "none-found"}}
    with pytest.raises(Problem, match="the flag that the copy needs is not known"):
        settled(Order(Path("a.mov"), "undo", NARROW, even_so=True), record)
    assert settled(Order(Path("a.mov"), "undo", NARROW, FULL, even_so=True), record).target is FULL


def test_a_single_scaling_undone_is_full_and_says_so(tmp_path):
    once = movie(tmp_path / "once.mkv", "to-narrow", FULL)
    done = json.loads(
        footroom("mend", once, "--remedy", "undo", "--from", "narrow", "--out", tmp_path / "out", "--json").stdout
    )
    info, _ = planes_of(Path(done["results"][0]["output"]))
    assert (info.depth, info.tag.trusted) == (12, FULL)
    again = footroom(
        "mend", done["results"][0]["output"], "--remedy", "lift", "--from", "narrow", "--out", tmp_path / "b", code=2
    )
    assert "was taken back already" in again.stderr


def test_a_plans_undo_is_looked_at_too(twice, tmp_path):
    plan = tmp_path / "plan.toml"
    footroom("survey", twice, "--plan", plan)
    plan.write_text(plan.read_text().replace('remedy = "ask"', 'from = "full"\nremedy = "undo"'))
    done = footroom("mend", "--plan", plan, "--out", tmp_path / "out", code=2)
    assert "scaled from full to narrow twice" in done.stderr
    assert not list((tmp_path / "out").rglob("*.mkv"))
