"""What coders do to the line between a recording and its own uncoded picture, whose map is 1 and 0: the bounds of any comparison.

    python bench/coding_wear.py [--scenes N] [--cache FOLDER]

The takes of `pairing_accuracy.py --tuning`, coded and without loss, their means over areas held against each other by least
squares: the uncoded side has no noise. Prints the error of gain by the size of the areas, by the kind of frame, the shift of all
codes, and the pull: how far codes are moved towards the middle one, whichever side of it they lie on.
"""

from __future__ import annotations

import argparse
import tempfile
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import scenes as material
from pairing_files import FRAMES, Pair, make

from footroom.host_adapter.headless.twins.maps import KEYS
from footroom.host_adapter.headless.twins.views import Side, cells, open_side, pick
from footroom.kernels.aligning import Place

CODERS = ("h264 10 bit 4:2:2", "h264 8 bit 4:2:0", "prores 10 bit 4:2:2")
PIXELS = 4
POOLED = (1, 2, 4, 8, 16)
"""Areas, in cells of PIXELS."""
KINDS = {1: "I", 2: "P", 3: "B"}
"""FFmpeg's AV_PICTURE_TYPE_I, _P and _B."""
TEN = 1023
NEAR_ZERO = 1 / TEN
"""Over so many codes the pull goes from one side to the other."""
RAILS = 0.01

Means = Any
"""float64 [frames, rows, columns], codes in units of M."""


def pooled(values: Means, by: int) -> Means:
    """Means of by x by cells; what does not fill an area is dropped."""
    frames, rows, columns = values.shape
    cut = values[:, : rows // by * by, : columns // by * by]
    return cut.reshape(frames, rows // by, by, columns // by, by).mean((2, 4))


def steepness(x: Means, y: Means) -> float:
    """The slope of y on x by least squares, in per cent of 1; areas with NaN left out."""
    there = np.isfinite(x) & np.isfinite(y)
    return float(100 * (np.polyfit(x[there], y[there], 1)[0] - 1)) if there.sum() > 24 else float("nan")


def pull(x: Means, y: Means, middle: float) -> float:
    """How many 10-bit codes y lies nearer to the middle than x, on either side of it, beside a gain and an offset."""
    side = np.tanh((x - middle) / NEAR_ZERO)
    x, y, side = (pooled(each, POOLED[2]) for each in (x, y, side))
    there = np.isfinite(x) & np.isfinite(y)
    unknowns = np.stack([x[there], np.ones(there.sum()), side[there]], axis=1)
    return float(-TEN * np.linalg.lstsq(unknowns, y[there], rcond=None)[0][2])


def seen(side: Side, count: int) -> tuple[dict[str, Means], list[str], Any]:
    """Means and kinds of a recording's frames, and for each channel where no rail is near."""
    info = side.info
    shares = np.linspace(0, 1, info.width // PIXELS + 1), np.linspace(0, 1, info.height // PIXELS + 1)
    kinds: list[str] = []

    def told() -> Any:
        for frame in pick(side, range(count)):
            kinds.append(KINDS.get(int(frame.native.pict_type), "?"))
            yield frame

    found = cells(side, told(), Place(), shares)
    inside = {key: (some.lows > RAILS) & (some.highs < 1 - RAILS) for key, some in found.items()}
    return {key: some.means for key, some in found.items()}, kinds, inside


def measure(coder: str, scene: str, seed: int, cache: Path) -> dict[str, list[float]]:
    """One row of figures for each channel: spread, gains by size, gains and shifts by kind, pull."""
    with tempfile.TemporaryDirectory() as folder:
        pair = Pair(scene, "same", (coder, coder), Fraction(1), 0, seed)
        coded, _, plain = (open_side(path) for path in make(pair, Path(folder), cache))
        after, kinds, inside = seen(coded, FRAMES)
        before, _, _ = seen(plain, FRAMES)
    rows = {}
    for key in KEYS:
        x, y = (np.where(inside[key], each[key], np.nan) for each in (before, after))
        row = [TEN * float(np.nanstd(x))] + [steepness(pooled(x, by), pooled(y, by)) for by in POOLED]
        for kind in KINDS.values():
            of = np.array([each == kind for each in kinds])
            row.append(steepness(pooled(x, POOLED[3])[of], pooled(y, POOLED[3])[of]) if of.any() else np.nan)
            row.append(TEN * float(np.nanmean(y[of] - x[of])) if of.any() else np.nan)
        rows[key] = [*row, pull(x, y, coded.encoding.neutral / coded.encoding.maximum)]
    return rows


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=8, help="takes of each coder")
    parser.add_argument("--cache", type=Path, default=Path.home() / ".cache" / "footroom-bench")
    options = parser.parse_args()
    names = [name for name in (*material.PHOTOGRAPHS, *material.CLIPS) if name in material.TUNING]
    print("| coder | channel | takes | gain off over areas of 4, 8, 16, 32, 64 pixels, % | of I, P, B frames, % "
          "| shift of I, P, B frames, codes of 10 bit | pull |")  # fmt: skip
    print("|---|---|--:|--:|--:|--:|--:|")
    for coder in CODERS:
        takes = [measure(coder, names[at % len(names)], 300 + at, options.cache) for at in range(options.scenes)]
        for key, label in (("y", "luma"), ("cb", "Cb"), ("cr", "Cr")):
            for weak in (False, True):
                rows = np.array([take[key] for take in takes if (take[key][0] < 0.02 * TEN) is weak])
                if len(rows):
                    print(f"| {coder} | {label}{', weak' if weak else ''} | {len(rows)} | {_figures(rows)} |")
    return 0


def _figures(rows: Any) -> str:
    """Medians over the takes."""
    middle = [float(np.median(column[np.isfinite(column)])) if np.isfinite(column).any() else None for column in rows.T]
    parts = (middle[1:6], middle[6:12:2], middle[7:12:2])
    told = [" / ".join("-" if value is None else f"{value:+.2f}" for value in part) for part in parts]
    return f"{' | '.join(told)} | {middle[12]:.2f}"


if __name__ == "__main__":
    raise SystemExit(main())
