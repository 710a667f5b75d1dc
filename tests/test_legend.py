"""What a legend says, against the standards' levels, and that what it draws can be read."""

import math

import numpy as np
import pytest

from footroom.host_adapter.legend import legend_of
from footroom.host_adapter.legend_drawing import draw_legend, least_height, legend_width
from footroom.host_adapter.transfer import transfer_of
from footroom.host_adapter.zones import encoded, read_zones
from footroom.kernels import Encoding, Range
from footroom.kernels.overlay import premultiplied

ZONES = read_zones(None)


def made(display, encoding, curve=None):
    transfer = transfer_of(curve, display)
    top = (encoding.maximum - encoding.zero(encoding.channels()[0])) / encoding.span(encoding.channels()[0])
    return legend_of(ZONES, transfer, encoding, clip=top, black=transfer.black)


def test_marks_are_where_bt2408_table_1_puts_them():
    """10-bit narrow: HLG 38 % and 75 % (721), PQ 38 % and 58 % (573)."""
    hlg = [mark.text for mark in made("hlg", Encoding(10, Range.NARROW)).marks]
    pq = [mark.text for mark in made("pq", Encoding(10, Range.NARROW)).marks]
    assert hlg[0].startswith("18 % grey: 38 %") and "diffuse white: 75 %, 721" in hlg
    assert pq == ["18 % grey: 38 %, 397", "diffuse white: 58 %, 573"]


@pytest.mark.parametrize("range_", Range)
@pytest.mark.parametrize("depth", [8, 10, 12])
def test_borders_are_the_curve_s_codes(range_, depth):
    """Each border in codes, through colour-science's encoding of that light; grey ends half a stop either side."""
    import colour

    encoding = Encoding(depth, range_)
    rows = {row.name: row for row in made(None, encoding, "ARRI LogC3").rows}
    light = 0.18 * 2.0 ** np.array([-0.5, 0.5])
    level = colour.models.log_encoding(light, "ARRI LogC3")
    k, top = 1 << depth - 8, (1 << depth) - 1
    codes = level * 219 * k + 16 * k if range_ is Range.NARROW else level * top
    assert [rows[name].border.code for name in ("grey", "above grey")] == [str(math.ceil(code)) for code in codes]
    assert [rows[name].border.stops for name in ("grey", "above grey")] == ["\N{MINUS SIGN}0.5", "+0.5"]
    assert rows["clipped"].border.code == str(top)


def test_rows_go_from_clipped_to_no_light_and_leave_out_what_cannot_be():
    finished = made("bt1886", Encoding(8, Range.FULL))
    names = [row.name for row in finished.rows]
    assert names[0] == "clipped" and names[-1] == "no light" and "near the top" not in names and "grey" in names
    assert [zone.name for zone in reversed(ZONES.zones) if zone.name in names] == names[1:-1]
    wide = [row.name for row in made(None, Encoding(10, Range.FULL), "ARRI LogC4").rows]
    assert "near the top" in wide


@pytest.mark.parametrize("height", [480, 1080])
def test_every_zone_s_colour_and_both_patterns_are_in_the_drawing(height):
    legend = made(None, Encoding(10, Range.FULL), "V-Log")
    shown = premultiplied(draw_legend(legend, height))
    assert shown.shape[0] == height and np.all(shown[..., 3] == pytest.approx(1))
    for row in legend.rows:
        for colour in row.colours:
            level = encoded(np.asarray(colour)).astype(np.float32)
            share = (np.abs(shown[..., :3] - level).max(axis=-1) < 2e-3).mean()
            assert share > 0.001, row.name


def test_a_legend_in_a_picture_leaves_the_rest_alone():
    legend = made(None, Encoding(10, Range.FULL), "V-Log")
    wide = legend_width(legend, 600)
    alpha = premultiplied(draw_legend(legend, 600, picture=(1920, 1080), at=(40, 300), opacity=0.8))[..., 3]
    inside = np.zeros((1080, 1920), bool)
    inside[300:900, 40 : 40 + wide] = True
    assert alpha.shape == inside.shape and not alpha[~inside].any() and alpha[inside].min() == pytest.approx(0.8)


def test_too_low_for_letters_is_refused_with_the_least_height():
    legend = made(None, Encoding(10, Range.FULL), "V-Log")
    least = least_height(legend)
    with pytest.raises(ValueError, match=f"needs {least} lines"):
        draw_legend(legend, least - 1)
    assert draw_legend(legend, least).height == least
