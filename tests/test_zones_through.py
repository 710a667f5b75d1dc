"""Zones that show the picture: it is left as it is, or shown as a view for a display, and nothing else moves."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from footroom.host_adapter.effects.exposure_effect import EFFECT, look_for
from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.tables.files import read_table
from footroom.host_adapter.headless.tables.making import view_table, zones_table
from footroom.host_adapter.legend import legend_of
from footroom.host_adapter.legend_drawing import draw_legend, least_height
from footroom.host_adapter.zones import read_zones
from footroom.kernels import Encoding, Model, Range
from footroom.kernels.exposure import shade, stops_of

ZONES = """
clip = ["#ffffff", "#2b2b2b"]
black = ["#5a5a5a", "#000000"]
[[zone]]
name = "deep shadow"
colour = "#1d2c68"
[[zone]]
name = "the picture"
from = -4.5
colour = "picture"
[[zone]]
name = "near the top"
from = 5.0
colour = "#f7ecd0"
"""


@pytest.fixture
def zones(tmp_path) -> Path:
    path = tmp_path / "through.toml"
    path.write_text(ZONES)
    return path


def values(zones: Path, **changes):
    return EFFECT.values({"curve": "V-Log", "zones": str(zones), **changes})


def test_the_picture_is_left_bit_for_bit_where_a_zone_shows_it(zones):
    look = look_for(values(zones), Encoding(10, Range.FULL, Model.RGB))
    rng = np.random.default_rng(5)
    levels = rng.random((40, 60, 4)).astype(np.float32)
    stops = stops_of(levels, look.meter)
    drawn = levels.copy()
    shade(stops, look.shades, look.edges, drawn, period=8)
    through = (stops >= -4.5) & (stops < 5.0)
    assert 0.2 < through.mean() < 1
    assert np.array_equal(drawn[through], levels[through])
    assert not (drawn[~through, :3] == levels[~through, :3]).all(axis=1).any()


@pytest.mark.parametrize("over", ["bt1886", "hlg", "pq"])
def test_over_a_view_the_table_is_the_view_where_the_picture_shows(zones, over):
    table = zones_table(values(zones), source=Range.FULL, target=Range.NARROW, depth=10, size=None, over=over)
    view = view_table("V-Log", over, source=Range.FULL, target=Range.NARROW, depth=10, size=None, cubic=False)
    grey = np.repeat(np.linspace(0.30, 0.60, 31)[:, None], 3, axis=1)
    assert np.abs(table.exact(grey) - view.exact(grey)).max() < 1e-6
    light, dark = np.full((1, 3), 0.95), np.full((1, 3), 0.12)
    for signal in (light, dark):
        assert np.abs(table.exact(signal) - view.exact(signal)).max() > 0.02


def test_without_a_view_the_signal_itself_comes_out(zones):
    table = zones_table(values(zones), source=Range.NARROW, target=Range.NARROW, depth=10, size=None)
    grey = np.repeat(np.linspace(0.35, 0.55, 21)[:, None], 3, axis=1)
    assert np.abs(table.exact(grey) - grey).max() < 1e-6


def test_the_written_table_shows_the_view_between_its_zones(zones, tmp_path):
    """Read back by OpenColorIO; away from the borders, where a table is as sharp as one step."""
    out = tmp_path / "zones.cube"
    words = ["table", "zones", "--curve", "V-Log", "--zones", zones, "--over", "bt1886", "--from", "full", "--out", out]
    done = CliRunner().invoke(footroom, list(map(str, words)))
    assert done.exit_code == 0 and "show it for BT.1886" in " ".join(done.output.split()), done.output
    view = view_table("V-Log", "bt1886", source=Range.FULL, target=Range.FULL, depth=10, size=None, cubic=False)
    grey = np.repeat(np.linspace(0.30, 0.60, 31)[:, None], 3, axis=1)
    _, read = read_table(out)
    assert np.abs(read(grey) - view.exact(grey)).max() < 0.02


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--curve", "V-Log", "--over", "bt1886"], "every zone has a colour of its own"),
        (["--display", "hlg", "--over", "bt1886", "--zones", "ZONES"], "no curve is named"),
    ],
)
def test_a_view_that_nothing_would_show_is_refused(zones, tmp_path, words, says):
    words = [str(zones) if word == "ZONES" else word for word in words]
    out = str(tmp_path / "x.cube")
    done = CliRunner().invoke(footroom, ["table", "zones", *words, "--from", "full", "--out", out])
    assert isinstance(done.exception, Problem) and says in str(done.exception)


def test_lightness_must_rise_past_a_zone_that_shows_the_picture(tmp_path):
    path = tmp_path / "wrong.toml"
    path.write_text(ZONES.replace("#f7ecd0", "#101010"))
    with pytest.raises(Problem, match="zone 3 is not lighter than zone 1"):
        read_zones(path)


def test_the_legend_names_it_and_gives_its_borders(zones):
    look = look_for(values(zones), Encoding(10, Range.FULL, Model.RGB))
    legend = legend_of(look.zones, look.transfer, look.encoding, clip=look.clip, black=look.black)
    row = next(row for row in legend.rows if row.name == "the picture")
    assert row.pattern == "picture" and row.border.stops == "\N{MINUS SIGN}4.5"
    plain = replace(legend, rows=tuple(replace(each, pattern="") for each in legend.rows if each is row))
    marked = replace(legend, rows=(row,))
    drawn = [
        len(draw_legend(each, 2 * least_height(each)).layers)
        for each in (replace(plain, marks=()), replace(marked, marks=()))
    ]
    assert drawn[1] > drawn[0]  # bars, and a ground for the letters over them
