"""The zones file and the default palette: order, distance and colour vision, judged by colour-science."""

import numpy as np
import pytest

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.zones import encoded, linear, luminance, read_zones

OWN = read_zones(None)
DEFICIENCIES = [
    None,
    *((kind, severity) for kind in ("Protanomaly", "Deuteranomaly", "Tritanomaly") for severity in (0.5, 1.0)),
]


def seen(colours, deficiency):
    """CIE Lab of linear sRGB colours as someone sees them. Machado, Oliveira, Fernandes 2009, by colour-science."""
    import colour

    light = np.asarray(colours)
    if deficiency is not None:
        light = np.clip(light @ colour.matrix_cvd_Machado2009(*deficiency).T, 0, 1)
    space = colour.RGB_COLOURSPACES["sRGB"]
    return colour.XYZ_to_Lab(colour.RGB_to_XYZ(light, space, apply_cctf_decoding=False), space.whitepoint)


@pytest.mark.parametrize("deficiency", DEFICIENCIES, ids=str)
def test_lightness_rises_for_every_colour_vision_and_neighbours_differ(deficiency):
    """Delta E of CIE 2000 by colour-science; 5 between neighbours is well seen side by side (common practice)."""
    import colour

    lab = seen([zone.colour for zone in OWN.zones], deficiency)
    assert np.all(np.diff(lab[:, 0]) > 3)
    assert colour.delta_E(lab[1:], lab[:-1], method="CIE 2000").min() > 5


@pytest.mark.parametrize("deficiency", DEFICIENCIES, ids=str)
def test_no_two_zones_are_alike_for_any_colour_vision(deficiency):
    import colour

    lab = seen([zone.colour for zone in OWN.zones], deficiency)
    for number in range(len(lab)):
        others = np.delete(lab, number, 0)
        assert colour.delta_E(np.broadcast_to(lab[number], others.shape), others, method="CIE 2000").min() > 5


def test_grey_is_grey_and_holds_18_per_cent():
    grey = next(zone for zone in OWN.zones if zone.start is not None and zone.start < 0 < zone.end)
    assert grey.name == "grey" and len(set(grey.colour)) == 1
    assert OWN.edges == tuple(sorted(OWN.edges)) and len(OWN.edges) == len(OWN.zones) - 1


def test_srgb_there_and_back_is_colour_sciences():
    import colour

    level = np.linspace(0, 1, 500)
    assert np.abs(linear(level) - colour.models.eotf_sRGB(level)).max() < 1e-12
    assert np.abs(encoded(linear(level)) - level).max() < 1e-4
    assert luminance((1, 1, 1)) == pytest.approx(1)


TWO = '[[zone]]\nname="a"\ncolour="#101010"\n[[zone]]\nname="b"\nfrom=0\ncolour="#808080"\n'
PAIRS = 'clip=["#ffffff","#000000"]\nblack=["#606060","#000000"]\n'
BAD = {
    "not toml": ("clip = [", "no TOML"),
    "no zones": (PAIRS, "fewer than two"),
    "one zone": (PAIRS + '[[zone]]\nname="a"\ncolour="#101010"\n', "fewer than two"),
    "a strange key": (PAIRS + 'look="nice"\n' + TWO, "'look'"),
    "a strange key in a zone": (PAIRS + TWO + "ire=4\n", "'ire'"),
    "no name": (PAIRS + TWO.replace('name="a"\n', ""), "zone 1 has no name"),
    "a long name": (PAIRS + TWO.replace('"a"', '"' + "a" * 25 + '"'), "zone 1 has no name"),
    "the first begins": (PAIRS + TWO.replace('"a"\n', '"a"\nfrom=-3\n'), "zone 1 begins"),
    "the second does not": (PAIRS + TWO.replace("from=0\n", ""), "does not say where"),
    "a start that is no number": (PAIRS + TWO.replace("from=0", 'from="0"'), "begins at '0'"),
    "a start that is NaN": (PAIRS + TWO.replace("from=0", "from=nan"), "begins at nan"),
    "out of order": (PAIRS + TWO + '[[zone]]\nname="c"\nfrom=-1\ncolour="#909090"\n', "begins at -1"),
    "a colour by name": (PAIRS + TWO.replace("#808080", "grey"), "colour of zone 2"),
    "lightness that falls": (PAIRS + TWO.replace("#808080", "#080808"), "not lighter"),
    "no clip": (PAIRS.replace("clip", "clop") + TWO, "'clop'"),
    "a pattern that cannot be seen": (PAIRS.replace("#606060", "#030303") + TWO, "nearly alike"),
    "one colour": (PAIRS.replace('["#606060","#000000"]', '"#606060"') + TWO, "black is not two"),
}


@pytest.mark.parametrize(("text", "says"), BAD.values(), ids=BAD)
def test_what_is_wrong_in_a_file_is_said(tmp_path, text, says):
    path = tmp_path / "house.toml"
    path.write_text(text)
    with pytest.raises(Problem) as raised:
        read_zones(path)
    assert says in str(raised.value) and "house.toml" in str(raised.value)


def test_a_file_of_two_zones_is_enough(tmp_path):
    path = tmp_path / "house.toml"
    path.write_text(PAIRS + TWO)
    assert read_zones(path).edges == (0.0,)
    with pytest.raises(Problem, match="no such zones file"):
        read_zones(tmp_path / "gone.toml")
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(Problem, match="cannot be read as text"):
        read_zones(path)
