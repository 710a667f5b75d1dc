"""Options that none of the results would hear: refused in words, for what is passed over in silence is taken for done."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from ..errors import Problem
from .outputs import OVERLAY_MOVIES, Output
from .request import Request

DRAWN = ("burn", "overlay", "sheet")
"""What guides are drawn into."""


def check_heard(request: Request, outputs: list[Output], source: Path | None, *, scaled: bool, timed: bool) -> None:
    """Whether every option that was given decides something in at least one result.

    scaled : --size was given beside a recording
    timed : --rate or --seconds was given without one
    Raises: Problem naming the option and what would hear it.
    """
    kinds = {output.kind for output in outputs}
    given: tuple[tuple[str, bool, str, tuple[str, ...]], ...] = (
        ("--grid", bool(request.grids), "guides are drawn into", DRAWN),
        ("--safe", bool(request.safes), "guides are drawn into", DRAWN),
        ("--centre", request.centre, "guides are drawn into", DRAWN),
        ("--shade", request.shade > 0, "the shade is drawn into", DRAWN),
        ("--label", request.labels, "labels are drawn into", DRAWN),
        ("--assume", request.assume is not None, "what the codes are matters to", ("burn", "sheet")),
        ("--codec", request.codec is not None, "a codec is chosen for", ("burn", "crop")),
        ("--at", request.moment is not None, "one frame is chosen for", ("sheet",)),
        ("--size", scaled, "beside a recording it scales", ("crop",)),
    )
    for option, said, why, hearers in given:
        if said and not kinds & set(hearers):
            raise Problem(
                source,
                f"{option} would change nothing: {why} {_listed(hearers, 'or')}, and what is made is {_listed(kinds, 'and')}",
                f"Leave {option} out, or add --as {' or --as '.join(hearers)}.",
            )
    if timed and not any(output.path.suffix.lower() in OVERLAY_MOVIES for output in outputs):
        raise Problem(
            outputs[0].path,
            "--rate and --seconds would change nothing: this overlay is a still",
            f"Leave them out, or name it {' or '.join(OVERLAY_MOVIES)}.",
        )


def _listed(kinds: Collection[str], word: str) -> str:
    *most, last = (f"{'an' if kind == 'overlay' else 'a'} {kind}" for kind in sorted(kinds))
    return f"{', '.join(most)} {word} {last}" if most else last
