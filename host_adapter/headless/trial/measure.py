"""Looks: what a requantise, and a codec after it, left in frames beside their exact tones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ....kernels.banding import banding_index
from ....kernels.encoding import Channel, affine_map
from ....kernels.occupancy import counts
from ....kernels.rounding import (
    comb,
    exact_tones,
    longest_run,
    low_share,
    noise_of,
    smoothest_window,
    spectrum,
    staircase,
    tone_bias,
)
from ..media import Plane
from .material import Material
from .result import Look, Tones

LOOKED_AT = 6
"""Frames whose pictures are looked at, spread over the stretch; the codec gets all of them."""


WINDOW = 96, 160
"""Rows and columns of the part that is shown enlarged, where the picture is as large."""


def window_size(shape: tuple[int, ...]) -> tuple[int, int]:
    """Rows and columns of the part that is shown of a picture."""
    return min(WINDOW[0], shape[0] // 8 * 8), min(WINDOW[1], shape[1] // 8 * 8)


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What results are held against, made once: the exact tones of the frames looked at.

    indices : of these frames; window : top left (row, column) of the part that is shown; noise : the picture's own, in steps
    """

    material: Material
    indices: tuple[int, ...]
    tones: tuple[Tones, ...]
    window: tuple[int, int]
    noise: float

    @property
    def line(self) -> int:
        """The row along which steps are counted: through the middle of the window."""
        return self.window[0] + window_size(self.tones[0].shape)[0] // 2

    @classmethod
    def of(cls, material: Material) -> Truth:
        """The exact tones of a material's frames."""
        count = len(material.frames)
        indices = tuple(sorted({round(place) for place in np.linspace(0, count - 1, min(LOOKED_AT, count))}))
        tones = tuple(exact_tones(material.frames[at][0], material.source, material.target) for at in indices)
        window = smoothest_window(tones[len(tones) // 2], window_size(tones[0].shape))
        return cls(material, indices, tones, window, float(np.mean([noise_of(each) for each in tones])))

    def look(self, planes: Sequence[Plane]) -> Look:
        """A look at the tone planes of all frames, in codes of the target."""
        target = self.material.target
        gain = float(affine_map(self.material.source, target, Channel.LUMA)[0])
        histogram = np.zeros(target.maximum + 1, np.int64)
        found: list[list[float]] = []
        powers = []
        for at, exact in zip(self.indices, self.tones, strict=True):
            plane = planes[at]
            counts(plane, target, out=histogram)
            error = plane.astype(np.float32) - exact
            inside = (exact > 0.5) & (exact < target.maximum - 0.5)  # clipping at the end codes is no rounding
            error = np.where(inside, error, 0)
            frequencies, power = spectrum(error)
            powers.append(power)
            found.append(
                [
                    banding_index(plane, target),
                    staircase(error),
                    longest_run(plane[self.line]),
                    float(error.mean(dtype=np.float64)),
                    tone_bias(error, exact),
                    float(error.var(dtype=np.float64)),
                    low_share(error),
                ]
            )
        index, stairs, run, mean, bias, noise, low = (float(value) for value in np.mean(found, axis=0))
        return Look(
            index=index,
            stairs=stairs,
            run=run,
            comb=comb(histogram, gain),
            mean_error=mean,
            bias=bias,
            noise=noise,
            low=low,
            frequencies=tuple(float(each) for each in frequencies),
            power=tuple(float(each) for each in np.mean(powers, axis=0)),
        )
