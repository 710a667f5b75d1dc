"""The one exception that a person meets: what was found, where, what to do about it."""

from __future__ import annotations

from pathlib import Path


class Problem(Exception):  # noqa: N818  (it is not always an error of the program; often it is the input's)
    """A request or an input that cannot be served; printed as one line, never as a traceback.

    path : the file it is about, or None
    found : what was found, in words
    remedy : what the person can do about it, in words
    """

    def __init__(self, path: Path | str | None, found: str, remedy: str = "") -> None:
        self.path = None if path is None else Path(path)
        self.found = found
        self.remedy = remedy
        super().__init__(str(self))

    def __str__(self) -> str:
        where = "" if self.path is None else f"{self.path.name or self.path.absolute().name or self.path}: "
        found = self.found if self.found.endswith(".") else self.found + "."
        return f"{where}{found}" + (f" {self.remedy}" if self.remedy else "")
