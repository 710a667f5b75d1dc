"""A log curve's black tells the range: from colour-science's registry, nothing of it written down in the project."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.metadata import requires

import colour
import numpy as np
import pytest
from survey_pictures import FULL, NARROW, SIZE, evidence_of, slopes

from footroom.host_adapter.headless.curves import curve_black, find_key, keys
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.finding import judge
from footroom.kernels.encoding import Encoding, Model, Range

LEVELS = "ARRI LogC3"  # a curve that colour defines on levels
CODES = "S-Log3"  # a curve that colour defines on codes in narrow numbering


def capped(code: float, low: float = 300, high: float = 800) -> list[np.ndarray]:
    """Two frames with the lens capped, then pictures too bright to tell."""
    noise = np.random.default_rng(3).normal(0, 2, SIZE)
    return [np.rint(code + noise), np.rint(code - noise), *slopes(low, high)]


def test_a_curve_on_levels_has_its_black_where_each_range_codes_that_level():
    """colour-science's own value, coded by BT.2100-3 table 9 without rounding."""
    level = float(colour.log_encoding(0.0, function=LEVELS))
    black = curve_black(LEVELS, 10, Model.YCBCR)
    assert black is not None
    assert black.narrow == pytest.approx(64 + 876 * level)
    assert black.full == pytest.approx(1023 * level)
    assert not black.code_numbered


def test_a_curve_on_codes_has_its_own_code_in_narrow():
    """Its maker's 10-bit code of black is 95 (colour-science: the value times 1023), a level of (95 - 64) / 876."""
    black = curve_black(CODES, 10, Model.YCBCR)
    assert black is not None
    assert black.code_numbered
    assert black.narrow == pytest.approx(95, abs=0.01)
    assert black.full == pytest.approx(1023 * (95 - 64) / 876, abs=0.01)
    assert black.rescaled == pytest.approx(64 + 876 * 95 / 1023, abs=0.01)


def test_every_curve_of_the_registry_is_either_placed_or_said_to_tell_nothing():
    placed = {key: curve_black(key, 10, Model.YCBCR) for key in keys()}
    assert set(placed) == set(colour.LOG_ENCODINGS)
    for black in placed.values():
        assert black is None or 0 <= black.full < black.narrow < 512
    without = [key for key, black in placed.items() if black is None]
    assert "Log2" in without  # a plain logarithm has no code for zero light
    assert len(without) < len(placed) / 3


def test_names_are_found_whatever_their_case_and_hyphens():
    assert find_key("slog3") == "S-Log3"
    assert find_key("arri logc3") == "ARRI LogC3"
    with pytest.raises(Problem, match=r"Near it are.*S-Log3"):
        find_key("S-Log33")


@pytest.mark.parametrize("key", [LEVELS, "ACEScct", CODES])
def test_a_capped_lens_at_the_full_black_goes_against_a_narrow_flag(key):
    black = curve_black(key, 10, Model.YCBCR)
    assert black is not None
    frames = capped(round(black.full))
    assert judge(evidence_of(frames), NARROW, curve=key).finding is Range.FULL
    assert judge(evidence_of(frames), NARROW).finding is None  # without the curve nobody can tell


def test_a_capped_lens_at_the_narrow_black_goes_against_a_full_flag():
    black = curve_black(LEVELS, 10, Model.YCBCR)
    assert black is not None
    assert judge(evidence_of(capped(round(black.narrow))), FULL, curve=LEVELS).finding is Range.NARROW


def test_a_makers_own_code_is_called_wrong_under_neither_flag():
    """Some makers flag it full, some narrow (common practice); only going along with narrow is offered."""
    frames = capped(95)
    assert judge(evidence_of(frames), FULL, curve=CODES).finding is None
    assert judge(evidence_of(frames), NARROW, curve=CODES).finding is Range.NARROW


def test_a_makers_own_code_scaled_to_narrow_is_narrow():
    assert judge(evidence_of(capped(145)), NARROW, curve=CODES).finding is Range.NARROW


def test_a_floor_between_the_two_blacks_is_full():
    """Full log: its shadows lie under the curve's black in narrow (145), where a narrow recording has nothing."""
    found = judge(evidence_of(slopes(96, 800)), NARROW, curve=LEVELS)
    assert found.finding is Range.FULL
    assert "ARRI LogC3" in found.why[0]


def test_a_floor_on_the_narrow_black_is_narrow_but_no_ground_to_call_full_wrong():
    """Haze in a full recording lifts its floor to any code, that one too."""
    frames = [np.maximum(frame, 145) for frame in slopes(60, 800)]
    assert judge(evidence_of(frames), NARROW, curve=LEVELS).finding is Range.NARROW
    assert judge(evidence_of(frames), FULL, curve=LEVELS).finding is None


def test_a_bright_scene_tells_nothing():
    found = judge(evidence_of(slopes(300, 800)), NARROW, curve=LEVELS)
    assert found.finding is None
    assert any("dark enough" in why for why in found.why)
    assert found.settle is not None
    assert "145" in found.settle


def test_a_floor_under_the_black_of_either_range_questions_the_curve():
    found = judge(evidence_of(slopes(60, 800)), NARROW, curve=LEVELS)
    assert any("is it that curve?" in why for why in found.why)
    assert found.finding is None


def test_a_curve_without_a_black_says_so():
    found = judge(evidence_of(slopes(300, 800)), NARROW, curve="Log2")
    assert any("Log2 has no black" in why for why in found.why)


def test_the_curves_black_follows_the_depth():
    """Codes at n bits scale with k = 2^(n-8) in narrow (BT.2100-3 table 9)."""
    eight, ten = (curve_black(LEVELS, depth, Model.YCBCR) for depth in (8, 10))
    assert eight is not None
    assert ten is not None
    assert ten.narrow == pytest.approx(4 * eight.narrow)
    assert Encoding(8, Range.NARROW).black() < eight.narrow


ABSENT = sorted(
    {"scipy", "matplotlib"}
    - {re.split("[^A-Za-z0-9_-]", each)[0] for each in requires("colour-science") if "extra ==" not in each}
)
"""What a fresh install may lack: older colour-science requires scipy itself."""
WITHOUT_SCIPY = f"""\
ABSENT = {ABSENT!r}
"""
WITHOUT_SCIPY += """
import sys
class Missing:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in ABSENT:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
sys.meta_path.insert(0, Missing())
"""


@pytest.mark.parametrize(
    ("code", "silent"),
    [
        ("import colour", False),
        ("from footroom.host_adapter.headless.survey_command import list_curves; list_curves()", True),
        (
            "import numpy as np\nfrom footroom.host_adapter.headless.demo.scene import log_signal\n"
            f"log_signal(np.ones((1, 1, 3)), {LEVELS!r})",
            True,
        ),
        (f"from footroom.host_adapter.headless.curves import encode; encode({LEVELS!r}, 0.18, 10)", True),
        # colour-science puts a stand-in for scipy among the modules, which numba takes for the real one and fails on.
        ("from footroom.host_adapter.headless.curves import keys; keys()\nfrom footroom.kernels import rescale", True),
    ],
    ids=[
        "the library itself",
        "curves listed",
        "the demo's scenes",
        "a curve asked for",
        "a curve asked for before a kernel",
    ],
)
def test_a_fresh_install_says_nothing_of_packages_that_it_does_not_need(code, silent):
    """colour-science warns on import where scipy or matplotlib is missing; a person of ours has no use for that."""
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_SCIPY + code], capture_output=True, text=True, check=True, timeout=120
    )
    assert (done.stderr == "") == silent, done.stderr
