"""How results come to be: one writer to a folder, and never a result beside a receipt that is not its own."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from footroom.host_adapter.headless import publish as module
from footroom.host_adapter.headless.errors import Problem
from footroom.host_adapter.headless.publish import LOCK, partial_of, publish, sole_writer, system_problem
from footroom.host_adapter.headless.receipt import RECEIPT_VERSION, members, read_receipt, receipt_path


def listing(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def test_the_folder_that_is_written_to_is_named_where_it_is_the_one_we_are_in(tmp_path, monkeypatch):
    home = tmp_path / "kestrel"
    home.mkdir()
    monkeypatch.chdir(home)
    with (
        sole_writer(Path()),
        pytest.raises(Problem, match=r"^kestrel: another footroom is writing"),
        sole_writer(Path()),
    ):
        pass


def test_a_lock_that_was_taken_away_meanwhile_keeps_nobody_out(tmp_path, monkeypatch):
    """Between our opening the lock's file and our holding it, the run that held it may end, and a third begin."""
    pytest.importorskip("fcntl")
    hold, third = module._hold, []

    def late(handle, folder):
        if not third:
            (tmp_path / LOCK).unlink()
            third.append((tmp_path / LOCK).open("a"))
            hold(third[0], folder)
        hold(handle, folder)

    monkeypatch.setattr(module, "_hold", late)
    with pytest.raises(Problem, match="another footroom"), sole_writer(tmp_path):
        pass
    third[0].close()
    with sole_writer(tmp_path):
        assert listing(tmp_path) == [LOCK]
    assert listing(tmp_path) == []


def test_a_lock_that_was_only_taken_away_is_made_anew(tmp_path, monkeypatch):
    pytest.importorskip("fcntl")
    hold, calls = module._hold, []

    def late(handle, folder):
        if not calls:
            (tmp_path / LOCK).unlink()
        calls.append(handle)
        hold(handle, folder)

    monkeypatch.setattr(module, "_hold", late)
    with sole_writer(tmp_path):
        assert len(calls) == 2
        assert os.path.samestat((tmp_path / LOCK).stat(), os.fstat(calls[1].fileno()))


def test_a_folder_that_another_run_takes_away_is_made_anew(tmp_path, monkeypatch):
    folder, make, calls = tmp_path / "one" / "two", module.make_folder, []

    def short_lived(wanted):
        made = make(wanted)
        calls.append(wanted)
        if len(calls) == 1:
            wanted.rmdir()
        return made

    monkeypatch.setattr(module, "make_folder", short_lived)
    with sole_writer(folder):
        assert (folder / LOCK).exists()
    assert len(calls) == 2 and listing(tmp_path) == []


def test_a_disk_that_knows_no_locks_is_written_to(tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")

    def unknown(*_):
        raise OSError(errno.ENOLCK, "no locks available")

    monkeypatch.setattr(fcntl, "flock", unknown)
    with sole_writer(tmp_path):
        pass


def test_the_advice_fits_every_command():
    """Only mend has --jobs."""
    assert "--jobs" not in str(system_problem(Path("a.mov"), MemoryError()))


def receipt(what: str) -> dict:
    return {"receipt": RECEIPT_VERSION, "what": what, "output": {"files": 2}}


def make(path: Path, what: str, folder: bool) -> None:
    if folder:
        path.mkdir()
    for each in (path / "1.dpx", path / "2.dpx") if folder else (path,):
        each.write_text(what)


def shown(result: Path) -> tuple[str, str]:
    """What the result holds, and what its receipt speaks of; '' for nothing."""
    held = read_receipt(receipt_path(result))
    return members(result)[0].read_text() if result.exists() else "", held["what"] if held else ""


@pytest.mark.parametrize("folder", [False, True], ids=["file", "folder"])
@pytest.mark.parametrize("crash", [False, True], ids=["refused", "killed"])
def test_what_is_overwritten_never_lies_beside_the_new_receipt(tmp_path, monkeypatch, folder, crash):
    """At every step on the way: where the system refuses it, all is as it was; where the process ends there, nothing is mixed."""
    result = tmp_path / "kestrel"
    steps = 0
    while True:
        for path in sorted(tmp_path.iterdir()):
            module.discard(path)
        make(partial_of(result), "old", folder)
        publish(partial_of(result), result, receipt("old"), overwrite=False)
        assert shown(result) == ("old", "old")
        make(partial_of(result), "new", folder)
        left = [steps]

        def broken(real, left=left):
            def step(*arguments):
                if left[0] == 0 or (crash and left[0] < 0):  # a process that has ended mends nothing either
                    left[0] -= 1
                    raise OSError(errno.EIO, "the disk is gone")
                left[0] -= 1
                return real(*arguments)

            return step

        with monkeypatch.context() as patched:
            for owner, name in ((os, "rename"), (os, "replace"), (module, "discard")):
                patched.setattr(owner, name, broken(getattr(owner, name)))
            try:
                publish(partial_of(result), result, receipt("new"), overwrite=True)
            except OSError:
                pass
            else:
                break
        assert shown(result) in (
            {("old", "old"), ("", "old"), ("", ""), ("", "new"), ("new", "new")}
            if crash
            else {("old", "old"), ("new", "new")}
        )
        steps += 1
    assert steps >= 6 and shown(result) == ("new", "new")
    assert not [name for name in listing(tmp_path) if "replaced" in name]
