"""Frames by number, in any order, are the frames that reading through gives."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from media_files import make_movie

from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.reaching import Reach

ORDER = (3, 4, 0, 119, 60, 61, 5, 118, 117, 119)


@pytest.mark.parametrize(
    "name,codec,gop", [("a.mkv", "ffv1", None), ("b.mp4", "libx264", 25), ("c.mov", "prores_ks", None)]
)
def test_any_order(tmp_path, name, codec, gop):
    pixel_format = {"libx264": "yuv420p", "prores_ks": "yuv422p10le"}.get(codec, "yuv444p")
    path = tmp_path / name
    make_movie(path, codec, pixel_format, frames=120, gop=gop)
    reach = Reach(path)
    every = [[plane.copy() for plane in frame.planes] for frame in reach.movie.frames()]
    for index in ORDER:
        frame = reach.at(index)
        assert frame.index == index
        assert all(np.array_equal(a, b) for a, b in zip(frame.planes, every[index], strict=True)), index
    reach.close()


def test_a_gap_in_the_times_does_not_shift_the_numbers(tmp_path):
    """Reckoned from the rate, a seek behind the gap would give the frame before."""
    path = tmp_path / "uneven.mkv"
    times = [40 * index + (40 if index > 30 else 0) for index in range(100)]
    make_movie(path, "ffv1", "yuv444p", frames=100, times=times, time_base=Fraction(1, 1000))
    reach = Reach(path)
    every = [frame.planes[0].copy() for frame in reach.movie.frames()]
    for index in (90, 20, 91):
        assert np.array_equal(reach.at(index).planes[0], every[index]), index


def test_a_frame_that_there_is_not(tmp_path):
    path = tmp_path / "short.mkv"
    make_movie(path, "ffv1", "yuv444p", frames=5)
    with pytest.raises(Problem, match="no frame 7; the last one is 4"):
        Reach(path).at(7)
    with pytest.raises(ValueError, match="index"):
        Reach(path).at(-1)
