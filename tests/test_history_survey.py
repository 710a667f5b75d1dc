"""History in the survey: the JSON, the reasons, the remedy and its price, on real files; and that a right flag stays right."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from media_files import make_movie
from survey_pictures import FULL, NARROW, SILENT, info_of
from test_history import codes_of, counted, scene

from footroom.host_adapter.headless.demo.shoot import SHOOT, write_clip
from footroom.host_adapter.headless.evidence import Evidence
from footroom.host_adapter.headless.finding import DISAGREE, judge
from footroom.host_adapter.headless.past import SCALED, past_json
from footroom.host_adapter.headless.remedy import choose
from footroom.host_adapter.headless.survey import survey
from footroom.host_adapter.headless.terminal import console, reasons
from footroom.kernels.encoding import Channel, Encoding, Range
from footroom.kernels.scalings import WAYS, Scaling, padded_codes

SIZE = (540, 960)


def scaled_evidence(name: str, depth: int = 10, low: float = 0.0, high: float = 1.0) -> Evidence:
    """Counts of a scene between two levels after a scaling."""
    levels = low + (high - low) * scene(0)
    codes = Scaling(name, depth).mapped(Channel.LUMA)[codes_of(levels, Encoding(depth, WAYS[name][0]))]
    return Evidence.from_histograms(depth, counted(codes, depth))


def movie(path: Path, name: str | None, flag: Range, *, codec: str = "ffv1", pixel_format: str = "yuv422p10le") -> Path:
    """A scene at 10 bit, scaled as named, chroma neutral."""

    def paint(index: int) -> tuple[np.ndarray, ...]:
        levels = 0.08 + 0.84 * scene(index)
        codes = codes_of(levels, Encoding(10, Range.FULL if name is None else WAYS[name][0]))
        luma = codes if name is None else Scaling(name, 10).mapped(Channel.LUMA)[codes]
        neutral = np.full((SIZE[0], SIZE[1] // 2), 512, np.uint16)
        return luma.astype(np.uint16), neutral, neutral

    make_movie(path, codec, pixel_format, size=(SIZE[1], SIZE[0]), frames=2, range=flag, paint=paint)
    return path


@pytest.mark.parametrize("name", ["to-narrow", "to-full", "to-narrow-twice", "round-trip"])
def test_the_record_names_the_history(tmp_path: Path, name: str) -> None:
    record = survey(movie(tmp_path / "kestrel.mkv", name, WAYS[name][-1])).to_json()
    history = record["history"]
    assert {"scaled", "gain", "offset", "z", "false_alarm", "depth", "from_depth", "rounding", "cut", "padded"} == set(
        history
    )
    assert (history["scaled"], history["depth"], history["rounding"], history["padded"]) == (name, 10, "rounded", None)
    assert (history["from_depth"], history["cut"]) == (None, None)
    assert history["false_alarm"] < 1e-3
    gain, offset = Scaling(name, 10).affine(Channel.LUMA)
    assert (history["gain"], history["offset"]) == (pytest.approx(float(gain)), pytest.approx(float(offset)))
    assert any("comb in the counts" in why for why in record["why"])
    assert record["agrees"] is not False
    assert json.loads(json.dumps(record)) == record


def test_an_untouched_recording_has_none(tmp_path: Path) -> None:
    history = survey(movie(tmp_path / "kestrel.mkv", None, Range.FULL)).to_json()["history"]
    assert (history["scaled"], history["gain"], history["offset"]) == ("none-found", None, None)
    assert past_json(None) is None


def test_the_demo_s_doubly_scaled_take_is_named_after_its_lossy_codec(tmp_path: Path) -> None:
    clip = next(each for each in SHOOT if each.scalings == 2)
    path = tmp_path / "ferry.mov"
    write_clip(path, clip)
    record = survey(path).to_json()
    assert record["history"]["scaled"] == "to-narrow-twice"
    assert (record["finding"], record["agrees"], record["remedy"]) == ("undetermined", None, "ask")
    assert record["proposal"] == {}
    undo = record["alternatives"]["undo"]
    assert (undo["merged"], undo["clipped_low"], undo["clipped_high"], undo["reversible"]) == (0, 0, 0, True)
    assert undo["lost_before"]["merged"] == 1024 - len(
        set(Scaling("to-narrow-twice", 10).mapped(Channel.LUMA).tolist())
    )
    assert any("one scaling has to be taken back" in why for why in record["why"])
    assert "before it was scaled a second time" in record["settle"]


@pytest.mark.parametrize("flag", Range)
def test_twice_scaled_codes_are_never_called_right_or_wrong(flag: Range) -> None:
    """No flag makes them right, so neither flag is called wrong, whatever the walls and floors say."""
    for name in ("to-narrow-twice", "to-full-twice"):
        for low, high in ((0.0, 1.0), (-0.4, 1.4), (0.2, 0.7)):
            found = judge(scaled_evidence(name, low=low, high=high), FULL if flag is Range.FULL else NARROW)
            assert found.finding is None
            assert found.settle is not None


@pytest.mark.parametrize("depth", [8, 10, 12])
@pytest.mark.parametrize("name", ["to-narrow", "to-full", "round-trip"])
def test_a_history_alone_does_not_go_against_a_flag(name: str, depth: int) -> None:
    evidence = scaled_evidence(name, depth, 0.2, 0.8)
    assert evidence.past.scaled == name
    against = NARROW if WAYS[name][-1] is Range.FULL else FULL
    assert 1 / (1 + np.exp(-SCALED)) < DISAGREE
    assert judge(evidence, against).finding is None
    along = FULL if against is NARROW else NARROW
    assert judge(evidence, along).finding is WAYS[name][-1]


def test_codes_scaled_to_narrow_and_flagged_full_want_the_flag_or_an_undo() -> None:
    """With black and white at their narrow codes as well; 147 codes merged at 10 bit (exact rationals, BT.2100-3 table 9)."""
    evidence = scaled_evidence("to-narrow", low=-0.3, high=1.3)
    finding = judge(evidence, FULL)
    assert finding.finding is Range.NARROW
    remedy = choose(info_of(tag=FULL), finding, Range.FULL, None, evidence.past)
    assert (remedy.name, remedy.proposal) == ("retag", {"from": "narrow", "to": "narrow"})
    assert remedy.price["lost_before"] == {"merged": 147, "clipped_low": 0, "clipped_high": 0}
    assert "never a second scaling" in remedy.why[-1]
    silent = choose(info_of(tag=SILENT, codec="ffv1", container="avi"), finding, Range.FULL, None, evidence.past)
    assert silent.name == "lift"
    assert (silent.proposal["from"], silent.proposal["to"]) == ("narrow", "full")
    assert silent.price["lost_before"]["merged"] == 147


def test_what_an_expansion_clipped_is_named_as_gone() -> None:
    evidence = scaled_evidence("to-full")
    (why,) = [why for why in judge(evidence, FULL).why if "comb" in why]
    assert "64 clipped low, 83 clipped high, which nothing brings back" in why


def test_shallow_codes_are_remarked_on() -> None:
    codes = np.asarray(padded_codes(8, 10, "shifted"))[codes_of(scene(1), Encoding(8, Range.FULL))]
    evidence = Evidence.from_histograms(10, counted(codes, 10))
    assert past_json(evidence.past)["padded"] == {"depth": 8, "how": "shifted"}  # type: ignore[index]
    assert any("only 8 bits are in use" in why for why in judge(evidence, FULL).why)


def test_a_lifted_result_is_known_for_what_it_is() -> None:
    """10-bit full in 12-bit narrow: every code apart, so nothing was lost."""
    codes = np.asarray(padded_codes(10, 12, "to-narrow"))[codes_of(scene(1), Encoding(10, Range.FULL))]
    evidence = Evidence.from_histograms(12, counted(codes, 12))
    history: Any = past_json(evidence.past)
    assert (history["scaled"], history["padded"]) == ("to-narrow", {"depth": 10, "how": "to-narrow"})
    assert history["from_depth"] == 10
    finding = judge(evidence, NARROW)
    assert finding.finding is Range.NARROW
    assert any("keeps them all apart" in why for why in finding.why)


def test_the_terminal_shows_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = survey(movie(tmp_path / "kestrel.mkv", "to-narrow", Range.NARROW)).to_json()
    reasons(console(), record)
    assert "scaled from full to narrow before, at 10 bits" in capsys.readouterr().out
