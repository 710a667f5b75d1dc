"""The plan: the survey's proposals as a TOML file that a person reads and edits before anything is written."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import ParseError
from tomlkit.items import Table

from ...kernels.encoding import Range
from ..effects.shared import DITHER, SEED
from .errors import Problem
from .terminal import sure_words
from .words import PROFILES, REMEDIES

PLAN_VERSION = 1

HEADER = """\
footroom plan: what the survey proposes, one [[recording]] each. Read it, change it, then run
    footroom mend --plan THIS_FILE --out FOLDER
Only these keys are acted upon:
  remedy   none (leave alone) | retag (only the flag changes) | lift (rescale into two more bits, reversible)
           | rescale (same depth, dithered) | undo (take one scaling back, into two more bits)
           | ask (nothing is done until you choose one of the others)
  from     what the codes are: narrow | full                                     (undo: what the scaling made them)
  to       retag: the flag that the copy gets; lift, rescale: the range that the copy's codes get; undo: the flag that
           the copy gets, if left out what the history of the codes asks for
  dither   none | rectangular | triangular | blue-noise | error-diffusion       (rescale; optional)
  seed     a whole number, the same seed gives the same codes                    (optional)
  depth    bits of the result, 8 to 16                                           (all but retag; optional)
  codec    codec of the result                                                   (all but retag; optional)
  profile  log | display | hlg | pq: what kind of picture it is                  (optional)
Paths are relative to this file. The lines with # behind them say why."""


@dataclass(frozen=True, slots=True)
class Order:
    """One recording and what is to be done with it.

    path : the file, or the pattern of a sequence
    remedy : one of REMEDIES
    source, target : what the codes are, what they are to be (retag: target is the flag); None where it does not matter
    depth : bits of the result; None for the remedy's own
    """

    path: Path
    remedy: str
    source: Range | None = None
    target: Range | None = None
    dither: str | None = None
    seed: int = 0
    depth: int | None = None
    codec: str | None = None
    profile: str | None = None
    even_so: bool = False
    extra: Mapping[str, Any] = field(default_factory=dict)

    def settings(self) -> dict[str, Any]:
        """What a receipt records, and what must be equal for a result to be this order's."""
        return {
            "remedy": self.remedy,
            "from": None if self.source is None else self.source.label,
            "to": None if self.target is None else self.target.label,
            "dither": self.dither,
            "seed": self.seed,
            "depth": self.depth,
            "codec": self.codec,
        }


def write_plan(path: Path, records: Iterable[Mapping[str, Any]], *, overwrite: bool = False) -> int:
    """Write the survey's records as a plan; returns how many recordings it holds.

    records : survey records as in `footroom survey --json`
    Raises: Problem where the plan exists (somebody may have edited it) and overwrite was not asked for.
    """
    if path.exists() and not overwrite:
        raise Problem(path, "this plan exists and may hold somebody's edits", "Name another file, or add --overwrite.")
    document = tomlkit.document()
    for line in HEADER.splitlines():
        document.add(tomlkit.comment(line) if line else tomlkit.nl())
    document.add(tomlkit.nl())
    document.add("version", tomlkit.item(PLAN_VERSION))
    entries = tomlkit.aot()
    count = 0
    for record in records:
        entries.append(_entry(record, path.parent))
        count += 1
    document.add("recording", entries)
    text = tomlkit.dumps(document)
    temporary = path.with_name(f".{path.name}.partial")
    try:
        temporary.write_text(text, encoding="utf-8")
        os.replace(temporary, path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise Problem(
            path, f"the plan could not be written ({error.strerror})", "Choose a folder you may write to."
        ) from None
    return count


def _entry(record: Mapping[str, Any], folder: Path) -> Table:
    entry = tomlkit.table()
    for reason in record["why"]:
        entry.add(tomlkit.comment(f"{reason}"))
    if record.get("settle"):
        entry.add(tomlkit.comment(f"what would settle it: {record['settle']}"))
    entry.add("path", os.path.relpath(record["path"], folder))
    tag = record["tag"]
    said = (
        tag["stream"]
        or tag["container"]
        or ("unsaid" if tag["expressible"] else "unsaid, this file type cannot say it")
    )
    remedy = tomlkit.item(record["remedy"])
    remedy.comment(f"found {record['finding']}, confidence {sure_words(record['confidence'])}; flag {said}")
    entry.add("remedy", remedy)
    proposal = record.get("proposal") or {}
    for key in ("from", "to"):
        if proposal.get(key):
            entry.add(key, proposal[key])
    price = record.get("price") or {}
    if proposal.get("depth"):
        entry.add("depth", proposal["depth"])
    if record["remedy"] == "rescale":
        entry.add("dither", "triangular")
    if record.get("profile"):
        entry.add("profile", record["profile"])
    if price:
        words = ", ".join(f"{name} {value}" for name, value in price.items() if not isinstance(value, dict | list))
        entry.add(tomlkit.comment(f"price in codes: {words}"))
    return entry


def read_plan(path: Path) -> list[Order]:
    """The orders of a plan, in its order.

    Raises: Problem naming the plan, the entry and the key that is wrong.
    """
    try:
        document = tomlkit.parse(path.read_text(encoding="utf-8")).unwrap()
    except FileNotFoundError:
        raise Problem(path, "there is no such plan", "Make one: footroom survey INPUT… --plan FILE.") from None
    except OSError as error:
        raise Problem(path, f"the plan could not be read ({error.strerror})") from None
    except (ParseError, UnicodeDecodeError) as error:
        raise Problem(path, f"the plan is not valid TOML ({error})", "Mend that line, or survey again.") from None
    if document.get("version") != PLAN_VERSION:
        raise Problem(path, f"a plan of version {document.get('version')!r}; this program reads version {PLAN_VERSION}")
    entries = document.get("recording", [])
    if not isinstance(entries, list) or not entries:
        raise Problem(path, "the plan holds no [[recording]]", "Survey again, or add one.")
    return [_order(path, number, entry) for number, entry in enumerate(entries, 1)]


_KEYS = {"path", "remedy", "from", "to", "dither", "seed", "depth", "codec", "profile", "even-so"}


def _order(plan: Path, number: int, entry: Mapping[str, Any]) -> Order:
    where = f"recording {number} ({entry.get('path', 'no path')})"

    def refuse(found: str, remedy: str = "") -> Problem:
        return Problem(plan, f"{where}: {found}", remedy)

    unknown = sorted(set(entry) - _KEYS)
    if unknown:
        raise refuse(f"unknown key {unknown[0]!r}", f"Known keys: {', '.join(sorted(_KEYS))}.")
    if not isinstance(entry.get("path"), str) or not entry["path"]:
        raise refuse("it has no path")

    def choice(key: str, allowed: tuple[str, ...]) -> str | None:
        value = entry.get(key)
        if value is not None and value not in allowed:
            raise refuse(f"{key} = {value!r}", f"It is one of {', '.join(allowed)}.")
        return value

    def whole(key: str, low: int, high: int) -> int | None:
        value = entry.get(key)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high):
            raise refuse(f"{key} = {value!r}", f"It is a whole number from {low} to {high}.")
        return value

    ranges = tuple(member.label for member in Range)
    source, target = choice("from", ranges), choice("to", ranges)
    codec = entry.get("codec")
    if codec is not None and not isinstance(codec, str):
        raise refuse(f"codec = {codec!r}", "It is a name in quotes.")
    remedy = choice("remedy", REMEDIES)
    if remedy is None:
        raise refuse("it has no remedy", f"It is one of {', '.join(REMEDIES)}.")
    even_so = entry.get("even-so", False)
    if not isinstance(even_so, bool):
        raise refuse(f"even-so = {even_so!r}", "It is true or false.")
    order = Order(
        path=Path(os.path.normpath(plan.parent / entry["path"])),
        remedy=remedy,
        source=Range.parse(source) if source else None,
        target=Range.parse(target) if target else None,
        dither=choice("dither", DITHER.words),
        seed=whole("seed", 0, int(SEED.high or 0)) or 0,
        depth=whole("depth", 8, 16),
        codec=codec,
        profile=choice("profile", PROFILES),
        even_so=even_so,
    )
    check_order(order, refuse)
    return order


def check_order(order: Order, refuse: Any = None) -> None:
    """Refuse an order whose parts do not fit together.

    refuse : makes the Problem from (found, remedy); by default it names the recording
    """
    make = refuse or (lambda found, remedy="": Problem(order.path, found, remedy))
    if order.remedy == "retag" and order.target is None:
        raise make("retag needs the flag that the copy is to have", "Say --to narrow or --to full (in a plan: to = …).")
    if order.remedy in ("lift", "rescale", "undo"):
        if order.source is None:
            raise make(
                f"{order.remedy} needs to know what the codes are now",
                "Say --from narrow or --from full (in a plan: from = …); footroom survey tells which.",
            )
        if order.target is None and order.remedy != "undo":
            raise make(f"{order.remedy} needs the range to go to", "Say --to narrow or --to full (in a plan: to = …).")
