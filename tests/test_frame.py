"""`footroom frame` from end to end on real files: burns that touch only what a guide touches, crops that are slices, sheets."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from frame_running import all_planes, frame, framed, listing
from media_files import make_movie, make_stills, noise
from PIL import Image

from footroom.host_adapter.guides import Guides, draw
from footroom.host_adapter.headless import movie as movie_module
from footroom.host_adapter.headless.delivery.makers import Painter
from footroom.host_adapter.headless.delivery.request import Delivery, Request
from footroom.host_adapter.headless.delivery.stage import stage_for
from footroom.host_adapter.headless.opening import open_recording
from footroom.host_adapter.wanted import read_window
from footroom.kernels import Encoding, Range
from footroom.kernels.framing import SAMPLING_STEPS, Picture, place
from footroom.kernels.matrix import Matrix
from footroom.kernels.motion import Ease, Key, WindowPath
from footroom.kernels.overlay import Siting, blend, sparse_planes

SIZE = (96, 64)
FRAMES = 3
BT709 = (1, 1, 1)  # primaries, transfer, matrix as H.273 numbers them
YCBCR = [f"yuv{s}p{d}" for s in ("420", "422", "444") for d in ("", "10le", "12le")]
OTHERS = ["gbrp10le", "gbrp12le", "gray", "gray10le", "yuva420p", "yuva444p10le"]
SAMPLINGS = {"420": "4:2:0", "422": "4:2:2", "444": "4:4:4", "411": "4:1:1", "440": "4:4:0"}


def sampling(pixel_format: str) -> str:
    return next((value for key, value in SAMPLINGS.items() if key in pixel_format), "4:4:4")


def pyav_planes(path: Path) -> list[list[np.ndarray]]:
    """Every frame's planes in FFmpeg's own order, read without the program's reader."""
    frames = []
    with av.open(str(path)) as container:
        for native in container.decode(video=0):
            wide = 2 if any(part.bits > 8 for part in native.format.components) else 1
            planes = []
            for plane in native.planes:
                lines = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
                planes.append(lines[:, : plane.width * wide].copy().view(np.uint16 if wide == 2 else np.uint8))
            frames.append(planes)
    return frames


def far_from_lines(size: tuple[int, int], windows: tuple[str, ...], reach: int = 8) -> np.ndarray:
    """Pixels more than `reach` from every side of every window: bool [rows, columns]."""
    rows, columns = np.mgrid[: size[1], : size[0]]
    far = np.ones((size[1], size[0]), bool)
    for text in windows:
        x, y, width, height = place(read_window(text), Picture(*size, step=(2, 2))).rect.pixels()
        beside = (rows >= y - reach) & (rows < y + height + reach) & (columns >= x - reach)
        beside &= columns < x + width + reach
        inner = (rows >= y + reach) & (rows < y + height - reach) & (columns >= x + reach)
        inner &= columns < x + width - reach
        far &= ~beside | inner
    return far


def at_samples(mask: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """A mask of pixels as a mask of a plane's samples, each of which stands for `step` pixels."""
    return mask[:: round(mask.shape[0] / shape[0]), :: round(mask.shape[1] / shape[1])][: shape[0], : shape[1]]


def check_only_guides_changed(before, after, windows, size=SIZE) -> None:
    far = far_from_lines(size, windows)
    assert len(before) == len(after) > 0
    changed = 0
    for old_planes, new_planes in zip(before, after, strict=True):
        assert len(old_planes) == len(new_planes)
        for old, new in zip(old_planes, new_planes, strict=True):
            assert old.dtype == new.dtype and old.shape == new.shape
            same = at_samples(far, old.shape[:2])
            assert same.mean() > 0.25
            assert np.array_equal(old[same], new[same])
            changed += int((old != new).sum())
    assert changed > 40 * len(before)


@pytest.mark.parametrize("flag", [Range.NARROW, Range.FULL], ids=lambda flag: flag.label)
@pytest.mark.parametrize("pixel_format", YCBCR)
def test_a_burn_keeps_every_code_that_no_guide_touches(tmp_path, pixel_format, flag):
    source, out = tmp_path / "a.mkv", tmp_path / "out.mkv"
    make_movie(source, "ffv1", pixel_format, size=SIZE, frames=FRAMES, range=flag, colour=BT709)
    framed(source, "--out", out, "--window", "30x40@centre,0,2", "--window", "20x20@left,10,0")
    before, after = pyav_planes(source), pyav_planes(out)
    check_only_guides_changed(before, after, ("30x40@centre,0,2", "20x20@left,10,0"))
    with open_recording(out) as made, open_recording(source) as given:
        assert made.info.tag.trusted is given.info.tag.trusted is flag
        assert made.info.pixel_format == given.info.pixel_format

    # The very codes of the kernel's own blend, on every plane of every frame.
    depth = int(pixel_format[7:9] or 8)
    encoding, step = Encoding(depth, flag), SAMPLING_STEPS[sampling(pixel_format)]
    picture = Picture(*SIZE, step=step)
    texts = ("30x40@centre,0,2", "20x20@left,10,0")
    drawing = draw(Guides(picture, tuple(place(read_window(text), picture) for text in texts)))
    sparse = sparse_planes(drawing, encoding, encoding.channels(), matrix=Matrix.BT709, siting=Siting(step))
    for old, new in zip(before, after, strict=True):
        for plane, target, each in zip(old, new, sparse, strict=True):
            blend(plane, each)
            assert np.array_equal(plane, target)


@pytest.mark.parametrize("pixel_format", OTHERS)
def test_a_burn_keeps_the_codes_of_rgb_gray_and_alpha_too(tmp_path, pixel_format):
    source, out = tmp_path / "a.mkv", tmp_path / "out.mkv"
    make_movie(source, "ffv1", pixel_format, size=SIZE, frames=FRAMES)
    framed(source, "--out", out, "--window", "30x40@centre,0,2")
    check_only_guides_changed(pyav_planes(source), pyav_planes(out), ("30x40@centre,0,2",))


def test_a_burn_into_semi_planar_frames(tmp_path):
    """NV12 keeps both chroma channels in one plane; the result is planar, the codes are the same."""
    source, out = tmp_path / "a.avi", tmp_path / "out.mkv"
    planes = make_movie(source, "rawvideo", "nv12", size=SIZE, frames=FRAMES)
    framed(source, "--out", out, "--window", "30x40@centre,0,2", "--codec", "ffv1")
    check_only_guides_changed(planes, pyav_planes(out), ("30x40@centre,0,2",))


def test_guides_have_the_codes_of_the_words_that_are_written(tmp_path):
    """Codes that lay six bits up in their words (P010) are painted as those of the plain format they are written in."""
    source = tmp_path / "a.mkv"
    (planes,) = make_movie(source, "ffv1", "yuv420p10le", size=SIZE, frames=1)
    with open_recording(source) as recording:
        info = recording.info
    stage = stage_for(Request((Delivery(read_window("30x40@centre,0,2")),), shade=0.5), info)
    plain = Encoding(10, Range.NARROW)
    made = []
    for shift in (0, 6):
        painter = Painter(stage, info, Encoding(10, Range.NARROW, bit_shift=shift), plain, Matrix.BT709)
        targets = tuple(np.empty_like(plane) for plane in planes)
        painter.paint(tuple(plane << shift for plane in planes), targets, Fraction(0))
        made.append(targets)
    for straight, shifted, before in zip(*made, planes, strict=True):
        assert np.array_equal(straight, shifted) and (straight != before).any()


STILLS = [("dpx", 10), ("dpx", 8), ("dpx", 12), ("dpx", 16), ("tif", 8), ("tif", 16), ("png", 8), ("png", 16),
          ("exr", "half"), ("exr", "float")]  # fmt: skip


def still_pixels(path: Path) -> np.ndarray:
    image = oiio.ImageInput.open(str(path))
    assert image is not None, oiio.geterror()
    kind = image.spec().format
    pixels = np.asarray(image.read_image(kind))
    image.close()
    return pixels


@pytest.mark.parametrize(("kind", "depth"), STILLS)
def test_stills_are_burnt_and_cropped_code_for_code(tmp_path, kind, depth):
    make_stills(tmp_path / "in", kind, depth, size=SIZE, frames=2)
    pattern = tmp_path / "in" / f"shot.####.{kind}"
    framed(pattern, "--out", tmp_path / "burn", "--as", "burn", "--window", "30x40@centre,0,2")
    framed(pattern, "--out", tmp_path / "crop", "--as", "crop", "--window", "31x41@left,7,3")
    names = [f"shot.000{number}.{kind}" for number in (1, 2)]
    assert listing(tmp_path / "burn") == listing(tmp_path / "crop") == names
    before = [[still_pixels(tmp_path / "in" / name)] for name in names]
    check_only_guides_changed(
        before, [[still_pixels(tmp_path / "burn" / name)] for name in names], ("30x40@centre,0,2",)
    )
    # (64 - 41) / 2 = 11.5 and 3 more: 14.5, of two equally near lines the lower one, as the record says.
    for (old,), name in zip(before, names, strict=True):
        assert np.array_equal(still_pixels(tmp_path / "crop" / name), old[15 : 15 + 41, 7 : 7 + 31])


def over_by_another_library(background: Path, overlay: Path) -> np.ndarray:
    """OpenImageIO reads both files and lays one over the other: float levels [rows, columns, 3]."""
    below, above = oiio.ImageBuf(str(background)), oiio.ImageBuf(str(overlay))
    below.read(0, 0, True, oiio.FLOAT)
    above.read(0, 0, True, oiio.FLOAT)
    opaque = oiio.ImageBufAlgo.channels(below, ("R", "G", "B", 1.0), ("R", "G", "B", "A"))
    done = oiio.ImageBufAlgo.over(above, opaque)
    assert not done.has_error, done.geterror()
    return np.asarray(done.get_pixels(oiio.FLOAT))[..., :3]


@pytest.mark.parametrize("suffix", ["png", "tif", "exr"])
@pytest.mark.parametrize(("kind", "depth"), [("png", 8), ("png", 16), ("tif", 8), ("tif", 16)])
def test_an_overlay_laid_over_by_another_library_equals_the_burn(tmp_path, kind, depth, suffix):
    make_stills(tmp_path, kind, depth, size=(192, 128), frames=1)
    source = tmp_path / f"shot.0001.{kind}"
    looks = (
        "--window",
        "1:1",
        "--window",
        "9:16",
        "--grid",
        "thirds",
        "--grid",
        "diagonals",
        "--shade",
        "45",
        "--label",
    )
    framed(source, "--out", tmp_path / f"burnt.{kind}", "--as", "burn", "--assume", "full", *looks)
    framed(source, "--out", tmp_path / f"guides.{suffix}", "--as", "overlay", *looks)
    top = (1 << depth) - 1
    burnt = still_pixels(tmp_path / f"burnt.{kind}").astype(float)
    drawn = np.asarray(over_by_another_library(source, tmp_path / f"guides.{suffix}"), float) * top
    # At 8 bits within one code. At 16 the overlay itself is rounded to 16 bits in colour and in alpha, half a code each,
    # beside the burn's own half; a half-float EXR has 11 bits of precision (IEEE 754), so 2^-12 of full scale and two of them.
    allowed = 1.0 if depth == 8 else 2.0 if suffix != "exr" else 65535 / 2**11
    assert np.abs(drawn - burnt).max() <= allowed


def test_pillow_reads_the_overlay_as_straight_rgba(tmp_path):
    framed("--out", tmp_path / "o.png", "--as", "overlay", "--size", "192x128", "--window", "1:1", "--shade", "50")
    with Image.open(tmp_path / "o.png") as image:
        assert image.size == (192, 128)
        straight = np.asarray(image.convert("RGBA"))
    assert not straight[64, 96].any()  # in the middle of the window: nothing
    assert straight[64, 2, 3] == pytest.approx(127.5, abs=1)  # outside: half dark
    core = straight[..., 3] == 255
    assert core.sum() > 200
    assert straight[core][:, 0].min() > 230  # straight: CHALK's red is .95 at full cover


def test_assume_decides_the_guides_codes_and_leaves_the_flag(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=SIZE, frames=FRAMES, range=Range.NARROW, colour=BT709)
    cores = {}
    for word in ("narrow", "full"):
        out = tmp_path / f"{word}.mkv"
        framed(source, "--out", out, "--window", "1:1", "--assume", word)
        with open_recording(out) as made:
            assert made.info.tag.trusted is Range.NARROW
            assert made.info.tag.trusted == made.info.tag.stream or made.info.tag.stream is None
        x = int(place(read_window("1:1"), Picture(*SIZE, step=(2, 2))).rect.x0)
        columns = np.stack([frame_planes[0][:, x - 1] for frame_planes in pyav_planes(out)])
        assert len(np.unique(columns)) == 1
        cores[word] = int(columns[0, 0])
    light = 0.2126 * 0.95 + 0.7152 * 0.93 + 0.0722 * 0.88  # BT.709-6 item 3.2, of the first window's tint
    assert cores == {"narrow": round(16 + 219 * light), "full": round(255 * light)}
    check_only_guides_changed(pyav_planes(source), pyav_planes(tmp_path / "full.mkv"), ("1:1",))


def packets(path: Path, kind: str = "audio") -> list[bytes]:
    with av.open(str(path)) as container:
        stream = container.streams.audio[0] if kind == "audio" else container.streams.video[0]
        return [bytes(packet) for packet in container.demux(stream) if packet.size]


def timecode(path: Path) -> str | None:
    with av.open(str(path)) as container:
        said = [container.metadata, *(stream.metadata for stream in container.streams)]
    return next((each[key] for each in said for key in each if key.lower() == "timecode"), None)


@pytest.mark.parametrize(
    ("name", "codec", "pixel_format", "sound"),
    [
        ("a.mkv", "ffv1", "yuv420p10le", "pcm_s16le"),
        ("a.mov", "libx264", "yuv420p", "aac"),
        ("a.mov", "prores_ks", "yuv422p10le", "pcm_s24le"),
    ],
)
def test_sound_and_timecode_go_into_every_result(tmp_path, name, codec, pixel_format, sound):
    source = tmp_path / name
    make_movie(source, codec, pixel_format, size=SIZE, frames=10, audio=(sound,), timecode="10:59:58:12")
    record = framed(
        source, "--out", tmp_path / "out", "--as", "burn", "--as", "crop", "--window", "1:1", "--window", "9:16"
    )
    results = [Path(each["path"]) for each in record["results"]]
    assert len(results) == 3
    for each, result in zip(results, record["results"], strict=True):
        assert packets(each) == packets(source)
        assert timecode(each) == timecode(source) == "10:59:58:12"
        assert result["uncarried"] == []


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p10le", "yuv444p12le", "yuv420p12le", "yuv411p", "yuv440p"])
@pytest.mark.parametrize("window", ["1:1", "9:16@left", "31x33@right,-3,5", "40x30@bottom-right", "2.39@top,0,7"])
def test_a_crop_is_a_slice_of_every_plane(tmp_path_factory, pixel_format, window):
    folder = tmp_path_factory.getbasetemp() / "slices"
    folder.mkdir(exist_ok=True)
    source = folder / f"{pixel_format}.mkv"
    if not source.exists():
        make_movie(source, "ffv1", pixel_format, size=SIZE, frames=2)
    out = folder / f"{pixel_format}-{window.translate(str.maketrans(':@,', '___'))}.mkv"
    (report,) = framed(source, "--out", out, "--as", "crop", "--window", window)["windows"]
    step = SAMPLING_STEPS[sampling(pixel_format)]
    for key, unit in zip(("x", "width", "y", "height"), (step[0], step[0], step[1], step[1]), strict=True):
        assert report[key] % unit == 0
    x, y, width, height = (report[key] for key in ("x", "y", "width", "height"))
    for old, new in zip(pyav_planes(source), pyav_planes(out), strict=True):
        for number, (plane, part) in enumerate(zip(old, new, strict=True)):
            across, down = step if number else (1, 1)
            rows, columns = slice(y // down, (y + height) // down), slice(x // across, (x + width) // across)
            assert np.array_equal(plane[rows, columns], part)


@pytest.mark.parametrize("pixel_format", ["gbrp10le", "gray", "yuv444p", "yuv420p", "yuv422p"])
def test_odd_sizes(tmp_path, pixel_format):
    size = (97, 63)
    source = tmp_path / "odd.mkv"
    make_movie(source, "ffv1", pixel_format, size=size, frames=2)
    framed(source, "--out", tmp_path / "b.mkv", "--as", "burn", "--window", "30x30")
    record = framed(source, "--out", tmp_path / "c.mkv", "--as", "crop", "--window", "1:1")
    (report,) = record["windows"]
    assert 62 <= report["width"] <= 64 and 62 <= report["height"] <= 63
    for old, burnt, cut in zip(
        pyav_planes(source), pyav_planes(tmp_path / "b.mkv"), pyav_planes(tmp_path / "c.mkv"), strict=True
    ):
        for number, (plane, target, part) in enumerate(zip(old, burnt, cut, strict=True)):
            assert plane.shape == target.shape
            assert np.array_equal(plane[:2], target[:2]) and np.array_equal(plane[:, -2:], target[:, -2:])
            chroma = number and "4:4:4" != sampling(pixel_format)
            across, down = SAMPLING_STEPS[sampling(pixel_format)] if chroma else (1, 1)
            x, y = report["x"] // across, report["y"] // down
            assert np.array_equal(plane[y : y + part.shape[0], x : x + part.shape[1]], part)


def test_many_windows_cost_one_decode(tmp_path, monkeypatch):
    source, count = tmp_path / "a.mkv", 12
    make_movie(source, "ffv1", "yuv420p", size=(240, 136), frames=count)
    decoded: list[Path] = []
    original = movie_module.DecodeWatch.decode

    def counting(self, packet):
        for native in original(self, packet):
            decoded.append(self.path if hasattr(self, "path") else self._path)
            yield native

    monkeypatch.setattr(movie_module.DecodeWatch, "decode", counting)
    framed(
        source, "--out", tmp_path / "out", "--as", "burn", "--as", "crop", "--as", "sheet", "--as", "overlay",
        "--window", "1:1", "--window", "9:16", "--window", "4:5@left", "--window", "2.39", "--at", "0.2",
    )  # fmt: skip
    assert len(decoded) > 5 * count  # the results are read back, so the counter does count
    assert sum(path == source for path in decoded) <= count + 2  # once, and the first frame for its time


FLAT = {
    "yuv420p": (87, 101, 200),
    "yuv422p10le": (333, 700, 401),
    "gbrp10le": (12, 99, 940),
    "yuv444p12le": (900, 2048, 1),
}


def flat(pixel_format):
    paint = noise(pixel_format, SIZE)

    def painted(index):
        return tuple(np.full_like(plane, code) for plane, code in zip(paint(index), FLAT[pixel_format], strict=True))

    return painted


@pytest.mark.parametrize("pixel_format", FLAT)
def test_a_scaled_crop_has_the_asked_size_and_a_flat_colour_stays_exact(tmp_path, pixel_format):
    source, out = tmp_path / "a.mkv", tmp_path / "c.mkv"
    make_movie(source, "ffv1", pixel_format, size=SIZE, frames=2, paint=flat(pixel_format), range=Range.NARROW)
    framed(source, "--out", out, "--as", "crop", "--window", "9:16", "--size", "90x160")
    for planes in all_planes(out):
        for plane, code in zip(planes, FLAT[pixel_format], strict=True):
            assert np.unique(plane).tolist() == [code]
        assert planes[0].shape == (160, 90)


KEYS = """
[[key]]
time = 0.0
x = 0.2
y = 0.5
[[key]]
time = 0.2
x = 0.8
y = 0.4
ease = "linear"
[[key]]
time = 0.32
x = 0.3
y = 0.5
ease = "hold"
[[key]]
time = 0.36
x = 0.6
y = 0.5
"""


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv444p10le"])
def test_a_moving_window_is_where_its_path_says_frame_by_frame(tmp_path, pixel_format):
    source, out = tmp_path / "a.mkv", tmp_path / "c.mkv"
    make_movie(source, "ffv1", pixel_format, size=SIZE, frames=11)
    (tmp_path / "p.toml").write_text(KEYS)
    record = framed(source, "--out", out, "--as", "crop", "--window", "30x40", "--path", tmp_path / "p.toml")
    assert record["windows"][0]["moves"] is True
    times = [Fraction(0), Fraction(1, 5), Fraction(8, 25), Fraction(9, 25)]
    half = Fraction(1, 2)
    places = [(Fraction(1, 5), half), (Fraction(4, 5), Fraction(2, 5)), (Fraction(3, 10), half), (Fraction(3, 5), half)]
    eases = [Ease.SMOOTH, Ease.LINEAR, Ease.HOLD, Ease.SMOOTH]
    path = WindowPath(tuple(Key(t, x, y, ease=e) for t, (x, y), e in zip(times, places, eases, strict=True)))
    step = SAMPLING_STEPS[sampling(pixel_format)]
    picture, wanted = Picture(*SIZE, step=step), read_window("30x40")
    seen = set()
    frames = zip(pyav_planes(source), pyav_planes(out), strict=True)
    for index, (old, new) in enumerate(frames):
        x, y, width, height = path.window(wanted, picture, Fraction(index, 25)).rect.pixels()
        seen.add((x, y))
        for number, (plane, part) in enumerate(zip(old, new, strict=True)):
            across, down = step if number else (1, 1)
            assert np.array_equal(plane[y // down : (y + height) // down, x // across : (x + width) // across], part), (
                index,
                number,
            )
    assert len(seen) >= 8


def test_the_moving_overlay_lies_where_the_moving_crop_is_cut(tmp_path):
    (tmp_path / "p.toml").write_text(KEYS)
    options = ("--window", "30x40", "--path", tmp_path / "p.toml")
    framed(
        "--out",
        tmp_path / "o.mkv",
        "--as",
        "overlay",
        "--size",
        "96x64",
        "--rate",
        "25",
        "--seconds",
        "0.4",
        "--even",
        *options,
    )
    make_movie(tmp_path / "a.mkv", "ffv1", "yuv420p", size=SIZE, frames=10)
    framed(tmp_path / "a.mkv", "--out", tmp_path / "o2.mkv", "--as", "overlay", *options)
    bare, beside = all_planes(tmp_path / "o.mkv"), all_planes(tmp_path / "o2.mkv")
    assert len(bare) == len(beside) == 10
    picture = Picture(*SIZE, step=(2, 2))
    key = [Key(Fraction(0), Fraction(1, 5), Fraction(1, 2)), Key(Fraction(1, 5), Fraction(4, 5), Fraction(2, 5))]
    path = WindowPath(tuple(key))
    for index, (one, other) in enumerate(zip(bare, beside, strict=True)):
        assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
        if index <= 5:
            x, y, width, height = path.window(read_window("30x40"), picture, Fraction(index, 25)).rect.pixels()
            alpha = one[-1]
            assert not alpha[y + 2 : y + height - 2, x + 2 : x + width - 2].any()
            assert alpha[y + 5, x - 1] == alpha.max() > 0


def test_an_overlay_movie_of_uneven_frame_times_goes_with_them_or_says_that_it_does_not(tmp_path):
    source = tmp_path / "a.mkv"
    times = [0, 40, 400, 440, 1000]
    make_movie(source, "ffv1", "yuv420p", size=SIZE, frames=5, times=times, time_base=Fraction(1, 1000))
    (tmp_path / "p.toml").write_text("[[key]]\ntime = 0\nx = 0.2\n[[key]]\ntime = 1\nx = 0.8\n")
    done = frame(
        source, "--out", tmp_path / "o.mkv", "--as", "overlay", "--window", "30x40", "--path", tmp_path / "p.toml"
    )
    if done.code == 2:
        assert "times" in done.err
        return
    assert done.code == 0
    with av.open(str(tmp_path / "o.mkv")) as container:
        made = [round(float(native.pts * native.time_base) * 1000) for native in container.decode(video=0)]
    assert made == times or "uneven" in done.out


def aspect_of(path: Path) -> Fraction:
    with av.open(str(path)) as container:
        return Fraction(container.streams.video[0].sample_aspect_ratio or 1)


def squeezed_movie(path: Path) -> Path:
    make_movie(path, "libx264", "yuv420p", size=SIZE, frames=2, aspect=Fraction(2), paint=flat("yuv420p"))
    return path


@pytest.mark.parametrize("codec", ["h264", "ffv1"])
def test_the_files_pixel_aspect_is_honoured_and_written(tmp_path, codec):
    source, suffix = squeezed_movie(tmp_path / "a.mov"), {"h264": "mov", "ffv1": "mkv"}[codec]
    out = tmp_path / f"c.{suffix}"
    record = framed(source, "--out", out, "--as", "crop", "--window", "1:1", "--codec", codec)
    assert record["picture"]["pixel_aspect"] == 2
    assert record["picture"]["displayed_ratio"] == 3  # 2 x 96 / 64
    (report,) = record["windows"]
    assert (report["x"], report["y"], report["width"], report["height"]) == (32, 0, 32, 64)
    assert aspect_of(out) == 2
    framed(source, "--out", tmp_path / f"b.{suffix}", "--as", "burn", "--window", "1:1", "--codec", codec)
    assert aspect_of(tmp_path / f"b.{suffix}") == 2


def test_a_scaled_crop_has_square_pixels(tmp_path):
    source = squeezed_movie(tmp_path / "a.mov")
    framed(source, "--out", tmp_path / "c.mov", "--as", "crop", "--window", "1:1", "--size", "64x64")
    assert aspect_of(tmp_path / "c.mov") == 1
    with av.open(str(tmp_path / "c.mov")) as container:
        assert (container.streams.video[0].width, container.streams.video[0].height) == (64, 64)


@pytest.mark.parametrize("kind", ["burn", "crop"])
def test_desqueeze_makes_square_pixels(tmp_path, kind):
    source, out = tmp_path / "a.mkv", tmp_path / "d.mkv"
    make_movie(source, "ffv1", "yuv420p", size=SIZE, frames=2, paint=flat("yuv420p"))
    record = framed(source, "--out", out, "--as", kind, "--window", "2.39", "--squeeze", "1.33", "--desqueeze")
    # 96 x 4/3 = 128 columns; displayed 2:1, so a window of 2.39 keeps the width and 128 / 2.39 = 53.6 lines, of which
    # the nearest congruent to 64 mod 4 is 52 (check-values E's rule).
    assert record["picture"]["made_in"] == [128, 64]
    (report,) = record["windows"]
    assert (report["x"], report["y"], report["width"], report["height"]) == (0, 6, 128, 52)
    made = all_planes(out)
    assert made[0][0].shape == ((52, 128) if kind == "crop" else (64, 128))
    assert aspect_of(out) == 1
    if kind == "crop":
        assert [np.unique(plane).tolist() for plane in made[0]] == [[code] for code in FLAT["yuv420p"]]


def test_squeeze_places_windows_on_the_displayed_picture(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv444p", size=SIZE, frames=1)
    record = framed(source, "--out", tmp_path / "c.mkv", "--as", "crop", "--window", "1:1", "--squeeze", "2")
    (report,) = record["windows"]
    assert (report["x"], report["y"], report["width"], report["height"], report["ratio"]) == (32, 0, 32, 64, 1.0)


def test_a_squeeze_that_the_file_states_counts_once_and_says_so(tmp_path):
    source = squeezed_movie(tmp_path / "a.mov")
    record = framed(source, "--out", tmp_path / "c.mov", "--as", "crop", "--window", "1:1", "--squeeze", "2")
    assert record["picture"]["pixel_aspect"] == 2
    assert any("once" in note for note in record["notes"])


def grey_frames(tmp_path: Path, name: str, codec: str, count: int = 6, size=(160, 90)) -> Path:
    """Every frame another grey: luma 40 + 30 x its number, narrow."""

    def paint(index):
        planes = noise("yuv420p", size)(index)
        return (np.full_like(planes[0], 40 + 30 * index), *(np.full_like(plane, 128) for plane in planes[1:]))

    options = {"crf": "0"} if codec == "libx264" else None
    make_movie(
        tmp_path / name, codec, "yuv420p", size=size, frames=count, paint=paint, range=Range.NARROW, options=options
    )
    return tmp_path / name


def shown_frame(sheet: Path) -> int:
    """Which of the greys covers most of a sheet."""
    with Image.open(sheet) as image:
        pixels = np.asarray(image.convert("RGB"))[::3, ::3].astype(np.int16)
    assert 70 < pixels.shape[1] < 2000 and 40 < pixels.shape[0] < 2000
    counts = []
    for index in range(6):
        grey = (40 + 30 * index - 16) * 255 / 219
        counts.append(int((np.abs(pixels - grey).max(axis=-1) <= 1.5).sum()))
    assert max(counts) > 0.1 * pixels[..., 0].size
    return int(np.argmax(counts))


GREYS = [("a.mov", "libx264"), ("a.mkv", "ffv1")]
"""A file that says how many pictures it holds, and one that does not."""


@pytest.mark.parametrize(("name", "codec"), GREYS)
@pytest.mark.parametrize("beside", [(), ("--as", "crop")], ids=["alone", "beside a crop"])
def test_a_sheet_shows_the_middle_frame_where_nobody_says_which(tmp_path, name, codec, beside):
    source = grey_frames(tmp_path, name, codec)
    (tmp_path / "out").mkdir()
    framed(source, "--out", tmp_path / "out", "--as", "sheet", *beside, "--window", "1:1")
    assert shown_frame(tmp_path / "out" / "a.sheet.png") in (2, 3)


@pytest.mark.parametrize(("at", "expected"), [(0, 0), (0.16, 4), (0.2, 5)])
def test_a_sheet_shows_the_frame_of_at(tmp_path, at, expected):
    for name, codec in GREYS:
        source = grey_frames(tmp_path, name, codec)
        (tmp_path / name[2:]).mkdir()
        framed(source, "--out", tmp_path / name[2:], "--as", "sheet", "--as", "crop", "--window", "1:1", "--at", at)
        assert shown_frame(tmp_path / name[2:] / "a.sheet.png") == expected


@pytest.mark.parametrize(("at", "expected"), [(0.05, 1), (0.079, 1), (0.23, 5)])
def test_a_sheet_shows_the_frame_that_is_on_screen_at_that_time(tmp_path, at, expected):
    """At 25 a second frame n is on screen from n x .04 s on, the last one of six until .24 s: what a player's clock says."""
    source = grey_frames(tmp_path, "a.mov", "libx264")
    framed(source, "--out", tmp_path / "s.png", "--as", "sheet", "--at", at)
    assert shown_frame(tmp_path / "s.png") == expected


def test_sheets_of_different_windows_differ(tmp_path):
    source = grey_frames(tmp_path, "a.mov", "libx264")
    sheets = []
    for number, windows in enumerate((("1:1",), ("9:16",), ("1:1", "9:16"), ())):
        words = [word for window in windows for word in ("--window", window)]
        out = tmp_path / f"{number}.png"
        framed(source, "--out", out, "--as", "sheet", *words)
        with Image.open(out) as image:
            assert image.width > 600
            sheets.append(image.tobytes())
    assert len(set(sheets)) == 4


def test_the_record_by_hand(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(320, 180), frames=2)
    record = framed(
        source, "--out", tmp_path / "out.mkv", "--as", "burn", "--window", "9:16", "--window", "side=9:16@left"
    )
    assert set(record) == {"input", "picture", "windows", "common_area", "notes", "results"}
    assert record["input"] == str(source)
    assert record["picture"] == {
        "width": 320, "height": 180, "pixel_aspect": 1.0, "displayed_ratio": 1.77778, "made_in": [320, 180],
    }  # fmt: skip
    middle, side = record["windows"]
    # 180 x 9/16 = 101.25. In the middle: 320 is 0 mod 4, so 100, 1.25 narrower; 100 / 320 = 31.25 %.
    assert middle == {
        "name": "9:16", "x": 110, "y": 0, "width": 100, "height": 180, "kept_percent": 31.25, "ratio": 0.55556,
        "ratio_asked": 0.5625, "exact": {"x0": 109.375, "y0": 0.0, "x1": 210.625, "y1": 180.0},
        "rounding": {"wider": -1.25, "taller": 0.0, "right": 0.0, "down": 0.0}, "size": None, "moves": False,
    }  # fmt: skip
    # At the left: the same size, so its middle is .625 further left.
    assert (side["name"], side["x"], side["width"], side["kept_percent"]) == ("side", 0, 100, 31.25)
    assert side["rounding"] == {"wider": -1.25, "taller": 0.0, "right": -0.625, "down": 0.0}
    assert record["common_area"] is None  # 0..100 and 110..210 have nothing in common
    (result,) = record["results"]
    assert set(result) == {"as", "of", "path", "state", "words", "receipt", "uncarried"}
    assert (result["as"], result["of"], result["state"]) == ("burn", None, "written")
    receipt = json.loads(Path(result["receipt"]).read_text())
    assert receipt["output"]["bytes"] == Path(result["path"]).stat().st_size


def test_the_common_area_by_hand(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(320, 180), frames=1)
    record = framed(
        source, "--out", tmp_path / "o.png", "--as", "sheet", "--window", "a=1:1@left", "--window", "b=1:1@right"
    )
    # 0..180 and 140..320: 140..180, 40 x 180 of 320 x 180 = 12.5 %.
    assert record["common_area"] == {
        "x": 140, "y": 0, "width": 40, "height": 180, "kept_percent": 12.5, "moves": False,
    }  # fmt: skip


def test_a_second_run_does_nothing_and_overwrite_replaces_what_others_made(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(160, 90), frames=2)
    words = (source, "--out", tmp_path / "out", "--as", "burn", "--as", "crop", "--as", "overlay", "--as", "sheet",
             "--window", "1:1", "--window", "9:16")  # fmt: skip
    first = framed(*words)
    assert {each["state"] for each in first["results"]} == {"written"}
    stamps = {path: (tmp_path / "out" / path).stat().st_mtime_ns for path in listing(tmp_path / "out")}
    again = framed(*words)
    assert [each["path"] for each in again["results"]] == [each["path"] for each in first["results"]]
    assert {each["state"] for each in again["results"]} == {"whole already"}
    assert {path: (tmp_path / "out" / path).stat().st_mtime_ns for path in listing(tmp_path / "out")} == stamps
    gone = Path(first["results"][1]["path"])
    gone.unlink()
    third = framed(*words)
    assert [each["state"] for each in third["results"]].count("written") == 1
    assert gone.exists()


def test_another_request_is_not_taken_for_the_same(tmp_path):
    """Whatever changes a result's pixels must change its settings, or a stale result would pass for whole."""
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(160, 90), frames=2)
    (tmp_path / "p.toml").write_text("[[key]]\ntime = 0\nx = 0.4\n")
    out = tmp_path / "c.mkv"
    base = (source, "--out", out, "--as", "burn", "--window", "1:1")
    framed(*base)
    for more in (
        ("--window", "9:16"), ("--grid", "thirds"), ("--safe", "action"), ("--centre",), ("--shade", "40"), ("--label",),
        ("--squeeze", "2"), ("--even", "--squeeze", "2"), ("--assume", "full"), ("--path", tmp_path / "p.toml"),
    ):  # fmt: skip
        done = frame(*base, *more)
        assert done.code == 2 and "other settings" in done.err, more


def test_a_result_of_another_version_is_not_taken_for_whole(tmp_path, monkeypatch):
    source, out = tmp_path / "a.mkv", tmp_path / "c.png"
    make_movie(source, "ffv1", "yuv420p", size=(160, 90), frames=2)
    words = (source, "--out", out, "--as", "overlay", "--window", "1:1")
    framed(*words)
    monkeypatch.setattr("footroom.host_adapter.headless.delivery.record.program_version", lambda: "99.0")
    done = frame(*words)
    assert done.code == 2 and "by another version" in done.err
    for state in ("written", "whole already"):
        (result,) = framed(*words, "--overwrite")["results"]
        assert result["state"] == state


def test_the_words_name_windows_results_and_rounding(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=(320, 180), frames=1)
    done = frame(
        source, "--out", tmp_path / "o", "--as", "burn", "--as", "crop", "--window", "tall=9:16", "--window", "1:1"
    )
    assert done.code == 0
    for part in (
        "tall",
        "110",
        "1.25 narrower",
        "31.2 %",
        "common area: 100 x 180 at 110, 0",
        "a.burn.mkv",
        "a.tall.mkv",
    ):
        assert part in done.out, part
    assert done.err == ""


def test_the_source_is_never_touched(tmp_path):
    source = tmp_path / "in" / "a.mkv"
    source.parent.mkdir()
    make_movie(source, "ffv1", "yuv420p", size=(160, 90), frames=2)
    before = source.read_bytes(), source.stat().st_mtime_ns
    framed(source, "--out", tmp_path / "out", "--as", "burn", "--as", "crop", "--as", "sheet", "--as", "overlay",
           "--window", "1:1")  # fmt: skip
    assert (source.read_bytes(), source.stat().st_mtime_ns) == before
    assert listing(source.parent) == ["a.mkv"]


@pytest.mark.parametrize(("transfer", "white"), [(1, 1.0), (16, 0.58), (18, 0.75)])
def test_guides_are_as_light_as_graphics_white_in_the_recordings_transfer(tmp_path, transfer, white):
    """ITU-R BT.2408 table 1: 203 cd/m2 is 58 % in PQ (H.273 transfer 16) and 75 % in HLG (18)."""
    source, out = tmp_path / "a.mkv", tmp_path / "b.mkv"
    make_movie(source, "ffv1", "yuv444p10le", size=SIZE, frames=1, range=Range.NARROW, colour=(9, transfer, 9))
    framed(source, "--out", out, "--window", "1:1")
    x = int(place(read_window("1:1"), Picture(*SIZE)).rect.x0)
    light = 0.2627 * 0.95 + 0.6780 * 0.93 + 0.0593 * 0.88  # BT.2020-2 table 4, of the first window's tint
    assert np.unique(pyav_planes(out)[0][0][:, x - 1]).tolist() == [round(64 + 876 * light * white)]


def test_an_interlaced_crop_keeps_its_fields_in_order(tmp_path):
    source = tmp_path / "a.mkv"
    make_movie(source, "ffv1", "yuv420p", size=SIZE, frames=3, field_order="tff")
    (report,) = framed(source, "--out", tmp_path / "c.mkv", "--as", "crop", "--window", "40x30@top,0,7")["windows"]
    assert report["y"] % 4 == 0  # two chroma lines, one of each field
