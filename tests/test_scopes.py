"""Waveforms count what numpy.histogram2d counts with edges between whole numbers, for every width, depth and layout of planes."""

from __future__ import annotations

import numpy as np
import pytest

from footroom.kernels import Encoding, Range
from footroom.kernels import scopes as module
from footroom.kernels.scopes import waveform_counts


def reference(codes: np.ndarray, columns: int, size: int, drop: int = 0) -> np.ndarray:
    """numpy's own counting; a bin's edges lie half between whole columns and codes, so no rounding can move a pixel."""
    width = codes.shape[1]
    places = np.broadcast_to(np.arange(width), codes.shape)
    across = [next(x for x in range(width + 1) if x == width or x * columns // width >= i) for i in range(columns + 1)]
    edges = np.array(across) - 0.5, np.arange(0, size + 1, 1 << drop) - 0.5
    counted, *_ = np.histogram2d(places.ravel(), codes.ravel(), bins=edges)
    return counted.astype(np.uint32)


@pytest.mark.parametrize("depth", [8, 10, 12, 16])
@pytest.mark.parametrize(("width", "columns"), [(1, 1), (7, 7), (41, 10), (640, 320), (777, 100), (1000, 256)])
def test_every_count_is_numpys(depth, width, columns):
    rng = np.random.default_rng([depth, width])
    codes = rng.integers(0, 1 << depth, (23, width)).astype(np.uint8 if depth == 8 else np.uint16)
    codes[3] = codes[3, 0]  # a flat line, on which counters wait for each other
    for drop in (0, depth - 8):
        made = waveform_counts(codes, Encoding(depth, Range.FULL), columns, drop=drop)
        assert np.array_equal(made, reference(codes, columns, 1 << depth, drop))


def test_the_compiled_loop_is_the_plain_one():
    codes = np.random.default_rng(2).integers(0, 256, (5, 300)).astype(np.uint8)
    first = (np.arange(300, dtype=np.int64) * 20 // 300 * 256).astype(np.uint64)
    compiled, plain = np.zeros(20 * 256, np.uint32), np.zeros(20 * 256, np.uint32)
    module._waveform(codes, first, 255, 0, 0, compiled)
    module._waveform.py_func(codes, first, 255, 0, 0, plain)
    assert np.array_equal(compiled, plain)
    assert compiled.sum() == codes.size


def test_frames_add_up_and_layouts_agree():
    rng = np.random.default_rng(3)
    frames = rng.integers(0, 1024, (3, 30, 600)).astype(np.uint16)
    encoding = Encoding(10, Range.NARROW)
    total = None
    for frame in frames:
        total = waveform_counts(frame, encoding, 50, out=total)
    assert np.array_equal(total, sum(reference(frame, 50, 1024) for frame in frames))
    assert np.array_equal(waveform_counts(frames[0][::-1], encoding, 50), waveform_counts(frames[0], encoding, 50))
    wide = np.zeros((30, 1200), np.uint16)
    wide[:, ::2] = frames[0]
    assert np.array_equal(waveform_counts(wide[:, ::2], encoding, 50), reference(frames[0], 50, 1024))


def test_shifted_words_and_words_past_the_last_code():
    codes = np.random.default_rng(4).integers(0, 1024, (9, 700)).astype(np.uint16)
    shifted = Encoding(10, Range.FULL, bit_shift=6)
    assert np.array_equal(waveform_counts(codes << 6, shifted, 70), reference(codes, 70, 1024))
    codes[4, 300] = 40000
    made = waveform_counts(codes, Encoding(10, Range.FULL), 70)
    assert np.array_equal(made, reference(np.minimum(codes, 1023), 70, 1024))


def test_an_empty_plane_has_no_counts():
    assert waveform_counts(np.zeros((0, 16), np.uint8), Encoding(8, Range.FULL), 4).sum() == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"columns": 0}, "columns must be 1..16"),
        ({"columns": 17}, "columns must be 1..16"),
        ({"columns": 4, "drop": 9}, "drop must be 0..8"),
        ({"columns": 4, "drop": -1}, "drop must be 0..8"),
        ({"columns": 4, "out": np.zeros((4, 256), np.int64)}, "out must be"),
        ({"columns": 4, "out": np.zeros((4, 128), np.uint32)}, "out must be"),
    ],
)
def test_wrong_arguments_are_named(arguments, words):
    with pytest.raises(ValueError, match=words):
        waveform_counts(np.zeros((2, 16), np.uint8), Encoding(8, Range.FULL), **arguments)
