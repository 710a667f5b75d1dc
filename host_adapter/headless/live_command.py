"""`footroom live`: a running signal through our elements, with a line of figures each second."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.text import Text

from ..gstreamer.chains import BITRATE, Wanted, command_line, local_file, parts, sink_kind, source_kind
from .errors import Problem
from .exits import FOUND, OK
from .publish import discard, partial_of, system_problem
from .terminal import console, share_words

if TYPE_CHECKING:
    from types import FrameType

    from ..gstreamer.figures import Figures

CAUTION = "Try the whole chain before the event; the broadcaster's or the venue's own rules decide. Ctrl-C ends it."
EFFECT_VALUES = (
    "assume", "to", "dither", "depth", "seed", "windows", "grid", "safe", "centre", "squeeze", "shade", "label", "even",
)  # fmt: skip


def run_live(source: str, **options: Any) -> int:
    """The sub-command; returns the exit code.

    Raises: Problem.
    """
    as_json, overwrite = options["as_json"], options["overwrite"]
    said, values = _values(source, options)
    try:
        wanted = Wanted(
            source, options["out"], values, options["on_error"], options["codec"], options["bitrate"] or BITRATE,
            _size(options["size"]), _rate(options["rate"]), options["pixels"],
        )  # fmt: skip
        _check_words(wanted, options)
        target = local_file(wanted.sink) if sink_kind(wanted.sink) == "file" else None
        chain = parts(wanted, None if target is None or options["show_chain"] else partial_of(target))
    except ValueError as error:
        raise Problem(None, str(error)) from None
    if options["show_chain"]:
        print(command_line(chain))
        return OK
    _check_files(wanted, target, overwrite=overwrite)
    live = _live(wanted, chain)
    if not as_json:
        errors = console(stderr=True)
        errors.print(Text(CAUTION), soft_wrap=True)
        for words in said:
            errors.print(Text(words), soft_wrap=True)
    whole = _play(live, target, options["seconds"], as_json=as_json, overwrite=overwrite)
    _say_end(whole, target, as_json=as_json)
    return FOUND if whole.passed else OK


def _values(source: str, options: dict[str, Any]) -> tuple[list[str], dict[str, Any]]:
    """Values of the effects, the range of a file filled in from the file; and what to say about that.

    Raises: Problem where the file cannot be read.
    """
    values = {name: options[name] for name in EFFECT_VALUES}
    if source_kind(source) != "file":
        return [], values
    from .opening import open_recording
    from .survey import trusted_range

    with open_recording(local_file(source)) as recording:
        info = recording.info
    if info.kind != "movie":
        raise Problem(info.path, "stills cannot be played live", "Name a movie.")
    said = []
    if values["assume"] is None and info.depth is not None:
        values["assume"] = trusted_range(info).label
        silent = info.tag.container is None and info.tag.stream is None
        said.append(
            f"{info.path.name}: its codes are taken as {values['assume']}"
            + (
                ", for it says nothing; --assume says otherwise."
                if silent
                else ", as it says; --assume says otherwise."
            )
        )
    if values["to"] is None and values["assume"] is not None:
        values["to"] = values["assume"]  # GStreamer may have lost the flag on the way: say it anew, and change no code
        if not any(values[name] for name in EFFECT_VALUES if name not in ("assume", "to")):
            values["to"] = values["assume"] = None
    return said, values


def _size(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    found = re.fullmatch(r"(\d{1,5})x(\d{1,5})", text)
    if found is None or not int(found[1]) or not int(found[2]):
        raise ValueError(f"--size is written as 1920x1080, got {text!r}")
    return int(found[1]), int(found[2])


def _rate(text: str | None) -> Fraction | None:
    """Frames a second; 29.97 and its like are the trade's short form of 30000/1001 (SMPTE ST 318 and others)."""
    if text is None:
        return None
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise ValueError(f"--rate is written as 25, 29.97 or 30000/1001, got {text!r}") from None
    whole = -(-rate.numerator // rate.denominator)
    broken = Fraction(whole * 1000, 1001)
    if rate.denominator != 1 and abs(rate - broken) < Fraction(1, 100):
        rate = broken
    if not 0 < rate <= 1000:
        raise ValueError(f"--rate must lie over 0 and up to 1000, got {text}")
    return rate


def _check_words(wanted: Wanted, options: dict[str, Any]) -> None:
    """Raises: ValueError naming an option that would be passed over."""
    kind = source_kind(wanted.source)
    for name in ("size", "rate", "pixels"):
        if options[name] is not None and kind not in ("test", "device"):
            raise ValueError(f"--{name} is for the test source and capture devices; a {kind} has its own")
    if wanted.pixels is not None and not re.fullmatch(r"[A-Za-z0-9_]+", wanted.pixels):
        raise ValueError(f"--pixels is a name such as I422_10LE, got {wanted.pixels!r}")
    if options["bitrate"] is not None and (wanted.codec == "ffv1" or sink_kind(wanted.sink) in ("window", "null")):
        raise ValueError("--bitrate is for h264")


def _check_files(wanted: Wanted, target: Path | None, *, overwrite: bool) -> None:
    """Raises: Problem where something is not there, or in the way."""
    if source_kind(wanted.source) == "device" and not Path(wanted.source).exists():
        there = sorted(str(path) for path in Path("/dev").glob("video*"))
        raise Problem(None, f"there is no device {wanted.source}", f"There are: {', '.join(there) or 'none'}.")
    if target is None:
        return
    if target.is_dir():
        raise Problem(target, "--out names a folder", "Name a file.")
    if not target.parent.is_dir():
        raise Problem(target, f"there is no folder {target.parent}", "Make it, or choose another.")
    if not os.access(target.parent, os.W_OK):
        raise Problem(
            target, f"nothing may be written to {target.parent}", "Check its rights, or choose another folder."
        )
    if source_kind(wanted.source) == "file" and target.resolve() == local_file(wanted.source).resolve():
        raise Problem(target, "--out would write over the source", "Choose another name.")
    if target.exists() and not overwrite:
        raise Problem(target, "there is a file of this name", "Choose another name, or add --overwrite.")


def _live(wanted: Wanted, chain: list[str]) -> Any:
    try:
        from ..gstreamer.live import Live
    except (ImportError, ValueError) as error:
        raise Problem(
            None,
            f"GStreamer is not there for this Python ({error})",
            "footroom host gstreamer --check says what to install.",
        ) from None
    return Live(wanted, chain)


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    """An event that Ctrl-C sets; a second Ctrl-C interrupts for good."""
    stop = threading.Event()

    def asked(_signal: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {number: signal.signal(number, asked) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _play(live: Any, target: Path | None, seconds: float | None, *, as_json: bool, overwrite: bool) -> Figures:
    """Play, and give a file its name when it is whole; of one that is not, what was recorded is kept under another name.

    Raises: Problem.
    """
    partial = None if target is None else partial_of(target)
    if partial is not None and target is not None and (left := _set_aside(partial, target)) is not None:
        console(stderr=True).print(Text(f"What an earlier run left behind is in {left.name}."), soft_wrap=True)
    at, begun = 0.0, False

    def tell(figures: Figures) -> None:
        nonlocal at, begun
        begun = begun or figures.frames > 0
        at = at + figures.seconds if begun else 0.0
        _say_second(figures, at, as_json=as_json)

    try:
        with _stopping() as stop:
            whole: Figures = live.play(tell, stop, seconds)
    except Problem as problem:
        raise _kept(problem, partial, target) from None
    except KeyboardInterrupt:
        raise _kept(Problem(None, "stopped before the file was whole"), partial, target) from None
    if partial is not None and target is not None:
        try:
            with partial.open("rb") as handle:
                os.fsync(handle.fileno())
            if target.exists() and not overwrite:
                raise _kept(Problem(target, "a file of this name appeared meanwhile"), partial, target)
            os.replace(partial, target)
        except OSError as error:
            raise system_problem(target, error) from None
    return whole


def _kept(problem: Problem, partial: Path | None, target: Path | None) -> Problem:
    """The problem, with where to find what was recorded up to then."""
    name = None if partial is None or target is None else _set_aside(partial, target)
    if name is None:
        return problem
    remedy = f"{problem.remedy} What was recorded up to then is in {name.name}, without a proper end.".strip()
    return Problem(problem.path, problem.found, remedy)


def _set_aside(partial: Path, target: Path) -> Path | None:
    """Give a recording without a proper end a name of its own, for nobody may want to lose it; returns it, None where there is none."""
    if not partial.exists():
        return None
    if not partial.stat().st_size:
        discard(partial)
        return None
    number = 1
    while (name := target.with_name(f"{target.stem}.unfinished{number}{target.suffix}")).exists():
        number += 1
    os.replace(partial, name)
    return name


def _say_second(figures: Figures, at: float, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps({"at": round(at, 1), **_to_json(figures)}), flush=True)
        return
    print(line_of(figures, at), flush=True)


def line_of(figures: Figures, at: float) -> str:
    """A second in one line of a narrow terminal; the time is that in our elements."""
    minutes, seconds = divmod(round(at), 60)
    parts = [f"{minutes:02}:{seconds:02}"]
    if not figures.frames:
        return f"{parts[0]}  {'no frame came' if at else 'no frame yet'}"
    parts.append(f"{figures.rate:.1f} fps")
    parts.append(f"late {figures.late}, dropped {figures.dropped}")
    if figures.median_ms is not None:
        parts.append(f"{figures.median_ms:.1f} ms, p95 {figures.p95_ms:.1f}")
    if figures.clipped is not None:
        parts.append(f"clip {_clipped_words(figures.clipped)}")
    if figures.passed:
        parts.append(f"{figures.passed} NOT CHANGED")
    return "  ".join(parts)


def _clipped_words(clipped: tuple[float, float]) -> str:
    return share_words({"low": clipped[0], "high": clipped[1]}).replace(" % ", "% ").replace(",", "") or "0%"


def _to_json(figures: Figures) -> dict[str, Any]:
    made = asdict(figures)
    clipped = made.pop("clipped")
    made["clipped"] = None if clipped is None else {"low": clipped[0], "high": clipped[1]}
    return {key: round(value, 3) if isinstance(value, float) else value for key, value in made.items()}


def _say_end(whole: Figures, target: Path | None, *, as_json: bool) -> None:
    if as_json:
        made = {"whole": _to_json(whole), "file": None if target is None else str(target)}
        print(json.dumps(made, ensure_ascii=False), flush=True)
        return
    print(f"In all {whole.frames} frames:")
    print(line_of(whole, whole.seconds))
    if target is not None:
        print(f"-> {target}")
    if whole.passed:
        print(f"{whole.passed} frames went on as they were, because they could not be changed", file=sys.stderr)
