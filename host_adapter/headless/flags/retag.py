"""Making a copy of a recording whose flag states another range."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ....kernels.encoding import Range
from ..errors import Problem
from .find import OTHER_WAYS, no_place, read_layout
from .patch import Change, patch
from .place import Damaged, Layout, NoPlace, Unsupported
from .remux import remux, remux_obstacle
from .source import Source


@dataclass(frozen=True, slots=True)
class Way:
    """How a file's flag can be changed.

    method : 'patch' (a few bytes of a copy), 'remux' (the pictures are put into a new file), or None
    reason : in words, why it takes a remux, or why it cannot be done; empty for a patch
    """

    method: str | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Retagged:
    """What was done.

    method : 'patch' | 'remux'
    changed : byte in the file, value before, value after, what stands there; for a remux the place is -1 and the values
        are H.273's (0 narrow, 1 full, 255 silent)
    carried, uncarried : what came over besides the picture, and what did not, in words; a patch carries everything
    """

    method: str
    changed: tuple[Change, ...]
    carried: tuple[str, ...]
    uncarried: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Look:
    layout: Layout | None
    obstacle: str
    damaged: bool = False
    placeless: bool = False


def _look(path: Path) -> _Look:
    """Walks through the file; tells a damaged one from one that is merely not understood.

    Raises: Problem where it cannot be read at all.
    """
    try:
        with Source(path) as source:
            layout = read_layout(source)
    except OSError as error:
        raise Problem(
            path, f"it cannot be read ({error.strerror or error})", "Check the path and permissions."
        ) from error
    except Damaged as error:
        return _Look(None, str(error), damaged=True)
    except NoPlace as error:
        return _Look(None, no_place(str(error)), placeless=True)
    except Unsupported as error:
        return _Look(None, str(error))
    return _Look(layout, "; ".join(layout.lacking))


def can_retag(path: Path | str) -> Way:
    """How the file's flag can be changed, without changing anything.

    Raises: Problem where the file cannot be read at all.
    """
    path = Path(path)
    look = _look(path)
    if look.damaged or look.placeless:
        return Way(None, look.obstacle)
    if look.layout is not None and not look.layout.lacking:
        return Way("patch")
    obstacle = remux_obstacle(path)
    return Way("remux", look.obstacle) if obstacle is None else Way(None, f"{look.obstacle}; {obstacle}")


def retag(source: Path | str, target: Path | str, range_: Range, *, method: str | None = None) -> Retagged:
    """Writes a copy of `source` to `target` that states the range; the coded pictures stay as they are.

    The copy is complete, on disc and read back when this returns; where anything fails it is gone.

    target : must not exist
    method : 'patch' or 'remux' to insist on one; otherwise a patch where it can be done, else a remux
    Raises: Problem, also where the file type has no place for the flag; ValueError for another method
    """
    source, target = Path(source), Path(target)
    if method not in (None, "patch", "remux"):
        raise ValueError(f"method is 'patch', 'remux' or None, got {method!r}")
    if target.exists():
        raise Problem(target, "there is a file of that name already", "Remove it or choose another name.")
    look = _look(source)
    if look.damaged:
        raise Problem(source, look.obstacle, "Copy it again from the card, or let the camera repair it.")
    if look.placeless:
        raise Problem(source, look.obstacle, OTHER_WAYS)
    if look.layout is not None and not look.layout.lacking and method != "remux":
        changes = patch(source, target, look.layout, range_)
        return Retagged("patch", changes, ("everything but the flag, byte for byte",), ())
    obstacle = "it can only be put into a new file (remuxed)" if method == "patch" else remux_obstacle(source)
    if obstacle is not None:
        raise Problem(source, "; ".join(filter(None, (look.obstacle, obstacle))), OTHER_WAYS)
    done = remux(source, target, range_)
    return Retagged("remux", done.changed, done.carried, done.uncarried)
