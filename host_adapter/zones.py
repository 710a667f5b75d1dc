"""Zones of an exposure map, as a TOML file says them, and the look that they give."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .headless.errors import Problem

Colour = tuple[float, float, float]
"""Linear light of sRGB's primaries, 0..1."""

PICTURE = "picture"
"""In place of a colour: the zone shows the picture itself."""
_HEX = re.compile(r"#[0-9a-fA-F]{6}")
_KEYS = ("clip", "black", "zone")
_ZONE_KEYS = ("name", "from", "colour")
_LEAST_RISE = 1.02  # of luminance from zone to zone; less is not seen


@dataclass(frozen=True, slots=True)
class Zone:
    """start, end : stops from 18 % grey, None where there is no end; colour : None where the picture shows through"""

    name: str
    start: float | None
    end: float | None
    colour: Colour | None


@dataclass(frozen=True, slots=True)
class Zones:
    """From the darkest to the lightest; figure and ground of what is clipped, and of what has no light."""

    zones: tuple[Zone, ...]
    clip: tuple[Colour, Colour]
    black: tuple[Colour, Colour]

    @property
    def edges(self) -> tuple[float, ...]:
        """Stops between the zones."""
        return tuple(zone.start for zone in self.zones if zone.start is not None)


def read_zones(path: Path | None) -> Zones:
    """The zones of a file; footroom's own where none is named.

    Raises: Problem naming the file, the zone and the key.
    """
    import tomlkit
    from tomlkit.exceptions import ParseError

    if path is None:
        text = files(__package__).joinpath("zones.toml").read_text(encoding="utf-8")
    else:
        try:
            text = path.read_text(encoding="utf-8")
        except FileNotFoundError:
            raise Problem(path, "there is no such zones file") from None
        except (OSError, UnicodeDecodeError) as error:
            raise Problem(path, f"it cannot be read as text ({error})") from None
    try:
        document = tomlkit.parse(text).unwrap()
    except ParseError as error:
        raise Problem(
            path, f"it is no TOML ({error})", "Mend that line, or begin with a copy of footroom's own zones."
        ) from None
    return _zones(path, document)


def _zones(path: Path | None, document: Mapping[str, Any]) -> Zones:
    _check_keys(path, "the file", document, _KEYS)
    entries = document.get("zone")
    if not isinstance(entries, list) or len(entries) < 2 or not all(isinstance(entry, Mapping) for entry in entries):
        raise Problem(path, "it holds fewer than two [[zone]]", "Write each as [[zone]] with name, from and colour.")
    starts: list[float | None] = []
    for number, entry in enumerate(entries, 1):
        where = f"zone {number}"
        _check_keys(path, where, entry, _ZONE_KEYS)
        if not isinstance(entry.get("name"), str) or not entry["name"].strip() or len(entry["name"]) > 24:
            raise Problem(path, f"{where} has no name of 1 to 24 letters")
        start = entry.get("from")
        if (start is None) != (number == 1):
            raise Problem(path, f"{where} {'begins' if start is not None else 'does not say where it begins'}",
                          "All but the first, which is the darkest, have a from in stops.")  # fmt: skip
        if start is not None and (
            isinstance(start, bool) or not isinstance(start, (int, float)) or not abs(start) <= 30
        ):
            raise Problem(path, f"{where} begins at {start!r}", "Give stops from 18 % grey, -30 to 30.")
        last = starts[-1] if starts else None
        if start is not None and last is not None and start < last + 0.1:
            raise Problem(
                path, f"{where} begins at {start:g}, the one before at {last:g}", "Each is at least .1 stop wide."
            )
        starts.append(None if start is None else float(start))
    colours = [
        None if entry.get("colour") == PICTURE else _colour(path, f"zone {number}", entry.get("colour"))
        for number, entry in enumerate(entries, 1)
    ]
    drawn = [(number, colour) for number, colour in enumerate(colours, 1) if colour is not None]
    for (before, darker), (after, lighter) in pairwise(drawn):
        if luminance(lighter) < luminance(darker) * _LEAST_RISE:
            raise Problem(
                path,
                f"zone {after} is not lighter than zone {before}",
                "Lightness rises with exposure, so that the map reads in grey and with any colour vision.",
            )
    made = tuple(
        Zone(entry["name"].strip(), start, end, colour)
        for entry, start, end, colour in zip(entries, starts, (*starts[1:], None), colours, strict=True)
    )
    return Zones(made, _pair(path, "clip", document), _pair(path, "black", document))


def luminance(colour: Colour) -> float:
    """Of linear light with BT.709-6's weights, which sRGB's primaries have."""
    return 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]


def _pair(path: Path | None, key: str, document: Mapping[str, Any]) -> tuple[Colour, Colour]:
    pair = document.get(key)
    if not isinstance(pair, list) or len(pair) != 2:
        raise Problem(path, f"{key} is not two colours", f'Write {key} = ["#ffffff", "#202020"]: figure and ground.')
    figure, ground = (_colour(path, key, each) for each in pair)
    if abs(luminance(figure) - luminance(ground)) < 0.05:
        raise Problem(path, f"figure and ground of {key} are nearly alike", "A pattern is told by light and dark.")
    return figure, ground


def _colour(path: Path | None, where: str, word: Any) -> Colour:
    if not isinstance(word, str) or not _HEX.fullmatch(word):
        raise Problem(path, f"the colour of {where} is {word!r}", 'Write it as "#1f4591", or of a zone as "picture".')
    red, green, blue = linear(np.array([int(word[at : at + 2], 16) for at in (1, 3, 5)]) / 255)
    return float(red), float(green), float(blue)


def _check_keys(path: Path | None, where: str, held: Mapping[str, Any], known: tuple[str, ...]) -> None:
    for key in held:
        if key not in known:
            raise Problem(path, f"{where} holds {key!r}, which means nothing here", f"It may hold {', '.join(known)}.")


def linear(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """sRGB levels to linear light. Source: IEC 61966-2-1, from memory."""
    return np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)


def encoded(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light to sRGB levels; the other way of `linear`."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
