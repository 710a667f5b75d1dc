# SPDX-License-Identifier: GPL-3.0-or-later
"""The survey's and mend's sentences as they read in Blender: where they name an option, the panel's name for it."""

from __future__ import annotations

import re

_INSTEAD = (
    (
        r"\((?:footroom mend FILE )?--remedy undo --from (narrow|full)(?: --to (?:narrow|full))?(, [^)]*)?\)",
        lambda found: f"(Undo a scaling, Codes are {found[1]}{found[2] or ''})",
    ),
    (r"\(footroom mend FILE --remedy rescale --from (narrow|full) --to (narrow|full)\)", r"(Rescale, Codes are \1)"),
    (r"\(--profile display\)", "(set Pictures are to Finished)"),
    (r"--curve KEY if it is log", "its curve, set in the panel, if it is log"),
    (r"--profile log if every recording named is in that curve", "Pictures are: Log, if all of them are in that curve"),
    (r"[^.;]*--even-so[^.]*\.?", " Choose another remedy, or set Even so if you know better."),
    (r"[^.;]*--overwrite[^.]*\.?", " Choose another folder, or set Replace earlier results."),
    (r"[^.;]*--out\b[^.]*\.?", " Choose another folder in the panel."),
    (r"[^.;]*--(remedy|from|to|codec|depth|profile)\b[^.]*\.?", " Choose another remedy in the panel."),
    (r"[^.;]*footroom (survey|mend)\b[^.]*\.?", ""),
)


def in_host(words: str) -> str:
    """A sentence of the headless half without options of its command line."""
    for pattern, instead in _INSTEAD:
        words = re.sub(pattern, instead, words)
    return re.sub(r"  +", " ", words).strip()


def counted(number: int, one: str, many: str = "") -> str:
    """'1 strip', '3 strips'."""
    return f"{number} {one if number == 1 else many or one + 's'}"
