"""Light and level: the curves of colour-science's registry, and the standards' levels of grey and white."""

import inspect
import math

import numpy as np
import pytest

from footroom.host_adapter.headless.curves import keys
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.transfer import CARD, GREY, Transfer, transfer_of
from footroom.kernels.encoding import Channel, Encoding, Range

WITH_BLACK = [key for key in keys() if math.isfinite(float(transfer_of(key, None).level(0.0)))]


@pytest.mark.parametrize("key", keys())
def test_every_curve_of_the_registry_comes_back_over_its_domain(key):
    transfer = transfer_of(key, None)
    light = GREY * 2.0 ** np.linspace(-4, 4, 300)
    level = transfer.level(light)
    if key == "ACESproxy":  # its codes are whole numbers, S-2013-001
        assert np.abs(transfer.stops(level) - np.log2(light / GREY)).max() <= 0.5 / 50 + 1e-9
        return
    inside = (level > 0) & (level <= 1)
    assert inside.sum() > 150 and np.all(np.diff(level) > 0)
    assert np.allclose(transfer.stops(level)[inside], np.log2(light / GREY)[inside], atol=2e-4)


def test_levels_are_asked_of_the_registry_in_its_own_numbering():
    """S-Log3: 18 % grey is 10-bit code 420 and black 95, by the registry, which numbers that curve on codes (check-values F)."""
    import colour

    numbered = [
        key for key in keys() if "out_normalised_code_value" in inspect.signature(colour.LOG_ENCODINGS[key]).parameters
    ]
    assert len(numbered) > 5
    narrow = Encoding(10, Range.NARROW)
    for key in numbered:
        code = float(colour.models.log_encoding(GREY, key, bit_depth=10, out_normalised_code_value=True)) * 1023
        level = float(transfer_of(key, None).level(GREY, 10))
        assert narrow.black(Channel.LUMA) + level * narrow.span(Channel.LUMA) == pytest.approx(code, abs=1e-9)


def test_hlg_and_pq_put_grey_and_white_where_bt2408_table_1_does():
    """18 % grey 38 % in both; diffuse white 75 % of HLG, 58 % of PQ; PQ of 203 cd/m2 is 573 in 10-bit narrow codes."""
    hlg, pq = transfer_of(None, "hlg").marks(), transfer_of(None, "pq").marks()
    assert round(hlg["18 % grey"] * 100) == 38 and round(pq["18 % grey"] * 100) == 38
    assert hlg["diffuse white"] == 0.75 and pq["diffuse white"] == pytest.approx(0.580689, abs=1e-6)
    assert round(64 + 876 * pq["diffuse white"]) == 573 and round(64 + 876 * hlg["diffuse white"]) == 721
    assert float(transfer_of(None, "pq").stops(pq["18 % grey"])) == pytest.approx(0, abs=1e-9)
    assert float(transfer_of(None, "hlg").light(0.75)) == pytest.approx(1)


def test_bt1886_is_a_power_of_2_4_with_a_black_of_zero():
    """BT.1886 annex 1 with L_B = 0."""
    display = transfer_of(None, "bt1886")
    assert float(display.light(0.5)) == pytest.approx(0.5**2.4)
    assert float(display.level(CARD)) == pytest.approx(CARD ** (1 / 2.4))
    assert display.black == 0 and float(display.light(-0.1)) < 0


@pytest.mark.parametrize("transfer", [transfer_of(key, None) for key in WITH_BLACK], ids=WITH_BLACK)
def test_no_light_has_no_stops(transfer):
    assert transfer.black is not None and transfer.black < transfer.marks()["18 % grey"]
    assert float(transfer.stops(transfer.black - 0.01)) == -math.inf or transfer.stops(transfer.black - 0.01) < -5


def test_a_curve_without_black_says_so():
    assert [key for key in keys() if key not in WITH_BLACK] and Transfer("Log2", "Log2", True).black is None


@pytest.mark.parametrize(
    ("curve", "display", "says"),
    [
        (None, None, "neither a curve nor a display"),
        ("V-Log", "pq", "both named"),
        ("vlogg", None, "V-Log"),
        (None, "sdr", "no display is called 'sdr'"),
    ],
)
def test_what_is_wrong_is_said_with_what_is_near(curve, display, says):
    with pytest.raises(Problem) as raised:
        transfer_of(curve, display)
    assert says in str(raised.value)
