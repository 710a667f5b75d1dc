"""Tables as files: what OpenColorIO and colour-science read in them, against exact arithmetic and against each other."""

import json
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
from click.testing import CliRunner
from reference import unrounded

from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.tables.files import read_table
from footroom.host_adapter.headless.tables.table import ranges_noted


def run(*words):
    return CliRunner().invoke(footroom, ["table", *map(str, words)])


def made(*words):
    done = run(*words, "--json")
    assert done.exit_code == 0, (done.output, done.exception)
    return json.loads(done.output)


def through(path, signals):
    """What another reader than ours gives: OpenColorIO asked here, not through the code under test."""
    import PyOpenColorIO as Ocio

    cpu = Ocio.Config.CreateRaw().getProcessor(Ocio.FileTransform(str(path))).getDefaultCPUProcessor()
    picture = np.ascontiguousarray(signals, np.float32).copy()
    cpu.applyRGB(picture)
    return picture.astype(float)


def greys(depth):
    top = (1 << depth) - 1
    return np.repeat(np.arange(top + 1)[:, None] / top, 3, axis=1)


@pytest.mark.parametrize("suffix", ["cube", "clf"])
@pytest.mark.parametrize("shape", [(), ("--cube",), ("--cube", "--size", 2), ("--size", 33)])
@pytest.mark.parametrize("depth", [8, 10, 12])
def test_a_range_table_gives_the_standards_codes(tmp_path, suffix, shape, depth):
    """BT.2100-3 table 9 in rationals (tests/reference.py); every code."""
    top = (1 << depth) - 1
    for source, target in (("full", "narrow"), ("narrow", "full")):
        path = tmp_path / f"{source}.{suffix}"
        receipt = made("range", "--from", source, "--to", target, "--depth", depth, "--out", path, *shape)
        codes = through(path, greys(depth))[:, 1] * top
        wanted = np.array(
            [
                float(unrounded(code, (depth, source == "full"), (depth, target == "full"), False))
                for code in range(top + 1)
            ]
        )
        off = np.abs(codes - wanted)
        assert off.max() < 0.01 and receipt["verified"]["codes"] < 0.01
        if source == "narrow":
            assert codes.min() < -0.06 * top and codes.max() > 1.09 * top  # excursions are kept


def test_what_is_inside_says_what_it_is_for(tmp_path):
    path = tmp_path / "monitor.cube"
    made("range", "--from", "full", "--to", "narrow", "--out", path)
    text = path.read_text()
    assert 'TITLE "Range, full to narrow"' in text
    assert "In: full (black 0, white 1023 of 10 bit)" in text and "Out: narrow (black 64, white 940" in text
    assert "used twice" in text and ranges_noted(text) == ranges_noted(
        "footroom-table: range in=full out=narrow depth=10"
    )
    clf = tmp_path / "monitor.clf"
    made("range", "--from", "full", "--to", "narrow", "--out", clf)
    assert "<InputDescriptor>full (black 0" in clf.read_text() and ranges_noted(clf.read_text()) == ranges_noted(text)


def test_colour_science_reads_the_same_cube(tmp_path):
    """A second independent reader."""
    import colour

    path = tmp_path / "view.cube"
    made("view", "--curve", "v-log", "--from", "full", "--cube", "--size", 17, "--out", path)
    table = colour.read_LUT(str(path))
    signals = np.random.default_rng(3).random((2000, 3))
    assert (
        np.abs(
            table.apply(signals, interpolator=colour.algebra.table_interpolation_trilinear) - through(path, signals)
        ).max()
        < 2e-5
    )


@pytest.mark.parametrize(("display", "grey"), [("bt1886", 0.409), ("hlg", 0.38), ("pq", 0.38)])
@pytest.mark.parametrize("curve", ["V-Log", "S-Log3", "ARRI LogC3", "Log3G10"])
def test_a_view_puts_grey_where_the_standard_does(tmp_path, curve, display, grey):
    """18 % grey: .409 of BT.709-6's camera curve (item 1.2); 38 % of HLG and PQ, BT.2408-7 table 1."""
    import colour

    code = colour.models.log_encoding(0.18, curve)
    path = tmp_path / "view.clf"
    if curve in ("V-Log", "S-Log3"):  # numbered on codes: the registry gives what a narrow recording holds
        made("view", "--curve", curve, "--display", display, "--from", "narrow", "--to", "full", "--out", path)
    else:
        made("view", "--curve", curve, "--display", display, "--from", "full", "--out", path)
    got = through(path, np.array([[code] * 3]))[0, 0]
    assert got == pytest.approx(grey, abs=0.005)


def test_a_view_shows_highlights_up_to_the_top_code_and_cuts_them_when_asked(tmp_path):
    rolled, cut = tmp_path / "rolled.cube", tmp_path / "cut.cube"
    made("view", "--curve", "v-log", "--from", "full", "--out", rolled)
    made("view", "--curve", "v-log", "--from", "full", "--clip", "--out", cut)
    ramp = greys(10)
    soft, hard = through(rolled, ramp)[:, 0], through(cut, ramp)[:, 0]
    assert np.all(np.diff(soft[200:]) > 0) and soft[-1] == pytest.approx(1, abs=1e-4)
    assert (hard == 1).sum() > 200 and np.abs(soft - hard)[:430].max() < 1e-4


def original(tmp_path, size=17, domain="", dimensions=3, seed=2):
    """Somebody's table: crosstalk, a bend, and nothing that a formula would give back."""
    path = tmp_path / "theirs.cube"
    points = np.linspace(0, 1, size)
    noise = np.random.default_rng(seed).normal(0, 0.01, (size**dimensions, 3))
    grid = (
        np.stack(np.meshgrid(*[points] * 3, indexing="ij"), -1).reshape(-1, 3)[:, ::-1]
        if dimensions == 3
        else points[:, None].repeat(3, 1)
    )
    values = np.clip(grid**0.6 * 0.9 + 0.05 * grid[:, ::-1] + noise, 0, 1)
    rows = "\n".join(" ".join(f"{value:.8f}" for value in row) for row in values)
    path.write_text(f'TITLE "theirs"\nLUT_{dimensions}D_SIZE {size}\n{domain}{rows}\n')
    return path


@pytest.mark.parametrize("suffix", ["cube", "clf"])
@pytest.mark.parametrize("dimensions", [1, 3])
@pytest.mark.parametrize("wanted", ["narrow:narrow", "narrow:full", "full:narrow"])
def test_an_adapted_table_is_the_original_between_two_range_changes(tmp_path, suffix, dimensions, wanted):
    """Within half a 10-bit code everywhere: at points, between them, on every grey; range arithmetic in rationals."""
    theirs, ours = original(tmp_path, dimensions=dimensions), tmp_path / f"ours.{suffix}"
    made("adapt", "--in", theirs, "--adapt", wanted, "--out", ours)
    before, after = wanted.split(":")
    line = Fraction(876, 1023), Fraction(64, 1023)
    signals = np.vstack([np.random.default_rng(1).random((20000, 3)), greys(10)])
    held = (signals - float(line[1])) / float(line[0]) if before == "narrow" else signals
    shown = through(theirs, held)
    exact = shown * float(line[0]) + float(line[1]) if after == "narrow" else shown
    off = np.abs(through(ours, signals) - exact).max() * 1023
    assert off < 0.01


def test_adapting_there_and_back_is_the_original(tmp_path):
    theirs = original(tmp_path)
    narrow, back = tmp_path / "narrow.cube", tmp_path / "back.cube"
    made("adapt", "--in", theirs, "--adapt", "narrow:narrow", "--out", narrow)
    made("adapt", "--in", narrow, "--adapt", "full:full", "--out", back)  # it says itself what it was made for
    signals = np.random.default_rng(1).random((5000, 3))
    assert np.abs(through(back, signals) - through(theirs, signals)).max() * 1023 < 0.01


def test_a_plain_domain_costs_and_says_how_much(tmp_path):
    theirs, ours = original(tmp_path), tmp_path / "ours.cube"
    receipt = made("adapt", "--in", theirs, "--adapt", "narrow:narrow", "--plain-domain", "--out", ours)
    assert "DOMAIN_MIN" not in ours.read_text() and receipt["table"]["domain"] == [0, 1]
    assert receipt["verified"]["at"] < 0.01 < receipt["verified"]["between"] < 40


def test_excursions_are_kept_where_the_table_has_them_and_reported_where_not(tmp_path):
    bounded, wide = original(tmp_path), tmp_path / "wide.cube"
    says = made("adapt", "--in", bounded, "--adapt", "narrow:full", "--out", tmp_path / "a.cube")["table"]["says"]
    assert any("no values for codes below 64 and above 940" in line for line in says)
    wide.write_text("LUT_1D_SIZE 2\nDOMAIN_MIN -0.5 -0.5 -0.5\nDOMAIN_MAX 1.5 1.5 1.5\n-0.5 -0.5 -0.5\n1.5 1.5 1.5\n")
    ours = tmp_path / "b.cube"
    says = made("adapt", "--in", wide, "--adapt", "narrow:full", "--out", ours)["table"]["says"]
    assert not any("no values" in line for line in says)
    assert through(ours, np.array([[1019 / 1023] * 3]))[0, 0] * 1023 == pytest.approx(
        (1019 - 64) * 1023 / 876, abs=0.01
    )


BAD = {
    "no such file": ("gone.cube", None, "no such file"),
    "not a table": ("a.cube", "hello\nthere\n", "cannot be read as a table"),
    "longer than it says": (
        "a.cube",
        "# note\nLUT_1D_SIZE 2\n0 0 0\n1 1 1\n.5 .5 .5\n",
        "says that it has 2 points, and holds 3",
    ),
    "a matrix that is none": (
        "a.clf",
        "<ProcessList id='a' compCLFversion='3'><Matrix inBitDepth='32f' outBitDepth='32f'>"
        "<Array dim='3 3'>nan 0 0 0 1 0 0 0 1</Array></Matrix></ProcessList>",
        "no numbers",
    ),
    "cut short": ("a.cube", "LUT_3D_SIZE 2\n0 0 0\n1 1 1\n", "cannot be read as a table"),
    "not a number": ("a.cube", "LUT_1D_SIZE 2\n0 0 nan\n1 1 1\n", "no numbers"),
    "a domain that goes down": (
        "a.cube",
        "LUT_1D_SIZE 2\nDOMAIN_MIN 1 1 1\nDOMAIN_MAX 0 0 0\n0 0 0\n1 1 1\n",
        "does not go up",
    ),
    "a domain of words": ("a.cube", "LUT_1D_SIZE 2\nDOMAIN_MIN a b c\n0 0 0\n1 1 1\n", "no number"),
    "a size of zero": ("a.cube", "LUT_3D_SIZE 0\n", "cannot be read as a table"),
    "an absurd size": ("a.cube", "LUT_3D_SIZE 99999\n0 0 0\n", "cannot be read as a table"),
    "empty": ("a.clf", "", "cannot be read as a table"),
    "xml that is none": ("a.clf", "<ProcessList id='a' compCLFversion='3'><LUT1D>", "cannot be read as a table"),
}


@pytest.mark.parametrize(("name", "text", "says"), BAD.values(), ids=BAD)
def test_a_table_that_is_none_is_refused_in_words(tmp_path, name, text, says):
    path, out = tmp_path / name, tmp_path / "out.cube"
    if text is not None:
        path.write_text(text)
    done = run("adapt", "--in", path, "--adapt", "narrow:narrow", "--out", out)
    assert isinstance(done.exception, Problem) and says in str(done.exception) and name in str(done.exception)
    assert sorted(each.name for each in tmp_path.iterdir()) == ([name] if text is not None else [])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("range", "--from", "full", "--to", "full", "--out", "a.cube"), "changes nothing"),
        (("range", "--from", "full", "--to", "narrow", "--out", "a.txt"), "cannot be written as .txt"),
        (("range", "--from", "full", "--to", "narrow", "--size", 1, "--out", "a.cube"), "size 1 cannot"),
        (("range", "--from", "full", "--to", "narrow", "--cube", "--size", 200, "--out", "a.cube"), "size 200 cannot"),
        (("view", "--curve", "v-logg", "--from", "full", "--out", "a.cube"), "V-Log"),
    ],
)
def test_what_cannot_be_is_refused_in_words(tmp_path, monkeypatch, words, says):
    monkeypatch.chdir(tmp_path)
    done = run(*words)
    assert isinstance(done.exception, Problem) and says in str(done.exception) and not list(tmp_path.iterdir())


def test_what_went_wrong_with_a_table_is_said_to_the_end(tmp_path):
    """The reader's own words come after a page of what it tried; they were cut off there."""
    path = tmp_path / "a.cube"
    path.write_text("LUT_3D_SIZE 5000\n0 0 0\n")
    done = run("adapt", "--in", path, "--adapt", "narrow:narrow", "--out", tmp_path / "b.cube")
    assert "5000" in str(done.exception) and "formats have been tried" not in str(done.exception)


def test_a_table_of_one_and_three_dimensions_keeps_both(tmp_path):
    """A .cube may hold a curve and then a cube; as Common LUT Format both are kept, and nothing is lost between points."""
    path, out = tmp_path / "both.cube", tmp_path / "out.clf"
    cube = "".join(f"{r} {g} {b}\n" for b in (0, 1) for g in (0, 1) for r in (0, 1))
    path.write_text("LUT_1D_SIZE 3\nLUT_3D_SIZE 2\n0 0 0\n.7 .7 .7\n1 1 1\n" + cube)
    run("adapt", "--in", path, "--adapt", "narrow:narrow", "--out", out)
    at = np.array([[(64 + 876 * share) / 1023] * 3 for share in (0, 0.25, 0.5, 1)])
    expected = [(64 + 876 * value) for value in (0, 0.35, 0.7, 1)]
    assert through(out, at)[:, 0] * 1023 == pytest.approx(expected, abs=0.01)
    receipt = json.loads((tmp_path / "out.clf.receipt.json").read_text())
    assert "own steps" in receipt["table"]["points"]


def test_a_pair_of_ranges_that_is_none_is_a_usage_error(tmp_path):
    done = run("adapt", "--in", original(tmp_path), "--adapt", "narrow", "--out", tmp_path / "a.cube")
    assert done.exit_code == 2 and "IN:OUT" in done.output


def test_the_classic_mistake_is_refused(tmp_path):
    """A table used for the range that it is for already, or said to be for another than it says itself."""
    narrow = tmp_path / "narrow.cube"
    made("adapt", "--in", original(tmp_path), "--adapt", "narrow:narrow", "--out", narrow)
    again = run("adapt", "--in", narrow, "--adapt", "narrow:narrow", "--out", tmp_path / "b.cube")
    assert "already" in str(again.exception)
    wrong = run(
        "adapt",
        "--in",
        narrow,
        "--from",
        "full",
        "--to",
        "full",
        "--adapt",
        "full:narrow",
        "--out",
        tmp_path / "b.cube",
    )
    assert "says of itself" in str(wrong.exception) and not (tmp_path / "b.cube").exists()


def test_nothing_is_replaced_unasked_and_the_original_never(tmp_path):
    theirs = original(tmp_path)
    before = theirs.read_bytes()
    assert "made from" in str(
        run("adapt", "--in", theirs, "--adapt", "narrow:full", "--out", theirs, "--overwrite").exception
    )
    other = tmp_path / "other.cube"
    other.write_text("mine")
    assert "not made by this command" in str(run("range", "--from", "full", "--to", "narrow", "--out", other).exception)
    assert theirs.read_bytes() == before and other.read_text() == "mine"
    made("range", "--from", "full", "--to", "narrow", "--out", other, "--overwrite")
    assert "LUT_1D_SIZE" in other.read_text()


def test_read_table_is_what_another_reader_gives(tmp_path):
    path = original(tmp_path)
    _, apply = read_table(path)
    signals = np.random.default_rng(5).random((1000, 3))
    assert np.abs(apply(signals) - through(path, signals)).max() < 1e-6


def test_the_program_says_what_it_did(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "footroom.host_adapter.headless", "table", "range", "--from", "full", "--to", "narrow", "--out", "m.cube"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (
        done.returncode == 0 and "read back by OpenColorIO" in done.stdout and "not into its recording" in done.stdout
    )
    receipt = json.loads((tmp_path / "m.cube.receipt.json").read_text())
    assert receipt["parameters"]["source"] == "full" and receipt["verified"]["at"] < 0.01
