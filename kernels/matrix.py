"""R'G'B' to Y'CbCr, exactly: the constants of the standards and the two equations that use them."""

from __future__ import annotations

from enum import Enum
from fractions import Fraction

RGB = tuple[Fraction, Fraction, Fraction]


class Matrix(Enum):
    """Kr and Kb, the weights of red and blue in luma. Source: ITU-T H.273 table 4; BT.601-7, BT.709-6, BT.2020-2."""

    BT601 = (Fraction("0.299"), Fraction("0.114"))
    BT709 = (Fraction("0.2126"), Fraction("0.0722"))
    BT2020 = (Fraction("0.2627"), Fraction("0.0593"))
    """Non-constant luminance."""
    ST240 = (Fraction("0.212"), Fraction("0.087"))
    FCC = (Fraction("0.30"), Fraction("0.11"))

    @property
    def red(self) -> Fraction:
        return self.value[0]

    @property
    def blue(self) -> Fraction:
        return self.value[1]

    @property
    def green(self) -> Fraction:
        return 1 - self.red - self.blue

    def ycbcr(self, colour: RGB) -> RGB:
        """Levels of Y', Cb, Cr (0..1, -1/2..1/2 twice) of an R'G'B' colour (0..1)."""
        red, green, blue = colour
        luma = self.red * red + self.green * green + self.blue * blue
        return luma, (blue - luma) / (2 * (1 - self.blue)), (red - luma) / (2 * (1 - self.red))

    def rgb(self, signal: RGB) -> RGB:
        """R'G'B' of levels of Y', Cb, Cr; the inverse of ycbcr."""
        luma, cb, cr = signal
        red = luma + 2 * (1 - self.red) * cr
        blue = luma + 2 * (1 - self.blue) * cb
        return red, (luma - self.red * red - self.blue * blue) / self.green, blue
