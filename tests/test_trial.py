"""`footroom trial` as a person meets it, on real encoded files; and its verdicts on trials whose outcome is given."""

from __future__ import annotations

import hashlib
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from media_files import make_movie, ramp
from PIL import Image

from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.opening import gather
from footroom.host_adapter.headless.trial.coding import CLOSE, CODERS, at_rate, coder_of, through
from footroom.host_adapter.headless.trial.material import GRADIENTS, from_recording, gradients
from footroom.host_adapter.headless.trial.measure import Truth
from footroom.host_adapter.headless.trial.result import Coded, Look, Way
from footroom.host_adapter.headless.trial.running import try_material
from footroom.host_adapter.headless.trial.verdict import bits_words, judge
from footroom.kernels import Channel, Dither, Encoding, Range, requantise

SIZE = (320, 240)


@pytest.fixture(scope="module")
def clip(tmp_path_factory) -> Path:
    """A slow 10-bit slope, narrow, without loss."""
    path = tmp_path_factory.mktemp("clip") / "kestrel.mkv"
    make_movie(
        path, "ffv1", "yuv422p10le", size=SIZE, frames=8, range=Range.NARROW, paint=ramp("yuv422p10le", SIZE, 150, 230)
    )
    return path


def run(*arguments: object, code: int = 0) -> str:
    """What the command printed on standard output."""
    done = CliRunner().invoke(footroom, ["trial", *map(str, arguments)], standalone_mode=False)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == code, done.output
    return done.stdout


def test_a_clip_through_its_codec(clip, tmp_path):
    """Bands without dither, none with triangular; the numbers of theory; pictures and data in a folder; the original as it was."""
    before = hashlib.sha256(clip.read_bytes()).digest()
    out = tmp_path / "out"
    said = json.loads(run(clip, "--frames", 4, "--quality", 24, "--out", out, "--json"))
    assert said["failed"] == []
    (trial,) = said["trials"]
    assert trial["from"] == {"depth": 10, "range": "narrow"} and trial["to"] == {"depth": 8, "range": "narrow"}
    assert (trial["codec"], trial["quality"], trial["frames"]) == ("H.264", 24, 4)
    ways = {way["dither"]: way for way in trial["ways"]}
    assert set(ways) == {dither.value for dither in Dither}
    assert ways["none"]["direct"]["banding_index"] > 10
    assert ways["triangular"]["direct"]["banding_index"] < 1
    assert ways["triangular"]["direct"]["noise_power"] == pytest.approx(1 / 4, rel=0.05)
    assert ways["none"]["same_quality"]["more_bits"] == 0
    for way in ways.values():
        assert way["same_rate"]["bits_per_second"] > 0 and way["times_copy"] > 0
    assert trial["verdict"]["pays"] in ("yes", "at a price", "no") and trial["verdict"]["why"]
    record = json.loads((out / "trial.json").read_text())
    assert record["trials"] == said["trials"]
    pictures = sorted(path.name for path in out.glob("*.png"))
    assert pictures == ["kestrel-crops.png", "kestrel-line.png", "kestrel-spectra.png"]
    assert gather([out]) == ([], [])  # a survey of the folder above does not take them for recordings
    (out / "a.png").write_bytes((out / pictures[0]).read_bytes())
    assert gather([out]) == ([out / "a.png"], [])
    (out / "a.png").unlink()
    (out / "trial.json").write_text(
        json.dumps({"pictures": pictures})
    )  # somebody else's file of that name hides nothing
    assert len(gather([out])[0]) == 3
    (out / "trial.json").write_text(json.dumps(record))
    for name in pictures:
        with Image.open(out / name) as picture:
            assert picture.width >= 900
            assert np.asarray(picture.convert("L")).std() > 5
    assert not list(out.glob(".*"))
    assert hashlib.sha256(clip.read_bytes()).digest() == before


def test_the_tables_fit_into_80_columns(clip):
    """And say the verdict with its reason."""
    said = run(clip, "--frames", 3)
    assert max(len(line.rstrip()) for line in said.splitlines()) <= 80
    assert "through H.264" in said and "> dither" in said
    for dither in Dither:
        assert said.count(f" {dither.value} ") >= 2


def test_a_page_to_show(clip, tmp_path):
    """--report writes it beside everything else, and never over another file unasked."""
    page = tmp_path / "trial.html"
    said = json.loads(run(clip, "--frames", 2, "--codec", "none", "--report", page, "--json"))
    assert said["report"] == str(page)
    text = page.read_text()
    assert "kestrel" in text and all(dither.value in text for dither in Dither)
    with pytest.raises(Problem):
        run(clip, "--frames", 2, "--codec", "none", "--report", page)


def test_without_a_codec(clip):
    """--codec none leaves it out, and the verdict says so."""
    trial = json.loads(run(clip, "--frames", 2, "--codec", "none", "--json"))["trials"][0]
    assert trial["codec"] is None
    assert trial["ways"][0]["same_rate"] is None
    assert trial["verdict"]["pays"] == "yes"
    assert "No codec was tried" in trial["verdict"]["why"][-1]


def test_gradients_where_no_recording_is_named():
    """All four; the grain hides the steps of the last, and its noise is found."""
    trials = json.loads(run("--frames", 2, "--codec", "none", "--json"))["trials"]
    assert [trial["name"] for trial in trials] == list(GRADIENTS)
    for trial in trials[:3]:
        assert trial["ways"][0]["direct"]["banding_index"] > 10
        assert trial["verdict"]["pays"] == "yes"
    grain = trials[3]
    assert grain["picture_noise_steps"] == pytest.approx(2.5, rel=0.05)
    assert grain["verdict"]["pays"] == "no"
    assert "Its own noise" in grain["verdict"]["why"][1]


def test_a_change_of_range_shows_its_comb(clip):
    """Expected amplitude 2 |sinc(1/a)| for 10-bit narrow to 8-bit full: a = 255/876."""
    trial = json.loads(run(clip, "--frames", 2, "--codec", "none", "--to", "full", "--json"))["trials"][0]
    assert trial["to"]["range"] == "full"
    assert trial["expected_comb"] == pytest.approx(2 * abs(np.sinc(876 / 255)), abs=1e-4)


def test_one_of_several_that_fails_does_not_stop_the_others(clip, tmp_path):
    """Exit code 3, the failure in words."""
    bad = tmp_path / "notes.mov"
    bad.write_text("no movie")
    said = json.loads(run(bad, clip, "--frames", 2, "--codec", "none", "--json", code=3))
    assert len(said["trials"]) == 1
    assert "notes.mov" in said["failed"][0]["error"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--depth", 10), "nothing is rounded"),
        (("--codec", "polish"), "Available: h264"),
        (("--codec", "prores"), "Available: h264"),
        (("--quality", 60), "outside the scale"),
        (("--codec", "av1", "--depth", 12), "not written at 12 bits"),
        (("--out", "report.html"), "Name a folder"),
    ],
)
def test_a_request_that_cannot_be_is_answered_in_words(clip, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    source = clip
    if words == "not written at 12 bits":
        source = tmp_path / "deep.mkv"
        make_movie(source, "ffv1", "yuv422p16le", size=SIZE, frames=2, paint=ramp("yuv422p16le", SIZE, 9000, 12000))
    done = CliRunner().invoke(
        footroom, ["trial", str(source), "--frames", "2", *map(str, arguments)], standalone_mode=False
    )
    said = str(done.exception) if isinstance(done.exception, Problem) else done.output
    assert words in said
    assert done.exit_code != 0
    assert not (tmp_path / "report.html").exists()


def test_small_pictures_and_full_folders_are_refused(clip, tmp_path):
    """Too small for the index; a folder with somebody's files; the originals' own folder."""
    small = tmp_path / "small.mkv"
    make_movie(small, "ffv1", "yuv422p10le", size=(128, 96), frames=2)
    with pytest.raises(Problem, match="too small"):
        from_recording(small, frames=2, depth=8)
    (tmp_path / "own.txt").write_text("kept")
    with pytest.raises(Problem, match="not empty"):
        run(clip, "--out", tmp_path)
    with pytest.raises(Problem, match="where the originals lie"):
        run(clip, "--out", clip.parent, "--overwrite")


def test_frames_come_from_the_middle(tmp_path):
    """Each frame of this clip is of one luma code, its number plus 100."""
    path = tmp_path / "count.mkv"

    def paint(index):
        flat = np.full((240, 320), 100 + index, np.uint16)
        return flat, np.full((240, 160), 512, np.uint16), np.full((240, 160), 512, np.uint16)

    make_movie(path, "libx264", "yuv422p10le", size=SIZE, frames=20, paint=paint, options={"qp": "0"}, gop=5)
    material = from_recording(path, frames=6, depth=8)
    assert [int(frame[0][0, 0]) for frame in material.frames] == [107, 108, 109, 110, 111, 112]
    assert material.sampling == "4:2:2" and len(material.frames[0]) == 3


def test_a_large_picture_is_tried_in_its_middle(tmp_path):
    """The middle 1920 x 1080, on chroma samples, and said so."""
    path = tmp_path / "large.mkv"
    size = (2048, 1152)

    def paint(index):
        across = np.broadcast_to(np.arange(2048) // 4, (1152, 2048)).astype(np.uint16)
        return across, across[::2, ::2].copy(), across[::2, ::2].copy()

    make_movie(path, "ffv1", "yuv420p10le", size=size, frames=1, paint=paint)
    material = from_recording(path, frames=2, depth=8)
    assert material.note == "the middle 1920x1080 of 2048x1152"
    assert material.size == (1920, 1080)
    assert material.frames[0][0][0, 0] == 64 // 4
    assert material.frames[0][1].shape == (540, 960)
    assert material.frames[0][1][0, 0] == 64 // 4


@pytest.mark.parametrize("word", list(CODERS))
def test_every_codec_brings_the_frames_back(word):
    """At its best quality each stays within noise of what went in, in order; the rate factor does what it says."""
    (material, *_) = gradients(frames=3, depth=8)
    coder, quality, pixel_format = coder_of(word, 8, material.target, material.sampling)
    frames = [
        (
            requantise(
                frame[0], material.source, material.target, channel=Channel.LUMA, dither=Dither.TRIANGULAR, frame=at
            ),
        )
        for at, frame in enumerate(material.frames)
    ]
    good = through(frames, material.target, coder, quality, pixel_format, Fraction(25))
    poor = through(frames, material.target, coder, quality + 20, pixel_format, Fraction(25))
    assert poor.bits < good.bits
    for at, plane in enumerate(good.tones):
        assert plane.dtype == np.uint8 and plane.shape == frames[at][0].shape
        assert np.abs(plane.astype(float).mean() - frames[at][0].mean()) < 0.3
        assert np.abs(plane.astype(float) - frames[at][0]).mean() < 0.8


def test_equal_rate_is_equal():
    """A noisy picture's bits are found again from another quality to the share that counts as equal."""
    material = gradients(frames=4, depth=8)[3]
    coder, quality, pixel_format = coder_of("h264", 24, material.target, material.sampling)
    frames = [
        (requantise(frame[0], material.source, material.target, channel=Channel.LUMA, dither=Dither.NONE),)
        for frame in material.frames
    ]
    wanted = through(frames, material.target, coder, 27.3, pixel_format, Fraction(25))
    first = through(frames, material.target, coder, quality, pixel_format, Fraction(25))
    found = at_rate(frames, material.target, coder, first, wanted.bits, pixel_format, Fraction(25))
    assert abs(found.bits / wanted.bits - 1) <= CLOSE
    assert found.quality != first.quality


def test_a_trial_says_the_same_twice():
    """Seeded noise, and encoders that are asked for the same: everything but the timing."""
    material = gradients(frames=2, depth=8)[2]
    first, second = (try_material(material, codec="h264", quality=30, seed=5) for _ in range(2))
    for a, b in zip(first.ways, second.ways, strict=True):
        assert (a.direct, a.same_quality, a.same_rate) == (b.direct, b.same_quality, b.same_rate)
    assert first.verdict == second.verdict


def test_looks_are_held_against_the_exact_tones():
    """A result that is a whole step too high everywhere has a mean error of one step, and no less noise."""
    material = gradients(frames=1, depth=8)[0]
    truth = Truth.of(material)
    plane = requantise(
        material.frames[0][0], material.source, material.target, channel=Channel.LUMA, dither=Dither.NONE
    )
    right, high = truth.look([plane]), truth.look([plane + 1])
    assert right.mean_error == pytest.approx(0, abs=0.01)
    assert high.mean_error == pytest.approx(right.mean_error + 1, abs=1e-4)
    assert high.noise == pytest.approx(right.noise, abs=1e-4)
    assert high.stairs > 1


def look(index: float, stairs: float = 0.1) -> Look:
    """A look of which only the index and the stairs matter."""
    return Look(index, stairs, 10, 0, 0, 0, 0.25, 1, (), ())


def ways(
    direct: tuple[float, float], quality: tuple[float, float] | None, rate: float = 0, more: float = 0.1
) -> list[Way]:
    """No dither and triangular: indexes at the depth, after the codec at equal quality, and of triangular at equal rate."""
    if quality is None:
        return [Way(d, look(i), None, None, 1) for d, i in zip((Dither.NONE, Dither.TRIANGULAR), direct, strict=True)]
    plain = Coded(look(quality[0]), 20, 1e6, 0)
    return [
        Way(Dither.NONE, look(direct[0]), plain, plain, 1),
        Way(
            Dither.TRIANGULAR, look(direct[1]), Coded(look(quality[1]), 20, 1e6, more), Coded(look(rate), 23, 1e6, 0), 1
        ),
    ]


@pytest.mark.parametrize(
    ("case", "noise", "codec", "pays", "words"),
    [
        (ways((0.2, 0.0), (0.2, 0.0)), 1.3, "H.264 at 20", "no", "Its own noise, 1.3 steps"),
        (ways((0.2, 0.0), None), 0.1, None, "no", "change too fast"),
        (ways((12, 0.1), None), 0.1, None, "yes", "No codec was tried"),
        (ways((12, 0.1), (11, 0.5), 2.0), 0.1, "H.264 at 20", "yes", "it pays"),
        (ways((12, 0.1), (11, 0.5), 10.8, 0.3), 0.1, "H.264 at 20", "at a price", "30 % more bits"),
        (ways((12, 0.1), (11, 10.9), 10.8, 0.3), 0.1, "H.264 at 20", "no", "takes most of the dither away"),
        (ways((12, 0.1), (0.4, 0.1), 0.1), 0.1, "H.264 at 40", "no", "the codec's own noise"),
        (ways((12, 11.5), (12, 12), 12), 0.1, "H.264 at 20", "no", "no gain"),
    ],
)
def test_verdicts(case, noise, codec, pays, words):
    verdict = judge(case, noise, codec)
    assert verdict.pays == pays
    assert words in " ".join(verdict.why)
    assert (verdict.dither is Dither.NONE) == (pays == "no")


@pytest.mark.parametrize(
    ("more", "words"), [(0.124, "12 % more bits"), (-0.3, "30 % fewer bits"), (44.39, "45.4 times the bits")]
)
def test_bits_in_words(more, words):
    assert bits_words(more) == words


def test_nothing_to_round_is_said_for_gradients():
    with pytest.raises(Problem, match="nothing is rounded"):
        gradients(frames=2, depth=16)
    assert gradients(frames=2, depth=15)[0].source == Encoding(
        16, Range.NARROW, gradients(frames=1, depth=8)[0].source.model
    )
