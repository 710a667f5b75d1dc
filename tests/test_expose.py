"""Exposure maps end to end: codes against a reference of their own, tiles, legends, tables, and what goes wrong."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from media_files import make_movie, make_stills
from PIL import Image as Pillow

from footroom.host_adapter.effect import Image, Window
from footroom.host_adapter.effects.exposure_effect import EFFECT
from footroom.host_adapter.headless.command import footroom
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.transfer import transfer_of
from footroom.host_adapter.zones import encoded, read_zones
from footroom.kernels import Channel, Encoding, Model, Range
from footroom.kernels.encoding import PLANE_CHANNELS
from footroom.kernels.framing import SAMPLING_STEPS
from footroom.kernels.matrix import Matrix

WIDTH, HEIGHT = 96, 60
ZONES = read_zones(None)


def image(model=Model.RGB, depth=10, range_=Range.FULL, sampling="4:4:4", seed=2, size=(HEIGHT, WIDTH)):
    encoding = Encoding(depth, range_, model)
    step = SAMPLING_STEPS[sampling]
    rng = np.random.default_rng(seed)
    planes = []
    for channel in PLANE_CHANNELS[model]:
        across, down = step if channel is Channel.CHROMA else (1, 1)
        middle, wide = (
            (encoding.neutral, 40) if channel is Channel.CHROMA else (encoding.maximum // 2, encoding.maximum // 2)
        )
        shape = -(-size[0] // down), -(-size[1] // across)
        planes.append(
            rng.integers(middle - wide, middle + wide + 1, shape).clip(0, encoding.maximum).astype(encoding.dtype_name)
        )
    whole = Window(0, 0, size[1], size[0])
    return Image(tuple(planes), PLANE_CHANNELS[model], encoding, whole, whole, sampling, None, Matrix.BT709)


def mapped(source, window=None, target=None, **values):
    target = target or replace(source, planes=tuple(np.zeros_like(plane) for plane in source.planes))
    EFFECT.apply(target, source, EFFECT.values(values), window=window)
    return target.planes


def test_every_pixel_of_a_gray_ramp_has_its_zone_s_shade():
    """A reference of its own: code to level to light by colour-science, its zone, and that zone's colour lighter or darker by place."""
    encoding = Encoding(10, Range.FULL, Model.RGB)
    ramp = np.arange(1024, dtype=np.uint16)[None].repeat(2, 0)
    whole = Window(0, 0, 1024, 2)
    source = Image((ramp,) * 3, PLANE_CHANNELS[Model.RGB], encoding, whole, whole, "4:4:4", None, Matrix.BT709)
    got = np.stack([plane[0] for plane in mapped(source, curve="V-Log")], -1)
    import colour

    light = colour.models.log_decoding(np.arange(1024) / 1023, "V-Log", in_normalised_code_value=False)
    stops = np.log2(np.maximum(light, 1e-12) / 0.18)
    edges = np.array(ZONES.edges)
    ends = np.concatenate([[edges[0] - 2], edges, [edges[-1] + 2]])
    wrong = 0
    for code in range(80, 1023):
        zone = int(np.searchsorted(edges, stops[code], side="right"))
        share = np.clip((stops[code] - ends[zone]) / (ends[zone + 1] - ends[zone]), 0, 1)
        shade = encoded(np.array(ZONES.zones[zone].colour) * 2.0 ** ((share - 0.5) * 0.33)) * 1023
        wrong += np.abs(got[code] - shade).max() > 4
    assert wrong <= 2 * len(edges)  # a code whose light is within a hair of an edge may fall to either side


@pytest.mark.parametrize("sampling", ["4:4:4", "4:2:2", "4:2:0", "4:1:1"])
@pytest.mark.parametrize("range_", Range)
def test_tiles_join_whatever_the_sampling(sampling, range_):
    source = image(Model.YCBCR, range_=range_, sampling=sampling)
    whole = mapped(source, curve="S-Log3")
    pieces = replace(source, planes=tuple(np.zeros_like(plane) for plane in source.planes))
    for top in range(0, HEIGHT, 17):
        for left in range(0, WIDTH, 29):
            window = Window(left, top, min(left + 29, WIDTH), min(top + 17, HEIGHT))
            mapped(source, window, pieces, curve="S-Log3")
    assert all(np.array_equal(one, two) for one, two in zip(whole, pieces.planes, strict=True))


def test_the_true_range_decides_and_not_the_flag():
    full = image(Model.YCBCR, range_=Range.FULL, sampling="4:2:2")
    told = replace(full, encoding=Encoding(10, Range.NARROW))
    right = mapped(full, curve="V-Log")
    told_right = mapped(told, curve="V-Log", assume="full")
    told_wrong = mapped(told, curve="V-Log")
    # The result is shown by its flag, so codes differ by the change of range; zones must not.
    back = (told_right[0].astype(float) - 64) * 1023 / 876
    assert np.abs(back - right[0])[np.abs(back - 512) < 400].max() <= 1.5
    assert np.abs((told_wrong[0].astype(float) - 64) * 1023 / 876 - right[0]).max() > 100


def test_mix_goes_from_the_picture_to_the_map():
    source = image(Model.YCBCR, sampling="4:2:0")
    none, half, all_ = (mapped(source, curve="V-Log", mix=mix) for mix in (0, 50, 100))
    assert EFFECT.is_identity(EFFECT.values({"mix": 0}), source)
    assert all(np.array_equal(one, two) for one, two in zip(none, source.planes, strict=True))
    for one, two, three in zip(none, half, all_, strict=True):
        assert np.abs((one.astype(float) + three) / 2 - two).max() <= 0.5


@pytest.mark.parametrize("model", [Model.RGB, Model.GRAY])
def test_floating_point_levels_have_the_same_zones_as_their_codes(model):
    codes = image(model)
    floats = replace(codes, planes=tuple((plane / 1023).astype(np.float32) for plane in codes.planes), encoding=None)
    got, wanted = mapped(floats, curve="V-Log"), mapped(codes, curve="V-Log")
    for one, two in zip(got, wanted, strict=True):
        off = np.abs(one * 1023 - two)
        assert np.quantile(off, 0.99) <= 0.51


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"curve": "vlogg"}, "curve: .*V-Log"),
        ({"display": "sdr"}, "display"),
        ({"zones": "gone.toml"}, "zones: .*gone.toml"),
        ({"clip": 110}, "clip"),
    ],
)
def test_a_wrong_value_is_refused_by_its_name(values, says):
    with pytest.raises(ValueError, match=says):
        EFFECT.values(values)


def test_a_legend_that_does_not_fit_is_refused_by_its_name():
    with pytest.raises(ValueError, match=r"legend: .*needs"):
        mapped(image(), curve="V-Log", legend="right")


def movie(path, frames=3, size=(640, 400), pixel_format="yuv422p10le", **options):
    make_movie(path, "ffv1", pixel_format, size=size, frames=frames, range=Range.FULL, colour=(1, 1, 1), **options)
    return path


def expose(*words):
    done = CliRunner().invoke(footroom, ["expose", *map(str, words), "--json"])
    assert done.exit_code == 0, (done.output, done.exception)
    return json.loads(done.output)


def test_a_burn_holds_the_effect_s_very_codes_and_carries_the_rest(tmp_path):
    source = movie(tmp_path / "a.mkv", timecode="10:00:00:00")
    out = tmp_path / "map.mkv"
    receipt = expose(source, "--curve", "v-log", "--legend", "right", "--out", out)
    with open_recording(source) as one, open_recording(out) as two:
        assert two.info.tag.trusted is Range.FULL
        for before, after in zip(one.frames(), two.frames(), strict=True):
            whole = Window(0, 0, 640, 400)
            held = Image(
                tuple(plane.copy() for plane in before.planes),
                PLANE_CHANNELS[Model.YCBCR],
                Encoding(10, Range.FULL),
                whole,
                whole,
                "4:2:2",
                None,
                Matrix.BT709,
            )
            wanted = mapped(held, curve="v-log", legend="right")
            assert all(np.array_equal(one_, two_) for one_, two_ in zip(wanted, after.planes, strict=True))
    assert receipt["verified"] and any("timecode" in each for each in receipt["carried"])


def test_a_picture_has_its_legend_beside_it_and_says_the_shares(tmp_path):
    source = movie(tmp_path / "a.mkv", frames=1)
    out = tmp_path / "map.png"
    said = expose(source, "--curve", "v-log", "--out", out)
    with Pillow.open(out) as picture:
        assert picture.height == 400 and picture.width > 640 + 200
    assert sum(zone["share"] for zone in said["zones"]) == pytest.approx(1, abs=1e-4)
    assert said["zones"][0]["zone"] == "no light" and said["zones"][-1]["zone"] == "clipped"
    bare = tmp_path / "bare.png"
    expose(source, "--curve", "v-log", "--legend", "none", "--out", bare)
    with Pillow.open(bare) as picture:
        assert picture.size == (640, 400)


def test_a_curve_without_black_says_what_no_light_is_then(tmp_path):
    """Of colour-science's curves some never reach no light: the lowest code stands for it, and that is said."""
    source = movie(tmp_path / "a.mkv", frames=1)
    said = expose(source, "--curve", "Log2", "--out", tmp_path / "a.png")
    assert "Log2 defines no black" in said["black"] and "lowest code" in said["black"]
    assert expose(source, "--curve", "v-log", "--out", tmp_path / "b.png")["black"] is None


def test_a_table_for_a_monitor_comes_with_its_legend_and_shows_the_same_zones(tmp_path):
    import PyOpenColorIO as Ocio

    source, out = movie(tmp_path / "a.mkv", frames=1), tmp_path / "monitor.cube"
    expose(source, "--curve", "v-log", "--size", 65, "--out", out)
    assert (tmp_path / "monitor.cube.legend.png").exists()
    cpu = Ocio.Config.CreateRaw().getProcessor(Ocio.FileTransform(str(out))).getDefaultCPUProcessor()
    middles = {zone.name: zone for zone in ZONES.zones}
    for name, stops in (("grey", 0.0), ("above grey", 1.0), ("low", -2.25), ("shadow", -3.75)):
        level = float(transfer_of("V-Log", None).level(0.18 * 2.0**stops))
        place = np.array([[round(level * 64) / 64] * 3], np.float32)
        near = float(transfer_of("V-Log", None).stops(place[0, 0]))
        zone = middles[name]
        if not (zone.start or -99) <= near < (zone.end or 99):
            continue
        cpu.applyRGB(place)
        assert np.abs(place[0] - encoded(np.array(zone.colour))).max() < 0.05


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--curve", "v-logg", "--out", "a.png"), "V-Log"),
        (("--curve", "v-log", "--display", "pq", "--out", "a.png"), "both named"),
        (("--at", "1", "--out", "a.cube"), "--at is for --as picture"),
        (("--size", "9", "--out", "a.png"), "--size is for --as table"),
        (("--codec", "ffv1", "--out", "a.png"), "--codec is for --as burn"),
        (("--at", "99", "--out", "a.png"), "ends before"),
        (("--zones", "gone.toml", "--out", "a.png"), "gone.toml"),
        (("--out", "a.mov"), "Name it a.mkv"),
        (("--size", "1", "--out", "a.cube"), "size 1 cannot"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_words_and_nothing_is_left(tmp_path, monkeypatch, words, says):
    monkeypatch.chdir(tmp_path)
    movie(tmp_path / "src.mkv", frames=2)
    done = CliRunner().invoke(footroom, ["expose", "src.mkv", *words])
    assert isinstance(done.exception, Problem) and says in str(done.exception), (done.output, done.exception)
    assert [each.name for each in tmp_path.iterdir()] == ["src.mkv"]


def test_an_original_is_never_replaced(tmp_path):
    source = movie(tmp_path / "a.mkv", frames=1)
    before = source.read_bytes()
    done = CliRunner().invoke(
        footroom, ["expose", str(source), "--curve", "v-log", "--out", str(source), "--overwrite"]
    )
    assert isinstance(done.exception, Problem) and source.read_bytes() == before


def test_stills_and_a_picture_lower_than_a_legend(tmp_path):
    make_stills(tmp_path, "tiff", 16, size=(40, 30))
    out = tmp_path / "map.png"
    expose(tmp_path / "shot.####.tiff", "--display", "bt1886", "--out", out)
    with Pillow.open(out) as picture:
        assert picture.height > 200 and picture.width > 40
