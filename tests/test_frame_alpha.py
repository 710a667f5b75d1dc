"""Guides burnt into recordings with straight alpha: what shows is the guide over the picture, and alpha says how much of it there is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
import pytest
from frame_running import all_planes, framed
from media_files import make_movie
from PIL import Image

SIZE = (96, 64)
ASKED = ("--window", "1:1", "--shade", "40", "--grid", "thirds")


def png(path: Path, seed: int = 3) -> np.ndarray:
    """Random colour; alpha nothing in the left third, random in the middle, all on the right. uint8 [rows, columns, 4]."""
    pixels = np.random.default_rng(seed).integers(0, 256, (SIZE[1], SIZE[0], 4)).astype(np.uint8)
    pixels[:, :32, 3], pixels[:, 64:, 3] = 0, 255
    Image.fromarray(pixels, "RGBA").save(path)
    return pixels


def test_a_still_with_straight_alpha_is_burnt_as_another_library_composites_it(tmp_path):
    """Pillow's alpha_composite takes and gives straight 8-bit pictures: the overlay alone over the still, by it, is the burn.

    The overlay's straight colour and coverage are rounded to 8 bits for it, half a code each; the result's colour by half of one more.
    Where what comes out has alpha m / 255, an error of half a code in coverage moves colour by up to 128 / m codes.
    """
    before = png(tmp_path / "still.png")
    framed(tmp_path / "still.png", "--out", tmp_path / "burn.png", "--as", "burn", *ASKED)
    framed(tmp_path / "still.png", "--out", tmp_path / "overlay.png", "--as", "overlay", *ASKED)
    made = np.asarray(Image.open(tmp_path / "burn.png"))
    image = oiio.ImageBuf(str(tmp_path / "overlay.png"))
    words = np.asarray(image.get_pixels(oiio.FLOAT))
    words[..., :3] = np.divide(
        words[..., :3], words[..., 3:], out=np.zeros_like(words[..., :3]), where=words[..., 3:] > 0
    )
    overlay = Image.fromarray(np.floor(words * 255 + 0.5).clip(0, 255).astype(np.uint8), "RGBA")
    expected = np.asarray(Image.alpha_composite(Image.fromarray(before, "RGBA"), overlay)).astype(int)
    drawn = words[..., 3] > 0
    assert 0.3 < drawn.mean() < 0.9
    assert np.array_equal(made[~drawn], before[~drawn])
    assert np.abs(made[..., 3].astype(int) - expected[..., 3]).max() <= 1
    some = drawn & (expected[..., 3] > 0)
    off = np.abs(made[..., :3].astype(int) - expected[..., :3]).max(-1)[some]
    assert (off <= 2 + 128 / expected[..., 3][some]).all()
    # Over nothing the shade is the shade alone: black at its own opacity, whatever colour lay hidden under alpha 0.
    hidden = drawn & (before[..., 3] == 0) & (np.abs(words[..., 3] - 0.4) < 0.01) & (words[..., :3] == 0).all(-1)
    assert hidden.sum() > 100 and not made[hidden][:, :3].any() and set(made[hidden][:, 3].tolist()) == {102}


@pytest.mark.parametrize("pixel_format", ["yuva444p", "yuva420p", "yuva444p10le", "yuva420p10le"])
def test_over_alpha_of_nothing_every_plane_holds_the_guide_alone(tmp_path, pixel_format):
    """Two pictures that differ in all they hide come to be one where a guide goes over them, chroma too."""
    word = np.uint16 if "10" in pixel_format else np.uint8
    step = 2 if "420" in pixel_format else 1
    made = []
    for name, code in (("dark", 20), ("light", 200)):
        shape, small = (SIZE[1], SIZE[0]), (SIZE[1] // step, SIZE[0] // step)
        planes = (*(np.full(each, code, word) for each in (shape, small, small)), np.zeros(shape, word))
        make_movie(
            tmp_path / f"{name}.mkv", "ffv1", pixel_format, size=SIZE, frames=2, paint=lambda _, planes=planes: planes
        )
        framed(tmp_path / f"{name}.mkv", "--out", tmp_path / f"{name}_burn.mkv", "--as", "burn", *ASKED)
        made.append(all_planes(tmp_path / f"{name}_burn.mkv")[0])
    alpha = made[0][3]
    assert np.array_equal(alpha, made[1][3]) and 0.3 < (alpha > 0).mean() < 0.9
    for dark, light in zip(made[0][:3], made[1][:3], strict=True):
        drawn = alpha > 0 if dark.shape == alpha.shape else alpha.reshape(*dark.shape[:1], 2, -1, 2).max((1, 3)) > 0
        assert np.array_equal(dark[drawn], light[drawn])
        assert (light[~drawn] == 200).mean() > 0.9  # but for what a filter of chroma carries over an edge
