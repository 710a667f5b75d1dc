"""The report's colours, light and dark, and the contrast that each pair must have."""

from __future__ import annotations

COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#fcfbf8", "#181715"),
    "panel": ("#f3f1eb", "#211f1c"),
    "ink": ("#1e1c19", "#ece8df"),
    "quiet": ("#5a554c", "#b4ada0"),
    "rule": ("#d9d4c9", "#3c3832"),
    "link": ("#1b567a", "#8cc3e6"),
    "edge": ("#827b6e", "#7d7669"),
    "wrong": ("#8f2418", "#f2a396"),
    "open": ("#6b4e00", "#e0bd6a"),
    "right": ("#27602f", "#9ad0a0"),
    "area": ("#56697a", "#8fa5b8"),
    "limit": ("#8f2418", "#f2a396"),
    "first": ("#1b567a", "#8cc3e6"),
    "second": ("#8a4a00", "#e3a866"),
    "third": ("#27602f", "#9ad0a0"),
}
"""Name to (light, dark)."""

TEXT, GRAPHIC = 4.5, 3.0
"""Least contrast of text, and of what must be seen to understand a picture. Source: WCAG 2.1, 1.4.3 and 1.4.11, level AA."""

PAIRS: tuple[tuple[str, str, float], ...] = (
    *((name, ground, TEXT) for name in ("ink", "quiet", "link", "wrong", "open", "right", "limit")
      for ground in ("paper", "panel")),
    *((name, ground, GRAPHIC) for name in ("edge", "area", "limit", "first", "second", "third")
      for ground in ("paper", "panel")),
)  # fmt: skip
"""(foreground, background, least contrast) of every pair that the style uses."""


def luminance(colour: str) -> float:
    """Relative luminance, 0 to 1, of '#rrggbb'. Source: WCAG 2.1, definition of relative luminance."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.03928 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return sum(weight * value for weight, value in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21. Source: WCAG 2.1, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def style() -> str:
    """The colours as CSS variables: light, dark where the reader's system is, light again on paper."""

    def listed(at: int) -> str:
        return "".join(f"--{name}:{both[at]};" for name, both in COLOURS.items())

    return (
        f":root{{color-scheme:light dark;{listed(0)}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{listed(1)}}}}}"
    )
