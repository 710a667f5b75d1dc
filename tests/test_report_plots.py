"""Plots, pictures and colours of the reports: what is drawn lies where the standards put it, and can be seen."""

from __future__ import annotations

import re

import numpy as np
import pytest
from report_pages import log_over_full

from footroom.host_adapter.headless.report import charts, palette, render
from footroom.host_adapter.headless.report.comb_chart import comb_chart, comb_frequency
from footroom.host_adapter.headless.report.pictures import frame_picture, trace_picture
from footroom.kernels import Channel, Encoding, Range, rescale
from footroom.kernels.history import history

NARROW = Encoding(10, Range.NARROW)


@pytest.mark.parametrize("looks", ["light", "dark"])
@pytest.mark.parametrize(("front", "ground", "least"), palette.PAIRS)
def test_contrast_is_enough(looks, front, ground, least):
    """WCAG 2.1 level AA: 1.4.3 text 4.5:1, 1.4.11 graphics 3:1."""
    at = ["light", "dark"].index(looks)
    assert palette.contrast(palette.COLOURS[front][at], palette.COLOURS[ground][at]) >= least


def test_contrast_is_wcags():
    """Black on white is 21:1 by the definition; #777 on white is 4.48:1, the well-known near miss of 4.5 (from memory)."""
    assert palette.contrast("#000000", "#ffffff") == pytest.approx(21)
    assert palette.contrast("#ffffff", "#777777") == pytest.approx(4.48, abs=0.005)


def test_every_colour_of_the_style_is_in_the_palette_and_checked():
    used = set(re.findall(r"var\(--(\w+)", render._text("style.css"))) - {"at"}
    assert used <= set(palette.COLOURS)
    checked = {name for front, ground, _ in palette.PAIRS for name in (front, ground)}
    assert used - checked == {"rule"}  # lines that only divide
    assert not re.search(r"#[0-9a-f]{3,8}\b", render._text("style.css").replace("#fff", "").replace("#000", ""))


@pytest.mark.parametrize(
    ("depth", "channel", "low", "high"),
    # BT.709-6 item 4.6, BT.2020-2 table 5: narrow luma 16-235, 64-940, 256-3760; chroma 16-240, 64-960, 256-3840
    [
        (8, Channel.LUMA, 16, 235),
        (10, Channel.LUMA, 64, 940),
        (12, Channel.LUMA, 256, 3760),
        (10, Channel.CHROMA, 64, 960),
    ],
)
def test_limits_lie_on_the_standards_codes(depth, channel, low, high):
    marks = charts.limit_marks(depth, channel)
    assert [mark.label.rsplit(" ", 1)[1] for mark in marks] == [str(low), str(high)]
    assert [mark.at * (1 << depth) - 0.5 for mark in marks] == [low, high]


def test_reserved_codes_are_the_standards():
    """BT.709-6 item 4.7: 10 bit 0-3 and 1020-1023."""
    zones = charts.reserved_zones(10)
    assert [(zone.start * 1024, zone.stop * 1024) for zone in zones] == [(0, 4), (1020, 1024)]


def test_a_histogram_draws_its_counts():
    counts = np.zeros(1024, np.int64)
    counts[[70, 500]] = [1, 999_999]
    chart = charts.histogram(counts, NARROW, Channel.LUMA, title="Histogram", where="one frame")
    # 500 holds nearly all, so reaches the top; one pixel in a million lies at the foot of six decades, yet is drawn
    assert chart.lines[0].path == "M0 1000H0V1000H70V996H71V1000H500V0H501V1000H1024V1000Z"
    assert "codes 70 to 500; none of the samples under code 64" in chart.alt
    assert [mark.label for mark in chart.up][:2] == ["100 %", "10 %"]


def test_deep_codes_share_steps():
    chart = charts.histogram(np.ones(4096, np.int64), Encoding(12, Range.FULL), Channel.LUMA, title="", where="")
    assert chart.view[0] == 1024
    assert "4 codes to a step" in chart.caption
    assert chart.lines[0].path == "M0 1000H0V10H1024V1000Z"  # flat


def test_a_waveforms_words_are_its_codes():
    chart = charts.waveform(log_over_full(0), NARROW, title="Waveform", where="frame 0")
    luma = log_over_full(0)[0]
    assert f"{100 * np.mean(luma < 64):.2g} % of the samples under narrow black (64)" in chart.alt
    assert f"{100 * np.mean(luma > 940):.2g} % over narrow white (940)" in chart.alt
    assert chart.trace.width == 192


def test_a_trace_has_low_codes_at_its_foot():
    from base64 import b64decode
    from io import BytesIO

    from PIL import Image

    counts = np.zeros((3, 4), int)
    counts[1, 0] = 5
    alpha = np.asarray(Image.open(BytesIO(b64decode(trace_picture(counts).uri.split(",")[1]))))[..., 1]
    assert np.argwhere(alpha).tolist() == [[3, 1]]
    assert alpha[3, 1] == 255


def test_pictures_are_bounded_and_never_enlarged():
    assert (
        frame_picture(np.zeros((30, 40, 3), np.uint8), "").width,
        frame_picture(np.zeros((2160, 3840, 3), np.uint8), "").width,
    ) == (40, 960)


@pytest.mark.parametrize(
    ("depth", "to_full", "to_narrow"),
    # fractions of the inverse gains: 1023/876 and 876/1023 at 10 bit, from the exact maps of BT.709-6 item 4.6 and H.273 8.3
    [(8, 0.141176, 0.164384), (10, 0.143695, 0.167808), (12, 0.144322, 0.168664)],
)
def test_the_frequencies_drawn_are_those_of_the_maps(depth, to_full, to_narrow):
    assert comb_frequency(depth, Range.NARROW, Range.FULL) == pytest.approx(to_full, abs=5e-7)
    assert comb_frequency(depth, Range.FULL, Range.NARROW) == pytest.approx(to_narrow, abs=5e-7)


def test_a_comb_stands_where_its_mark_is():
    """A smooth picture scaled to narrow: the highest place of the line is at the mark's."""
    rng = np.random.default_rng(5)
    smooth = np.clip(rng.normal(500, 140, (1080, 1920)).round(), 0, 1023).astype(np.uint16)
    scaled = rescale(smooth, Encoding(10, Range.FULL), Encoding(10, Range.NARROW), channel=Channel.LUMA)
    chart = comb_chart(history({Channel.LUMA: np.bincount(scaled.ravel(), minlength=1024)}, 10))
    x, _ = min(
        ((int(x), int(y)) for x, y in re.findall(r"[ML](\d+) (\d+)", chart.lines[0].path)), key=lambda place: place[1]
    )
    mark = next(mark for mark in chart.across if mark.label.startswith("to narrow"))
    assert x / charts.WIDTH == pytest.approx(mark.at, abs=0.002)


def test_a_curve_leaves_out_what_is_no_number():
    chart = charts.curve(
        [("", [0, 1, 2, 3], [0, float("nan"), 9, 1])], title="", caption="", alt="", across=(0, 4), up=(0, 2)
    )
    assert chart.lines[0].path == "M0 1000L1000 0L1500 500"
