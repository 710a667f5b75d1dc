"""Which results there are to be, and what each is called."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ....kernels.encoding import Encoding
from ...wanted import file_word
from ..codecs import CodecChoice
from ..errors import Problem
from ..jobs import plain_name
from ..media import Info
from ..overlay_writer import STILLS
from ..sheet import SAVING
from ..stills_writer import SUFFIXES
from .request import Delivery, Request

OVERLAY_MOVIES = {".mov": "prores", ".mkv": "ffv1"}
"""Suffixes of overlay movies, and what is written into them."""

FILE_SUFFIXES = frozenset({".dpx", ".mp4", ".m4v", ".mxf", ".avi", ".webm", ".ts", *STILLS, *OVERLAY_MOVIES, *SAVING})
"""What a name ends in that is meant for a file, not for a folder."""


TAKEN = ("burn", "guides", "sheet")
"""Last words of results' names besides a window's own, which no window may therefore have."""


@dataclass(frozen=True, slots=True)
class Output:
    """One result.

    kind : 'burn' | 'overlay' | 'crop' | 'sheet'
    delivery : the one it is of; None where it is of all
    path : its name: a file, or a folder of stills
    single : a folder of stills with one still in it, which becomes the result itself
    """

    kind: str
    delivery: Delivery | None
    path: Path
    single: bool = False

    @property
    def word(self) -> str:
        return self.kind if self.delivery is None else f"{self.kind} {self.delivery.name}"


def default_kinds(out: Path, info: Info | None, *, from_file: bool) -> tuple[str, ...]:
    """What is made where nobody says --as.

    Everything for a deliveries file; an overlay where there is no recording, or the name can only be an overlay's; a sheet for
    a picture's name; else a burn.
    """
    if info is None:
        return ("overlay",)
    if from_file:
        return ("burn", "overlay", "crop", "sheet")
    suffix = out.suffix.lower()
    if suffix in SAVING:
        return ("sheet",)
    return ("overlay",) if info.kind == "movie" and suffix in STILLS else ("burn",)


def suffix_of(choice: CodecChoice, info: Info) -> str:
    """The suffix of a movie or a single still; nothing for a folder of stills."""
    if info.kind == "stills":
        return SUFFIXES[choice.container] if info.frames == 1 else ""
    return f".{choice.container}"


def plan_outputs(
    kinds: tuple[str, ...], request: Request, source: Path | None, info: Info | None, out: Path, *, from_file: bool
) -> list[Output]:
    """Every result with its name: `out` itself where there is one, else names in the folder `out`.

    from_file : a deliveries file names the windows; then every delivery has an overlay of its own too
    A suffix that depends on the codec is settled later; until then a name in a folder has none.

    Raises: Problem where `out` cannot be what it has to be.
    """
    found: list[tuple[str, Delivery | None, str]] = []
    stem = "guides" if source is None else plain_name(source) if info and info.kind == "stills" else source.stem
    for kind in kinds:
        if kind == "crop":
            found += [("crop", delivery, f"{stem}.{file_word(delivery.name)}") for delivery in request.deliveries]
        elif kind == "overlay":
            found.append(("overlay", None, f"{stem}.guides{'.mov' if request.moving else '.png'}"))
            if from_file and len(request.deliveries) > 1:
                found += [
                    ("overlay", each, f"{stem}.{file_word(each.name)}.guides{'.png' if each.path is None else '.mov'}")
                    for each in request.deliveries
                ]
        else:
            found.append((kind, None, f"{stem}.{'sheet.png' if kind == 'sheet' else 'burn'}"))
    if not found:
        raise Problem(source, "there is nothing to crop", "Name at least one --window.")
    named = out.suffix.lower() in FILE_SUFFIXES and not out.is_dir()
    if len(found) == 1 and not out.is_dir() and (named or not from_file):
        kind, delivery, _ = found[0]
        return [Output(kind, delivery, _one_path(kind, out, info, request), _single(kind, info) and named)]
    if named or (out.exists() and not out.is_dir()):
        why = "one name" if named else "this is a file"
        raise Problem(out, f"there are {len(found)} results, and {why}", "Give --out a folder.")
    return [Output(kind, delivery, out / name, _single(kind, info)) for kind, delivery, name in found]


def _single(kind: str, info: Info | None) -> bool:
    return kind in ("burn", "crop") and info is not None and info.kind == "stills" and info.frames == 1


def _one_path(kind: str, out: Path, info: Info | None, request: Request) -> Path:
    """`out`, if a result of that kind can be called so.

    Raises: Problem.
    """
    suffix = out.suffix.lower()
    if kind == "sheet" and suffix not in SAVING:
        raise Problem(out, "a sheet is a picture", f"Name it {', '.join(sorted(SAVING))}.")
    if kind == "overlay":
        if suffix not in STILLS and suffix not in OVERLAY_MOVIES:
            known = ", ".join((*STILLS, *OVERLAY_MOVIES))
            other = "" if info is not None else " For a burn, crop or sheet name a recording too."
            raise Problem(out, "an overlay of this name cannot be written", f"Name it {known}.{other}")
        if request.moving and suffix in STILLS:
            raise Problem(
                out, "a window moves, so its overlay must be a movie", f"Name it {', '.join(OVERLAY_MOVIES)}."
            )
    if kind in ("burn", "crop") and info is not None and info.kind == "movie" and not suffix:
        raise Problem(out, "the result of a movie needs a suffix", "Name it .mov, .mkv or .mp4.")
    if (
        kind in ("burn", "crop")
        and info is not None
        and info.kind == "stills"
        and suffix in FILE_SUFFIXES
        and info.frames != 1
    ):
        raise Problem(
            out,
            f"the recording is a sequence of {info.frames} stills, and its result a folder of as many",
            "Give --out a folder's name.",
        )
    return out


def encoding_of(info: Info, request: Request) -> Encoding | None:
    """What the codes are: as the person says, else as the file does; None for floating-point levels."""
    return None if info.depth is None else info.encoding(info.tag.trusted if request.assume is None else request.assume)
