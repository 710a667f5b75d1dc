"""Ranges inside Blender: renders of the real sequencer and compositor against the exact levels of the codes.

Bounds. A float render of an sRGB sequencer goes through Blender's sRGB curve twice, in float32 with a fitted power function: 4e-5 of
the signal at most, measured (3.2e-5), which is a thirtieth of a 10-bit code. In a linear sequencer nothing is computed: equal floats.
A 16-bit PNG adds half its own step. Where Blender's decoder itself rounds, the test says so.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

bpy = pytest.importorskip("bpy", reason="Blender as a module is not installed: pip install -e '.[blender]'")

from media_files import make_movie  # noqa: E402
from rendering import (  # noqa: E402
    COLUMNS,
    ROWS,
    add_movie,
    codes_of,
    colours,
    levels,
    read,
    render,
    render_all,
    select,
    set_up,
    shoot,
    signal,
)

from footroom.host_adapter.blender import feed, live, nodes, range_modifier, relinking, survey_ops, versions  # noqa: E402
from footroom.kernels import Encoding, Model, Range  # noqa: E402
from footroom.kernels.matrix import Matrix  # noqa: E402
from footroom.kernels.signals import rgba_levels  # noqa: E402

pytestmark = pytest.mark.usefixtures("addon")

CURVE = 4e-5
"""What Blender's sRGB curve, forth and back, may be off (see the module)."""
PNG_STEP = 0.5 / 65535
NARROW_8, NARROW_10, FULL_10 = Encoding(8, Range.NARROW), Encoding(10, Range.NARROW), Encoding(10, Range.FULL)
GRAY = slice(0, ROWS // 2)


def test_blenders_own_reading_is_as_code_values_says(tmp_path):
    """Measured facts that the add-on builds on: another version that reads otherwise must fail here."""
    set_up()
    for depth in (8, 10, 12):
        encoding = Encoding(depth, Range.FULL)
        planes = shoot(tmp_path / f"full{depth}.mkv", encoding, Range.FULL, 1, beyond=0)[0]
        strip = add_movie(tmp_path / f"full{depth}.mkv")
        held = 1 if depth == 8 else float(((1 << depth) - 1) << (16 - depth)) / 65535
        made = signal(render(tmp_path))
        assert np.abs(made[GRAY] - levels(planes, encoding)[GRAY] * held).max() < CURVE
        bpy.context.scene.sequence_editor.strips.remove(strip)
    # Narrow is clipped at black and white, and 10 bit is read 0.0039 too dark at most, 3.4 of its 876 steps (a flaw of the host's).
    planes = shoot(tmp_path / "narrow.mkv", NARROW_10, Range.NARROW, 1, beyond=0.07)[0]
    add_movie(tmp_path / "narrow.mkv")
    made, true = signal(render(tmp_path)), levels(planes, NARROW_10)
    assert true[GRAY].min() < -0.04 and true[GRAY].max() > 1.04
    assert made.min() >= 0 and made.max() <= 1 + CURVE
    assert 0.003 < np.abs(made - true.clip(0, 1))[GRAY].max() < 0.004


@pytest.mark.parametrize("space", ["sRGB", "Linear Rec.709"])
@pytest.mark.parametrize("depth,model", [(8, Model.YCBCR), (10, Model.YCBCR), (12, Model.YCBCR), (10, Model.RGB)])
def test_modifier_gives_the_codes_levels(tmp_path, depth, model, space):
    """Narrow codes flagged full, excursions and all. Grays: to the curve. Colours: to what Blender's decoder leaves.

    The decoder rounds 8 bit to whole R'G'B' codes, which the change of range widens by 255/219; R'G'B' takes a way through Y'CbCr and
    back there, which costs half a 10-bit code.
    """
    encoding = Encoding(depth, Range.NARROW, model)
    planes = shoot(tmp_path / "clip.mkv", encoding, Range.FULL, 1)[0]
    set_up(space)
    add_movie(tmp_path / "clip.mkv")
    assert bpy.ops.footroom.range_modifier() == {"FINISHED"}
    made, true = signal(render(tmp_path)), levels(planes, encoding)
    off = np.abs(made - true)
    assert true[GRAY].min() < -0.02 and true[GRAY].max() > 1.02
    assert off[GRAY].max() < (CURVE if model is Model.YCBCR else 1e-4)
    decoder = {(8, Model.YCBCR): 0.51 / 219, (10, Model.RGB): 0.6 / 876}.get((depth, model), CURVE * 1.5)
    assert off.max() < decoder
    recovered = codes_of(made, encoding)
    if depth != 8 and model is Model.YCBCR:
        assert all(np.array_equal(a, b) for a, b in zip(recovered, planes, strict=True))
    assert np.array_equal(recovered[0][GRAY], planes[0][GRAY])


def test_modifier_in_a_16_bit_png(tmp_path):
    """The display's signal, clipped to 0..1 as PNG must."""
    set_up()
    for encoding in (NARROW_8, NARROW_10):
        planes = shoot(tmp_path / f"clip{encoding.depth}.mkv", encoding, Range.FULL, 1)[0]
        strip = add_movie(tmp_path / f"clip{encoding.depth}.mkv")
        bpy.ops.footroom.range_modifier()
        off = np.abs(render(tmp_path, kind="png")[..., :3] / 65535 - levels(planes, encoding).clip(0, 1))
        assert off[GRAY].max() < CURVE + PNG_STEP
        bpy.context.scene.sequence_editor.strips.remove(strip)


def test_modifier_lives_through_saving_and_goes_without_a_trace(tmp_path):
    planes = shoot(tmp_path / "clip.mkv", NARROW_10, Range.FULL, 1)[0]
    set_up()
    strip = add_movie(tmp_path / "clip.mkv")
    strip.modifiers.new("contrast", "BRIGHT_CONTRAST").contrast = 0
    plain, before = render(tmp_path), relinking.facts(strip)
    bpy.ops.footroom.range_modifier()
    assert [each.type for each in strip.modifiers] == ["COMPOSITOR", "BRIGHT_CONTRAST"]
    mended = render(tmp_path)
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "edit.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "edit.blend"))
    again = render(tmp_path)
    assert np.array_equal(again, mended) and not np.array_equal(again, plain)
    assert np.abs(signal(again) - levels(planes, NARROW_10)).max() < 2 * CURVE
    strip = bpy.context.scene.sequence_editor.strips[0]
    select(strip)
    bpy.ops.footroom.range_modifier()  # a second time renews it
    assert len(strip.modifiers) == 2
    assert bpy.ops.footroom.range_modifier(remove=True) == {"FINISHED"}
    assert [each.type for each in strip.modifiers] == ["BRIGHT_CONTRAST"] and not bpy.data.node_groups
    assert relinking.facts(strip) == before
    assert np.array_equal(render(tmp_path), plain)


def test_modifier_on_an_adjustment_strip(tmp_path):
    """It mends what lies under it; what the codes were it must be told."""
    planes = shoot(tmp_path / "clip.mkv", NARROW_10, Range.FULL, 1)[0]
    set_up()
    add_movie(tmp_path / "clip.mkv")
    over = bpy.context.scene.sequence_editor.strips.new_effect("over", "ADJUSTMENT", 2, 1, length=6)
    select(over)
    assert bpy.ops.footroom.range_modifier(bits=10, matrix="BT709") == {"FINISHED"}
    assert np.abs(signal(render(tmp_path)) - levels(planes, NARROW_10)).max() < 2 * CURVE


def test_modifier_on_stills(tmp_path):
    """Stills hold code / M."""
    encoding = Encoding(16, Range.NARROW, Model.RGB)
    planes = codes_of(colours(3), encoding)
    _png(tmp_path / "a.png", planes)
    set_up()
    strip = bpy.context.scene.sequence_editor.strips.new_image("a", str(tmp_path / "a.png"), 1, 1)
    select(strip)
    assert bpy.ops.footroom.range_modifier() == {"FINISHED"}
    assert np.abs(signal(render(tmp_path)) - levels(planes, encoding)).max() < 2 * CURVE


def _png(path: Path, planes) -> None:
    import OpenImageIO as oiio  # noqa: N813

    spec = oiio.ImageSpec(COLUMNS, ROWS, len(planes), "uint16")
    if len(planes) == 4:
        spec.alpha_channel = 3
        spec.attribute("oiio:UnassociatedAlpha", 1)
    out = oiio.ImageOutput.create(str(path))
    out.open(str(path), spec)
    assert out.write_image(np.ascontiguousarray(np.stack(planes, -1)))
    out.close()


def test_modifier_says_why_it_cannot(tmp_path):
    shoot(tmp_path / "clipped.mkv", FULL_10, Range.NARROW, 1)
    shoot(tmp_path / "right.mkv", NARROW_10, Range.NARROW, 1)
    scene = set_up()

    def words(strip, codes):
        with pytest.raises(range_modifier.Unmendable) as said:
            range_modifier.fit_of(strip, scene, codes, 10, Matrix.BT709, Model.YCBCR)
        return str(said.value)

    clipped = add_movie(tmp_path / "clipped.mkv")
    assert "clipped" in words(clipped, "full") and "64" in words(clipped, "full") and "relink" in words(clipped, "full")
    assert "already" in words(add_movie(tmp_path / "right.mkv", 2), "narrow")
    colour = scene.sequence_editor.strips.new_effect("red", "COLOR", 3, 1, length=2)
    assert "no recording" in words(colour, "narrow")
    select(clipped)
    assert bpy.ops.footroom.range_modifier(assume="full") == {"CANCELLED"}
    assert not clipped.modifiers


def test_modifier_asks_the_survey(tmp_path, monkeypatch):
    """Where it found full codes under a narrow flag the words are those of clipping, without being told."""
    shoot(tmp_path / "clipped.mkv", FULL_10, Range.NARROW, 1)
    set_up()
    strip = add_movie(tmp_path / "clipped.mkv")
    assert range_modifier.surveyed(strip) == "narrow"
    monkeypatch.setattr(survey_ops, "found_of", lambda _: {"finding": "full"})
    assert range_modifier.surveyed(strip) == "full"
    assert bpy.ops.footroom.range_modifier() == {"CANCELLED"}


@pytest.mark.parametrize("model", [Model.YCBCR, Model.RGB])
@pytest.mark.parametrize("working", ["Linear Rec.709", "Linear Rec.2020"])
@pytest.mark.parametrize("depth", nodes.DEPTHS)
def test_node_groups_both_ways(tmp_path, depth, working, model):
    """In a strip's compositor over a 16-bit still of codes: to full, back to narrow, whatever the working space."""
    encoding = Encoding(depth, Range.NARROW, Model.RGB)
    planes = codes_of(colours(4, 0), encoding)
    whole = [np.round(plane.astype(float) * 65535 / encoding.maximum).astype(np.uint16) for plane in planes]
    _png(tmp_path / "codes.png", whole)
    set_up()
    bpy.ops.wm.set_working_color_space(working_space=working, convert_colors=False)
    assert bpy.data.colorspace.working_space == working
    strip = bpy.context.scene.sequence_editor.strips.new_image("a", str(tmp_path / "codes.png"), 1, 1)
    assert bpy.ops.footroom.node_groups() == {"FINISHED"}
    to_full = bpy.data.node_groups[f"Footroom narrow to full {depth} bit"]
    to_narrow = bpy.data.node_groups[f"Footroom full to narrow {depth} bit"]
    mixed = model is Model.YCBCR

    def chain(*groups):
        tree = versions.new_tree("chain")
        versions.socket(tree, "Image", "Color", "OUTPUT")
        versions.socket(tree, "Image", "Color", "INPUT")
        image = tree.nodes.new("NodeGroupInput").outputs["Image"]
        for group in groups:
            node = tree.nodes.new("CompositorNodeGroup")
            node.node_tree = group
            node.inputs["From Y'CbCr"].default_value = mixed
            if depth > 8:
                node.inputs["From a movie"].default_value = False
            tree.links.new(image, node.inputs["Image"])
            image = node.outputs["Image"]
        tree.links.new(image, tree.nodes.new("NodeGroupOutput").inputs["Image"])
        while strip.modifiers:
            strip.modifiers.remove(strip.modifiers[0])
        versions.add_compositor(bpy.context, strip, "chain", tree)
        return render(tmp_path, kind="png")[..., :3] / 65535

    # In the project's own numbers: luma by 219, chroma (what lies off luma) by 224 where the codes were Y'CbCr.
    unit = 1 << (depth - 8)
    codes = np.stack(planes, -1).astype(float)
    if mixed:
        luma = (codes @ [0.2126, 0.7152, 0.0722])[..., None]
        true = (luma - 16 * unit) / (219 * unit) + (codes - luma) / (224 * unit)
    else:
        true = (codes - 16 * unit) / (219 * unit)
    exact = 3 * CURVE + PNG_STEP  # and the still's own rounding to 16 bit
    assert np.abs(chain(to_full) - true.clip(0, 1)).max() < exact
    assert np.abs(chain(to_full, to_narrow) - codes / encoding.maximum).max() < exact
    assert len(bpy.data.node_groups) >= 6 and to_full.use_fake_user


def test_live_gives_the_levels_of_full_codes_flagged_narrow(tmp_path):
    """Codes that Blender's decoder clips. Linear sequencer: equal floats; sRGB: to the curve. Codes come back exactly."""
    planes = shoot(tmp_path / "clip.mkv", FULL_10, Range.NARROW)
    for space, colour_space in (("Linear Rec.709", "Non-Color"), ("sRGB", "sRGB")):
        set_up(space)
        strip = add_movie(tmp_path / "clip.mkv")
        strip.colorspace_settings.name = colour_space
        strip.frame_offset_start = 1
        before, groups = relinking.facts(strip), len(bpy.data.node_groups)
        assert bpy.ops.footroom.live() == {"FINISHED"}
        made = render_all(tmp_path)
        for frame in (2, 3, 6):
            expected = np.empty((ROWS, COLUMNS, 4), np.float32)
            rgba_levels(planes[frame - 1], FULL_10, expected)
            if space == "sRGB":
                assert np.abs(signal(made[frame]) - expected[..., :3]).max() < CURVE
                found = codes_of(signal(made[frame]), FULL_10)
                assert all(np.array_equal(a, b) for a, b in zip(found, planes[frame - 1], strict=True))
            else:
                assert np.array_equal(made[frame], expected)
        assert not made[1][..., 3].any()  # trimmed off
        assert not live.troubles and modifier_mutes(strip) == [True]
        assert bpy.ops.footroom.live(remove=True) == {"FINISHED"}
        assert not strip.modifiers and relinking.facts(strip) == before and live.LIVE not in strip
        assert len(bpy.data.node_groups) == groups and not [each for each in bpy.data.images if live.NAME in each.name]
        bpy.context.scene.sequence_editor.strips.remove(strip)


def modifier_mutes(strip) -> list[bool]:
    return [each.mute for each in strip.modifiers]


@pytest.mark.parametrize("pixel_format,siting", [("yuv420p", (0, 1)), ("yuv422p10le", (0, 1))])
def test_live_with_subsampled_chroma(tmp_path, pixel_format, siting):
    path, size = tmp_path / "clip.mkv", (COLUMNS, ROWS)
    made = make_movie(path, "ffv1", pixel_format, size=size, frames=2, range=Range.NARROW, colour=(1, 1, 1))
    set_up("Linear Rec.709")
    add_movie(tmp_path / "clip.mkv").colorspace_settings.name = "Non-Color"
    assert bpy.ops.footroom.live() == {"FINISHED"}
    expected = np.empty((ROWS, COLUMNS, 4), np.float32)
    encoding = Encoding(10 if "10" in pixel_format else 8, Range.FULL)
    rgba_levels(made[0], encoding, expected, step=(2, 2 if "420" in pixel_format else 1), place=siting)
    assert np.array_equal(render(tmp_path), expected)


def test_live_keeps_what_the_strip_is(tmp_path):
    """Reverse, strobe, hard trims, held ends and flips as Blender itself has them: checked against its own picture of a right file."""
    set_up("Linear Rec.709", 10)
    planes = shoot(tmp_path / "wrong.mkv", FULL_10, Range.NARROW, beyond=0)
    right = tmp_path / "right.mkv"
    make_movie(right, "ffv1", "yuv444p10le", size=(COLUMNS, ROWS), frames=6, range=Range.FULL, rate=24,
               paint=lambda number: planes[number], colour=(1, 1, 1))  # fmt: skip
    held = 1023 * 64 / 65535

    def look(path, feeding):
        strip = add_movie(path, 1, 3)
        strip.colorspace_settings.name = "Non-Color"
        if feeding:
            assert bpy.ops.footroom.live() == {"FINISHED"}
        seen = []
        for settings in (
            {"use_reverse_frames": True, "strobe": 2},
            {"frame_offset_start": -2, "frame_offset_end": 1, "use_flip_x": True},
            {"animation_offset_start": 1, "animation_offset_end": 1},
        ):
            for name, value in settings.items():
                setattr(strip, name, value)
            seen += [frame[..., :3] for frame in render_all(tmp_path).values()]
            seen.append(np.float32(versions.shows_to(strip)))
            for name, value in settings.items():
                setattr(strip, name, type(value)(0))
        bpy.context.scene.sequence_editor.strips.remove(strip)
        return seen

    for fed, own in zip(look(tmp_path / "wrong.mkv", True), look(right, False), strict=True):
        assert np.abs(fed * np.float32(1 if fed.ndim == 0 else held) - own).max() < 5e-5
    assert not live.troubles


def test_live_survives_reopening_and_reports_a_missing_source(tmp_path):
    planes = shoot(tmp_path / "clip.mkv", FULL_10, Range.NARROW, 2)
    set_up("Linear Rec.709", 2)
    strip = add_movie(tmp_path / "clip.mkv")
    strip.colorspace_settings.name = "Non-Color"
    bpy.ops.footroom.live()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "edit.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "edit.blend"))
    expected = np.empty((ROWS, COLUMNS, 4), np.float32)
    rgba_levels(planes[1], FULL_10, expected)
    assert np.array_equal(render_all(tmp_path)[2], expected)
    (tmp_path / "clip.mkv").rename(tmp_path / "gone.mkv")
    made = render_all(tmp_path)
    assert (made[1] == [0, 0, 0, 1]).all()
    assert len(live.troubles) == 2 and "clip.mkv is not there" in live.troubles[0] and "frame 1" in live.troubles[0]
    (tmp_path / "gone.mkv").rename(tmp_path / "clip.mkv")
    assert np.array_equal(render_all(tmp_path)[2], expected) and not live.troubles


def test_live_strips_that_were_copied_have_pictures_of_their_own(tmp_path):
    """Two cuts of one recording beside each other on one frame."""
    planes = shoot(tmp_path / "clip.mkv", FULL_10, Range.NARROW)
    scene = set_up("Linear Rec.709")
    strip = add_movie(tmp_path / "clip.mkv")
    strip.colorspace_settings.name = "Non-Color"
    bpy.ops.footroom.live()
    other = strip.split(frame=4, split_method="SOFT")
    other.channel, other.frame_start, other.crop.max_x = 2, -1, COLUMNS // 2
    other.frame_offset_start = 3
    other.blend_type = "ALPHA_OVER"
    made = render(tmp_path, 2)
    first, second = np.empty((2, ROWS, COLUMNS, 4), np.float32)
    rgba_levels(planes[1], FULL_10, first)
    rgba_levels(planes[feed.source_frame(other, 2)], FULL_10, second)
    assert feed.source_frame(other, 2) != 1 and feed.covers(other, 2)
    assert np.array_equal(made[:, COLUMNS // 2 + 1 :], first[:, COLUMNS // 2 + 1 :])
    assert np.abs(made[:, 1 : COLUMNS // 2 - 1] - second[:, 1 : COLUMNS // 2 - 1]).max() < 1e-6
    assert len(live.fed(scene)) == 2


def test_live_says_why_it_cannot(tmp_path):
    shoot(tmp_path / "right.mkv", NARROW_10, Range.NARROW, 2)
    shoot(tmp_path / "full.mkv", FULL_10, Range.FULL, 2)
    scene = set_up()
    strip = add_movie(tmp_path / "right.mkv")

    def words(range_):
        with pytest.raises(feed.Unfed) as said:
            live.switch_on(bpy.context, strip, range_)
        return str(said.value)

    assert "already" in words(Range.NARROW)
    strip.color_multiply = 0.5
    assert "Multiply" in words(Range.FULL)
    strip.color_multiply = 1
    speed = scene.sequence_editor.strips.new_effect("slow", "SPEED", 2, 1, input1=strip)
    assert "slow" in words(Range.FULL)
    scene.sequence_editor.strips.remove(speed)
    strip = add_movie(tmp_path / "full.mkv", 3)
    assert "already" in words(Range.FULL)
    assert not strip.modifiers and not bpy.data.node_groups
    assert bpy.ops.footroom.live(assume="full") == {"CANCELLED"}


def test_a_whole_timeline(tmp_path):
    """Right and wrong, 8 and 10 bit, trims, a cross-fade between a live and a modified strip: every frame against the codes' levels."""
    narrow = shoot(tmp_path / "narrow_as_full.mkv", NARROW_10, Range.FULL)
    full = shoot(tmp_path / "full_as_narrow.mkv", FULL_10, Range.NARROW)
    eight = shoot(tmp_path / "eight.mkv", NARROW_8, Range.FULL)
    right = shoot(tmp_path / "right.mkv", FULL_10, Range.FULL, beyond=0)
    scene = set_up("sRGB", 14)
    one = add_movie(tmp_path / "narrow_as_full.mkv", 1, 1)
    assert bpy.ops.footroom.range_modifier() == {"FINISHED"}
    two = add_movie(tmp_path / "full_as_narrow.mkv", 2, 3)
    two.frame_offset_start, two.frame_offset_end = 1, 1  # frames 4 to 7
    assert bpy.ops.footroom.live() == {"FINISHED"}
    scene.sequence_editor.strips.new_effect("fade", "CROSS", 3, 4, length=3, input1=one, input2=two)
    add_movie(tmp_path / "eight.mkv", 1, 8).frame_offset_end = 3  # frames 8 to 10
    assert bpy.ops.footroom.range_modifier() == {"FINISHED"}
    add_movie(tmp_path / "right.mkv", 1, 9).frame_offset_start = 2  # frames 11 to 14
    made = render_all(tmp_path)
    share = {}
    for frame, picture in made.items():
        if frame < 4:
            true, bound = levels(narrow[frame - 1], NARROW_10), 2 * CURVE
        elif frame < 7:
            a, b = levels(narrow[frame - 1], NARROW_10), levels(full[frame - 3], FULL_10)
            got = signal(picture)
            share[frame] = float(((got - a) * (b - a)).sum() / ((b - a) ** 2).sum())
            true, bound = a + (b - a) * share[frame], 2 * CURVE
        elif frame < 8:
            true, bound = levels(full[frame - 3], FULL_10), CURVE
        elif frame < 11:
            true, bound = levels(eight[frame - 8], NARROW_8), 0.51 / 219
        else:
            true, bound = levels(right[frame - 9], FULL_10) * (1023 * 64 / 65535), 2 * CURVE
        assert np.abs(signal(picture) - true).max() < bound, frame
    shares = [share[frame] for frame in (4, 5, 6)]
    assert shares == pytest.approx([0, 1 / 3, 2 / 3], abs=1e-5)  # where Blender's cross stands on each of its frames
    assert not live.troubles
    assert read(tmp_path / "frame_0001.exr").shape == (ROWS, COLUMNS, 4)


def test_node_group_in_the_scenes_compositor(tmp_path):
    """Where a person adds it: between an image and the output of the scene's own compositor, full to narrow."""
    encoding = Encoding(10, Range.FULL, Model.RGB)
    planes = codes_of(colours(4, 0), encoding)
    _png(tmp_path / "codes.png", [np.round(plane.astype(float) * 65535 / 1023).astype(np.uint16) for plane in planes])
    scene = set_up()
    bpy.ops.footroom.node_groups()
    scene.render.engine, scene.cycles.samples = "CYCLES", 1
    scene.camera = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
    scene.collection.objects.link(scene.camera)
    tree = versions.new_tree("scene")
    versions.socket(tree, "Image", "Color", "OUTPUT")
    image, group = tree.nodes.new("CompositorNodeImage"), tree.nodes.new("CompositorNodeGroup")
    image.image = bpy.data.images.load(str(tmp_path / "codes.png"))
    group.node_tree = bpy.data.node_groups["Footroom full to narrow 10 bit"]
    group.inputs["From Y'CbCr"].default_value = False
    tree.links.new(image.outputs["Image"], group.inputs["Image"])
    tree.links.new(group.outputs["Image"], tree.nodes.new("NodeGroupOutput").inputs["Image"])
    scene.compositing_node_group = tree
    made = render(tmp_path, kind="png")[..., :3] / 65535
    narrow = (np.stack(planes, -1) / 1023 * 876 + 64) / 1023
    assert np.abs(made - narrow).max() < 3 * CURVE + PNG_STEP


def test_operators_say_why_they_are_not_offered(tmp_path):
    set_up()
    assert not bpy.ops.footroom.range_modifier.poll() and not bpy.ops.footroom.live.poll()
    assert bpy.ops.footroom.node_groups.poll()
    with pytest.raises(RuntimeError, match="Select a strip first"):
        bpy.ops.footroom.range_modifier()
    with pytest.raises(RuntimeError, match="colour space must be"):
        bpy.ops.footroom.node_groups(space="No such space")
    assert not bpy.data.node_groups


@pytest.mark.parametrize("colour_space", ["Rec.1886", "Non-Color"])
@pytest.mark.parametrize("operator,flag,encoding", [("range_modifier", "FULL", NARROW_10), ("live", "NARROW", FULL_10)])
def test_a_strip_in_a_colour_space_of_its_own(tmp_path, operator, flag, encoding, colour_space):
    """Codes are codes in the strip's space: Rec.1886 is a power of 2.4 (BT.1886, black at 0); Non-Color is the sequencer's own,
    or light since 5.2."""
    planes = shoot(tmp_path / "clip.mkv", encoding, Range[flag], 1, beyond=0)[0]
    set_up("sRGB")
    add_movie(tmp_path / "clip.mkv").colorspace_settings.name = colour_space
    assert getattr(bpy.ops.footroom, operator)() == {"FINISHED"}
    made = render(tmp_path)[..., :3].astype(float)
    found = made.clip(0) ** (1 / 2.4) if colour_space == "Rec.1886" else signal(made)
    if colour_space == "Non-Color" and bpy.app.version >= (5, 2):
        found = made
    true = levels(planes, encoding)
    dark = true < 0.05  # there the power curve is flat, and float noise looms large
    assert np.abs(found - true)[~dark].max() < 2e-4 and np.abs(found - true)[dark].max() < 5e-3


def test_modifier_on_stills_with_alpha(tmp_path):
    """Codes are those of straight colour; what is wholly transparent stays so."""
    encoding = Encoding(16, Range.NARROW, Model.RGB)
    planes = codes_of(colours(3, 0), encoding)
    alpha = np.full((ROWS, COLUMNS), 65535, np.uint16)
    alpha[:, : COLUMNS // 2], alpha[:6] = 32768, 0
    _png(tmp_path / "a.png", [*planes, alpha])
    set_up()
    strip = bpy.context.scene.sequence_editor.strips.new_image("a", str(tmp_path / "a.png"), 1, 1)
    select(strip)
    assert bpy.ops.footroom.range_modifier() == {"FINISHED"}
    made = render(tmp_path)
    assert np.abs(made[..., 3] - alpha / 65535).max() < 1e-4 and not made[:6].any()
    straight = made[6:, :, :3] / made[6:, :, 3:]
    assert np.abs(signal(straight) - levels(planes, encoding)[6:]).max() < 3e-4
