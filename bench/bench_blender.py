"""What the add-on adds to a frame's render in Blender, as ratios to Blender's own render of the same frame.

An HD strip of ProRes or FFV1; what Blender has cached of it is let go before every turn. Blender renders single frames into memory,
without writing. Beside that, in turns: the kernel that makes levels of codes and the copy into Blender's image, which is all that the
live path adds but its decode; the same frame with the range modifier; with guides on top. The live path whole, its decode in it, is timed
over a run of frames, written as JPEG with and without it. Every picture is checked before it is timed.

    python -m pytest bench/bench_blender.py --benchmark-enable [--hold] [--smoke]        (where bpy is installed)
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

os.environ.setdefault("BLENDER_USER_RESOURCES", tempfile.mkdtemp(prefix="footroom-bench-"))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

bpy = pytest.importorskip("bpy", reason="Blender as a module is not installed: pip install -e '.[blender]'")

from media_files import make_movie  # noqa: E402

import footroom.host_adapter.blender as addon  # noqa: E402
from footroom.host_adapter.blender import feed, live, versions  # noqa: E402
from footroom.kernels import Range  # noqa: E402

Strip = Any
FRAMES = 8


@pytest.fixture
def size(smoke: bool) -> tuple[int, int]:
    return (192, 108) if smoke else (1920, 1080)


@pytest.fixture
def turns(smoke: bool) -> int:
    return 2 if smoke else 15


@pytest.fixture
def edit(size: tuple[int, int]) -> Iterator[Any]:
    """An empty edit of that size, with the add-on."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon.register()
    scene = bpy.context.scene
    scene.render.resolution_x, scene.render.resolution_y = size
    scene.render.resolution_percentage = 100
    scene.view_settings.view_transform = "Standard"
    scene.frame_start, scene.frame_end = 1, FRAMES
    scene.sequence_editor_create()
    versions.show_edit(bpy.context, scene)
    if hasattr(scene.render, "compositor_device"):
        scene.render.compositor_device = (
            "CPU"  # without a GPU 5.0 falls back by itself, 5.3 must be told, or it crashes
        )
    try:
        yield scene
    finally:
        addon.unregister()


def strip_of(scene: Any, folder: Path, size: tuple[int, int], flag: Range) -> Strip:
    """A strip of pictures with grain, the only one of the edit."""
    rows, columns = size[1], size[0]

    def paint(number: int) -> tuple[np.ndarray, ...]:
        rng = np.random.default_rng(number)
        sky = np.linspace(100, 900, columns)[None] + rng.normal(0, 4, (rows, columns))
        chroma = [512 + rng.normal(0, 8, (rows, columns // 2)) for _ in range(2)]
        return tuple(np.clip(np.round(plane), 0, 1023).astype(np.uint16) for plane in (sky, *chroma))

    # ProRes in QuickTime has no flag and reads as narrow; Matroska's FFV1 is what can be flagged full.
    codec, suffix = ("prores_ks", "mov") if flag is Range.NARROW else ("ffv1", "mkv")
    path = folder / f"clip.{suffix}"
    make_movie(path, codec, "yuv422p10le", size=size, frames=FRAMES, range=flag, paint=paint, colour=(1, 1, 1))
    strip = scene.sequence_editor.strips.new_movie("clip", str(path), 1, 1)
    strip.select = True
    scene.sequence_editor.active_strip = strip
    return strip


def render(scene: Any, number: int) -> None:
    """A frame into memory."""
    scene.frame_current = 1 + number % FRAMES
    bpy.ops.render.render()


def in_turns(turns: int, strip: Strip, *runs: Callable[[int], None]) -> list[list[float]]:
    """Seconds of each run, one after the other, again and again; the strip's frames are decoded anew."""
    taken: list[list[float]] = [[] for _ in runs]
    for number in range(turns + 1):
        for run, times in zip(runs, taken, strict=True):
            strip.invalidate_cache("RAW")
            start = time.perf_counter()
            run(number)
            if number:
                times.append(time.perf_counter() - start)
    return taken


def ratio(ours: list[float], theirs: list[float]) -> tuple[float, float]:
    each = [a / b for a, b in zip(ours, theirs, strict=True)]
    return statistics.median(each), min(ours) / min(theirs)


def switched(strip: Strip, scene: Any, on: bool) -> Callable[[int], None]:
    """A render with the strip's modifiers, or without."""

    def run(number: int) -> None:
        for modifier in strip.modifiers:
            modifier.mute = not on
        render(scene, number)

    return run


def test_kernel_and_copy(benchmark, edit, tmp_path, size, turns, ratios):
    """The live path without its decode: levels of a frame's codes, and the copy into an image of Blender's."""
    strip = strip_of(edit, tmp_path, size, Range.NARROW)
    made = feed.Feed(feed.path_of(strip))
    image = bpy.data.images.new("held", *size, alpha=True, float_buffer=True)
    held = [made.picture(number, Range.FULL).copy() for number in (0, 1)]
    assert not np.array_equal(*held)
    made.picture(1, Range.FULL)

    def ours(_: int) -> None:
        feed.pour(image, made.picture(1, Range.FULL))  # the frame is held, so nothing is decoded

    ours(0)
    back = np.empty_like(held[1])
    image.pixels.foreach_get(back.reshape(-1))
    assert np.array_equal(back, held[1])
    benchmark.pedantic(ours, args=(0,), rounds=min(turns, 3))
    adds, own = in_turns(turns, strip, ours, lambda number: render(edit, number))
    ratios("a frame's render: kernel and copy", "footroom", ratio(adds, own), 0.5)


def test_live(benchmark, edit, tmp_path, size, turns, ratios):
    """The whole of the live path over a run of frames, its decode on top of Blender's."""
    strip = strip_of(edit, tmp_path, size, Range.NARROW)
    assert bpy.ops.footroom.live() == {"FINISHED"}
    render(edit, 0)
    shown = np.empty((size[1], size[0], 4), np.float32)
    live.image_of(strip).pixels.foreach_get(shown.reshape(-1))
    made = feed.Feed(feed.path_of(strip))
    assert np.array_equal(shown, made.picture(0, Range.FULL)) and not live.troubles
    edit.render.image_settings.file_format = "JPEG"
    edit.render.filepath = str(tmp_path / "frame_")

    def run(_: int) -> None:
        bpy.ops.render.render(animation=True)

    def without(number: int) -> None:
        codes = strip.pop(live.LIVE)
        run(number)
        strip[live.LIVE] = codes

    benchmark.pedantic(run, args=(0,), rounds=1)
    whole, own = in_turns(max(turns // 4, 1), strip, run, without)
    ratios("a run of frames: with the live path", "footroom", ratio(whole, own), 4.0)


def test_range_modifier(benchmark, edit, tmp_path, size, turns, ratios):
    """Blender's own compositor does the arithmetic; nothing of the add-on runs."""
    strip = strip_of(edit, tmp_path, size, Range.FULL)
    assert bpy.ops.footroom.range_modifier() == {"FINISHED"}
    benchmark.pedantic(lambda: render(edit, 0), rounds=min(turns, 3))
    mended, own = in_turns(turns, strip, switched(strip, edit, True), switched(strip, edit, False))
    ratios("a frame's render: with the range modifier", "footroom", ratio(mended, own))


def test_guides(benchmark, edit, tmp_path, size, turns, ratios):
    """An overlay strip on top, left in the render."""
    strip = strip_of(edit, tmp_path, size, Range.FULL)
    edit.footroom.guides.windows = "9:16 1:1"
    assert bpy.ops.footroom.guides_update() == {"FINISHED"}
    benchmark.pedantic(lambda: render(edit, 0), rounds=min(turns, 3))

    def shown(on: bool) -> Callable[[int], None]:
        def run(number: int) -> None:
            edit.footroom_guides_in_render = on
            render(edit, number)

        return run

    drawn, own = in_turns(turns, strip, shown(True), shown(False))
    ratios("a frame's render: guides left in it", "footroom", ratio(drawn, own))
