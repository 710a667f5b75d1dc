"""v210 words: the published layout by hand, and FFmpeg's codec as an outside reader and writer."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from footroom.kernels.v210 import _pack, _unpack, pack, unpack, words_to

Planes = tuple[np.ndarray, np.ndarray, np.ndarray]


def planes_of(rows: int, columns: int, seed: int = 1, low: int = 0, high: int = 1023) -> Planes:
    rng = np.random.default_rng(seed)
    half = (columns + 1) // 2
    return tuple(rng.integers(low, high + 1, (rows, width)).astype(np.uint16) for width in (columns, half, half))


def unpacked(words: np.ndarray, columns: int) -> Planes:
    made = tuple(
        np.full((len(words), width), 0xFFFF, np.uint16) for width in (columns, (columns + 1) // 2, (columns + 1) // 2)
    )
    unpack(words, *made)
    return made


def packed(planes: Planes, more: int = 0) -> np.ndarray:
    rows, columns = planes[0].shape
    made = np.full((rows, words_to(columns) + more), 0xDEADBEEF, np.uint32)
    pack(*planes, made)
    return made


def test_six_pixels_by_hand():
    """Source: Apple TN2162, 'v210', the figure of four words: Cr0 Y0 Cb0, Y2 Cb2 Y1, Cb4 Y3 Cr2, Y5 Cr4 Y4 from the highest bits down
    (the figure from memory; FFmpeg agrees below)."""
    luma, blue, red = [[1, 2, 3, 4, 5, 6]], [[0x100, 0x200, 0x300]], [[0x111, 0x222, 0x333]]
    words = [
        0x111 << 20 | 1 << 10 | 0x100,
        3 << 20 | 0x200 << 10 | 2,
        0x300 << 20 | 4 << 10 | 0x222,
        6 << 20 | 0x333 << 10 | 5,
    ]
    planes = tuple(np.array(plane, np.uint16) for plane in (luma, blue, red))
    assert packed(planes).tolist() == [words]
    assert [plane.tolist() for plane in unpacked(np.array([words], np.uint32), 6)] == [luma, blue, red]


def test_narrow_black_is_two_well_known_words():
    """Luma 64, chroma 512: 0x20010200 and 0x04080040 in turn (common practice, from memory)."""
    planes = np.full((2, 12), 64, np.uint16), np.full((2, 6), 512, np.uint16), np.full((2, 6), 512, np.uint16)
    assert packed(planes).tolist() == [[0x20010200, 0x04080040] * 4] * 2


@given(rows=st.integers(1, 4), columns=st.integers(1, 40), more=st.integers(0, 7), seed=st.integers(0, 99))
def test_every_width_there_and_back(rows, columns, more, seed):
    planes = planes_of(rows, columns, seed)
    words = packed(planes, more)
    assert all(np.array_equal(a, b) for a, b in zip(unpacked(words, columns), planes, strict=True))
    assert (words[:, words_to(columns) :] == 0xDEADBEEF).all()
    assert (words[:, : words_to(columns)] >> 30 == 0).all()


@pytest.mark.parametrize("columns", range(1, 19))
def test_nothing_beyond_the_last_group_is_read_and_what_is_beyond_the_picture_is_nought(columns):
    """Compiled loops check no bounds; the undecorated twin does, and it must agree with them."""
    planes = planes_of(2, columns)
    words = np.zeros((2, words_to(columns)), np.uint32)
    _pack.py_func(*planes, words)
    assert np.array_equal(words, packed(planes))
    made = tuple(np.zeros_like(plane) for plane in planes)
    _unpack.py_func(words, *made)
    assert all(np.array_equal(a, b) for a, b in zip(made, planes, strict=True))
    samples = [int(word) >> bits & 1023 for word in words[0] for bits in (0, 10, 20)]
    assert not any(samples[2 * columns + columns % 2 :])


@pytest.mark.parametrize("code", [1024, 1026, 65535])
def test_a_code_too_large_spoils_no_other_sample(code):
    planes = planes_of(1, 6)
    planes[0][0, 2] = code
    made = unpacked(packed(planes), 6)
    planes[0][0, 2] = code & 1023
    assert all(np.array_equal(a, b) for a, b in zip(made, planes, strict=True))


def test_rows_may_be_padded_or_run_backwards():
    planes = planes_of(5, 20)
    whole = packed(planes)
    padded = tuple(np.zeros((5, plane.shape[1] + 9), np.uint16)[:, : plane.shape[1]] for plane in planes)
    unpack(whole, *padded)
    assert all(np.array_equal(a, b) for a, b in zip(padded, planes, strict=True))
    upside = np.zeros((5, whole.shape[1] + 4), np.uint32)[::-1, : whole.shape[1]]
    pack(*padded, upside)
    assert np.array_equal(upside, whole) and upside.strides[0] < 0


@pytest.mark.parametrize("columns", [2, 6, 48, 50, 52, 54, 98])
def test_ffmpeg_writes_what_we_read(columns):
    """Oracle: FFmpeg's v210 encoder, which keeps codes 4 to 1019 and pads rows to 128 bytes; it takes even widths alone."""
    planes = planes_of(4, columns, low=4, high=1019)
    coder = av.CodecContext.create("v210", "w")
    coder.width, coder.height, coder.pix_fmt, coder.time_base = columns, 4, "yuv422p10le", Fraction(1, 25)
    packet = bytes(coder.encode(frame_of(planes))[0])
    words = np.frombuffer(packet, "<u4").reshape(4, -1)
    assert words.shape[1] * 4 == -(-columns // 48) * 128
    assert all(np.array_equal(a, b) for a, b in zip(unpacked(words, columns), planes, strict=True))


@pytest.mark.parametrize("columns", [2, 6, 48, 50, 52, 54, 98])
def test_ffmpeg_reads_what_we_write(columns):
    """Oracle: FFmpeg's v210 decoder, which takes every code."""
    planes = planes_of(4, columns)
    stride = -(-columns // 48) * 32
    words = np.zeros((4, stride), np.uint32)
    pack(*planes, words)
    decoder = av.CodecContext.create("v210", "r")
    decoder.width, decoder.height, decoder.pix_fmt = columns, 4, "yuv422p10le"
    frame = decoder.decode(av.Packet(words.tobytes()))[0]
    found = [np.frombuffer(plane, "<u2").reshape(plane.height, -1)[:, : plane.width] for plane in frame.planes]
    assert all(np.array_equal(a, b) for a, b in zip(found, planes, strict=True))


def frame_of(planes: Planes) -> av.VideoFrame:
    frame = av.VideoFrame(planes[0].shape[1], planes[0].shape[0], "yuv422p10le")
    for plane, codes in zip(frame.planes, planes, strict=True):
        view = np.frombuffer(plane, np.uint16).reshape(plane.height, -1)
        view[:, : codes.shape[1]] = codes
    return frame


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"packed": np.zeros((2, 7), np.uint32)}, r"packed must be \[2, 8 or more\]"),
        ({"packed": np.zeros((3, 8), np.uint32)}, "packed must be"),
        ({"packed": np.zeros((2, 8), np.int64)}, "packed must be uint32"),
        ({"luma": np.zeros((2, 12), np.uint8)}, "luma must be uint16"),
        ({"blue": np.zeros((2, 5), np.uint16)}, r"blue must be \(2, 6\)"),
        ({"red": [1]}, "red must be uint16 .* got list"),
        ({"luma": np.zeros((2, 24), np.uint16)[:, ::2]}, "luma must be aligned"),
    ],
)
def test_what_does_not_fit_is_refused_by_name(changes, words):
    given = {
        "packed": np.zeros((2, 8), np.uint32), "luma": np.zeros((2, 12), np.uint16),
        "blue": np.zeros((2, 6), np.uint16), "red": np.zeros((2, 6), np.uint16),
    } | changes  # fmt: skip
    with pytest.raises(ValueError, match=words):
        unpack(given["packed"], given["luma"], given["blue"], given["red"])
    with pytest.raises(ValueError, match=words):
        pack(given["luma"], given["blue"], given["red"], given["packed"])
