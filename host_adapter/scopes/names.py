"""Names of channels, as the standards have them, and of the kinds of scopes. Imports nothing."""

from __future__ import annotations

LUMA = "Y'"
CHROMA = ("Cb", "Cr")
RGB = ("R'", "G'", "B'")

KINDS = {
    "waveform": "Waveform",
    "parade": "Parade",
    "vectorscope": "Vectorscope",
    "histogram": "Histogram",
    "all": "All",
}
"""Kinds of scopes and how they are called."""
