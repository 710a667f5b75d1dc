"""Results come to be whole or not at all: one writer to a folder, a hidden name until all is checked, then the receipt and the name."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from .errors import Problem
from .opening import recording_files
from .receipt import fingerprint, members, read_receipt, receipt_path, write_receipt

LOCK = ".footroom.lock"
"""The file in an output folder that the run which writes there holds."""


def partial_of(result: Path) -> Path:
    """The hidden name that a result has until it is whole."""
    return result.with_name(f".{result.stem}.partial{result.suffix}")


def make_folder(folder: Path) -> list[Path]:
    """Make a folder, and those it lies in; returns what was made, the innermost first."""
    made = [each for each in (folder, *folder.parents) if not each.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return made


def remove_empty(folders: list[Path]) -> None:
    """Remove folders that were made for results that never came; one that holds anything stays."""
    for folder in folders:
        with contextlib.suppress(OSError):
            folder.rmdir()


@contextlib.contextmanager
def sole_writer(folder: Path) -> Iterator[None]:
    """Hold an output folder for this process; the hold ends with the process, however that ends.

    Raises: Problem where another run holds it, or where it cannot be written.
    """
    try:
        made, handle = _held(folder)
    except OSError as error:
        raise Problem(
            folder, f"the output folder cannot be written ({error.strerror})", "Choose another --out."
        ) from None
    try:
        with handle:
            try:
                yield
            finally:
                (folder / LOCK).unlink(missing_ok=True)
    finally:
        remove_empty(made)


def _held(folder: Path) -> tuple[list[Path], IO[str]]:
    """The folders that were made, and the lock's file, held.

    Raises: Problem where another run holds the folder; OSError.
    """
    made: list[Path] = []
    while True:
        made = sorted({*made, *make_folder(folder)}, key=lambda each: len(each.parts), reverse=True)
        try:
            handle = (folder / LOCK).open("a")
        except FileNotFoundError:
            if folder.is_dir():
                raise
            continue  # a run that made the folder ended just now and took it away
        try:
            _hold(handle, folder)
            if _names(folder / LOCK, handle):
                return made, handle
        except BaseException:
            handle.close()
            remove_empty(made)
            raise
        handle.close()  # the run that held it ended just now and took that file away: it keeps nobody out any more


def _names(path: Path, handle: IO[str]) -> bool:
    """Whether a path leads to an open file and not to one that came after it."""
    try:
        return os.path.samestat(path.stat(), os.fstat(handle.fileno()))
    except FileNotFoundError:
        return False


def _hold(handle: IO[str], folder: Path) -> None:
    """Raises: Problem where another run holds the folder."""
    try:
        import fcntl
    except ImportError:  # a system without it: two runs into one folder are then the person's own care
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise Problem(
            folder, "another footroom is writing to this folder", "Wait for it, or choose another --out."
        ) from None
    except OSError:  # a disk that knows no locks: the same
        return


def system_problem(path: Path, error: OSError | MemoryError) -> Problem:
    """The system's refusal in words that say what to do."""
    if isinstance(error, MemoryError):
        return Problem(
            path, "there is not enough memory for its frames", "Do fewer at a time, or close other programs."
        )
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


def whole_already(
    result: Path, settings: dict[str, Any], source: Path | None, *, overwrite: bool
) -> dict[str, Any] | None:
    """The receipt of a result that the same settings made of the same source before and that is still as it was, else None.

    source : the recording it is made from; None for a result that has none

    Raises: Problem where something else lies there and overwriting was not asked for.
    """
    if not result.exists():
        return None
    receipt = read_receipt(receipt_path(result))
    if receipt and receipt.get("parameters") == settings and _same_input(receipt, source):
        output = receipt["output"]
        if fingerprint(members(result)) == {key: output[key] for key in ("bytes", "sha256", "files")}:
            return receipt
    _refuse_foreign_folder(result)
    if not overwrite:
        made = "made with other settings, by another version or from another input"
        why = made if receipt else "not made by this command"
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


def _same_input(receipt: dict[str, Any], path: Path | None) -> bool:
    if path is None or receipt["input"] is None:
        return path is None and receipt["input"] is None
    files = recording_files(path)
    recorded = receipt["input"]
    if recorded["bytes"] != sum(file.stat().st_size for file in files):
        return False
    return bool(fingerprint(files)["sha256"] == recorded["sha256"])


def publish(partial: Path, result: Path, receipt: dict[str, Any], *, overwrite: bool) -> None:
    """Give a verified result its name. The receipt goes first: a result without one cannot be, and a receipt alone is
    written anew by the next run. What is overwritten steps aside before, so that it never lies beside another's receipt."""
    for file in members(partial):
        with file.open("rb") as handle:
            os.fsync(handle.fileno())
    if result.exists() and not overwrite:  # looked at again: making it may have taken an hour
        raise Problem(result, "a result of this name appeared meanwhile", "Choose another --out, or add --overwrite.")
    _refuse_foreign_folder(result)
    with _aside(result, receipt_path(result)):
        write_receipt(receipt_path(result), receipt)
        os.rename(partial, result)
    with contextlib.suppress(OSError):  # not every file system lets a folder be synced
        folder = os.open(result.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


@contextlib.contextmanager
def _aside(*paths: Path) -> Iterator[None]:
    """Paths under hidden names, in the order given: gone when the work is done, back under their own where it fails."""
    old = [(path, path.with_name(f".{path.name}.replaced")) for path in paths if path.exists()]
    moved = []
    new: list[Path] = []
    try:
        for path, aside in old:
            discard(aside)
            os.rename(path, aside)
            moved.append((path, aside))
        new = list(paths)  # what lies there from here on is not what lay there before
        yield
    except BaseException:
        for path in reversed(new):
            discard(path)
        for path, aside in reversed(moved):
            os.rename(aside, path)
        raise
    for _, aside in moved:
        discard(aside)


def discard(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def lift_out(target: Path) -> None:
    """A folder of one still becomes that still."""
    (only,) = target.iterdir()
    aside = target.with_name(target.name + ".one")
    only.rename(aside)
    target.rmdir()
    aside.rename(target)
