"""A page written as one HTML file: whole or not at all, with nothing in it that reaches outside."""

from __future__ import annotations

import base64
import hashlib
import os
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ..errors import Problem
from ..publish import discard, make_folder, partial_of, remove_empty, system_problem
from ..receipt import program_version
from .page import Page
from .palette import style

SUFFIXES = (".html", ".htm")


def check_report(path: Path, inputs: Iterable[Path] = (), *, overwrite: bool = False) -> None:
    """Whether a report could be written there; asked before the work, not after it.

    Raises: Problem where the name is no page's, where an input lies there, or where anything does and overwriting was not
    asked for.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise Problem(path, "a report is an HTML page", f"Name it with the ending {SUFFIXES[0]}.")
    if path.is_dir():
        raise Problem(path, "a folder of this name exists", "Name another file for the report.")
    if any(_same(path, given) for given in inputs):
        raise Problem(
            path, "this is one of the inputs, which are never written to", "Name another file for the report."
        )
    if not overwrite and (path.exists() or path.is_symlink()):
        raise Problem(path, "a file of this name exists", "Name another file for the report, or add --overwrite.")


def write_report(page: Page, path: Path, *, overwrite: bool = False) -> None:
    """Write the page; it appears under its name when it is whole.

    Raises: Problem as check_report does, and where the system refuses.
    """
    check_report(path, overwrite=overwrite)
    partial = partial_of(path)
    made: list[Path] = []
    try:
        made = make_folder(path.parent)
        discard(partial)
        with partial.open("w", encoding="utf-8", errors="backslashreplace") as file:
            for chunk in chunks(page):
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        check_report(path, overwrite=overwrite)  # looked at again: the pictures may have taken minutes
        os.replace(partial, path)
    except OSError as error:
        found = system_problem(path, error)
        raise Problem(path, found.found, "Name another place with --report.") from None
    finally:
        discard(partial)
        if not path.exists():
            remove_empty(made)


def chunks(page: Page) -> Iterable[str]:
    """The page's HTML, piece by piece as its parts are made."""
    looks = style() + _text("style.css")
    behaviour = _text("slider.js")
    template = _environment().get_template("page.html")
    yield from template.generate(
        page=page,
        looks=Markup(looks),
        behaviour=Markup(behaviour),
        policy=policy(looks, behaviour),
        version=program_version(),
        made=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
    )


def policy(looks: str, behaviour: str) -> str:
    """The Content-Security-Policy: this page's own style and script by their sums, pictures inside it, and nothing else."""
    return (
        f"default-src 'none'; img-src data:; style-src '{_sum(looks)}'; script-src '{_sum(behaviour)}'; "
        "base-uri 'none'; form-action 'none'"
    )


def legible(value: Any) -> Any:
    """Text as it can be put into a page: what does not print, or turns the line's direction, as its escape."""
    if not isinstance(value, str) or isinstance(value, Markup):
        return "" if value is None else value
    if value.isascii() and value.isprintable():
        return value
    return "".join(
        letter if unicodedata.category(letter) not in ("Cc", "Cf", "Cs", "Co", "Cn") or letter == "\n"
        else letter.encode("unicode_escape").decode("ascii")
        for letter in value
    )  # fmt: skip


def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader(__package__, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=legible,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["per"] = _per
    return made


def _per(place: float) -> str:
    """0 to 1 as a CSS and SVG percentage."""
    return f"{100 * place:.2f}%"


def _text(name: str) -> str:
    return (files(__package__) / "templates" / name).read_text(encoding="utf-8")


def _sum(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there yet
        return one.resolve() == other.resolve()


def counted(number: int, noun: str, plural: str = "") -> str:
    """'1 recording', '3 recordings'."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def joined(names: Sequence[str]) -> str:
    """'a, b and c'."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
