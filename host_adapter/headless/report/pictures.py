"""Pictures as data URIs of bounded size, by Pillow."""

from __future__ import annotations

import base64
import io
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from ..viewing import Shown
from .page import Picture

LONGEST = 960
"""Longest side of a frame in a report, pixels: 24 recordings with two frames each make some 6 MB."""
QUALITY = 84


def frame_picture(shown: Shown, alt: str, *, longest: int = LONGEST) -> Picture:
    """A frame as JPEG, never larger than it is.

    shown : uint8 [rows, columns, 3]
    """
    image = Image.fromarray(np.ascontiguousarray(shown))
    image.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    return _picture(image, "JPEG", alt, quality=QUALITY, subsampling=0)


def exact_picture(shown: Shown, alt: str, *, enlarge: int = 1) -> Picture:
    """A small crop as PNG, pixel for pixel, each `enlarge` wide and high.

    shown : uint8 [rows, columns, 3]
    """
    image = Image.fromarray(np.ascontiguousarray(shown))
    if enlarge > 1:
        image = image.resize((image.width * enlarge, image.height * enlarge), Image.Resampling.NEAREST)
    return _picture(image, "PNG", alt, optimize=True)


def trace_picture(counts: npt.NDArray[Any], alt: str = "") -> Picture:
    """Counts as ink on nothing: the more, the denser. The page turns the ink light where it is dark.

    counts : [columns, places], place 0 at the foot
    A spike of one code and a smooth sky differ by orders of magnitude; the logarithm lets both be seen.
    """
    dense = np.log1p(counts.T[::-1].astype(np.float64))
    highest = dense.max(initial=0.0) or 1.0
    # A single pixel is still to be seen, and few steps of grey make a small file.
    alpha = np.where(dense > 0, np.rint((0.2 + 0.8 * dense / highest) * 31) * (255 / 31), 0).astype(np.uint8)
    return _picture(Image.merge("LA", (Image.new("L", alpha.shape[::-1], 0), Image.fromarray(alpha))), "PNG", alt)


def _picture(image: Image.Image, form: str, alt: str, **options: Any) -> Picture:
    written = io.BytesIO()
    image.save(written, form, **options)
    text = base64.b64encode(written.getvalue()).decode("ascii")
    return Picture(f"data:image/{form.lower()};base64,{text}", image.width, image.height, alt)
