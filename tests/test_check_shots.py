"""A delivery cut together from two origins: shots of the other range are named, others never.

Material: scikit-image's photographs, as levels of 0 to 1 with a sensor's noise.
"""

import numpy as np
import pytest
from media_files import make_movie
from skimage import data, transform

from footroom.host_adapter.headless.checking.rules import read_rule
from footroom.host_adapter.headless.checking.run import check
from footroom.host_adapter.headless.checking.shots import Shot, shots_check
from footroom.host_adapter.headless.checking.verdict import Span
from footroom.kernels import Range

NAMES = ("astronaut", "coffee", "chelsea", "rocket", "retina")
SIZE, LENGTH = (480, 270), 4
FULL, NARROW = Range.FULL, Range.NARROW


@pytest.fixture(scope="module")
def levels():
    shape = SIZE[::-1]
    weights = [0.2126, 0.7152, 0.0722]
    return [
        transform.resize(getattr(data, name)()[..., :3] / 255 @ weights, shape, anti_aliasing=True) for name in NAMES
    ]


def film(path, levels, ranges, flag=NARROW):
    """The photographs one after another, each `LENGTH` frames, in codes of these ranges; scaled as BT.709-6 item 4.6 has it."""
    rng = np.random.default_rng(3)

    def paint(index):
        shot = index // LENGTH
        level = levels[shot] + rng.normal(0, 0.004, levels[shot].shape)
        codes = level * 1023 if ranges[shot] is FULL else level * 876 + 64
        luma = np.clip(np.rint(codes), 0, 1023).astype(np.uint16)
        neutral = np.full((SIZE[1], SIZE[0] // 2), 512, np.uint16)
        return luma, neutral, neutral

    make_movie(
        path, "ffv1", "yuv422p10le", size=SIZE, frames=LENGTH * len(ranges), range=flag, colour=(1, 1, 1), paint=paint
    )
    return path


def mixed(path):
    return next(each for each in check(path, read_rule("r103")).checks if each.name == "one range throughout")


@pytest.mark.parametrize("odd", [0, 1, 4])
def test_a_full_shot_in_a_narrow_film_is_named(levels, tmp_path, odd):
    """Photographs with dark parts: what they show under narrow black no narrow recording has in whole areas."""
    found = mixed(film(tmp_path / "a.mkv", levels, [FULL if shot == odd else NARROW for shot in range(len(levels))]))
    assert found.verdict == "fail" and found.frames == LENGTH
    assert [(span.first, span.last) for span in found.spans] == [(odd * LENGTH, odd * LENGTH + LENGTH - 1)]
    assert "1 of 5 shots holds full codes, though it is flagged narrow" in found.words


@pytest.mark.parametrize("range_", Range)
def test_a_film_of_one_range_has_none(levels, tmp_path, range_):
    found = mixed(film(tmp_path / "a.mkv", levels, [range_] * len(levels), range_))
    assert found.verdict == "pass" and "none of 5 shots stands out" in found.words


def test_a_film_that_is_wrong_throughout_is_not_called_mixed():
    """That its flag is wrong is another check's to say."""
    shots = [Shot(Span(at, at), FULL, "dark") for at in range(3)]
    assert shots_check(shots, NARROW, "fail").verdict == "pass"
    assert shots_check([*shots, Shot(Span(3, 9), None, "")], NARROW, "fail").verdict == "fail"
    assert shots_check([*shots, Shot(Span(3, 9), None, "")], NARROW, "note").verdict == "note"


def test_words_count_what_is_told_and_what_is_not():
    shots = [Shot(Span(0, 4), FULL, "dark"), Shot(Span(5, 5), NARROW, ""), Shot(Span(6, 9), None, "")]
    found = shots_check(shots, NARROW, "fail")
    assert found.words.endswith("(dark); 1 holds narrow ones, 1 cannot be told") and found.frames == 5
