"""Mend: orders in, verified results with receipts out; originals only ever read."""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ...kernels.encoding import Range
from .errors import Problem
from .guard import guard_evidence, guard_history, guard_profile, profile_of
from .jobs import Claims, Job
from .media import Info
from .opening import open_recording, recording_files
from .plan import Order
from .receipt import RECEIPT_VERSION, fingerprint, members, program_version, read_receipt, receipt_path, write_receipt
from .remedies import Progress, Retag, Scale, Stopped, work_for
from .survey import survey


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one order.

    state : 'written' | 'whole already' | 'left alone' | 'failed' | 'stopped'
    words : one line for a person
    """

    order: Order
    state: str
    words: str
    result: Path | None = None
    receipt: dict[str, Any] | None = None

    def to_json(self) -> dict[str, Any]:
        """The outcome as `footroom mend --json` prints it."""
        return {
            "input": str(self.order.path),
            "remedy": self.order.remedy,
            "state": self.state,
            "words": self.words,
            "output": None if self.result is None else str(self.result),
            "receipt": None if self.result is None else str(receipt_path(self.result)),
            "lost": (self.receipt or {}).get("lost"),
            "uncarried": (self.receipt or {}).get("uncarried"),
        }


@dataclass(slots=True)
class Bench:
    """What all jobs of one run share."""

    claims: Claims
    overwrite: bool = False
    survey_first: bool = True
    stop: threading.Event | None = None

    def stopped(self) -> bool:
        return self.stop is not None and self.stop.is_set()


@contextlib.contextmanager
def sole_writer(folder: Path) -> Iterator[None]:
    """Hold an output folder for this process; the hold ends with the process, however that ends.

    Raises: Problem where another run holds it, or where it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = (folder / ".footroom.lock").open("a")
    except OSError as error:
        raise Problem(
            folder, f"the output folder cannot be written ({error.strerror})", "Choose another --out."
        ) from None
    with handle:
        try:
            import fcntl
        except ImportError:  # a system without it: two runs into one folder are then the person's own care
            yield
            return
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise Problem(
                folder, "another footroom mend is writing to this folder", "Wait for it, or choose another --out."
            ) from None
        try:
            yield
        finally:
            (folder / ".footroom.lock").unlink(missing_ok=True)


def mend(job: Job, bench: Bench, progress: Progress | None = None) -> Outcome:
    """Carry out one order. Whatever goes wrong with this one is in its outcome; the others go on.

    Nothing half-written stays: the result appears under its name only when it is whole and verified.
    """
    order = job.order
    if order.remedy in ("none", "ask"):
        words = (
            "the plan leaves it alone" if order.remedy == "none" else "the plan has a question open; choose a remedy"
        )
        return Outcome(order, "left alone", words)
    try:
        return _mend(job, bench, progress)
    except Stopped:
        return Outcome(order, "stopped", "stopped before it was whole; nothing was kept of it")
    except Problem as problem:
        if problem.path is not None and problem.path.name.startswith("."):
            # The person knows the recording, not the hidden file that we were writing.
            problem = Problem(order.path, problem.found, problem.remedy)
        return Outcome(order, "failed", str(problem))
    except (OSError, MemoryError) as error:
        return Outcome(order, "failed", str(system_problem(order.path, error)))


def system_problem(path: Path, error: OSError | MemoryError) -> Problem:
    """The system's refusal in words that say what to do."""
    import errno

    if isinstance(error, MemoryError):
        return Problem(path, "there is not enough memory for its frames", "Use --jobs 1, or close other programs.")
    advice = {
        errno.ENOSPC: ("the disk is full", "Free some space or choose another --out, and run the same command again."),
        errno.EFBIG: ("the result grows larger than this disk or account allows", "Choose another --out."),
        errno.EDQUOT: ("your disk quota is used up", "Free some space or choose another --out, and run it again."),
        errno.EACCES: ("permission was denied", "Check the rights of the file and of the --out folder."),
        errno.EPERM: ("permission was denied", "Check the rights of the file and of the --out folder."),
        errno.EROFS: ("the --out folder lies on a read-only disk", "Choose another --out."),
        errno.EIO: ("the disk reported an error", "Copy the card again, or check the disk."),
    }
    found, remedy = advice.get(error.errno or 0, (f"the system refused ({error.strerror or error})", ""))
    name = Path(str(error.filename)).name if error.filename else ""
    where = f" ({name})" if name and not name.startswith(".") and name != path.name else ""
    return Problem(path, found + where, remedy)


def _mend(job: Job, bench: Bench, progress: Progress | None) -> Outcome:
    order = job.order
    guard_history(order)
    with open_recording(order.path) as recording:
        info = recording.info
        work = work_for(order, info)
        result = job.folder / work.name
        bench.claims.claim(result, order.path)
        if (done := _whole_already(result, work.settings, order, bench)) is not None:
            return Outcome(order, "whole already", "whole already, nothing done", result, done)
        guard_profile(order, info)
        if bench.survey_first and order.remedy != "retag" and not order.even_so:
            guard_evidence(order, survey(recording, frames=12, profile=order.profile).to_json())
        job.folder.mkdir(parents=True, exist_ok=True)
        partial = result.with_name(f".{result.stem}.partial{result.suffix}")
        _discard(partial)
        try:
            made = work.make(recording, partial, bench.stopped, progress)
            receipt = _receipt(order, info, work, made, partial, result)
            _publish(partial, result, receipt, overwrite=bench.overwrite)
        finally:
            _discard(partial)
    return Outcome(order, "written", made["words"], result, receipt)


def _whole_already(result: Path, settings: dict[str, Any], order: Order, bench: Bench) -> dict[str, Any] | None:
    """The receipt of a result that this very order made before and that is still as it was, else None.

    Raises: Problem where something else lies there and overwriting was not asked for.
    """
    if not result.exists():
        return None
    receipt = read_receipt(receipt_path(result))
    if receipt and receipt.get("parameters") == settings and _same_input(receipt, order.path):
        output = receipt["output"]
        if fingerprint(members(result)) == {key: output[key] for key in ("bytes", "sha256", "files")}:
            return receipt
    _refuse_foreign_folder(result)
    if not bench.overwrite:
        why = "made with other settings or from another input" if receipt else "not made by this order"
        raise Problem(result, f"a result of this name exists, {why}", "Choose another --out, or add --overwrite.")
    return None


def _refuse_foreign_folder(result: Path) -> None:
    """A folder gives way to a result only where it holds the stills that its receipt counts, and nothing besides.

    Raises: Problem.
    """
    if not result.is_dir():
        return
    receipt = read_receipt(receipt_path(result))
    entries = list(result.iterdir())
    if receipt and all(entry.is_file() for entry in entries) and len(entries) == receipt["output"]["files"]:
        return
    raise Problem(
        result,
        "a folder of this name exists and is no result of ours alone; such a folder is never replaced",
        "Choose another --out.",
    )


def _same_input(receipt: dict[str, Any], path: Path) -> bool:
    files = recording_files(path)
    recorded = receipt["input"]
    if recorded["bytes"] != sum(file.stat().st_size for file in files):
        return False
    return bool(fingerprint(files)["sha256"] == recorded["sha256"])


def _receipt(
    order: Order, info: Info, work: Retag | Scale, made: dict[str, Any], partial: Path, result: Path
) -> dict[str, Any]:
    return {
        "receipt": RECEIPT_VERSION,
        "footroom": program_version(),
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "input": {"path": str(order.path), **fingerprint(recording_files(order.path)), **_facts(info)},
        "output": {"path": result.name, **fingerprint(members(partial)), **made["output"]},
        "parameters": work.settings,
        "profile": profile_of(order, info),
        "even_so": order.even_so,
        "done": made["words"],
        "lost": made["lost"],
        "carried": made["carried"],
        "uncarried": made["uncarried"],
        "changed_bytes": made.get("changed_bytes", []),
        "verified": made["verified"],
    }


def _facts(info: Info) -> dict[str, Any]:
    label = {None: None, Range.NARROW: "narrow", Range.FULL: "full"}
    return {
        "codec": info.codec,
        "pixel_format": info.pixel_format,
        "width": info.width,
        "height": info.height,
        "flag": {"container": label[info.tag.container], "stream": label[info.tag.stream]},
    }


def _publish(partial: Path, result: Path, receipt: dict[str, Any], *, overwrite: bool) -> None:
    """Give a verified result its name. The receipt goes first: a result without one cannot be, and a receipt alone is
    written anew by the next run."""
    for file in members(partial):
        with file.open("rb") as handle:
            os.fsync(handle.fileno())
    if result.exists() and not overwrite:  # looked at again: making it may have taken an hour
        raise Problem(result, "a result of this name appeared meanwhile", "Choose another --out, or add --overwrite.")
    _refuse_foreign_folder(result)
    write_receipt(receipt_path(result), receipt)
    if result.is_dir():  # a folder cannot be replaced in one step: the old one steps aside first
        aside = result.with_name(f".{result.name}.replaced")
        _discard(aside)
        os.rename(result, aside)
        os.rename(partial, result)
        _discard(aside)
    else:
        os.replace(partial, result)
    with contextlib.suppress(OSError):  # not every file system lets a folder be synced
        folder = os.open(result.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _discard(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
