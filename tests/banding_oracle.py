"""The banding index's open implementation (libvmaf, in the ffmpeg program that imageio-ffmpeg carries), and the algorithm once more.

The second is plain numpy, written from the publication and measured behaviour, for pictures that the program does not take.
"""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

Plane = npt.NDArray[Any]


def program() -> str:
    """The ffmpeg program with a libvmaf of 2026; where CI is set it must be there."""
    try:
        import imageio_ffmpeg

        return str(imageio_ffmpeg.get_ffmpeg_exe())
    except (ImportError, RuntimeError):
        if os.environ.get("CI"):
            pytest.fail("CI is set but imageio-ffmpeg is missing")
        pytest.skip("imageio-ffmpeg is not installed")


def raw(plane: Plane, depth: int) -> bytes:
    """The plane as planar 4:2:0 with neutral chroma. A gray format will not do: the program takes it for full and converts it."""
    kind = np.dtype(np.uint8 if depth == 8 else "<u2")
    rows, columns = plane.shape
    chroma = np.full(2 * -(-rows // 2) * -(-columns // 2), 1 << (depth - 1), kind)
    return np.ascontiguousarray(plane, kind).tobytes() + chroma.tobytes()


def open_index(plane: Plane, depth: int, max_log_contrast: int) -> float:
    """The open implementation's score of one plane, codes of `depth` bits taken for narrow."""
    rows, columns = plane.shape
    with tempfile.TemporaryDirectory() as folder:
        source, log = Path(folder) / "plane.yuv", Path(folder) / "log.json"
        source.write_bytes(raw(plane, depth))
        kind = "yuv420p" if depth == 8 else f"yuv420p{depth}le"
        given = ["-f", "rawvideo", "-pix_fmt", kind, "-s", f"{columns}x{rows}", "-i", source.name]
        feature = f"name=cambi\\:max_log_contrast={max_log_contrast}"
        graph = f"libvmaf=model=:feature='{feature}':n_threads=1:log_fmt=json:log_path={log.name}"
        command = [program(), "-v", "error", *given, *given, "-lavfi", graph, "-f", "null", "-"]
        subprocess.run(command, check=True, capture_output=True, cwd=folder)
        metrics = json.loads(log.read_text())["frames"][0]["metrics"]
    (score,) = (value for name, value in metrics.items() if name.startswith("cambi"))
    return float(score)


_WEIGHTS = (1, 2, 3, 4, 4, 5, 5, 6)


def plain_index(plane: Plane, depth: int, max_log_contrast: int, *, full: bool = False) -> float:
    """The algorithm without any of the kernel's shortcuts: a box sum over the whole picture for every code."""
    codes = plane.astype(np.int64)
    rows, columns = codes.shape
    image = codes << (10 - depth) if depth <= 10 else (codes + (1 << (depth - 11))) >> (depth - 10)
    if depth < 10:
        more = np.pad(image, ((0, 1), (0, 1)), mode="edge")
        image = (more[:-1, :-1] + more[1:, :-1] + more[:-1, 1:] + more[1:, 1:]) >> 2
    equal = np.ones(image.shape, bool)
    equal[:, :-1] &= image[:, :-1] == image[:, 1:]
    equal[:-1] &= image[:-1] == image[1:]
    blocks = (rows // 64) * (columns // 64)
    least = (49 + 3 * ((int(np.ceil(np.log2(blocks))) if blocks else 0) - 11) - 1) // 2
    flat = _box(equal, 3) > least
    reach = 65 * (rows + columns) // 375 // 16 // 2
    limits = _limits(1 << max_log_contrast, depth, full)
    index = 0.0
    for scale in range(5):
        if scale:
            image, flat = image[::2, ::2], flat[::2, ::2]
        image = _mode_filtered(image)
        contrast = np.zeros(image.shape)
        for code in np.unique(image[flat]):
            here = flat & (image == code)
            own = _box(here, reach)[here].astype(float)
            for step, limit in enumerate(limits, 1):
                if code <= limit:
                    both = [_box(flat & (image == code + sign * step), reach)[here] for sign in (1, -1)]
                    other = np.maximum(*both)
                    contrast[here] = np.maximum(contrast[here], _WEIGHTS[step - 1] * own * other / (own + other))
        kept = max(int(0.6 * contrast.size), 1)
        index += np.sort(contrast.ravel())[::-1][:kept].mean() * 2 ** (4 - scale)
    return float(index / (2 * reach + 1) ** 2)


def _box(values: Plane, reach: int) -> Plane:
    """The sum over the square around each pixel, of what lies in the picture."""
    side = 2 * reach + 1
    sums = np.pad(values.astype(np.int64), ((reach + 1, reach), (reach + 1, reach))).cumsum(0).cumsum(1)
    return sums[side:, side:] - sums[:-side, side:] - sums[side:, :-side] + sums[:-side, :-side]


def _mode_filtered(image: Plane) -> Plane:
    def of_three(a: Plane, b: Plane, c: Plane) -> Plane:
        return np.where((a == b) | (a == c), a, np.where(b == c, b, np.minimum(np.minimum(a, b), c)))

    along, out = image.copy(), image.copy()
    along[:, 1:-1] = of_three(image[:, :-2], image[:, 1:-1], image[:, 2:])
    out[1:-1] = of_three(along[:-2], along[1:-1], along[2:])
    return out


def _limits(steps: int, depth: int, full: bool) -> list[float]:
    """The highest 10-bit code at which each step is visible: 1.9 % of the luminance that ITU-R BT.1886 gives (by colour-science)."""
    from colour.models import eotf_BT1886

    black, white = (0.0, ((1 << depth) - 1) * 2.0 ** (10 - depth)) if full else (64.0, 940.0)
    codes = np.arange(int(black), int(white) + 1)
    light = eotf_BT1886(np.clip((codes - black) / (white - black), 0, 1), L_B=0.01, L_W=300)
    found = []
    for step in range(1, steps + 1):
        seen = light[step:] - light[:-step] > 0.019 * light[:-step]
        found.append(np.inf if seen.all() else float(codes[:-step][seen].max(initial=0)))
    return found
