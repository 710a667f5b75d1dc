"""The two files that a person writes: deliveries, and the path of a moving window. Both are TOML."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import ParseError

from ....kernels.framing import Wanted
from ....kernels.motion import Ease, Key, WindowPath
from ...wanted import Safe, checked_name, file_word, read_safe, read_size, read_window
from ..errors import Problem
from .outputs import TAKEN
from .request import Delivery

DELIVERY_KEYS = ("window", "size", "safe", "path", "key", "part")
KEY_KEYS = ("time", "x", "y", "part", "ease")

EXAMPLE = 'delivery.story.window = "9:16"'


def read_deliveries(path: Path) -> tuple[Delivery, ...]:
    """The deliveries of a file, in its order.

    Raises: Problem naming the file, the delivery and the key.
    """
    document = _document(path, "deliveries file")
    entries = document.get("delivery")
    if not isinstance(entries, Mapping) or not entries:
        raise Problem(path, "it holds no [delivery.NAME]", f"Write one, such as {EXAMPLE}")
    strangers = sorted(set(document) - {"delivery"})
    if strangers:
        raise Problem(path, f"it holds {strangers[0]!r}, which means nothing here", "Deliveries are [delivery.NAME].")
    deliveries = tuple(_delivery(path, str(name), entry) for name, entry in entries.items())
    check_names(deliveries, path)
    return deliveries


def check_names(deliveries: tuple[Delivery, ...], path: Path | None = None) -> None:
    """Every delivery has a name of its own, in labels and in file names, and none that other results have there.

    Raises: Problem naming it, or the two.
    """
    seen: dict[str, str] = {}
    for delivery in deliveries:
        word = file_word(delivery.name).casefold()
        if word.rpartition(".")[2] in TAKEN:
            raise Problem(
                path,
                f"a window cannot be called {delivery.name!r}: its results would have the names of the {word.rpartition('.')[2]}",
                f"Call it something else than {', '.join(TAKEN)}.",
            )
        if word in seen:
            raise Problem(
                path,
                f"two windows would both be called {delivery.name!r} (the other is {seen[word]!r})",
                "Give one a name of its own: wide=2.39.",
            )
        seen[word] = delivery.name


def check_free(wanted: Wanted, path: Path) -> None:
    """A window that moves has no place of its own besides.

    Raises: Problem where it has.
    """
    if wanted.plainly_centred != (True, True):
        raise Problem(
            path,
            f"window {wanted.name!r} has an anchor or an offset, and a path that says where it is",
            "Keep one of them.",
        )


def read_path(path: Path) -> WindowPath:
    """The keys of a moving window's file.

    Raises: Problem naming the file, the key's number and what is wrong.
    """
    document = _document(path, "path file")
    strangers = sorted(set(document) - {"key"})
    if strangers:
        raise Problem(path, f"it holds {strangers[0]!r}, which means nothing here", "A path is a list of [[key]].")
    return _path(path, document.get("key"), "")


def _document(path: Path, what: str) -> dict[str, Any]:
    try:
        return dict(tomlkit.parse(path.read_text(encoding="utf-8")).unwrap())
    except FileNotFoundError:
        raise Problem(path, f"there is no such {what}", "Check the spelling of the path.") from None
    except IsADirectoryError:
        raise Problem(path, f"this is a folder, not a {what}", "Name the file.") from None
    except OSError as error:
        raise Problem(path, f"the {what} could not be read ({error.strerror})") from None
    except (ParseError, UnicodeDecodeError) as error:
        raise Problem(path, f"the {what} is not valid TOML ({error})", "Mend that line.") from None


def _delivery(path: Path, name: str, entry: Any) -> Delivery:
    where = f"[delivery.{name}]"
    if not isinstance(entry, Mapping):
        raise Problem(path, f"{where} is no table", f"Write one, such as {EXAMPLE}")
    unknown = [key for key in entry if key not in DELIVERY_KEYS]
    if unknown:
        raise Problem(path, f"{where}: there is no {unknown[0]!r}", f"It takes {', '.join(DELIVERY_KEYS)}.")
    try:
        size = read_size(_text(entry, "size")) if "size" in entry else None
        if "window" in entry:
            wanted = replace(read_window(_text(entry, "window")), name=checked_name(name))
        elif size is not None:
            wanted = Wanted(checked_name(name), Fraction(*size))
        else:
            raise ValueError("it needs a window or a size")
        if "part" in entry:
            wanted = replace(wanted, part=_number(entry["part"], "part"))
        safes = tuple(_safe(word) for word in _list(entry, "safe"))
    except ValueError as error:
        raise Problem(path, f"{where}: {error}") from None
    if "path" in entry and "key" in entry:
        raise Problem(path, f"{where} has both a path and keys", "Keep one of them.")
    moves = None
    if "key" in entry:
        moves = _path(path, entry["key"], where)
    elif "path" in entry:
        if not isinstance(entry["path"], str):
            raise Problem(path, f"{where}: path must be text in quotes, a file's name, got {entry['path']!r}")
        moves = read_path(path.parent / entry["path"])
    if moves is not None:
        check_free(wanted, path)
    return Delivery(wanted, size, moves, safes)


def _safe(word: str) -> Safe:
    placed = read_safe(word)
    if placed.window:
        raise ValueError(f"safe {word!r} lies in this delivery's own window; leave the @ out")
    assert isinstance(placed.what, Safe)
    return placed.what


def _text(entry: Mapping[str, Any], key: str) -> str:
    if not isinstance(entry[key], str):
        raise ValueError(f'{key} must be text in quotes, such as {key} = "{"1080x1920" if key == "size" else "9:16"}"')
    return str(entry[key])


def _list(entry: Mapping[str, Any], key: str) -> list[str]:
    value = entry.get(key, [])
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        raise ValueError(f'{key} must be a list of texts, such as {key} = ["action", "title"]')
    return words


def _path(path: Path, keys: Any, where: str) -> WindowPath:
    """The keys of a file; `where` in it, where that is not the whole of it."""
    before, holder = (f"{where}, ", where) if where else ("", "it")
    if not isinstance(keys, list) or not keys or not all(isinstance(key, Mapping) for key in keys):
        raise Problem(
            path, f"{holder} holds no [[key]]", "Write at least one: [[key]] and below it time = 0.0, x = 0.5."
        )
    made = []
    for number, key in enumerate(keys, start=1):
        unknown = [word for word in key if word not in KEY_KEYS]
        if unknown:
            raise Problem(path, f"{before}key {number}: there is no {unknown[0]!r}", f"It takes {', '.join(KEY_KEYS)}.")
        try:
            made.append(_key(key))
        except ValueError as error:
            raise Problem(path, f"{before}key {number}: {error}") from None
    try:
        return WindowPath(tuple(made))
    except ValueError as error:
        raise Problem(
            path, f"{where}: {error}" if where else str(error), "Put the keys in the order of their times."
        ) from None


def _key(key: Mapping[str, Any]) -> Key:
    if "time" not in key:
        raise ValueError("it has no time (seconds from the first frame)")
    words = [ease.value for ease in Ease]
    ease = key.get("ease", Ease.SMOOTH.value)
    if ease not in words:
        raise ValueError(f"ease {ease!r} is none of {', '.join(words)}")
    half = Fraction(1, 2)
    return Key(
        _number(key["time"], "time"),
        _number(key["x"], "x") if "x" in key else half,
        _number(key["y"], "y") if "y" in key else half,
        _number(key["part"], "part") if "part" in key else Fraction(1),
        Ease(ease),
    )


def _number(value: Any, name: str) -> Fraction:
    """The number as a person wrote it: 0.1 is a tenth."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) <= 1e9:
        raise ValueError(f"{name} must be a number, got {value!r}")
    return Fraction(str(value))
