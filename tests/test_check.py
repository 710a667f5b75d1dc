"""Delivery check: verdicts worked out by hand on a bar signal built from the standards' equations, rules, and what goes wrong."""

import json
from fractions import Fraction

import numpy as np
import pytest
from click.testing import CliRunner
from media_files import make_movie, make_stills

from footroom.host_adapter.headless.checking.rules import OWN, read_rule
from footroom.host_adapter.headless.checking.run import check as check_file
from footroom.host_adapter.headless.checking.verdict import mixed_check, range_changes
from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.report.check_page import worst_frame
from footroom.host_adapter.headless.viewing import as_shown
from footroom.kernels import Encoding, Model, Range
from footroom.kernels.matrix import Matrix

WIDTH, HEIGHT = 160, 48
COLOURS = [(1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0)]


def half_away(value):
    return int(value + Fraction(1, 2)) if value >= 0 else -int(-value + Fraction(1, 2))


def bar_codes(red, green, blue, depth=10):
    """Narrow Y', Cb, Cr. Source: BT.709-6 items 3.2, 3.3, 4.6, in rationals."""
    k = 1 << depth - 8
    luma = Fraction("0.2126") * red + Fraction("0.7152") * green + Fraction("0.0722") * blue
    cb, cr = (blue - luma) / Fraction("1.8556"), (red - luma) / Fraction("1.5748")
    return half_away((219 * luma + 16) * k), half_away((224 * cb + 128) * k), half_away((224 * cr + 128) * k)


def bars(level):
    """4:4:4 planes: white, then the six colours at a level, then black, as a bar signal is laid out."""
    codes = np.array(
        [
            bar_codes(*(Fraction(part) * (level if number else 1) for part in colour))
            for number, colour in enumerate(COLOURS)
        ]
    )
    lines = codes.repeat(WIDTH // 8, 0).T.astype(np.uint16)
    return [lines[0][None].repeat(HEIGHT, 0), *(line[None].repeat(HEIGHT, 0) for line in lines[1:])]


def movie(path, planes_at, frames=6, pixel_format="yuv444p10le", **options):
    options = {"range": Range.NARROW, "colour": (1, 1, 1), **options}  # unsaid, so small a picture would be BT.601's
    make_movie(path, "ffv1", pixel_format, size=(WIDTH, HEIGHT), frames=frames, paint=planes_at, **options)
    return path


def check(*words):
    done = CliRunner().invoke(footroom, ["check", *map(str, words), "--json"])
    assert done.exit_code in (0, 1), (done.output, done.exception)
    return json.loads(done.output)["recordings"][0], done.exit_code


def verdicts(record):
    return {each["check"]: each["verdict"] for each in record["checks"]}


def test_the_bar_signal_s_codes_are_the_handbook_s():
    """75 % bars in 10-bit narrow BT.709, from memory of SMPTE RP 219's table."""
    table = {
        (1, 1, 0): (674, 176, 543),
        (0, 1, 1): (581, 589, 176),
        (0, 1, 0): (534, 253, 207),
        (1, 0, 1): (251, 771, 817),
        (1, 0, 0): (204, 435, 848),
        (0, 0, 1): (111, 848, 481),
    }
    for colour, codes in table.items():
        assert bar_codes(*(Fraction(3, 4) * part for part in colour)) == codes


@pytest.mark.parametrize("level", [Fraction(3, 4), Fraction(1)])
def test_bars_of_75_and_100_per_cent_pass_r103(tmp_path, level):
    """Every R'G'B' lies in 0..1, and what the filter makes of two neighbours lies between them: nothing is outside, by hand."""
    record, code = check(movie(tmp_path / "bars.mkv", lambda _: bars(level)))
    found = next(each for each in record["checks"] if each["check"] == "preferred range")
    assert verdicts(record)["total range"] == found["verdict"] == "pass" and "worst" not in found
    assert code == (0 if verdicts(record)["flag against data"] != "fail" else 1)


def test_one_bar_too_strong_fails_with_the_code_worked_out_by_hand(tmp_path):
    """R' 1.2, G' and B' .5: 64 + 876 * 1.2 = 1115.2; the bar is 1/8 of the area, less what the filter forgives at its edges."""
    planes = bars(Fraction(3, 4))
    codes = bar_codes(Fraction(6, 5), Fraction(1, 2), Fraction(1, 2))
    wide = WIDTH // 8
    for plane, value in zip(planes, codes, strict=True):
        plane[:, 5 * wide : 6 * wide] = value
    record, code = check(movie(tmp_path / "hot.mkv", lambda _: planes))
    found = next(each for each in record["checks"] if each["check"] == "preferred range")
    assert code == 1 and found["verdict"] == "fail" and found["frames"] == 6
    assert found["worst"]["channel"] == "R'" and found["worst"]["code"] == pytest.approx(1115.2, abs=1.5)
    assert found["worst"]["area_percent"] == pytest.approx(12.5, abs=2.6) and 5 * wide <= found["worst"]["x"] < 6 * wide


def test_one_per_cent_of_the_area_is_the_very_limit(tmp_path):
    """EBU R 103 annex 1: only more than 1 % fails. The picture has 7680 pixels: 76 may be outside, 77 may not."""
    for count, verdict in ((76, "pass"), (77, "fail")):

        def planes(_, count=count):
            luma = np.full((HEIGHT, WIDTH), 500, np.uint16)
            luma.reshape(-1)[:count] = 1000
            return [luma, *(np.full((HEIGHT, WIDTH), 512, np.uint16) for _ in range(2))]

        rule = tmp_path / "plain.toml"
        rule.write_text('name="plain"\n[[limit]]\nname="luma"\non=["Y\'"]\narea=1.0\ncodes={10=[20,984]}\n')
        record, _ = check(movie(tmp_path / f"{count}.mkv", planes, frames=2), "--rule", rule)
        assert verdicts(record)["luma"] == verdict


def test_a_frame_is_told_with_its_timecode(tmp_path):
    def planes(index):
        luma = np.full((HEIGHT, WIDTH), 500, np.uint16)
        if index in (3, 4, 9):
            luma[10:30, 20:60] = 1010
        return [luma, *(np.full((HEIGHT, WIDTH // 2), 512, np.uint16) for _ in range(2))]

    path = tmp_path / "a.mov"
    make_movie(
        path, "prores_ks", "yuv422p10le", size=(WIDTH, HEIGHT), frames=12, paint=planes, timecode="10:00:00:20",
        range=Range.NARROW, options={"profile": "3"},
    )  # fmt: skip
    record, code = check(path)
    found = next(each for each in record["checks"] if each["check"] == "preferred range")
    assert code == 1
    assert [(span["first"], span["last"]) for span in found["spans"]] == [(3, 4), (9, 9)]
    assert found["spans"][0]["words"] == "10:00:00:23 (frame 3) to 10:00:00:24 (frame 4)"


@pytest.mark.parametrize(
    ("code", "plane", "verdict"), [(3, 0, "fail"), (4, 0, "pass"), (1019, 1, "pass"), (1020, 2, "fail")]
)
def test_codes_that_the_interface_reserves_are_found_in_any_plane(tmp_path, code, plane, verdict):
    """BT.709-6 item 4.7: 0 to 3 and 1020 to 1023 of 10 bit."""
    planes = bars(Fraction(3, 4))
    planes[plane][20, 30] = code
    record, _ = check(movie(tmp_path / "a.mkv", lambda _: planes), "--rule", "interface")
    found = record["checks"][0]
    assert found["verdict"] == verdict
    if verdict == "fail":
        assert found["worst"]["code"] == code and (found["worst"]["y"], found["worst"]["x"]) == (
            20,
            30,
        )


def test_full_data_flagged_narrow_fails_by_its_flag_and_full_flag_by_its_range(tmp_path):
    ramp = np.linspace(0, 1023, WIDTH).astype(np.uint16)[None].repeat(HEIGHT, 0)
    planes = [ramp, *(np.full((HEIGHT, WIDTH), 512, np.uint16) for _ in range(2))]
    narrow, _ = check(movie(tmp_path / "n.mkv", lambda _: planes))
    full, _ = check(movie(tmp_path / "f.mkv", lambda _: planes, range=Range.FULL))
    assert verdicts(narrow)["range flag"] == "pass" and verdicts(narrow)["preferred range"] == "fail"
    assert verdicts(full)["range flag"] == "fail"
    assert verdicts(check(tmp_path / "f.mkv", "--rule", "full")[0])["range flag"] == "pass"


def picture(index, gain=1.0, offset=0.0):
    rng = np.random.default_rng(3)
    base = np.clip(
        np.add.outer(np.sin(np.arange(HEIGHT) / 9), np.cos(np.arange(WIDTH) / 23)) * 180
        + 500
        + rng.normal(0, 6, (HEIGHT, WIDTH))
        + index,
        64,
        940,
    )
    luma = np.rint(base * gain + offset).clip(0, 1023).astype(np.uint16)
    return [luma, *(np.full((HEIGHT, WIDTH), 512, np.uint16) for _ in range(2))]


TO_FULL = (1023 / 876, -64 * 1023 / 876)


def test_a_single_frame_of_the_other_range_is_found(tmp_path):
    record, code = check(
        movie(tmp_path / "a.mkv", lambda index: picture(index, *(TO_FULL if index == 5 else ())), frames=12)
    )
    found = record["checks"][-1]
    assert code == 1 and found["verdict"] == "fail" and "single bad frame" in found["words"]
    assert [(span["first"], span["last"]) for span in found["spans"]] == [(5, 5)]


def test_frames_that_are_few_are_the_bad_ones_wherever_they_lie():
    """The first frame too: all that follow it were called bad before."""
    narrow = (100, 200, 300, 400, 500, 700, 900)
    full = tuple(round((code - 64) * 1023 / 876) for code in narrow)
    for bad, expected in (
        ({0}, [(0, 0)]), ({9}, [(9, 9)]), ({0, 5}, [(0, 0), (5, 5)]), ({2, 3, 7}, [(2, 3), (7, 7)]), ({7, 8, 9}, [(7, 9)]),
    ):  # fmt: skip
        for odd, usual in ((full, narrow), (narrow, full)):
            found = mixed_check([odd if index in bad else usual for index in range(10)], 10, "fail")
            assert [(span.first, span.last) for span in found.spans] == expected and found.frames == len(bad)
            assert found.verdict == "fail"


def test_a_recording_that_changes_its_range_is_found_and_a_steady_one_not(tmp_path):
    mixed, _ = check(
        movie(tmp_path / "a.mkv", lambda index: picture(index, *(TO_FULL if index >= 7 else ())), frames=12)
    )
    assert [(span["first"], span["last"]) for span in mixed["checks"][-1]["spans"]] == [(7, 11)]
    steady, _ = check(movie(tmp_path / "b.mkv", picture, frames=12))
    assert steady["checks"][-1]["verdict"] == "pass"


def test_cuts_and_fades_are_no_change_of_range():
    rng = np.random.default_rng(4)
    for _ in range(2000):  # cuts between pictures that have nothing to do with each other
        two = [tuple(np.sort(rng.integers(64, 940, 7)).tolist()) for _ in range(2)]
        assert not range_changes(two, 10)
    still = np.array([100, 200, 300, 400, 500, 700, 900])
    fade = [tuple(((still - 64) * share + 64).astype(int).tolist()) for share in np.linspace(1, 0, 25)]
    assert not range_changes(fade, 10)


def test_floating_point_and_hdr_are_refused_in_words(tmp_path):
    hlg = movie(tmp_path / "hlg.mkv", lambda _: bars(Fraction(3, 4)), colour=(9, 18, 9))
    done = CliRunner().invoke(footroom, ["check", str(hlg)])
    assert done.exit_code == 2 and "flagged HLG" in done.output and 'signal = "any"' in " ".join(done.output.split())
    make_stills(tmp_path, "exr", "half")
    done = CliRunner().invoke(footroom, ["check", str(tmp_path / "shot.####.exr")])
    assert done.exit_code == 2 and "floating-point" in done.output


def test_one_input_that_cannot_be_read_does_not_stop_the_others(tmp_path):
    good = movie(tmp_path / "a.mkv", lambda _: bars(Fraction(3, 4)))
    bad = tmp_path / "b.mov"
    bad.write_bytes(b"nothing")
    done = CliRunner().invoke(footroom, ["check", str(good), str(bad)])
    assert done.exit_code == 3 and "NOT CHECKED" in done.output and "own specification" in done.output
    assert CliRunner().invoke(footroom, ["check"]).exit_code == 2


def test_a_folder_without_recordings_is_said(tmp_path):
    done = CliRunner().invoke(footroom, ["check", str(tmp_path)])
    assert done.exit_code == 2 and "no recording was found" in done.output


def test_codes_of_14_bit_are_written_out(tmp_path):
    """They have five digits, which a short number form turns into a power of ten."""
    planes = [np.full((HEIGHT, WIDTH), value, np.uint16) for value in (15560, 8192, 8192)]
    rule = tmp_path / "house.toml"
    rule.write_text('name="x"\n[[limit]]\nname="luma"\non=["Y\'"]\nlevels=[0,1]\n')
    path = movie(tmp_path / "a.mkv", lambda _: planes, frames=2, pixel_format="yuv444p14le")
    done = CliRunner().invoke(footroom, ["check", str(path), "--rule", str(rule)])
    assert done.exit_code == 1 and "Y' 15560 at column 0, row 0" in " ".join(done.output.split())


def test_alpha_is_no_signal_and_no_limit_applies_to_it(tmp_path):
    planes = [*bars(Fraction(3, 4)), np.full((HEIGHT, WIDTH), 1023, np.uint16)]
    record, _ = check(movie(tmp_path / "a.mkv", lambda _: planes, frames=2, pixel_format="yuva444p10le"))
    assert verdicts(record)["total range"] == verdicts(record)["preferred range"] == "pass"


@pytest.mark.parametrize("word", OWN)
def test_the_rules_that_come_along_can_be_read(word):
    rule = read_rule(word)
    assert rule.limits and rule.name


def test_r103_is_its_table_1():
    """EBU R 103 v3.0 table 1."""
    preferred, total = read_rule("r103").limits
    narrow = {depth: preferred.within(Encoding(depth, Range.NARROW)) for depth in (8, 10, 12, 16)}
    assert narrow == {8: (5, 246), 10: (20, 984), 12: (80, 3936), 16: (1280, 62976)}
    assert total.within(Encoding(10, Range.NARROW)) == (4, 1019) and total.within(Encoding(12, Range.NARROW)) == (
        16,
        4079,
    )
    assert preferred.within(Encoding(9, Range.NARROW)) is None
    # The same levels as full codes: (984 - 64) / 876 is above 1, so full range never reaches it.
    assert preferred.within(Encoding(10, Range.FULL, Model.RGB)) == (0, 1023)


BAD = {
    "not toml": ("name = [", "no TOML"),
    "no name": ("range='narrow'", "no name"),
    "asks for nothing": ("name='x'", "asks for nothing"),
    "a strange key": ("name='x'\nlimits=3", "'limits'"),
    "a strange range": ("name='x'\nrange='legal'", "range is 'legal'"),
    "no codes": ("name='x'\n[[limit]]\nname='a'", "needs codes by depth"),
    "both": ("name='x'\n[[limit]]\nname='a'\ncodes={8=[1,2]}\nlevels=[0,1]", "one of them"),
    "turned round": ("name='x'\n[[limit]]\nname='a'\ncodes={8=[200,20]}", "lowest and the highest"),
    "too large": ("name='x'\n[[limit]]\nname='a'\ncodes={8=[5,256]}", "0 to 255"),
    "no depth": ("name='x'\n[[limit]]\nname='a'\ncodes={ten=[5,246]}", "not by depth"),
    "a strange channel": ("name='x'\n[[limit]]\nname='a'\non=['U']\ncodes={8=[5,246]}", "is on ['U']"),
    "an area of all": ("name='x'\n[[limit]]\nname='a'\narea=100\ncodes={8=[5,246]}", "area of limit 1"),
    "filtered codes": ("name='x'\n[[limit]]\nname='a'\non=['codes']\nfilter=true\ncodes={8=[5,246]}", "never filtered"),
    "levels of codes": ("name='x'\n[[limit]]\nname='a'\non=['codes']\nlevels=[0,1]", "on codes and gives levels"),
    "not a number": ("name='x'\n[[limit]]\nname='a'\nlevels=[0,nan]", "lowest and the highest"),
}


@pytest.mark.parametrize(("text", "says"), BAD.values(), ids=BAD)
def test_a_rule_that_is_wrong_is_refused_in_words(tmp_path, text, says):
    path = tmp_path / "house.toml"
    path.write_text(text)
    with pytest.raises(Problem) as raised:
        read_rule(str(path))
    assert says in str(raised.value) and "house.toml" in str(raised.value)


def test_a_rule_that_is_not_there_names_those_that_are(tmp_path):
    with pytest.raises(Problem, match="r103, interface, full"):
        read_rule(str(tmp_path / "gone.toml"))


def test_the_report_says_the_verdict_and_marks_the_worst_frame(tmp_path):
    planes = bars(Fraction(3, 4))
    planes[0][10:30, 60:90] = 1019
    path = movie(tmp_path / "<b>hot.mkv", lambda index: planes if index == 2 else bars(Fraction(3, 4)))
    page = tmp_path / "check.html"
    done = CliRunner().invoke(footroom, ["check", str(path), "--report", str(page)])
    assert done.exit_code == 1, (done.output, done.exception)
    text = page.read_text()
    assert "1 of 1 recording" in text and "EBU R 103 v3.0" in text and "frame 2" in text and "own specification" in text
    assert "<b>hot" not in text and "&lt;b&gt;hot.mkv" in text and text.count("<img") == 1
    again = CliRunner().invoke(footroom, ["check", str(path), "--report", str(page)])
    assert isinstance(again.exception, Problem) and page.read_text() == text


def test_lines_cross_at_the_furthest_sample_and_frames_hold_all_that_is_outside(tmp_path):
    planes = [np.full((HEIGHT, WIDTH), 512, np.uint16) for _ in range(3)]
    planes[0][20:34, 70:95] = 1015
    verdict = check_file(movie(tmp_path / "a.mkv", lambda _: planes, frames=1), read_rule("r103"))
    bad = next(each for each in verdict.checks if each.name == "preferred range")
    shown = worst_frame(verdict, bad).astype(int)
    plain = as_shown(planes, Encoding(10, Range.NARROW), matrix=Matrix.BT709, sampling="4:4:4")
    drawn = np.abs(shown - plain).max(axis=-1) > 0
    sample = bad.worst.worst
    assert (
        drawn[sample.y, max(sample.x - 3, 0) : sample.x + 4].any()
        or drawn[max(sample.y - 3, 0) : sample.y + 4, sample.x].any()
    )
    rows, columns = np.nonzero(drawn)
    assert rows.min() <= 20 and rows.max() >= 33 and columns.min() <= 70 and columns.max() >= 94
    assert not drawn[:, :40].any()
