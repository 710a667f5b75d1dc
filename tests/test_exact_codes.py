"""Every code against exact rationals, the published tables, and independent programs."""

from __future__ import annotations

import subprocess
from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from reference import mapped, round_half_away, unrounded

from footroom.kernels import Channel, Encoding, Model, Range, rescale
from footroom.kernels.encoding import affine_map, map_code
from footroom.kernels.encoding import round_half_away as ours_round

DEPTHS = (8, 10, 12, 16)
RANGES = (Range.NARROW, Range.FULL)
CASES = [(Encoding(m, a), Encoding(n, b)) for m, n in product(DEPTHS, DEPTHS) for a, b in product(RANGES, RANGES)]


def ident(pair: tuple[Encoding, Encoding]) -> str:
    return "-".join(f"{each.range.label}{each.depth}" for each in pair)


def every_code(encoding: Encoding) -> np.ndarray:
    return np.arange(encoding.maximum + 1).astype(encoding.dtype_name)[None]


def full(depth: int) -> Encoding:
    return Encoding(depth, Range.FULL)


def narrow(depth: int) -> Encoding:
    return Encoding(depth, Range.NARROW)


@pytest.mark.parametrize("pair", CASES, ids=ident)
@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA])
def test_every_code_is_the_standards_rounding(pair, channel):
    source, target = pair
    key = [(each.depth, each.range is Range.FULL) for each in pair]
    expected = [mapped(code, *key, channel is Channel.CHROMA) for code in range(source.maximum + 1)]
    assert rescale(every_code(source), source, target, channel=channel)[0].tolist() == expected


@pytest.mark.parametrize("pair", [(full(9), narrow(11)), (narrow(14), full(13)), (full(15), full(9))], ids=ident)
def test_the_depths_between_are_exact_too(pair):
    source, target = pair
    key = [(each.depth, each.range is Range.FULL) for each in pair]
    expected = [mapped(code, *key, False) for code in range(source.maximum + 1)]
    assert rescale(every_code(source), source, target, channel=Channel.LUMA)[0].tolist() == expected


@pytest.mark.parametrize(
    ("depth", "range_", "black", "white", "chroma", "neutral"),
    [
        # BT.709-6 item 4.6, BT.2020-2 table 5, BT.2100-3 table 9; neutral of full: H.273, VideoFullRangeFlag = 1.
        (8, "narrow", 16, 235, (16, 240), 128),
        (10, "narrow", 64, 940, (64, 960), 512),
        (12, "narrow", 256, 3760, (256, 3840), 2048),
        # EBU R 103 v3.0 table 1: 16-bit narrow is the left shift.
        (16, "narrow", 4096, 60160, (4096, 61440), 32768),
        (8, "full", 0, 255, (0, 255), 128),
        (10, "full", 0, 1023, (0, 1023), 512),
        (12, "full", 0, 4095, (0, 4095), 2048),
    ],
)
def test_nominal_codes_are_the_standards(depth, range_, black, white, chroma, neutral):
    encoding = Encoding(depth, Range.parse(range_))
    assert (encoding.black(), encoding.white(), encoding.neutral) == (black, white, neutral)
    assert (encoding.black(Channel.CHROMA), encoding.white(Channel.CHROMA)) == chroma
    assert (encoding.code(0), encoding.code(1), encoding.code(0, Channel.CHROMA)) == (black, white, neutral)


def test_reserved_codes_are_the_interfaces():
    # BT.709-6 item 4.7: 8 bit 0 and 255; 10 bit 0-3 and 1020-1023; 12 bit 0-15 and 4080-4095 (BT.2020, BT.2100).
    expected = {8: (0, 0, 255, 255), 10: (0, 3, 1020, 1023), 12: (0, 15, 4080, 4095)}
    for depth, codes in expected.items():
        low, high = full(depth).reserved
        assert (low[0], low[-1], high[0], high[-1]) == codes


def test_h273_numbers_the_ranges():
    # H.273 8.3 (from memory): VideoFullRangeFlag 0 is narrow, 1 is full.
    assert (Range.NARROW.value, Range.FULL.value) == (0, 1)


def test_round_goes_away_from_zero():
    # BT.2100-3 table 9, note: Round(x) = Sign(x) Floor(|x| + 1/2).
    for numerator in range(-9, 10):
        value = Fraction(numerator, 2)
        assert ours_round(value) == round_half_away(value)
    assert [ours_round(Fraction(n, 2)) for n in (-3, -1, 1, 3, 5)] == [-2, -1, 1, 2, 3]


# The counts below are computed from the definition (exact rationals), not quoted.
COUNTS = {8: (220, 36, 31), 10: (877, 147, 127), 12: (3505, 591, 511)}


@pytest.mark.parametrize("depth", COUNTS)
def test_what_a_rescale_at_the_same_depth_costs(depth):
    distinct, lost, chroma_lost = COUNTS[depth]
    down = rescale(every_code(full(depth)), full(depth), narrow(depth), channel=Channel.LUMA)[0]
    assert (len(set(down.tolist())), len(down) - len(set(down.tolist()))) == (distinct, lost)
    up = rescale(every_code(narrow(depth)), narrow(depth), full(depth), channel=Channel.LUMA)[0]
    assert full(depth).maximum + 1 - len(set(up.tolist())) == lost
    chroma = rescale(every_code(full(depth)), full(depth), narrow(depth), channel=Channel.CHROMA)[0]
    assert len(chroma) - len(set(chroma.tolist())) == chroma_lost


DOUBLED = (
    "19 25 31 37 43 49 56 62 68 74 80 86 92 98 104 110 116 122 129 135 141 147 153 159 165 171 177 183 189 195 202 208 \
214 220 226 232"
)
MISSING = (
    "4 11 18 25 32 39 46 53 60 67 74 81 89 96 103 110 117 124 131 138 145 152 159 166 174 181 188 195 202 209 216 223 \
230 237 244 251"
)


def test_the_codes_that_double_and_that_go_missing_at_8_bits():
    # Computed from the definition with exact rationals.
    down = rescale(every_code(full(8)), full(8), narrow(8), channel=Channel.LUMA)[0]
    counts = np.bincount(down, minlength=256)
    assert np.nonzero(counts == 2)[0].tolist() == [int(code) for code in DOUBLED.split()]
    up = rescale(every_code(narrow(8)), narrow(8), full(8), channel=Channel.LUMA)[0]
    assert sorted(set(range(256)) - set(up.tolist())) == [int(code) for code in MISSING.split()]


@pytest.mark.parametrize(
    ("depth", "low", "high", "extremes"),
    [(8, 16, 20, (-19, 278)), (10, 64, 83, (-75, 1120)), (12, 256, 335, (-299, 4487))],
)
def test_what_expanding_full_codes_clips(depth, low, high, extremes):
    # Computed from the definition; the 8-bit extremes are also what colour-science gives (test below).
    values = [map_code(code, narrow(depth), full(depth), Channel.LUMA, clip=False) for code in range(2**depth)]
    top = 2**depth - 1
    assert (sum(v < 0 for v in values), sum(v > top for v in values), (min(values), max(values))) == (
        low,
        high,
        extremes,
    )
    made = rescale(every_code(narrow(depth)), narrow(depth), full(depth), channel=Channel.LUMA)[0]
    assert made.tolist() == [min(max(v, 0), top) for v in values]


@pytest.mark.parametrize(("depth", "black", "white"), [(8, 30, 218), (10, 119, 869), (12, 475, 3473)])
def test_black_and_white_after_two_scalings(depth, black, white):
    once = rescale(np.array([[0, 2**depth - 1]], np.uint16), full(depth), narrow(depth), channel=Channel.LUMA)
    twice = rescale(once, full(depth), narrow(depth), channel=Channel.LUMA)[0]
    assert twice.tolist() == [black, white]


@pytest.mark.parametrize(("depth", "changed", "rms"), [(8, 36, 0.375), (10, 147, 0.3789), (12, 591, 0.3799)])
def test_there_and_back(depth, changed, rms):
    codes = every_code(full(depth))
    down = rescale(codes, full(depth), narrow(depth), channel=Channel.LUMA)
    back = rescale(down, narrow(depth), full(depth), channel=Channel.LUMA).astype(int)
    error = back - codes
    assert (abs(error).max(), int((error != 0).sum())) == (1, changed)
    assert round(float(np.sqrt((error**2).mean())), 4) == rms
    nominal = np.arange(narrow(depth).black(), narrow(depth).white() + 1, dtype=np.uint16)[None]
    up = rescale(nominal, narrow(depth), full(depth), channel=Channel.LUMA)
    assert np.array_equal(rescale(up, full(depth), narrow(depth), channel=Channel.LUMA), nominal)


@pytest.mark.parametrize(("n", "m"), [(n, m) for n in DEPTHS for m in DEPTHS if m > n])
@pytest.mark.parametrize("channel", [Channel.LUMA, Channel.CHROMA])
def test_a_deeper_encoding_makes_the_rescale_reversible(n, m, channel):
    codes = every_code(full(n))
    deep = rescale(codes, full(n), narrow(m), channel=channel)
    assert np.array_equal(rescale(deep, narrow(m), full(n), channel=channel), codes)


def test_exact_halves_round_away_from_zero():
    # narrow -> full has exact halves at these codes (computed); half-to-even and float32 arithmetic go wrong here.
    assert rescale(np.array([[210, 502, 794]], np.uint16), narrow(10), full(10), channel=Channel.LUMA).tolist() == [
        [171, 512, 853]
    ]
    assert rescale(np.array([[840, 2008, 3176]], np.uint16), narrow(12), full(12), channel=Channel.LUMA).tolist() == [
        [683, 2048, 3413]
    ]


def test_slopes():
    # Computed: 219 k / M and its inverse.
    for depth, down, up in ((8, 0.85882353, 1.16438356), (10, 0.85630499, 1.16780822), (12, 0.85567766, 1.16866438)):
        assert round(float(affine_map(full(depth), narrow(depth), Channel.LUMA)[0]), 8) == down
        assert round(float(affine_map(narrow(depth), full(depth), Channel.LUMA)[0]), 8) == up


@pytest.mark.parametrize("depth", [8, 10, 12])
def test_colour_science_agrees(depth):
    """colour 0.4: full_to_legal rounds before it scales when fed integers, so it is fed levels; legal_to_full rounds halves to even."""
    import colour

    top = 2**depth - 1
    levels = np.arange(top + 1) / top
    theirs = colour.models.rgb.full_to_legal(levels, bit_depth=depth, out_int=True)
    ours = rescale(every_code(full(depth)), full(depth), narrow(depth), channel=Channel.LUMA)[0]
    assert ours.tolist() == np.asarray(theirs, int).tolist()
    codes = np.arange(top + 1)
    expanded = np.asarray(colour.models.rgb.legal_to_full(codes, depth, True, True), int)
    exact = np.array([map_code(int(code), narrow(depth), full(depth), Channel.LUMA, clip=False) for code in codes])
    ties = {8: [], 10: [210, 502, 794], 12: [840, 2008, 3176]}[depth]
    off = np.nonzero(expanded != exact)[0].tolist()
    assert set(off) <= set(ties)
    assert np.array_equal(np.delete(expanded, ties), np.delete(exact, ties))


def zscale(plane: np.ndarray, pixels: str, way: str) -> np.ndarray:
    """The plane as Y', Cb and Cr of a 4:4:4 picture through Debian's FFmpeg: [3, rows, columns]."""
    rows, columns = plane.shape
    command = ["ffmpeg", "-v", "error", "-f", "rawvideo", "-pix_fmt", pixels, "-s", f"{columns}x{rows}", "-i", "-"]
    command += ["-vf", f"zscale={way}:min=709:m=709:dither=none", "-f", "rawvideo", "-pix_fmt", pixels, "-"]
    done = subprocess.run(command, input=plane.tobytes() * 3, capture_output=True, check=True)
    return np.frombuffer(done.stdout, plane.dtype).reshape(3, rows, columns)


@pytest.mark.parametrize(("depth", "pixels"), [(8, "yuv444p"), (10, "yuv444p10le"), (12, "yuv444p12le")])
@pytest.mark.parametrize("down", [True, False], ids=["full-narrow", "narrow-full"])
def test_ffmpegs_zscale_agrees_but_for_exact_halves(depth, pixels, down):
    """FFmpeg's zscale (zimg), 4:4:4: float32 arithmetic, so it may go the other way where the exact value is a half (measured)."""
    side = 2 ** (depth // 2)
    plane = every_code(full(depth)).reshape(side, -1)
    source, target = (full(depth), narrow(depth)) if down else (narrow(depth), full(depth))
    theirs = zscale(plane, pixels, f"rangein={'full' if down else 'limited'}:range={'limited' if down else 'full'}")
    for number, channel in enumerate(source.channels()):
        ours = rescale(plane, source, target, channel=channel)
        for code in plane[theirs[number] != ours].tolist():
            exact = unrounded(code, (depth, down), (depth, not down), channel is Channel.CHROMA)
            assert exact.denominator == 2, code


def test_clipping_at_the_reserved_codes_is_an_option():
    codes = every_code(full(10))
    kept = rescale(codes, narrow(10), full(10), channel=Channel.LUMA, avoid_reserved=True)
    plain = rescale(codes, narrow(10), full(10), channel=Channel.LUMA)
    assert (kept.min(), kept.max(), plain.min(), plain.max()) == (4, 1019, 0, 1023)
    assert np.array_equal(kept, np.clip(plain, 4, 1019))


def test_alpha_has_no_range():
    codes = every_code(full(10))
    assert np.array_equal(rescale(codes, full(10), narrow(10), channel=Channel.ALPHA), codes)


@pytest.mark.parametrize("dtype", [np.float32, np.float16])
def test_floating_planes_are_affine_and_never_clipped(dtype):
    levels = np.array([[-0.5, 0, 0.25, 1, 1.75, np.inf, -np.inf, np.nan]], dtype)
    made = rescale(levels, full(10), narrow(10), channel=Channel.LUMA)
    assert made.dtype == dtype
    # code / M: full 0 is narrow 64 / 1023, full 1 is 940 / 1023 (check against the formula, half a thousandth in float16).
    expected = (levels.astype(np.float64) * 876 + 64) / 1023
    np.testing.assert_allclose(made.astype(np.float64), expected, rtol=2e-3 if dtype is np.float16 else 1e-6)
    back = rescale(made, narrow(10), full(10), channel=Channel.LUMA)
    np.testing.assert_allclose(
        back.astype(np.float64)[0, :5], levels.astype(np.float64)[0, :5], atol=4e-3 if dtype is np.float16 else 1e-6
    )


def test_words_past_the_last_code_count_as_the_last():
    garbage = np.array([[1023, 1024, 40000, 65535]], np.uint16)
    assert rescale(garbage, full(10), narrow(10), channel=Channel.LUMA).tolist() == [[940] * 4]


def test_shifted_words_hold_the_same_codes():
    shifted = Encoding(10, Range.FULL, bit_shift=6)
    codes = every_code(full(10))
    plain = rescale(codes, full(10), narrow(10), channel=Channel.LUMA)
    assert np.array_equal(rescale(codes << 6, shifted, narrow(10), channel=Channel.LUMA), plain)
    back = rescale(codes, full(10), Encoding(10, Range.NARROW, bit_shift=6), channel=Channel.LUMA)
    assert np.array_equal(back, plain << 6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: Encoding(7, Range.FULL),
        lambda: Encoding(17, Range.FULL),
        lambda: Encoding(10, Range.FULL, bit_shift=7),
        lambda: rescale(np.zeros((2, 2), np.int32), full(8), narrow(8), channel=Channel.LUMA),
        lambda: rescale(np.zeros(4, np.uint8), full(8), narrow(8), channel=Channel.LUMA),
        lambda: rescale(np.zeros((2, 2), np.uint8), full(10), narrow(8), channel=Channel.LUMA),
        lambda: rescale(
            np.zeros((2, 2), np.uint8), full(8), narrow(10), channel=Channel.LUMA, out=np.zeros((2, 2), np.uint8)
        ),
        lambda: rescale(
            np.zeros((2, 2), np.uint8), full(8), narrow(8), channel=Channel.LUMA, out=np.zeros((2, 3), np.uint8)
        ),
        lambda: rescale(
            np.zeros((2, 2), np.uint8), full(8), Encoding(8, Range.NARROW, Model.RGB), channel=Channel.LUMA
        ),
    ],
)
def test_a_wrong_request_is_refused_with_its_value(call):
    with pytest.raises(ValueError, match=r"got|needs|must|too small"):
        call()
