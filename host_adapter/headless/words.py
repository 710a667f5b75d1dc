"""The words that the command line, the plan and the receipts share. Imports nothing."""

from __future__ import annotations

REMEDIES = ("none", "retag", "lift", "rescale", "undo", "ask")
"""How a recording is mended; see DEVELOPERS.md, Words."""

PROFILES = ("log", "display", "hlg", "pq")
"""What kind of picture a recording holds."""

FRAMINGS = ("burn", "overlay", "crop", "sheet")
"""What `footroom frame` makes."""

DISPLAYS = {"bt1886": "BT.1886", "hlg": "BT.2100 HLG", "pq": "BT.2100 PQ"}
"""Displays that a picture is made for, and how they are called."""
