"""Reports: what the page says, what it refuses, and that it is whole or absent. How it looks: test_report_browser.py."""

from __future__ import annotations

import errno
import functools
import json
import re
import subprocess
import sys
import tracemalloc

import pytest
from report_pages import HOSTILE, compare_report, mend_report, recordings, survey_report, trial_report

from footroom.host_adapter.headless import mend_command
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.mend import Outcome
from footroom.host_adapter.headless.report import render, survey_page
from footroom.host_adapter.headless.report.page import Page, Part, Picture, Still, Table, Tone
from footroom.host_adapter.headless.report.survey_page import Gallery
from footroom.kernels import Dither


def page(parts=(), **changes) -> Page:
    whole = {"kicker": "Survey", "verdict": "Nothing", "tone": Tone.PLAIN, "lead": (), "overview": (), "index": (),
             "parts": parts, "cautions": ()}  # fmt: skip
    return Page(**{**whole, **changes})


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("kestrel.mov", "kestrel.mov"),
        ("a\u202eb", "a\\u202eb"),
        ("a\x07", "a\\x07"),
        ("a\udcff", "a\\udcff"),
        ("möwe 鴎", "möwe 鴎"),
    ],
)
def test_what_does_not_print_is_shown_as_its_escape(text, shown):
    assert render.legible(text) == shown


def test_text_from_files_is_escaped_wherever_it_comes():
    hostile = "<b>\"'&"
    picture = Picture("data:,", 1, 1, hostile)
    blocks = (Still(hostile, picture, hostile), Table(hostile, (hostile,), (), hostile))
    html = "".join(render.chunks(page([Part("r0", hostile, Tone.WRONG, hostile, hostile, blocks)], kicker=hostile)))
    assert "<b>" not in html
    assert "&lt;b&gt;&#34;&#39;&amp;" in html


def test_the_policy_lets_nothing_in_and_nothing_out(tmp_path):
    render.write_report(page(), tmp_path / "r.html")
    html = (tmp_path / "r.html").read_text()
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html)[1].replace("&#39;", "'")
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert "unsafe" not in policy
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", html)
    assert not re.search(r"url\((?!#)|@import|style=", html)


def test_memory_does_not_grow_with_the_recordings(tmp_path):
    def parts(count):
        for at in range(count):
            yield Part(
                f"r{at}", "", Tone.PLAIN, "", "", (Still("", Picture("data:," + "x" * 1_000_000, 1, 1, ""), ""),)
            )

    peaks = []
    for count in (3, 60):
        tracemalloc.start()
        render.write_report(page(parts(count)), tmp_path / f"{count}.html")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert (tmp_path / "60.html").stat().st_size > 60_000_000
    assert peaks[1] < 1.2 * peaks[0]


def test_a_report_that_breaks_off_leaves_nothing(tmp_path):
    def parts():
        yield Part("r0", "", Tone.PLAIN, "", "")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render.write_report(page(parts()), tmp_path / "new" / "r.html")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "the disk is full"), (errno.EACCES, "permission was denied"), (errno.EIO, "the disk reported")],
)
def test_a_refusal_of_the_system_is_said_in_words(tmp_path, monkeypatch, number, words):
    (tmp_path / "r.html").write_text("somebody's")

    def refuse(_):
        raise OSError(number, "")

    monkeypatch.setattr(render.os, "fsync", refuse)
    with pytest.raises(Problem, match=rf"r.html: {words}.*--report"):
        render.write_report(page(), tmp_path / "r.html", overwrite=True)
    assert [path.name for path in tmp_path.iterdir()] == ["r.html"]
    assert (tmp_path / "r.html").read_text() == "somebody's"


def test_names_that_are_refused(tmp_path):
    (tmp_path / "there.html").touch()
    (tmp_path / "folder.html").mkdir()
    for name, words in (("r.mov", "HTML"), ("there.html", "--overwrite"), ("folder.html", "folder")):
        with pytest.raises(Problem, match=words):
            render.check_report(tmp_path / name)
    render.check_report(tmp_path / "there.html", overwrite=True)
    with pytest.raises(Problem, match="inputs"):
        render.check_report(tmp_path / "there.html", [tmp_path / "there.html"], overwrite=True)
    with pytest.raises(Problem, match="inputs"):
        render.check_report(tmp_path / "plan.html", [tmp_path / "." / "plan.html"], overwrite=True)


class Said:
    def __init__(self, agrees):
        self.agrees = agrees


def test_the_gallery_keeps_the_wrong_then_the_open():
    gallery = Gallery(most=3)
    for agrees in (True, None, True, False, None, False, True):
        gallery(Said(agrees))
    assert {at: record.agrees for at, record in gallery.records().items()} == {3: False, 5: False, 1: None}


@pytest.fixture(scope="module")
def rushes(tmp_path_factory):
    return recordings(tmp_path_factory.mktemp("report") / "rushes")


def test_survey_writes_a_report(rushes, tmp_path, capsys):
    assert survey_report(rushes, tmp_path / "r.html") in (0, 1)
    said = json.loads(capsys.readouterr().out)
    assert said["report"] == str(tmp_path / "r.html")
    html = (tmp_path / "r.html").read_text()
    assert "<img src=x" not in html
    assert html.count('<section class="part"') == 3
    for record in said["recordings"]:
        for reason in record["why"]:
            assert str(render.Markup.escape(reason)) in html
    assert [path.name for path in tmp_path.iterdir()] == ["r.html"]


def test_more_recordings_than_pictures_are_said(rushes, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(survey_page, "Gallery", functools.partial(Gallery, most=1))
    survey_report(rushes, tmp_path / "r.html")
    html = (tmp_path / "r.html").read_text()
    assert "Pictures are shown of 1 of the 3 recordings" in html
    assert html.count('<section class="part"') == 3
    assert html.count("image/jpeg") <= 2


def test_mend_writes_a_report_and_a_refused_one_stops_before_the_work(rushes, tmp_path, capsys):
    assert mend_report(rushes, tmp_path / "out", tmp_path / "r.html") == 0
    html = (tmp_path / "r.html").read_text()
    assert "3 recordings mended" in html
    receipt = json.loads(next((tmp_path / "out").rglob("kestrel*.receipt.json")).read_text())
    assert receipt["output"]["sha256"] in html
    with pytest.raises(Problem, match="--overwrite"):
        mend_report(rushes, tmp_path / "more", tmp_path / "r.html")
    assert not (tmp_path / "more").exists()


def test_a_report_that_cannot_be_written_does_not_undo_the_work(rushes, tmp_path, monkeypatch, capsys):
    from footroom.host_adapter.headless.report import hook

    def refuse(*_, **__):
        raise Problem("r.html", "the disk is full")

    monkeypatch.setattr(hook, "write_report", refuse)
    assert mend_report(rushes, tmp_path / "out", tmp_path / "r.html") == 3
    said = json.loads(capsys.readouterr().out)
    assert said["report"] == {"error": "r.html: the disk is full."}
    assert {each["state"] for each in said["results"]} == {"written"}


def test_a_stopped_mend_does_not_say_that_there_is_a_report(rushes, tmp_path, monkeypatch, capsys):
    """It said 'The report is r.html' where none had been written."""

    def stopped(work, *_, **__):
        return [Outcome(job.order, "stopped", "not begun") for job in work]

    monkeypatch.setattr(mend_command, "run_jobs", stopped)
    assert mend_report(rushes, tmp_path / "out", tmp_path / "r.html") == 130
    assert "stopped" in json.loads(capsys.readouterr().out)["report"]["error"]
    assert not (tmp_path / "r.html").exists()


def test_the_command_line_takes_it(rushes, tmp_path):
    command = [
        sys.executable,
        "-m",
        "footroom.host_adapter.headless",
        "survey",
        str(rushes / "kestrel.mov"),
        "--report",
    ]
    done = subprocess.run([*command, str(tmp_path / "r.html")], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    assert "The report is " in done.stdout
    done = subprocess.run([*command, str(tmp_path / "r.html")], capture_output=True, text=True, check=False)
    assert (done.returncode, "Traceback" in done.stderr) == (2, False)
    assert "r.html: a file of this name exists" in done.stderr


def test_stills_of_levels_and_of_rgb_get_reports(tmp_path, capsys):
    from media_files import make_stills

    make_stills(tmp_path / "a", "exr", "half")
    make_stills(tmp_path / "b", "dpx", 10)
    assert survey_report(tmp_path, tmp_path / "r.html") == 0
    html = (tmp_path / "r.html").read_text()
    assert html.count('class="part"') == 2
    assert "Histogram of R&#39;, G&#39; and B&#39;" in html
    assert "floating point" in html


def test_a_recording_that_vanishes_is_said(rushes, tmp_path, capsys):
    from footroom.host_adapter.headless.report.survey_page import survey_page
    from footroom.host_adapter.headless.survey import survey

    copy = tmp_path / "gone.mov"
    copy.write_bytes((rushes / "kestrel.mov").read_bytes())
    gallery = Gallery()
    record = survey(copy, frames=4)
    gallery(record)
    copy.unlink()
    html = "".join(render.chunks(survey_page([record.to_json()], [], gallery, frames=4)))
    assert "It could not be read again: there is no such file." in html


def test_the_hostile_name_is_hostile():
    assert all(mark in HOSTILE for mark in ("<img", '"', "'", "{{", "\u202e", "\n"))


def test_a_comparisons_page_says_its_relation_and_draws_its_line(tmp_path):
    found = compare_report(tmp_path, tmp_path / "c.html")
    html = (tmp_path / "c.html").read_text()
    assert f"B against A: {found.words}" in html
    number = len(found.frames)
    assert f"fitted to {number} pair{'s' * (number != 1)} of frames." in html
    luma = found.lines["y"]
    assert f"gain {luma.gain:.5f}, offset {luma.offset:+.5f}" in html
    path = re.search(r'class="fit" d="M(\d+) (\d+)L(\d+) (\d+)"', html)
    x0, y0, x1, y1 = (int(each) / 1000 for each in path.groups())
    assert (y0 - y1) / (x1 - x0) == pytest.approx(luma.gain, abs=0.005)
    assert html.count("Twin plot") >= 3


@pytest.mark.parametrize("codec", ["h264", None])
def test_a_trials_page_says_its_verdict_and_every_way(tmp_path, codec):
    found = trial_report(tmp_path / "t.html", codec)
    html = (tmp_path / "t.html").read_text()
    for why in found.verdict.why:
        assert str(render.Markup.escape(why)) in html
    for way in found.ways:
        assert f">{way.direct.index:.2f}</td>" in html
    assert html.count("image/png") == (12 if codec else 6)
    assert Dither.NONE.value in html
